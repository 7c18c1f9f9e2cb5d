# The same machine started again: what was kept is there before the network is said to be.
. /job/site.sh
passed start
systemctl show -p Id,ActiveState,Result,ActiveEnterTimestampMonotonic network-pre.target \
  netcharter-boot.service network-online.target netcharter-steward.service >order
until_true 60 systemctl is-active netcharter-steward.service || true
systemctl is-active netcharter-steward.service >steward || true
netcharter holds >holds 2>&1 || echo "holds: $?" >>holds
look >after
service >service
netcharter undo --history >history 2>&1 || true
systemctl --failed --no-legend --plain >failed
systemctl is-system-running >running || true
systemd-analyze --no-pager >took 2>&1 || true
told() {
  systemctl show netcharter-steward.service -p ActiveState,NRestarts,MainPID
}
told >steward.first

# A steward that hangs is ended by the service manager, and begun again.
hung=$(systemctl show netcharter-steward.service -p MainPID --value)
passed hung
[ "$hung" -gt 1 ] # else it would stop us
kill -STOP "$hung"
until_true 100 sh -c "! [ -d /proc/$hung ]" || true
passed aborted
until_true 60 systemctl is-active netcharter-steward.service || true
told >steward.again
passed restarted

# Without any of ours.
netcharter undo 0 >undone 2>&1 || echo "undo: $?" >>undone
netcharter keep >>undone 2>&1 || echo "keep: $?" >>undone
service >service.gone 2>&1
find /etc/netcharter /etc/systemd/system -name '*advertising*' >left 2>/dev/null || true
passed gone

journalctl --no-pager -o short-monotonic -b -u 'netcharter-*' >journal 2>&1 || true
