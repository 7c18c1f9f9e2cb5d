# Every service that a kit can have, put in place by the real command under a real service manager,
# with hosts who use them; then undone.
. /job/site.sh
host isp wan eth0
ip -n isp address add 203.0.113.9/29 dev wan
host desk lan eth2
ip -n desk link set dev lan address 02:00:00:aa:00:01
ip -n desk address add 10.7.0.5/27 dev lan
ip -n desk route add default via 10.7.0.1
host maker lab eth3
ip -n maker link set dev lab address 02:00:00:aa:00:02
ip -n maker address add 10.7.1.3/28 dev lab
ip -n maker route add default via 10.7.1.1

units() { # FILE: how those of the kit are
  sed -n 's/.*"unit": "\(.*\)",\{0,1\}$/\1/p' kit/manifest.json | while read -r unit; do
    echo "== $unit"
    systemctl show "$unit" -p ActiveState,SubState,NRestarts,Result
  done >"$1"
}
settled() { # they are all there, and none is still on its way
  units now && ! grep -qE '^ActiveState=(activating|failed|inactive)' now
}
theirs() { # what Debian's packages begin by themselves
  for unit in unbound chrony dnsdist avahi-daemon; do
    echo "$unit $(systemctl is-enabled "$unit.service" 2>&1 || true)"
  done
}
modprobe nf_conntrack
theirs >theirs.before
passed start
netcharter render /job/charter.yaml -o kit >rendered 2>&1
netcharter enact /job/charter.yaml --prepare >prepared 2>&1 || true
netcharter enact /job/charter.yaml --within 3000 --yes --waive rehearsal --because "tried elsewhere" \
  >enacted 2>&1 || echo "enact: $?" >>enacted
passed enacted
until_true 120 settled || true
units units.first
theirs >theirs.meanwhile
for unit in $(sed -n 's/^== //p' units.first); do
  echo "== $unit"
  systemd-analyze verify --man=no "/etc/systemd/system/$unit" 2>&1 || echo "exit $?"
done >verified
at desk python3 /job/asking.py 10.7.0.1 >desk.told 2>&1 || true
at maker python3 /job/asking.py 10.7.1.1 >maker.told 2>&1 || true
netcharter requests >requests 2>&1 || echo "requests: $?" >>requests
passed asked
sleep 30
units units.later
journalctl -u 'netcharter-*' -p warning --no-pager -o cat >complaints
journalctl -u 'netcharter-*' --no-pager >journal
netcharter undo >undone 2>&1 || echo "undo: $?" >>undone
passed undone
theirs >theirs.after
left() { systemctl list-units --all --no-legend --plain 'netcharter-*'; }
none_left() { [ -z "$(left)" ]; }
until_true 60 none_left || true  # the undo timer ends once it sees that it isn't needed
left >left
