"""Who starts: a term of the charter or an address as proper attempts, one per way in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from ipaddress import ip_address, ip_network

from netcharter.plan import coding
from netcharter.plan.coding import ANY4, ANY6, GUEST, HARDWARE_NONE, NOBODY
from netcharter.plan.housekeeping import LINK_LOCAL6
from netcharter.plan.shapes import Address, AreaPlan, DevicePlan, LinePlan, Plan
from netcharter.plan.terms import Ground
from netcharter.proofs.ask import NotUnderstood
from netcharter.proofs.story import stranger
from netcharter.space.ranges import Ranges, has, intersect, subtract

FAMILY = {4: ANY4, 6: ANY6}
_GLOBAL_UNICAST = coding.network(ip_network("2000::/3"))  # RFC 4291 section 2.4, in use so far


@dataclass(frozen=True, slots=True)
class Start:
    """Where an attempt enters, and as whose."""

    entrance: str
    source: int
    hardware: int


def lines_up(ground: Ground, down: Sequence[str]) -> frozenset[str]:
    """The lines that are left. Raises NotUnderstood for a name that is no line."""
    for name in down:
        if name not in ground.line:
            raise NotUnderstood(f"'{name}' is no line", f"known are {', '.join(ground.line)}")
    return ground.all_lines - set(down)


def starts(
    plan: Plan, ground: Ground, starter: str, family: int, to: Ranges, up: frozenset[str]
) -> list[Start]:
    """The proper attempts of a starter towards `to`: one, or one per line that it may come by.

    Raises NotUnderstood for what cannot start anything, or not while these lines are up.
    """
    address = _address(starter)
    if address is not None:
        return _at(plan, address, family, up)
    if starter in ground.device:
        device = ground.device[starter]
        return _from_area(plan, ground.area[device.area], device, family, to)
    if starter in ground.area:
        return _from_area(plan, ground.area[starter], None, family, to)
    known = starter in ground.charter.people or starter in ground.charter.groups
    if known and ground.sign_in_areas:
        return _from_area(plan, ground.area[min(ground.sign_in_areas)], None, family, to)
    if starter == "gateway":
        own = intersect(plan.gateway, FAMILY[family])
        return [Start("gateway", own[0][0], HARDWARE_NONE)]
    if starter == "anyone":
        raise NotUnderstood(
            "'anyone' is not one connection",
            "name an area, a line, a device, or internet for whoever comes by a line",
        )
    if starter == "internet" or starter in ground.line or starter in ground.places:
        mine = intersect(ground.places.get(starter, plan.internet), FAMILY[family])
        mine = subtract(mine, coding.network(*plan.charter.translators))
        named = [ground.line[starter]] if starter in ground.line else list(plan.lines)
        return _by_lines(named, representative(plan, mine), family, up) if mine else []
    raise NotUnderstood(
        f"'{starter}' cannot start anything",
        "name an area, a device, a person, a group, a line, a place, internet, gateway or an"
        " address",
    )


def _address(text: str) -> int | None:
    try:
        return coding.address(ip_address(text))
    except ValueError:
        return None


def _by_lines(
    lines: Sequence[LinePlan], source: int, family: int, up: frozenset[str]
) -> list[Start]:
    """By each of these lines that is up and carries the family, or at least is up."""
    left = [line for line in lines if line.name in up]
    if not left:
        names = ", ".join(line.name for line in lines)
        verb = "is" if len(lines) == 1 else "are"
        raise NotUnderstood(
            f"{names} {verb} down, so nothing can come from there",
            "leave out `--down`, or name somebody inside who starts",
        )
    carrying = [line for line in left if (line.carries4 if family == 4 else line.carries6)]
    return [Start(line.name, source, HARDWARE_NONE) for line in carrying or left]


def _at(plan: Plan, code: int, family: int, up: frozenset[str]) -> list[Start]:
    """The attempts from one address: where it belongs, or by any line."""
    if not has(FAMILY[family], code):
        return []
    for device in plan.devices:
        if has(coding.addresses((*device.addresses4, *device.addresses6)), code):
            hardware = device.hardware[0] if device.hardware else _stranger(plan)
            return [Start(device.area, code, hardware)]
    if has(subtract(plan.gateway, LINK_LOCAL6), code):
        return [Start("gateway", code, HARDWARE_NONE)]
    for area in plan.areas:
        if has(area.whole, code):
            return [Start(area.name, code, _stranger(plan))]
    near = [line for line in plan.lines if has(network_of(line), code)]
    return _by_lines(near or plan.lines, code, family, up)


def network_of(line: LinePlan) -> Ranges:
    """The networks of a line's own addresses."""
    return coding.network(*(i.network for i in line.held))


def _stranger(plan: Plan) -> int:
    return stranger([h for device in plan.devices for h in device.hardware])


def _from_area(
    plan: Plan, area: AreaPlan, device: DevicePlan | None, family: int, to: Ranges
) -> list[Start]:
    hardware = device.hardware[0] if device and device.hardware else _stranger(plan)
    if device is None and area.strangers_refused:
        known = [d for d in plan.devices if d.area == area.name and d.hardware]
        device = known[0] if known else None
        hardware = device.hardware[0] if device else _stranger(plan)
    if device is not None and device.area == area.name:
        own = device.addresses4 if family == 4 else _reaching(plan, device, to)
        if own:
            return [Start(area.name, coding.address(own[0]), hardware)]
    source = _free_source(plan, area, family, to)
    return [] if source is None else [Start(area.name, source, hardware)]


def _reaching(plan: Plan, device: DevicePlan, to: Ranges) -> list[Address]:
    """The device's IPv6 addresses, those first from which the destination can be reached."""
    outward = bool(intersect(to, plan.internet))

    def order(address: Address) -> bool:
        return outward != any(line.prefix and address in line.prefix for line in plan.lines)

    return sorted(device.addresses6, key=order)


def _free_source(plan: Plan, area: AreaPlan, family: int, to: Ranges) -> int | None:
    taken = [coding.addresses((*d.addresses4, *d.addresses6)) for d in plan.devices]
    wanted = intersect(area.hosts, FAMILY[family])
    if family == 6:
        outward = bool(intersect(to, plan.internet))
        subnets = [s for s in area.subnets6 if (s.line is not None) == outward] or [*area.subnets6]
        wanted = intersect(wanted, coding.network(*(s.network for s in subnets[:1])))
    for low, high in wanted:
        for code in range(min(low + 20, high), high + 1):
            if not any(has(found, code) for found in taken):
                return code
    return wanted[0][0] if wanted else None


def signed_in(plan: Plan, starter: str, entrance: str, who: str | None) -> str:
    """Who is signed in there: whoever is said to be, else whoever the starter suggests."""
    signing = {a.name for a in plan.areas if a.sign_in}
    people = plan.charter.people
    if who is not None and who not in people and who not in ("guest", "nobody"):
        known = ", ".join(["nobody", "guest", *people])
        raise NotUnderstood(f"'{who}' is nobody I know", f"known are {known}")
    if entrance not in signing:
        return NOBODY
    if who is not None:
        return {"guest": GUEST, "nobody": NOBODY}.get(who, who)
    if starter in people:
        return starter
    members = [p.name for p in people.values() if starter in p.groups]
    return members[0] if members else GUEST


def representative(plan: Plan, to: Ranges) -> int:
    """An address of the destination: not one that a place of the charter singles out."""
    usual = intersect(to, _GLOBAL_UNICAST)
    for low, high in usual or to:
        for code in (low + 20, low):
            named = any(has(found, code) for found in plan.places.values())
            if code <= high and (not named or len(to) == 1):
                return code
    return (usual or to)[0][0]
