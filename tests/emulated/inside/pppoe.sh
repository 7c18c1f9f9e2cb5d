# A line that is dialled by PPPoE over a tag, by the service that the kit has for it, with a provider
# in a host of its own.
. /job/site.sh
host isp wan eth1
tagged isp wan 35 192.0.2.250/32  # the provider's own; PPPoE needs no address there
ip -n isp address add 198.51.100.66/32 dev lo
host desk lan eth2
ip -n desk link set dev lan address 02:00:00:aa:00:01
ip -n desk address add 10.7.0.5/27 dev lan
ip -n desk route add default via 10.7.0.1
at isp python3 /job/web.py 80 &
serving isp

umask 077
echo '"site@isp.example" * "correct horse" *' >/etc/ppp/chap-secrets
umask 022
cat >provider <<X
require-chap
name provider
lcp-echo-interval 20
lcp-echo-failure 3
+ipv6
mtu 1492
mru 1492
noipx
logfile /run/out/provider.log
X
provide() { # so that it and what it starts are in the provider's network
  ip netns exec isp pppoe-server -I wan.35 -C provider -L 203.0.113.1 -R 203.0.113.20 -N 4 -F \
    -O /run/out/provider >>served 2>&1 &
  provider=$!
}
provide

modprobe -a nf_conntrack ppp_generic pppoe  # whose settings would else come on the way
look >before
passed start
netcharter enact /job/charter.yaml --prepare >prepared 2>&1 || true
passed prepared
netcharter enact /job/charter.yaml --within 3000 --yes --waive rehearsal --because "tried elsewhere" \
  >enacted 2>&1 || echo "enact: $?" >>enacted
cat /etc/ppp/peers/netcharter-ppp1 >peer || true
passed enacted
systemd-analyze verify --man=no /etc/systemd/system/netcharter-ppp1.service >verified 2>&1 ||
  echo "exit $?" >>verified

up() { ip -4 route show table 101 | grep -q "^default dev ppp1 "; }
up6() { ip -6 route show table 101 | grep -q ppp1; }
until_true 300 up || true
until_true 120 up6 || true
passed dialled
state() {
  ip -d link show dev ppp1 || true
  ip -o address show dev ppp1 || true
  for family in 4 6; do echo "IPv$family"; ip -$family route show table 101 || true; done
  sysctl net.ipv6.conf.ppp1.accept_ra net.ipv6.conf.ppp1.accept_ra_defrtr || true
  ip -4 route show table main default
}
state >state.first
service ppp1 /etc/ppp/peers/netcharter-ppp1 >service.first
# What the opening packet says beyond the line about the size of a segment.
at isp python3 /job/opening.py ppp0 listens >opening &
until_true 120 test -e listens
at desk python3 /job/ask.py 198.51.100.66 80 >asked.first || true
at desk ping -c 2 -W 20 -M do -s 1464 198.51.100.66 >large 2>&1 || true  # 1492 bytes
at desk ping -c 2 -W 20 -M do -s 1465 198.51.100.66 >larger 2>&1 || true
netcharter keep >kept 2>&1 || echo "keep: $?" >>kept
passed kept
netcharter holds >holds.up 2>&1 || echo "holds: $?" >>holds.up

# The provider ends the session and is away for a while; ours has to dial again.
passed ended
kill $provider
for process in $(ip netns pids isp); do
  [ "$(cat /proc/$process/comm 2>/dev/null)" != pppd ] || kill "$process" || true
done
until_true 300 sh -c '! ip link show dev ppp1' || true
passed gone
at desk python3 /job/ask.py 198.51.100.66 80 >asked.without || true
netcharter holds >holds.without 2>&1 || echo "holds: $?" >>holds.without
provide
until_true 600 up || true
until_true 120 up6 || true
passed redialled
state >state.again
service ppp1 /etc/ppp/peers/netcharter-ppp1 >service.again
at desk python3 /job/ask.py 198.51.100.66 80 >asked.again || true
netcharter holds >holds.again 2>&1 || echo "holds: $?" >>holds.again
passed ready

netcharter undo 0 --within 3000 >undone 2>&1 || echo "undo: $?" >>undone
netcharter keep >>undone 2>&1 || echo "keep: $?" >>undone
service ppp1 /etc/ppp/peers/netcharter-ppp1 >service.gone 2>/dev/null
look >after
systemctl --failed --no-legend --plain >failed
journalctl --no-pager -o short-monotonic -u 'netcharter-*' >journal 2>&1 || true
passed over
