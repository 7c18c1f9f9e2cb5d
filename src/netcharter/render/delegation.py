"""What dhcpcd is told of a line whose prefix the provider delegates, after dhcpcd(8) and RFC 8415.

One unit and one file of settings per line, and two scripts that all share. Nothing of it sets an
address, and without CAP_NET_ADMIN it could not: a script writes down what was delegated, and the
steward makes the plan anew with it. What comes from the provider is a string of somebody else's in
the environment of a shell: only what looks like a prefix or a number goes on, and nothing of it is
ever run or expanded again.

A PPPoE session has no hardware address; dhcpcd asks over it all the same.
"""

from __future__ import annotations

from netcharter.plan.shapes import LinePlan, Plan
from netcharter.render.escape import bare_device, remark
from netcharter.render.placing import OURS, UNITS, Placed, Service

FOLDER_OF_SETTINGS = "/etc/netcharter"
SCRIPT, AT = "prefix.sh", f"{FOLDER_OF_SETTINGS}/prefix.sh"
ASKER, ASKER_AT = "prefix-ask.sh", f"{FOLDER_OF_SETTINGS}/prefix-ask.sh"
STATE = "netcharter/learnt"  # below /var/lib
FOLDER = f"/var/lib/{STATE}"
AGAIN = 5  # seconds until it is begun anew
PATIENCE = 600  # seconds for a device to come, before the unit is begun anew
MOST = 8  # prefixes of one line that are remembered
# What a site asks for (RFC 7084 WPD-2: one /64 for each area, rounded up to a nibble, and more).
USUAL, LARGE = 56, 48


def delegation(plan: Plan) -> dict[str, str]:
    """The files by name; none where no prefix is delegated."""
    lines = _asking(plan)
    found = {_unit_file(line): _unit(line) for line in lines}
    found |= {_settings_file(line): _settings(line, _wanted(plan)) for line in lines}
    return found | ({SCRIPT: _SCRIPT, ASKER: _ASKER} if lines else {})


def placed(plan: Plan) -> tuple[Placed, ...]:
    """Where each of them is to lie."""
    lines = _asking(plan)
    found = [Placed(_unit_file(line), f"{UNITS}/{_name(line)}") for line in lines]
    found += [Placed(_settings_file(line), _settings_at(line)) for line in lines]
    scripts = (Placed(SCRIPT, AT, 0o755), Placed(ASKER, ASKER_AT, 0o755))
    return (*found, *(scripts if lines else ()))


def services(plan: Plan) -> tuple[Service, ...]:
    """One for each line."""
    return tuple(
        Service(_name(line), (_unit_file(line), _settings_file(line), SCRIPT, ASKER))
        for line in _asking(plan)
    )


def _asking(plan: Plan) -> list[LinePlan]:
    return [line for line in plan.lines if line.delegated]


def _unit_file(line: LinePlan) -> str:
    return f"prefix-{line.number}.service"


def _settings_file(line: LinePlan) -> str:
    return f"prefix-{line.number}.conf"


def _settings_at(line: LinePlan) -> str:
    return f"{FOLDER_OF_SETTINGS}/{_settings_file(line)}"


def _name(line: LinePlan) -> str:
    return f"netcharter-{_unit_file(line)}"


def _wanted(plan: Plan) -> int:
    return USUAL if len(plan.numbered) < 1 << 64 - USUAL else LARGE


def command(line: LinePlan) -> tuple[str, ...]:
    """Asks in the foreground, once there is a device to ask over."""
    return (ASKER_AT, bare_device(line.device), bare_device(line.ethernet), _settings_at(line))


def _settings(line: LinePlan, length: int) -> str:
    """For prefixes alone. The number of the line tells those of one gateway apart (IAID, RFC 8415
    section 12.1). Of this machine nothing is told: no name, no program."""
    return f"""\
{OURS}a prefix is asked for over a line, by dhcpcd.
{remark(f"of the line {line.name}")}
ipv6only
noipv6rs
noconfigure
nodev
vendorclassid
script {AT}
env netcharter_line={line.number}
env netcharter_folder={FOLDER}
interface {bare_device(line.device)}
  ia_pd {line.number}/::/{length}
"""


def _unit(line: LinePlan) -> str:
    return f"""\
{OURS}a prefix is asked for over a line.
{remark(f"of the line {line.name}")}

[Unit]
Description=Ask for the IPv6 prefix of line {line.number}
After=local-fs.target network-pre.target netcharter-boot.service
StartLimitIntervalSec=0

[Service]
Type=simple
ExecStart={" ".join(command(line))}
Restart=always
RestartSec={AGAIN}
StateDirectory={STATE} dhcpcd
StateDirectoryMode=0700
RuntimeDirectory=dhcpcd
RuntimeDirectoryPreserve=yes
UMask=0077
# It asks, as a user of its own in an empty folder, and can set nothing up.
CapabilityBoundingSet=CAP_NET_BIND_SERVICE CAP_NET_RAW CAP_SETUID CAP_SETGID CAP_SYS_CHROOT CAP_KILL
NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome=yes
PrivateTmp=yes
PrivateDevices=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectControlGroups=yes
RestrictNamespaces=yes
RestrictRealtime=yes
LockPersonality=yes
MemoryMax=64M
TasksMax=16

[Install]
WantedBy=multi-user.target
"""


# The name by which the provider knows the gateway follows from the network card (RFC 8415 section
# 11.4), also where a session over it has no hardware address; so it outlives the disk. The device of
# a session comes and goes, and nothing can be asked before it has its own address.
_ASKER = f"""\
#!/bin/sh
{OURS}a prefix is asked for over a line, once it is there.
set -euf
PATH=/usr/sbin:/usr/bin:/sbin:/bin
LC_ALL=C
export PATH LC_ALL
device="$1"
ethernet="$2"
settings="$3"
card() {{
  ip -o link show dev "$ethernet" 2>/dev/null | sed -n 's|.* link/ether \\([0-9a-f:]*\\) .*|\\1|p'
}}
address() {{
  ip -o -6 address show dev "$device" scope link up 2>/dev/null
}}
left={PATIENCE}
until own="$(card)" && [ -n "$own" ] && [ -n "$(address)" ]; do
  left=$((left - 1))
  [ "$left" -gt 0 ] || exit 0
  sleep 1
done
exec dhcpcd --nobackground --config "$settings" "--duid=00:03:00:01:$own" "$device"
"""


# Run by dhcpcd as root, with its variables (dhcpcd-run-hooks(8)): once for each answer, with all that
# it names. A client that is merely stopped, or whose line has no carrier, has not lost what it was
# given (RFC 9096 section 3.1).
# Written beside and moved, so that a reader sees all of it or what was there before.
_SCRIPT = f"""\
#!/bin/sh
{OURS}what a provider delegates is written down, for the steward.
set -euf
PATH=/usr/sbin:/usr/bin:/sbin:/bin
LC_ALL=C
export PATH LC_ALL
umask 077
line="${{netcharter_line:-}}"
device="${{interface:-}}"
folder="${{netcharter_folder:-}}"
case "$line" in [1-9]) ;; *) exit 0 ;; esac
case "$device" in '' | *[!A-Za-z0-9_.@+-]*) exit 0 ;; esac
case "$folder" in /*) ;; *) exit 0 ;; esac
file="$folder/$line"
new="$folder/.$line.new"
now="$(date +%s)"
number() {{
  [ "${{#1}}" -le 10 ] || exit 0
  case "$1" in '' | *[!0-9]*) exit 0 ;; esac
}}
found() {{ # TEXT
  printf %s "$1" > "$new"
  mv -f "$new" "$file"
  exit 0
}}
case "${{reason:-}}" in
  BOUND6 | RENEW6 | REBIND6 | REBOOT6) ;;
  EXPIRE6)
    [ "${{ifcarrier:-}}" != up ] || found ""
    exit 0
    ;;
  RELEASE6) found "" ;;
  *) exit 0 ;;
esac
[ -n "${{new_dhcp6_ia_pd1_prefix1:-}}" ] || exit 0
text=""
for n in {" ".join(map(str, range(1, MOST + 1)))}; do
  # Only the number is put into these words; what they stand for is not looked at again.
  eval "prefix=\\"\\${{new_dhcp6_ia_pd1_prefix$n:-}}\\""
  [ -n "$prefix" ] || break
  eval "length=\\"\\${{new_dhcp6_ia_pd1_prefix${{n}}_length:-}}\\""
  eval "preferred=\\"\\${{new_dhcp6_ia_pd1_prefix${{n}}_pltime:-}}\\""
  eval "valid=\\"\\${{new_dhcp6_ia_pd1_prefix${{n}}_vltime:-}}\\""
  [ "${{#prefix}}" -le 39 ] || exit 0
  case "$prefix" in *[!0-9a-fA-F:]*) exit 0 ;; esac
  number "$length"
  number "$preferred"
  number "$valid"
  [ "$valid" -eq 0 ] || text="$text$prefix/$length $preferred $valid $now $device
"
done
found "$text"
"""
