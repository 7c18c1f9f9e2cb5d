"""What dhclient is told of a line whose prefix the provider delegates, after dhclient(8) and RFC 8415.

One unit per line, and one script that all share. Nothing of it sets an address: the script writes
down what was delegated, and the steward makes the plan anew with it. What comes from the provider is
a string of somebody else's in the environment of a shell: only what looks like a prefix or a number
goes on, and nothing of it is ever run or expanded again.
"""

from __future__ import annotations

from netcharter.plan.shapes import LinePlan, Plan
from netcharter.render.escape import bare_device, remark
from netcharter.render.placing import OURS, UNITS, Placed, Service

SCRIPT, AT = "prefix.sh", "/etc/netcharter/prefix.sh"
STATE = "netcharter/learnt"  # below /var/lib
FOLDER = f"/var/lib/{STATE}"
AGAIN = 5  # seconds until it is begun anew
MOST = 8  # prefixes of one line that are remembered
# What a site asks for (RFC 7084 WPD-2: one /64 for each area, rounded up to a nibble, and more).
USUAL, LARGE = 56, 48


def delegation(plan: Plan) -> dict[str, str]:
    """The files by name; none where no prefix is delegated."""
    lines = _asking(plan)
    found = {_file(line): _unit(line, _wanted(plan)) for line in lines}
    return found | ({SCRIPT: _SCRIPT} if lines else {})


def placed(plan: Plan) -> tuple[Placed, ...]:
    """Where each of them is to lie."""
    lines = _asking(plan)
    units = [Placed(_file(line), f"{UNITS}/{_name(line)}") for line in lines]
    return (*units, *((Placed(SCRIPT, AT, 0o755),) if lines else ()))


def services(plan: Plan) -> tuple[Service, ...]:
    """One for each line."""
    return tuple(Service(_name(line), (_file(line), SCRIPT)) for line in _asking(plan))


def _asking(plan: Plan) -> list[LinePlan]:
    return [line for line in plan.lines if line.delegated]


def _file(line: LinePlan) -> str:
    return f"prefix-{line.number}.service"


def _name(line: LinePlan) -> str:
    return f"netcharter-{_file(line)}"


def _wanted(plan: Plan) -> int:
    return USUAL if len(plan.numbered) < 1 << 64 - USUAL else LARGE


def command(line: LinePlan, length: int, folder: str = FOLDER, script: str = AT) -> tuple[str, ...]:
    """The client in the foreground. -P: it asks for prefixes alone. The name by which the provider
    knows it follows from the device (RFC 8415 section 11.4), so that it outlives the disk."""
    said = (f"netcharter_line={line.number}", f"netcharter_device={bare_device(line.device)}")
    return (
        *("/sbin/dhclient", "-6", "-P", "-D", "LL", "-d", "--no-pid"),
        *("--prefix-len-hint", str(length), "-cf", "/dev/null", "-sf", script),
        *("-lf", f"{folder}/{line.number}.leases"),
        *(part for one in (*said, f"netcharter_folder={folder}") for part in ("-e", one)),
        bare_device(line.device),
    )


def _unit(line: LinePlan, length: int) -> str:
    return f"""\
{OURS}a prefix is asked for over a line.
{remark(f"of the line {line.name}")}

[Unit]
Description=Ask for the IPv6 prefix of line {line.number}
After=local-fs.target network-pre.target netcharter-boot.service
StartLimitIntervalSec=0

[Service]
Type=simple
ExecStart={" ".join(command(line, length))}
Restart=always
RestartSec={AGAIN}
StateDirectory={STATE}
StateDirectoryMode=0700
UMask=0077
# Debian's profile for dhclient knows neither this script nor this folder; what it may do is here.
AppArmorProfile=-unconfined
CapabilityBoundingSet=CAP_NET_BIND_SERVICE CAP_NET_RAW
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


# Run by dhclient as root, with its variables (dhclient-script(8)): once for each prefix of an answer.
# The newest line is the last. A client that is merely stopped (STOP6) has not lost what it was given.
# Written beside and moved, so that a reader sees all of it or what was there before.
_SCRIPT = f"""\
#!/bin/sh
{OURS}what a provider delegates is written down, for the steward.
set -euf
PATH=/usr/sbin:/usr/bin:/sbin:/bin
LC_ALL=C
export PATH LC_ALL
line="${{netcharter_line:-}}"
device="${{netcharter_device:-}}"
folder="${{netcharter_folder:-}}"
case "$line" in [1-9]) ;; *) exit 0 ;; esac
case "$device" in '' | *[!A-Za-z0-9_.@+-]*) exit 0 ;; esac
case "$folder" in /*) ;; *) exit 0 ;; esac
case "${{reason:-}}" in
  BOUND6 | RENEW6 | REBIND6 | REBOOT6)
    prefix="${{new_ip6_prefix:-}}"
    preferred="${{new_preferred_life:-}}"
    valid="${{new_max_life:-}}"
    starts="${{new_life_starts:-}}"
    ;;
  EXPIRE6 | RELEASE6)
    prefix="${{old_ip6_prefix:-}}"
    preferred=0
    valid=0
    starts=0
    ;;
  *) exit 0 ;;
esac
[ "${{#prefix}}" -le 43 ] || exit 0
case "$prefix" in '' | *[!0-9a-fA-F:/]*) exit 0 ;; esac
for number in "$preferred" "$valid" "$starts"; do
  [ "${{#number}}" -le 10 ] || exit 0
  case "$number" in '' | *[!0-9]*) exit 0 ;; esac
done
file="$folder/$line"
new="$folder/.$line.new"
{{
  if [ -f "$file" ]; then
    tail -n {MOST - 1} "$file" | while IFS=' ' read -r other rest; do
      [ "$other" = "$prefix" ] || printf '%s %s\\n' "$other" "$rest"
    done
  fi
  [ "$valid" = 0 ] || printf '%s %s %s %s %s\\n' "$prefix" "$preferred" "$valid" "$starts" "$device"
}} > "$new"
exec mv -f "$new" "$file"
"""
