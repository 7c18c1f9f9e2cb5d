"""Addresses of the gateway as text for `ip -batch`, and the tagged devices they stand on.

Every line names its device after an explicit keyword, since a device may be called like an
abbreviation of one (``a``, ``up``, ``via``).
"""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.plan.shapes import AreaPlan, LinePlan, Plan
from netcharter.render.escape import bare_device, remark


def links(plan: Plan) -> str:
    """VLAN devices (IEEE 802.1Q), sizes of packets, and every device up. Only a tagged device is
    made here; that of a PPPoE session comes and goes with it, and is told its size by pppd."""
    lines = [remark("devices: those with a VLAN tag are made, all are switched on")]
    parents: dict[str, None] = {}
    tagged: dict[str, str] = {}
    parts: tuple[LinePlan | AreaPlan, ...] = (*plan.lines, *plan.areas)
    for part in parts:
        parents[bare_device(part.parent)] = None
        if part.vlan is not None:
            parent, device = bare_device(part.parent), bare_device(_ethernet(part))
            tagged[device] = f"link add link {parent} name {device} type vlan id {part.vlan}"
    lines += [f"link set dev {parent} up" for parent in parents]
    for device, made in tagged.items():
        lines += [made, f"link set dev {device} up"]
    lines += [
        f"link set dev {bare_device(line.device)} mtu {line.mtu}"
        for line in plan.lines
        if line.mtu is not None and line.pppoe is None
    ]
    return "\n".join(lines) + "\n"


def _ethernet(part: LinePlan | AreaPlan) -> str:
    return part.ethernet if isinstance(part, LinePlan) else part.device


def addresses(plan: Plan) -> str:
    """One line per address; `replace` makes loading twice harmless."""
    lines = []
    for line in plan.lines:
        lines += [remark(f"line {line.name}"), *_of_line(line)]
    for area in plan.areas:
        lines += [remark(f"area {area.name}"), *_of_area(area)]
    return "\n".join(lines) + "\n"


def _of_line(line: LinePlan) -> Iterator[str]:
    device = bare_device(line.device)
    for interface in line.held:
        yield f"address replace {interface} dev {device}"


def _of_area(area: AreaPlan) -> Iterator[str]:
    device = bare_device(area.device)
    width = area.v4.prefixlen
    broadcast = " broadcast +" if width < 31 else ""
    yield f"address replace {area.gateway4}/{width}{broadcast} dev {device}"
    for subnet in area.subnets6:
        yield f"address replace {subnet.gateway}/{subnet.network.prefixlen} dev {device}"
