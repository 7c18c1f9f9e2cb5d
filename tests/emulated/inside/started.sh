# The same machine started again: what was kept is there before the network is said to be.
. /job/site.sh
passed start
for unit in network-pre.target netcharter-boot.service network-online.target netcharter-steward.service; do
  systemctl show $unit -p Id,ActiveState,Result,ActiveEnterTimestampMonotonic
done >order
until_true 60 systemctl is-active netcharter-steward.service || true
systemctl is-active netcharter-steward.service >steward || true
netcharter holds >holds 2>&1 || echo "holds: $?" >>holds
look >after
netcharter undo --history >history 2>&1 || true
systemctl --failed --no-legend --plain >failed
systemctl is-system-running >running || true
systemd-analyze --no-pager >took 2>&1 || true
journalctl --no-pager -o short-monotonic -b -u 'netcharter-*' >journal 2>&1 || true
