# The machine with its service manager: first start. Units are installed, the steward is at work and
# watched, an undo timer fires.
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
ExecStart=/bin/sh -c 'for one in eth0 eth2; do ip link add name \$one type dummy; done'
[Install]
WantedBy=sysinit.target
X
systemctl daemon-reload
systemctl enable --now cables.service 2>&1
modprobe nf_conntrack
passed start
told() { systemctl show "$1" -p ActiveState,SubState,Type,Result,NRestarts,MainPID,WatchdogUSec,StatusText; }

netcharter enact /job/charter.yaml --yes --waive rehearsal --because "tried elsewhere" >enacted 2>&1 ||
  echo "enact: $?" >>enacted
systemctl list-units --all --no-legend --plain 'netcharter-undo-*' >timers
netcharter keep >kept 2>&1 || echo "keep: $?" >>kept
service >service.kept
passed kept
netcharter boot --install >installed 2>&1 || echo "boot: $?" >>installed
netcharter steward --install >>installed 2>&1 || echo "steward: $?" >>installed
passed installed
netcharter render /job/dialled.yaml -o kit >/dev/null 2>&1
cp kit/ppp1.service /etc/systemd/system/netcharter-ppp1.service
for unit in boot steward ppp1 advertising; do
  echo "== $unit"
  systemd-analyze verify --man=no /etc/systemd/system/netcharter-$unit.service || echo "exit $?"
done >verified 2>&1
passed verified
systemd-analyze --no-pager security netcharter-steward.service | tail -1 >exposure 2>&1 || true
until_true 60 systemctl is-active netcharter-steward.service || true
told netcharter-steward.service >steward.first
netcharter steward --status >status 2>&1 || echo "status: $?" >>status
systemctl is-enabled netcharter-boot.service netcharter-steward.service >enabled 2>&1 || true

rm /etc/systemd/system/netcharter-ppp1.service
systemctl daemon-reload

# What nobody keeps is undone by the timer that the service manager started.
look >before
netcharter enact /job/other.yaml --within 30 --yes --waive rehearsal --because "tried elsewhere" \
  >enacted.other 2>&1 || echo "enact: $?" >>enacted.other
passed other
look >trial
service >service.trial
systemctl list-units --all --no-legend --plain 'netcharter-undo-*' >timers.other
until_true 100 sh -c "! systemctl list-units --no-legend --plain 'netcharter-undo-*' | grep -q undo" || true
passed undone
look >after
service >service.after
netcharter undo --history >history 2>&1 || true
netcharter holds >holds 2>&1 || echo "holds: $?" >>holds
journalctl --no-pager -o short-monotonic -u 'netcharter-*' >journal 2>&1 || true
sync
