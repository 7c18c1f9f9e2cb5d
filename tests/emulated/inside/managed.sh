# The machine with its service manager: first start. Units are installed, the steward is at work and
# watched, services come and go with what stands, an undo timer fires.
. /job/site.sh
cat >/etc/systemd/system/cables.service <<X
[Unit]
Description=Devices that a real machine would have
DefaultDependencies=no
After=systemd-modules-load.service systemd-sysctl.service
Before=network-pre.target
Wants=network-pre.target
[Service]
Type=oneshot
RemainAfterExit=yes
ExecStart=/bin/sh -eu /job/cables.sh
[Install]
WantedBy=sysinit.target
X
cat >/etc/systemd/system/provider.service <<X
[Unit]
Description=A provider that delegates a prefix
After=cables.service
StartLimitIntervalSec=0
[Service]
ExecStart=/usr/sbin/ip netns exec isp dhcpd -6 -d -cf /etc/provider -lf /var/lib/provider --no-pid wan.35
Restart=always
RestartSec=2
[Install]
WantedBy=multi-user.target
X
# The prefix is of the addresses that are given to sites; no such machine has a way to the internet.
cat >/etc/provider <<X
default-lease-time 40000;
preferred-lifetime 30000;
option dhcp-renewal-time 10000;
option dhcp-rebinding-time 20000;
subnet6 2001:db8:f::/64 { prefix6 2a00:c00:7a00:: 2a00:c00:7a00:: /56; }
X
: >/var/lib/provider
systemctl daemon-reload
systemctl enable --now cables.service provider.service 2>&1
modprobe nf_conntrack
passed start
told() { systemctl show "$1" -p ActiveState,SubState,Type,Result,NRestarts,MainPID,WatchdogUSec,StatusText; }
advertising() { service advertising /etc/netcharter/advertising.conf; }
prefix() { service prefix-1 /etc/netcharter/prefix.sh 2>/dev/null; }
verified() { # those of our units that are there
  for unit in "$@"; do
    echo "== $unit"
    systemd-analyze verify --man=no "/etc/systemd/system/netcharter-$unit.service" || echo "exit $?"
  done >>verified 2>&1
}
enacted() { # CHARTER SECONDS FILE
  netcharter enact "/job/$1.yaml" --within "$2" --yes --waive rehearsal --because "tried elsewhere" \
    >"$3" 2>&1 || echo "enact: $?" >>"$3"
}
kept() { netcharter keep >"$1" 2>&1 || echo "keep: $?" >>"$1"; }

enacted charter 3000 enacted
systemctl list-units --all --no-legend --plain 'netcharter-undo-*' >timers
kept kept
advertising >advertising.kept
passed kept
# Who listens hears of the gateway's local prefix, and has an address of it (RFC 4862).
until_true 300 sh -c 'ip -n desk -6 -o address show dev lan.10 scope global | grep -q "inet6 fd"' || true
ip -n desk -6 -o address show dev lan.10 scope global >heard.kept

# What nobody keeps is undone by the timer that the service manager started; here with a service more.
look >before
enacted other 300 enacted.other
passed other
systemctl list-units --all --no-legend --plain 'netcharter-undo-*' >timers.other
advertising >advertising.trial
prefix >prefix.trial
look >trial
verified prefix-1
until_true 300 test -s /var/lib/netcharter/learnt/1 || true
until_true 600 sh -c "! systemctl list-units --no-legend --plain 'netcharter-undo-*' | grep -q undo" || true
passed undone
look >after
advertising >advertising.after
prefix >prefix.after
netcharter holds >holds 2>&1 || echo "holds: $?" >>holds
passed held

# Once more, and kept: by now the provider has delegated something, and so hosts get it.
cp /var/lib/netcharter/learnt/1 learnt || true
enacted other 3000 enacted.again
kept kept.again
passed again
until_true 300 sh -c 'ip -n desk -6 -o address show dev lan.10 scope global | grep -q "inet6 2a00"' || true
ip -n desk -6 -o address show dev lan.10 scope global >heard.again
advertising >advertising.again
prefix >prefix.again

netcharter boot --install >installed 2>&1 || echo "boot: $?" >>installed
netcharter steward --install >>installed 2>&1 || echo "steward: $?" >>installed
verified boot steward advertising
until_true 300 systemctl is-active netcharter-steward.service || true
told netcharter-steward.service >steward.first
netcharter steward --status >status 2>&1 || echo "status: $?" >>status
systemctl is-enabled netcharter-boot.service netcharter-steward.service >enabled 2>&1 || true
passed installed
netcharter undo --history >history 2>&1 || true
systemctl --failed --no-legend --plain >failed
journalctl --no-pager -o short-monotonic -u 'netcharter-*' >journal 2>&1 || true
sync
