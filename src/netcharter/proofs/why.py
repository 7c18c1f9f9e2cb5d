"""One connection's story: what is asked, what decides it, what nearly did, what comes after."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from ipaddress import ip_address, ip_network

from netcharter.diagnostics import Span
from netcharter.diagnostics.jsonshape import span_as_json
from netcharter.plan import coding
from netcharter.plan.coding import ANY4, ANY6, GUEST, HARDWARE_NONE, NOBODY
from netcharter.plan.fate import Attempt, Environment, Outcome, fate, in_force
from netcharter.plan.shapes import Address, AreaPlan, DevicePlan, Plan, Region, Row
from netcharter.plan.terms import Ground, all_reached, service_set
from netcharter.proofs.ask import NotUnderstood, check_services
from netcharter.proofs.naming import Naming, listed
from netcharter.proofs.promises import ground_of
from netcharter.proofs.story import delivered_text, row_name, stranger, verdict_text
from netcharter.space.ranges import Ranges, has, intersect, subset

FAMILY = {4: ANY4, 6: ANY6}
_DOMAIN = re.compile(r"[\w-]+(\.[\w-]+)+\.?")
_GLOBAL_UNICAST = coding.network(ip_network("2000::/3"))  # RFC 4291 section 2.4, in use so far


@dataclass(frozen=True, slots=True)
class Step:
    """One numbered cause with its place in the charter."""

    text: str
    span: Span | None = None

    def as_json(self) -> Mapping[str, object]:
        """The documented shape."""
        return {"text": self.text, "span": span_as_json(self.span) if self.span else None}


@dataclass(frozen=True, slots=True)
class Story:
    """A short paragraph and its causes."""

    headline: str
    steps: tuple[Step, ...]
    outcome: Outcome
    service: int


@dataclass(frozen=True, slots=True)
class Telling:
    """Who asks for what, when, in which state of the site; one family."""

    attempt: Attempt
    environment: Environment
    starter: str
    target: str
    wide: Ranges  # all the destinations that the target may be
    doubts: tuple[str, ...] = ()


def why(
    plan: Plan,
    starter: str,
    target: str,
    service: str,
    instant: datetime,
    *,
    who: str | None = None,
    down: Sequence[str] = (),
) -> tuple[Story, ...]:
    """The stories of one connection: one, or one per family where the families differ.

    starter, target: terms of the charter, addresses, or (target) a domain name, which is taken
    as any internet address. Raises NotUnderstood with what to write instead.
    """
    ground = ground_of(plan)
    check_services([service], ground)
    codes = service_set(ground, [service])
    told = []
    for family in (4, 6):
        telling = _telling(plan, ground, starter, target, codes, family, instant, who, down)
        if telling is not None:
            told.append(_story(plan, telling))
    if not told:
        raise NotUnderstood(
            f"{starter} and {target} share no address family for {service}",
            "there is no such connection: name another address or service",
        )
    alike = len({(s.outcome.row.index, s.outcome.let, s.outcome.manner) for s in told}) == 1
    return tuple(told[:1]) if alike else tuple(told)


def _telling(
    plan: Plan,
    ground: Ground,
    starter: str,
    target: str,
    codes: Ranges,
    family: int,
    instant: datetime,
    who: str | None,
    down: Sequence[str],
) -> Telling | None:
    wide, doubts = _destination(plan, ground, target)
    to = intersect(wide, FAMILY[family])
    service = _service_for(codes, family)
    start = _start(plan, ground, starter, family, to)
    if not to or start is None or service is None:
        return None
    entrance, source, hardware = start
    signed = _signed(plan, starter, entrance, who)
    for name in down:
        if name not in ground.line:
            raise NotUnderstood(f"'{name}' is no line", f"known are {', '.join(ground.line)}")
    up = frozenset(line.name for line in plan.lines if line.name not in down)
    return Telling(
        Attempt(entrance, source, hardware, _representative(plan, to), service),
        Environment(up, signed, instant),
        starter,
        target,
        to,
        doubts,
    )


def _service_for(codes: Ranges, family: int) -> int | None:
    """The first service that this family can carry."""
    wrong = coding.ICMP6 if family == 4 else coding.ICMP
    fitting = [low for low, _ in codes if low >> 16 != wrong]
    return min(fitting) if fitting else None


def _representative(plan: Plan, to: Ranges) -> int:
    """An address of the destination: not one that a place of the charter singles out."""
    usual = intersect(to, _GLOBAL_UNICAST)
    for low, high in usual or to:
        for code in (low + 20, low):
            named = any(has(found, code) for found in plan.places.values())
            if code <= high and (not named or len(to) == 1):
                return code
    return (usual or to)[0][0]


def _destination(plan: Plan, ground: Ground, target: str) -> tuple[Ranges, tuple[str, ...]]:
    try:
        return coding.addresses([ip_address(target)]), ()
    except ValueError:
        pass
    if target in ("internet", "gateway") or target in ground.area or target in ground.places:
        return all_reached(ground, [target]), ()
    if target in ground.device:
        found = all_reached(ground, [target])
        if not found:
            raise NotUnderstood(f"{target} has no lasting address", "add `address: lasting` to it")
        return found, ()
    if _DOMAIN.fullmatch(target):
        return plan.internet, (
            f"{target} is a name; it is not looked up here but taken as any internet address",
        )
    raise NotUnderstood(
        f"'{target}' is nowhere",
        "name an area, a device with a lasting address, a place, internet, gateway, an address or"
        " a domain name",
    )


def _start(
    plan: Plan, ground: Ground, starter: str, family: int, to: Ranges
) -> tuple[str, int, int] | None:
    """Entrance, source and hardware of a proper attempt by the starter."""
    try:
        return _start_at(plan, coding.address(ip_address(starter)), family)
    except ValueError:
        pass
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
        return "gateway", own[0][0], HARDWARE_NONE
    if starter == "anyone":
        raise NotUnderstood("'anyone' is not one connection", "name an area, a line or a device")
    if starter == "internet" or starter in ground.line or starter in ground.places:
        line = starter if starter in ground.line else plan.lines[0].name
        source = ground.places.get(starter, plan.internet)
        mine = intersect(source, FAMILY[family])
        return (line, _representative(plan, mine), HARDWARE_NONE) if mine else None
    raise NotUnderstood(
        f"'{starter}' cannot start anything",
        "name an area, a device, a person, a group, a line, a place, internet, gateway or an"
        " address",
    )


def _start_at(plan: Plan, code: int, family: int) -> tuple[str, int, int] | None:
    if not has(FAMILY[family], code):
        return None
    for device in plan.devices:
        if has(coding.addresses((*device.addresses4, *device.addresses6)), code):
            return device.area, code, device.hardware[0] if device.hardware else _stranger(plan)
    for area in plan.areas:
        if has(area.whole, code):
            return area.name, code, _stranger(plan)
    return plan.lines[0].name, code, HARDWARE_NONE


def _stranger(plan: Plan) -> int:
    return stranger([h for device in plan.devices for h in device.hardware])


def _from_area(
    plan: Plan, area: AreaPlan, device: DevicePlan | None, family: int, to: Ranges
) -> tuple[str, int, int] | None:
    hardware = device.hardware[0] if device and device.hardware else _stranger(plan)
    if device is None and area.strangers_refused:
        known = [d for d in plan.devices if d.area == area.name and d.hardware]
        device = known[0] if known else None
        hardware = device.hardware[0] if device else _stranger(plan)
    if device is not None and device.area == area.name:
        own = device.addresses4 if family == 4 else _reaching(plan, device, to)
        if own:
            return area.name, coding.address(own[0]), hardware
    source = _free_source(plan, area, family, to)
    return None if source is None else (area.name, source, hardware)


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


def _signed(plan: Plan, starter: str, entrance: str, who: str | None) -> str:
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


def _story(plan: Plan, telling: Telling) -> Story:
    found = fate(plan, telling.attempt, telling.environment)
    naming = Naming(plan)
    moment = naming.instant_text(telling.environment.instant)
    asked = naming.service_full(telling.attempt.service)
    headline = (
        f"{_who(plan, telling)} asks {_target(naming, telling)} for {asked}"
        f" on {moment}: {verdict_text(found.row, found.manner)}."
    )
    return Story(headline, tuple(_steps(plan, telling, found)), found, telling.attempt.service)


def _who(plan: Plan, telling: Telling) -> str:
    naming, attempt = Naming(plan), telling.attempt
    where = naming.address_text(attempt.source)
    signing = {a.name for a in plan.areas if a.sign_in}
    signed = telling.environment.who
    signed = f", {naming.who_text(signed)}" if attempt.entrance in signing else ""
    if telling.starter == attempt.entrance:
        return f"{telling.starter} ({where}{signed})"
    return f"{telling.starter} (by {attempt.entrance}, {where}{signed})"


def _target(naming: Naming, telling: Telling) -> str:
    text = naming.address_text(telling.attempt.destination)
    if text == telling.target:
        return text
    return f"{telling.target} ({'taken as ' if telling.doubts else ''}{text})"


def _steps(plan: Plan, telling: Telling, found: Outcome) -> Iterator[Step]:
    yield from (Step(doubt) for doubt in telling.doubts)
    yield _entrance_step(plan, telling, found)
    for row in plan.rows[: found.row.index]:
        near = _near_miss(plan, row, telling)
        if near is not None:
            yield Step(near, row.span)
    yield _deciding_step(found)
    if found.let:
        yield _way_step(plan, telling, found)
    yield from _differing(plan, telling, found)
    yield from _later(plan, telling, found)


def _entrance_step(plan: Plan, telling: Telling, found: Outcome) -> Step:
    entrance = telling.attempt.entrance
    spans = {area.name: area.span for area in plan.areas}
    spans |= {line.name: line.span for line in plan.lines}
    if found.row.label in ("forged", "bound", "barred", "strangers"):
        return Step(f"it enters by {entrance}", spans.get(entrance))
    proper = "the gateway itself starts it" if entrance == "gateway" else (
        f"it enters by {entrance}, from an address that belongs there"
    )  # fmt: skip
    return Step(proper, spans.get(entrance))


def _near_miss(plan: Plan, row: Row, telling: Telling) -> str | None:
    """Why an earlier decision of the charter that is about this pair does not decide it."""
    if row.kind not in ("rule", "emergency", "offer", "sign-in"):
        return None
    attempt, state = telling.attempt, telling.environment
    for region in row.regions:
        if not _pair(region, attempt):
            continue
        timely = in_force(plan, region.when, state.instant)
        served = has(region.service, attempt.service)
        signed = region.who is None or state.who in region.who
        if served and signed and not timely:
            said = region.when.during or (f"until {region.when.until}" if region.when.until else "")
            verb = "let" if row.let else "refuse"
            return f"{row_name(row)} would {verb} it, but not at this moment ({said})"
        if timely and signed and not served and row.kind != "offer":
            return f"{row_name(row)} is about these two, but not about this service"
        if row.kind == "sign-in" and not signed:
            return "the sign-in is done"
    return None


def _pair(region: Region, attempt: Attempt) -> bool:
    return (
        attempt.entrance in region.entrances
        and has(region.source, attempt.source)
        and has(region.destination, attempt.destination)
        and has(region.hardware, attempt.hardware)
    )


def _deciding_step(found: Outcome) -> Step:
    row = found.row
    because = f": {row.because}" if row.because else ""
    basis = f" ({row.basis})" if row.basis else ""
    verb = "lets" if row.let else "refuses"
    text = f"{row_name(row)} is the first that fits, and {verb} it{because}{basis}"
    if row.kind == "default":
        text = f"no rule fits, and what no rule lets is refused{basis}"
    return Step(text, row.span)


def _way_step(plan: Plan, telling: Telling, found: Outcome) -> Step:
    attempt = telling.attempt
    delivered = delivered_text(found.row, attempt.service)
    if delivered is not None:
        same = found.row.delivery is not None and _area_of(plan, found) == attempt.entrance
        source = "; the gateway puts its own address as the source" if same else ""
        return Step(f"the destination is translated: it is delivered to {delivered}{source}")
    if has(plan.gateway, attempt.destination):
        return Step("the gateway answers it itself")
    if not has(plan.internet, attempt.destination):
        return Step("it is routed inside the site, addresses unchanged")
    return Step(_exit_text(plan, telling))


def _area_of(plan: Plan, found: Outcome) -> str | None:
    delivery = found.row.delivery
    return next((d.area for d in plan.devices if delivery and d.name == delivery.device), None)


def _exit_text(plan: Plan, telling: Telling) -> str:
    up = [line for line in plan.lines if line.name in telling.environment.lines]
    if telling.attempt.destination >= coding.V6:
        source = coding.decode(telling.attempt.source)
        mine = [x for x in up if x.prefix and not isinstance(source, tuple) and source in x.prefix]
        return f"it leaves by {(mine or up)[0].name}, its address unchanged"
    carrying = sorted((x for x in up if x.carries4), key=lambda x: x.role == "standby")
    first = carrying[0]
    own = str(first.v4.ip) if first.v4 else "the address it has then"
    return f"it leaves by {first.name}, which is up, with {own} as its source"


def _differing(plan: Plan, telling: Telling, found: Outcome) -> Iterator[Step]:
    """Other destinations that the same words may mean and that fare differently."""
    named = {
        name: places
        for name, places in plan.places.items()
        if intersect(places, telling.wide) and not subset(telling.wide, places)
    }
    for name, places in named.items():
        code = intersect(places, telling.wide)[0][0]
        other = fate(plan, replace(telling.attempt, destination=code), telling.environment)
        if other.row.index != found.row.index:
            told = verdict_text(other.row, other.manner)
            yield Step(f"if the address lies in {name}, it is {told}", other.row.span)


def _later(plan: Plan, telling: Telling, found: Outcome) -> Iterator[Step]:
    """What ends it: hours and dates of the deciding row; and how a guest would fare."""
    when = {region.when for region in found.row.regions}
    ends = [w.during for w in when if w.during] + [str(w.until) for w in when if w.until]
    if ends and found.let:
        yield Step(f"it is cut when {listed(ends)} ends", found.row.span)
    signing = {a.name for a in plan.areas if a.sign_in}
    if telling.environment.who != NOBODY and telling.attempt.entrance in signing:
        before = fate(plan, telling.attempt, replace(telling.environment, who=NOBODY))
        if before.let != found.let:
            yield Step(f"before anyone has signed in there it is "
                       f"{verdict_text(before.row, before.manner)}")  # fmt: skip
