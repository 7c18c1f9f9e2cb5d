"""The commands of the evening: keep the old settings, take away what is in the way, go back.

They are text for a person at a console; the way back is kept as a script, so that it can also run
by itself. Every name in them goes through the shell's own quoting.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from ipaddress import IPv4Interface

from netcharter.plan.coding import MAX_LINES
from netcharter.plan.shapes import AreaPlan, LinePlan, Plan
from netcharter.render.kit import COMMANDS
from netcharter.render.routes import TABLES
from netcharter.tasks.inheriting.shapes import HostFacts, Recognised

UNDO = 20  # minutes until the old settings come back by themselves
FOLDER = "/var/backups/old-gateway"
FILES = (
    "/etc/nftables.conf /etc/network /etc/systemd/network /etc/sysctl.conf /etc/sysctl.d"
    " /etc/dnsmasq.conf /etc/dnsmasq.d /etc/dhcp /etc/default/isc-dhcp-server"
    " /var/lib/misc/dnsmasq.leases /var/lib/dhcp"
)


def backup(renamed: Sequence[tuple[str, str]] = (), folder: str = FOLDER) -> list[str]:
    """The commands that keep everything the way back needs, and the way back itself, in a folder.

    renamed: devices that will be called otherwise, old name and new name.
    """
    there = shlex.quote(folder)
    return [
        f"mkdir -p {there} && chmod 700 {there} && cd {there}",
        "(echo 'flush ruleset'; TZ=UTC nft list ruleset) > rules.nft",
        "nft -j list ruleset > rules.json",
        "ip -j -d address > addresses.json",
        "ip -j route > routes.json; ip -j -6 route > routes6.json",
        "ip address save > addresses.saved",
        *(f"ip -{v} route save table main > routes{v}.saved" for v in (4, 6)),
        *(f"ip -{v} rule save > rules{v}.saved" for v in (4, 6)),
        "sysctl -a 2>/dev/null | grep '^net\\.' > sysctl.txt",
        f"tar --ignore-failed-read -czf files.tar.gz {FILES} 2>/dev/null || true",
        "cat > back.sh <<'END'",
        *way_back(renamed, folder),
        "END",
        "TZ=UTC nft -c -f rules.nft",
    ]


def way_back(renamed: Sequence[tuple[str, str]] = (), folder: str = FOLDER) -> list[str]:
    """The commands that bring the old settings back, as long as the machine was not restarted.

    They can be run twice. The packet filter comes first, in one piece; the rule of the local table
    is taken away for a moment, because `ip` restores it beside the kernel's own.
    """
    lines = [f"cd {shlex.quote(folder)} || exit 1", "TZ=UTC nft -f rules.nft"]
    lines += [f"{back} 2>/dev/null" for old, new in renamed for back in _renamed(new, old)]
    for v in (4, 6):
        lines.append(
            f"ip -{v} rule flush; ip -{v} rule del pref 0; ip -{v} rule restore < rules{v}.saved"
        )
    lines.append("ip -4 address flush scope global; ip -6 address flush scope global")
    lines.append("ip address restore < addresses.saved 2>/dev/null")
    for v in (4, 6):
        lines.append(f"ip -{v} route flush table main; ip -{v} route restore < routes{v}.saved")
    tables = " ".join(str(TABLES + number) for number in range(MAX_LINES + 1))
    lines.append(
        f"for t in {tables}; do ip -4 route flush table $t; ip -6 route flush table $t; done"
        " 2>/dev/null"
    )
    return [
        *lines,
        "sysctl -q -e -p sysctl.txt 2>/dev/null",
        "systemctl restart dnsmasq isc-dhcp-server 2>/dev/null",
        "conntrack -F 2>/dev/null",
        "true",
    ]


def renames(plan: Plan, found: Recognised) -> list[tuple[str, str]]:
    """VLAN devices that the kit calls otherwise: old name and new name."""
    return [(old, new.device) for old, new in _pairs(plan, found) if old != new.device]


def leftovers(plan: Plan, found: Recognised, host: HostFacts) -> list[str]:
    """What the old gateway has and the kit would leave in place, as commands that take it away."""
    devices = {device.name: device for device in host.devices}
    lines = [command for old, new in renames(plan, found) for command in _renamed(old, new)]
    static = set()
    for old, new in _pairs(plan, found):
        keeps = _own4(new)
        if keeps is None:
            continue
        static |= {old} if isinstance(new, LinePlan) else set()
        device = shlex.quote(new.device)
        for one in devices[old].addresses if old in devices else ():
            if one.version == 4 and one != keeps:
                lines.append(f"ip address del {one} dev {device}")
    for way in host.ways:
        if way.network.prefixlen == 0 and way.network.version == 4 and way.device in static:
            hop = f" via {way.next_hop}" if way.next_hop else ""
            lines.append(f"ip route del default{hop} dev {shlex.quote(way.device)}")
    return lines


def _renamed(old: str, new: str) -> Iterator[str]:
    """A device has to be down to get another name; it keeps its addresses."""
    old, new = shlex.quote(old), shlex.quote(new)
    yield f"ip link set dev {old} down; ip link set dev {old} name {new}; ip link set dev {new} up"


def _pairs(plan: Plan, found: Recognised) -> Iterator[tuple[str, LinePlan | AreaPlan]]:
    """Every line and area with the network device that the old gateway has it on."""
    old = {name: device for device, name in found.by_device.items()}
    parts: tuple[LinePlan | AreaPlan, ...] = (*plan.lines, *plan.areas)
    yield from ((old[one.name], one) for one in parts if one.name in old)


def _own4(one: LinePlan | AreaPlan) -> IPv4Interface | None:
    if isinstance(one, LinePlan):
        return one.v4
    return IPv4Interface(f"{one.gateway4}/{one.v4.prefixlen}")


def armed() -> list[str]:
    """The command that brings the old settings back by itself."""
    return [
        f"systemd-run --unit=way-back --on-active={UNDO}min /bin/sh {FOLDER}/back.sh",
        "systemctl list-timers way-back.timer",
    ]


def loading() -> list[str]:
    """The kit's own commands, in its own order."""
    return [shlex.join((*command, name)) for name, command in COMMANDS.items()]
