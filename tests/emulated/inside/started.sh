# The same machine started again: what was kept is there before the network is said to be.
. /job/site.sh
passed start
systemctl show -p Id,ActiveState,Result,ActiveEnterTimestampMonotonic network-pre.target \
  netcharter-boot.service network-online.target netcharter-steward.service >order
told() { systemctl show netcharter-steward.service -p ActiveState,NRestarts,MainPID; }
until_true 600 systemctl is-active netcharter-steward.service || true
systemctl is-active netcharter-steward.service >steward || true
# Begun by boot, which waits for neither.
for one in advertising prefix-1; do
  until_true 300 systemctl is-active netcharter-$one.service || true
done
service advertising /etc/netcharter/advertising.conf >advertising
service prefix-1 /etc/netcharter/prefix.sh >prefix
until_true 300 sh -c 'ip -n desk -6 -o address show dev lan.10 scope global | grep -q "inet6 2a00"' || true
ip -n desk -6 -o address show dev lan.10 scope global >heard
passed heard
netcharter holds >holds 2>&1 || echo "holds: $?" >>holds
ip -o address >addresses
ip -o link >links
nft list table inet netcharter >/dev/null && echo there >rules
netcharter undo --history >history 2>&1 || true
systemctl --failed --no-legend --plain >failed
systemctl is-system-running >running || true
systemd-analyze --no-pager >took 2>&1 || true
told >steward.first

# A steward that hangs is ended by the service manager, and begun again.
hung=$(systemctl show netcharter-steward.service -p MainPID --value)
passed hung
[ "$hung" -gt 1 ] # else it would stop us
kill -STOP "$hung"
until_true 900 sh -c "! [ -d /proc/$hung ]" || true
passed aborted
until_true 600 systemctl is-active netcharter-steward.service || true
told >steward.again
passed restarted

# Without any of ours.
netcharter undo 0 --within 3000 >undone 2>&1 || echo "undo: $?" >>undone
netcharter keep >>undone 2>&1 || echo "keep: $?" >>undone
for one in advertising prefix-1; do service $one /nothing; done >services.gone 2>/dev/null
find /etc/netcharter /etc/systemd/system -name '*advertising*' -o -name '*prefix*' >left 2>/dev/null || true
passed gone

journalctl --no-pager -o short-monotonic -b -u 'netcharter-*' >journal 2>&1 || true
