# A charter whose line and areas are tagged, put in place by the real command, and undone.
. /job/site.sh
host isp wan eth0
host desk lan eth2
ip -n desk link set dev lan address 02:00:00:aa:00:01
tagged isp wan 35 203.0.113.9/29
ip -n isp address add 198.51.100.66/32 dev lo
tagged desk lan 10 10.7.0.5/27
ip -n desk route add default via 10.7.0.1
ip netns add barn  # on the same cable as the desk, with another tag
ip -n barn link set dev lo up
ip -n desk link add link lan name lan.20 type vlan id 20
ip -n desk link set lan.20 netns barn
ip -n barn link set dev lan.20 up
ip -n barn address add 10.7.1.2/28 dev lan.20
ip -n barn route add default via 10.7.1.1
at isp python3 /job/web.py 80 &
at barn python3 /job/web.py 80 &
at isp python3 /job/tags.py wan listens.line >tags.line &
at desk python3 /job/tags.py lan listens.areas >tags.areas &
serving isp
serving barn
until_true 120 test -e listens.line -a -e listens.areas

modprobe nf_conntrack  # whose settings would else come with the ruleset
look >before
passed start
netcharter enact /job/charter.yaml --within 3000 --yes --waive rehearsal --because "tried elsewhere" \
  >enacted 2>&1 || echo "enact: $?" >>enacted
passed enacted
look >trial
ip -d -o link >devices
sed -n 's/^ExecStart=//p' /etc/systemd/system/netcharter-advertising.service >command || true
at desk python3 /job/ask.py 198.51.100.66 80 >asked.office || true
at barn python3 /job/ask.py 198.51.100.66 80 >asked.barn || true
at desk python3 /job/ask.py 10.7.1.2 80 >asked.across || true
netcharter undo >undone 2>&1 || echo "undo: $?" >>undone
passed undone
look >after
