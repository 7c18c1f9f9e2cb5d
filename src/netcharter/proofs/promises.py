"""Promises as questions to the engine: which attempts would break one, and is there any?

`docs/explanation/model.md`, section 8, says what breaks a promise. Every answer is re-checked
by the independent checker before it leaves this room (`certify`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

from netcharter.diagnostics import Span
from netcharter.plan import coding
from netcharter.plan.coding import ANY4, ANY6, ANY_HARDWARE, ANY_SERVICE
from netcharter.plan.exits import NO_EXIT
from netcharter.plan.housekeeping import known_hardware
from netcharter.plan.leading import leads_nowhere
from netcharter.plan.shapes import AreaPlan, DevicePlan, LinePlan, Plan, Promise, Region, Row, When
from netcharter.plan.terms import (
    Goal,
    Ground,
    Who,
    all_reached,
    all_starters,
    device_addresses,
    goals,
    hardware_set,
    line_states,
    regions,
    service_set,
    toward,
)
from netcharter.proofs.certify import Prover
from netcharter.proofs.naming import listed
from netcharter.proofs.story import polish
from netcharter.space.model import Point
from netcharter.space.ranges import Ranges, complement, intersect, ranges, subset, subtract, union

EVERYTHING = union(ANY4, ANY6)
IMPROPER = frozenset({"forged", "bound", "local-prefix", "strangers"})
CHOSEN = frozenset({"rule", "emergency", "offer", "management"})
ASIDE = {  # housekeeping that lets, in plain words
    "loopback": "the gateway's talk with itself",
    "neighbour-discovery": "neighbour discovery",
    "dhcp": "address assignment (DHCP)",
    "echo": "ping to the gateway",
    "found-services": "questions what there is in other areas",
    "names": "the gateway's resolver",
    "time": "the gateway's clock",
    "gate": "the sign-in gate",
    "withheld-page": "the page that says why a name is withheld",
    "gateway-own": "the gateway's own look-ups, clock, updates and pings",
}
MANAGEMENT, OUTSIDE = "the management path", "what the internet sees"
FAMILIES = "both families"
RELAYS = frozenset({"names", "gate"})  # they act for whoever can use them


@dataclass(frozen=True, slots=True)
class Question:
    """Attempts (`regions`) that break a promise where a row in `rows` decides them."""

    regions: tuple[Region, ...]
    rows: frozenset[int]


@dataclass(frozen=True, slots=True)
class Break:
    """One attempt that breaks a promise, and what decides it."""

    row: Row
    point: Point


@dataclass(frozen=True, slots=True)
class PromiseResult:
    """Does a promise hold? If not, by which attempt, or for which reason, it is broken."""

    text: str
    holds: bool
    span: Span
    point: Point | None = None
    row: Row | None = None
    breaks: tuple[Break, ...] = ()  # that attempt first, then one for each other kind of decision
    reason: str | None = None  # why it cannot hold, where no single attempt shows it
    open_terms: tuple[str, ...] = ()  # which of several `reach` terms are open to a `never`
    relays: tuple[str, ...] = ()  # housekeeping that a `never` or `only` leaves aside, in words
    lingering: tuple[str, ...] = ()  # decisions by which open conversations may still meet it
    kind: str = ""
    number: int | None = None  # which promise of the charter; None: one that nobody needs to write
    about: str = ""  # and then what it is about: MANAGEMENT, OUTSIDE, FAMILIES
    twin: Break | None = None  # of FAMILIES: the same attempt in IPv4, and what refuses it
    one_family: tuple[str, ...] = ()  # of FAMILIES: what it leaves aside, in words


def ground_of(plan: Plan) -> Ground:
    """The ground that the plan's terms are read against."""
    return Ground(
        plan.charter,
        plan.lines,
        plan.areas,
        plan.devices,
        plan.gateway,
        plan.internet,
        plan.places,
        hostile=plan.hostile,
        by_names=plan.by_names,
    )


def prove_promises(prover: Prover) -> tuple[PromiseResult, ...]:
    """Every promise of the charter, then the management path, which nobody needs to write."""
    plan = prover.plan
    ground = ground_of(plan)
    found = [
        _prove(
            prover, ground, promise, plan.charter.where("promises", number, promise.kind), number
        )
        for number, promise in enumerate(plan.charter.promises)
    ]
    for name in plan.charter.site.managed_from:
        path = _path(name)
        if any(replace(written, because=None) == path for written in plan.charter.promises):
            continue
        found.append(prove_path(prover, name))
    return tuple(found)


def prove_path(prover: Prover, name: str) -> PromiseResult:
    """That a device of `managed-from` always reaches the gateway with ssh."""
    where = prover.plan.charter.where("site", "managed-from")
    proven = _prove(prover, ground_of(prover.plan), _path(name), where, None)
    return replace(proven, about=MANAGEMENT)


def _path(name: str) -> Promise:
    return Promise("always", (name,), ("gateway",), ("ssh",), False, None, None)


def promise_text(promise: Promise) -> str:
    """A promise as the charter writes it."""

    def told(names: tuple[str, ...]) -> str:
        return names[0] if len(names) == 1 else f"[{', '.join(names)}]"

    parts = [f"{promise.kind}: {told(promise.who)}", f"reach: {told(promise.reach)}"]
    if promise.services != ("anything",):
        parts.append(f"with: {told(promise.services)}")
    if promise.during:
        parts.append(f"during: {promise.during}")
    if promise.except_offers:
        parts.append("except: offers")
    return ", ".join(parts)


def _prove(
    prover: Prover, ground: Ground, promise: Promise, span: Span, number: int | None
) -> PromiseResult:
    text = promise_text(promise)
    result = PromiseResult(text, True, span, kind=promise.kind, number=number)
    reason = _impossible(prover.plan, ground, promise)
    if reason is not None:
        return replace(result, holds=False, reason=reason)
    asked = list(questions(prover.plan, ground, promise))
    if promise.kind == "always" and not any(question.regions for question in asked):
        reason = f"no proper attempt of {', '.join(promise.who)} can exist"
        return replace(result, holds=False, reason=reason)
    aside = tuple(left_aside(prover, ground, promise, asked)) if promise.kind != "always" else ()
    breaks = tuple(_breaks(prover, promise, asked))
    if not breaks:
        return replace(result, relays=aside)
    return replace(
        result,
        holds=False,
        point=breaks[0].point,
        row=breaks[0].row,
        breaks=breaks,
        relays=aside,
        open_terms=tuple(_open_terms(prover, ground, promise)),
    )


def _breaks(prover: Prover, promise: Promise, asked: Sequence[Question]) -> Iterator[Break]:
    """What breaks a promise: one attempt, and for a `never` or `only` one per kind of decision."""
    first = broken_by(prover, asked, frozenset(row.index for row in prover.plan.rows))
    if first is None:
        return
    yield first
    if promise.kind == "always":
        return
    for kind in sorted(CHOSEN - {first.row.kind}):
        mine = frozenset(row.index for row in prover.plan.rows if row.kind == kind)
        other = broken_by(prover, asked, mine)
        if other is not None:
            yield other


def broken_by(prover: Prover, asked: Sequence[Question], rows: frozenset[int]) -> Break | None:
    """An attempt of these questions that one of these rows decides; None if there is none."""
    for question in asked:
        if not question.rows & rows:
            continue
        boxes = prover.universe.boxes_of(question.regions)
        witness = prover.decided(boxes, question.rows & rows)
        if witness is not None:
            assert witness.rule is not None
            point = polish(prover.universe, prover.checker, witness.point, boxes)
            return Break(prover.plan.rows[witness.rule], point)
    return None


def _open_terms(prover: Prover, ground: Ground, promise: Promise) -> Iterator[str]:
    """Which of the things that should never be reached can be."""
    if promise.kind != "never" or len(promise.reach) < 2:
        return
    for term in promise.reach:
        alone = replace(promise, reach=(term,))
        for question in questions(prover.plan, ground, alone):
            boxes = prover.universe.boxes_of(question.regions)
            if prover.decided(boxes, question.rows) is not None:
                yield term
                break


def questions(plan: Plan, ground: Ground, promise: Promise) -> Iterator[Question]:
    """What to ask; the promise holds if every answer is no."""
    ask = {"never": _never, "always": _always, "only": _only}[promise.kind]
    yield from ask(plan, ground, promise)


def _chosen(plan: Plan, promise: Promise) -> list[Row]:
    """What the charter lets: the rows a `never` or `only` is about."""
    skip = {"offer"} if promise.except_offers else set()
    return [r for r in plan.rows if r.let and r.kind in CHOSEN - skip]


def _never(plan: Plan, ground: Ground, promise: Promise) -> Iterator[Question]:
    who, when = all_starters(ground, promise.who), When(promise.during)
    reach, what = all_reached(ground, promise.reach), service_set(ground, promise.services)
    rows = _chosen(plan, promise)
    met = toward(who, goals(ground, promise.reach), what, when)
    yield Question(tuple(met), frozenset(r.index for r in rows))
    for row in rows:
        if row.delivery is None:
            continue
        delivered = bool(intersect(reach, coding.addresses([row.delivery.address])))
        for sent, where, port in _translations(row):
            meant = union(intersect(sent, what), _sent_for(sent, what, port))
            to = where if delivered else intersect(reach, where)
            yield Question(tuple(regions(who, to, meant, when)), frozenset({row.index}))


def _translations(row: Row) -> Iterator[tuple[Ranges, Ranges, int | None]]:
    """Per region of an offer: services as sent, destinations as sent, the port delivered."""
    port = row.delivery.port if row.delivery else None
    seen: set[tuple[Ranges, Ranges]] = set()
    for region in row.regions:
        key = (region.service, region.destination)
        if key not in seen:
            seen.add(key)
            yield region.service, region.destination, port


def translated_into(row: Row, reach: Ranges, what: Ranges) -> Iterator[tuple[Ranges, Ranges]]:
    """Where an offer is asked, as sent, to be delivered into `reach` with a service of `what`."""
    if row.delivery is None or not intersect(reach, coding.addresses([row.delivery.address])):
        return
    for sent, where, port in _translations(row):
        meant = union(intersect(sent, what), _sent_for(sent, what, port))
        if meant:
            yield where, meant


def _sent_for(sent: Ranges, what: Ranges, port: int | None) -> Ranges:
    """The services as sent whose delivery is in `what`."""
    if port is None:
        return intersect(sent, what)
    codes = (code for low, high in sent for code in range(low, high + 1))
    kept = [c for c in codes if intersect(what, (coding.service(c >> 16, port),))]
    return ranges(*((c, c) for c in kept))


def _only(plan: Plan, ground: Ground, promise: Promise) -> Iterator[Question]:
    who, when = all_starters(ground, promise.who), When(promise.during)
    reach, what = all_reached(ground, promise.reach), service_set(ground, promise.services)
    rows = _chosen(plan, promise)
    plain = frozenset(r.index for r in rows if r.delivery is None)
    beyond = Goal(subtract(EVERYTHING, reach), _led_elsewhere(ground, promise))
    elsewhere = tuple(toward(who, [beyond], ANY_SERVICE, when))
    other = complement(what, coding.SERVICE_SIZE)
    otherwise = tuple(toward(who, goals(ground, promise.reach), other, when))
    yield Question(elsewhere + otherwise, plain)
    for row in rows:
        if row.delivery is None:
            continue
        delivered = bool(intersect(reach, coding.addresses([row.delivery.address])))
        for sent, where, port in _translations(row):
            fine = union(intersect(sent, what), _sent_for(sent, what, port))
            bad = subtract(sent, fine)
            here = frozenset({row.index})
            yield Question(tuple(regions(who, where, bad, when)), here)
            if not delivered:
                yield Question(tuple(regions(who, subtract(where, reach), fine, when)), here)


def _led_elsewhere(ground: Ground, promise: Promise) -> frozenset[int] | None:
    """Where names lead to none of a promise's places; None where it names none that is made of
    them."""
    named = [name for name in ground.named if name in promise.reach]
    return leads_nowhere(ground.named, named) if named else None


def _always(plan: Plan, ground: Ground, promise: Promise) -> Iterator[Question]:
    when = When(promise.during)
    what = service_set(ground, promise.services)
    refused = frozenset(
        r.index
        for r in plan.rows
        if not r.let and r.label not in IMPROPER and (not r.routed or r.label == NO_EXIT)
    )
    # what is let, but delivered to somebody else, does not reach whom the promise names
    misled = refused | {r.index for r in plan.rows if r.let}
    for who in all_starters(ground, promise.who):
        inside = who.entrances & (ground.all_areas | {"gateway"})
        reach = all_reached(ground, promise.reach)
        for name in sorted(inside):
            proper = list(_proper(ground, who, name))
            near = subtract(subtract(reach, ground.internet), _own_segment(ground, name))
            far = [
                Goal(intersect(goal.where, ground.internet), goal.led)
                for goal in goals(ground, promise.reach)
            ]
            asked = [*regions(proper, near, what, when), *_outward(ground, proper, far, what, when)]
            yield Question(tuple(asked), refused)
        for name in sorted(who.entrances & ground.all_lines):
            line = ground.line[name]
            source = intersect(who.source or EVERYTHING, ground.internet)
            outside = [Who(frozenset({name}), source=source)]
            for term in promise.reach:
                for where, sent, led in _from_line(plan, ground, line, term, what):
                    wrong = refused if led is None else misled - led
                    far = [Goal(intersect(where, ground.internet))]
                    asked = [
                        *regions(outside, subtract(where, ground.internet), sent, when),
                        *_through(ground, outside, far, sent, when),
                    ]
                    yield Question(tuple(asked), wrong)
            named = goals(ground, [term for term in promise.reach if term in ground.named])
            yield Question(tuple(_through(ground, outside, named, what, when)), refused)


def _outward(
    ground: Ground, proper: list[Who], far: Sequence[Goal], what: Ranges, when: When
) -> Iterator[Region]:
    """Attempts that leave the site, by a source and in line states in which there is a way out."""
    four = {line.name for line in ground.lines if line.carries4}
    states = line_states(ground, lambda up: bool(up & four))
    for region in toward(proper, _of(far, ANY4), what, when):
        yield replace(region, lines=states)
    six = {line.name for line in ground.lines if line.carries6}
    prefixes = {line.name: coding.network(line.prefix) for line in ground.lines if line.prefix}
    for region in toward(proper, _of(far, ANY6), what, when):
        for name, own in prefixes.items():
            up = line_states(ground, partial(_is_up, name))
            yield replace(region, source=intersect(region.source, own), lines=up)
        if "gateway" in region.entrances:
            other = subtract(region.source, union(*prefixes.values()))
            any_up = line_states(ground, lambda up: bool(up & six))
            yield replace(region, source=other, lines=any_up)


def _of(far: Sequence[Goal], family: Ranges) -> list[Goal]:
    return [Goal(intersect(goal.where, family), goal.led) for goal in far]


def _through(
    ground: Ground, outside: list[Who], far: Sequence[Goal], what: Ranges, when: When
) -> Iterator[Region]:
    """Attempts from a line to beyond a line, where one that carries their family is up."""
    for family, carrying in (
        (ANY4, {line.name for line in ground.lines if line.carries4}),
        (ANY6, {line.name for line in ground.lines if line.carries6}),
    ):
        states = line_states(ground, partial(_meets, frozenset(carrying)))
        for region in toward(outside, _of(far, family), what, when):
            yield replace(region, lines=states)


def _meets(names: frozenset[str], up: frozenset[str]) -> bool:
    return bool(names & up)


def _is_up(name: str, up: frozenset[str]) -> bool:
    return name in up


def _own_segment(ground: Ground, entrance: str) -> Ranges:
    """What hosts of an area reach without the gateway: no decision of ours is about it."""
    if entrance not in ground.area:
        return ()
    return subtract(ground.area[entrance].whole, ground.gateway)


def _proper(ground: Ground, who: Who, entrance: str) -> Iterator[Who]:
    """The ways to start properly at one entrance: a source that belongs, rightly bound."""
    if entrance == "gateway":
        yield replace(who, entrances=frozenset({entrance}), source=ground.gateway)
        return
    area = ground.area[entrance]
    hardware = who.hardware
    if area.strangers_refused:
        if who.source is not None:  # a device known by its address only is a stranger there
            return
        hardware = intersect(hardware, known_hardware(ground, area))
    source = intersect(who.source, area.hosts) if who.source is not None else area.hosts
    if who.source is None and who.hardware == ANY_HARDWARE:  # no device is meant by name
        barred = [d for d in ground.devices if d.barred]
        hardware = subtract(hardware, hardware_set(h for d in barred for h in d.hardware))
        known_by = (device_addresses(d) for d in barred if not d.hardware)
        source = subtract(source, union(*known_by))
    for machines, mine in bindings(ground, area):
        both, own = intersect(machines, hardware), intersect(mine, source)
        if both and own:
            yield Who(frozenset({entrance}), own, both, who.who)


def bindings(ground: Ground, area: AreaPlan) -> Iterator[tuple[Ranges, Ranges]]:
    """Pairs of hardware and source sets that `bound` lets through, disjoint in hardware."""
    tied = [d for d in ground.devices if d.area == area.name and d.hardware and d.lasting]
    hosts4, hosts6 = intersect(area.hosts, ANY4), intersect(area.hosts, ANY6)
    taken4 = union(*(coding.addresses(d.addresses4) for d in tied))
    taken6 = union(*(coding.addresses(d.addresses6) for d in tied))
    machines = hardware_set(h for d in tied for h in d.hardware)
    free = complement(machines, coding.HARDWARE_SIZE)
    yield free, union(subtract(hosts4, taken4), subtract(hosts6, taken6))
    for device in tied:
        others6 = subtract(taken6, coding.addresses(device.addresses6))
        for hardware, mine4 in _own4(device):
            left4 = mine4 if mine4 is not None else subtract(hosts4, taken4)
            yield hardware, union(left4, subtract(hosts6, others6))


def _own4(device: DevicePlan) -> Iterator[tuple[Ranges, Ranges | None]]:
    if device.addresses4 and len(device.addresses4) == len(device.hardware):
        for address, number in zip(device.addresses4, device.hardware, strict=True):
            yield hardware_set([number]), coding.addresses([address])
    else:
        mine = coding.addresses(device.addresses4) if device.addresses4 else None
        yield hardware_set(device.hardware), mine


def _from_line(
    plan: Plan, ground: Ground, line: LinePlan, term: str, what: Ranges
) -> Iterator[tuple[Ranges, Ranges, frozenset[int] | None]]:
    """Where, as sent, something inside is reached from a line: (destinations, services, rows).

    The rows are those that lead there; None where nothing is translated.
    """
    if term in ground.device:
        device = ground.device[term]
        offered = _offered(plan, line, device)
        led = frozenset(row.index for row in offered)
        for row in offered:
            for sent, where, port in _translations(row):
                meant = _sent_for(sent, what, port)
                yield intersect(where, line.own), meant, led
        inside6 = [a for a in device.addresses6 if line.prefix and a in line.prefix]
        yield coding.addresses(inside6), what, None
    elif term == "gateway":
        yield line.own, what, None
    else:
        yield all_reached(ground, [term]), what, None


def _offered(plan: Plan, line: LinePlan, device: DevicePlan) -> list[Row]:
    """The translated offers on a line that lead to a device."""
    return [
        row
        for row in plan.rows
        if row.delivery is not None
        and row.delivery.device == device.name
        and any(intersect(region.destination, line.own) for region in row.regions)
    ]


def _impossible(plan: Plan, ground: Ground, promise: Promise) -> str | None:
    """Why an `always` from a line cannot hold although no single attempt is refused."""
    if promise.kind != "always":
        return None
    what = service_set(ground, promise.services)
    entrances = {e for who in all_starters(ground, promise.who) for e in who.entrances}
    if not entrances:
        return "nobody can be meant by " + ", ".join(promise.who)
    for name in sorted(entrances & ground.all_lines):
        line = ground.line[name]
        for device in (ground.device[t] for t in promise.reach if t in ground.device):
            if not line.carries4:
                continue
            covered = union(
                *(
                    delivered_services(sent, port)
                    for row in _offered(plan, line, device)
                    for sent, _, port in _translations(row)
                )
            )
            if not subset(_portable(what), covered):
                return f"from {name} there is no offer that leads to {device.name} with all of this"
    return None


def delivered_services(sent: Ranges, port: int | None) -> Ranges:
    """What services are delivered as, if sent to an offer that delivers them to a port."""
    if port is None:
        return sent
    return ranges(*(coding.service(low >> 16, port) for low, _ in sent))


def _portable(what: Ranges) -> Ranges:
    """ICMPv6 has no part in an IPv4 offer."""
    six = coding.service(coding.ICMP6, 0, 0xFFFF)
    return subtract(what, (six,))


def left_aside(
    prover: Prover, ground: Ground, promise: Promise, asked: Sequence[Question]
) -> Iterator[str]:
    """The housekeeping that would break a `never` or `only` if it counted, and the relays.

    `asked` begins with the question about connections as they are sent.
    """
    met = prover.universe.boxes_of(asked[0].regions)
    who = all_starters(ground, promise.who)
    for row in prover.plan.rows:
        if row.kind != "housekeeping" or not row.let:
            continue
        here = frozenset({row.index})
        boxes = met
        if row.label in RELAYS:
            boxes = prover.universe.boxes_of(regions(who, ground.gateway, ANY_SERVICE))
        if prover.decided(boxes, here):
            yield ASIDE[row.label]
    yield from _found(prover.plan, ground, promise, who)


def _found(plan: Plan, ground: Ground, promise: Promise, who: Sequence[Who]) -> Iterator[str]:
    """What the gateway tells those who start of what a `never` is about, or of anything."""
    starting = frozenset(name for one in who for name in one.entrances)
    reach = all_reached(ground, promise.reach)
    for one in plan.discovery:
        met = [area.name for area in one.who if area.name in starting]
        told = [
            area.name
            for area in one.where
            if promise.kind != "never" or intersect(area.hosts, reach)
        ]
        if met and told:
            yield (
                f"that hosts of {listed(met)} are told who offers {listed(one.find)} in "
                f"{listed(told)} ({one.name})"
            )
