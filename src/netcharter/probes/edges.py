"""Where a decision begins and ends: every edge of its regions, field by field.

An edge is a pair of neighbouring values, one inside a region and one outside. Given a trial that
lies in the region, it says which two trials stand on its two sides.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from itertools import islice
from zoneinfo import ZoneInfo

from netcharter.plan import coding
from netcharter.plan.coding import ANY_HARDWARE, ANY_SERVICE, GUEST, NOBODY, SYMBOLS
from netcharter.plan.hours import flips
from netcharter.plan.shapes import ALWAYS, Plan, Region, Row, When
from netcharter.probes.search import OWN_ICMP
from netcharter.probes.stage import NUMBERS, Stage
from netcharter.probes.trials import ANY, Trial, moved, placed, region_family
from netcharter.proofs.naming import service_text
from netcharter.proofs.universe import SERVICE_COUNT, service_code, service_value
from netcharter.space.ranges import Ranges, has

Sides = tuple[Trial, Trial]  # inside, outside

HORIZON = timedelta(days=400)  # how far ahead hours are looked at: every weekday and holiday
FLIPS = 12
SECOND = timedelta(seconds=1)
STRANGERS = 40  # hardware addresses on the small side of a set


@dataclass(frozen=True, slots=True)
class Edge:
    """One edge. inside: the region narrowed to the value inside, where the engine can be asked
    for it; sides: both sides in the context of a trial, in the order in which to try them.
    """

    row: Row
    region: Region
    field: str
    words: tuple[str, str]  # the value inside and the one outside
    sides: Callable[[Trial], Iterator[Sides]]
    inside: Region | None = None


@dataclass(frozen=True, slots=True)
class Edges:
    """The distinct edges of one decision in one field; `more` are not looked at."""

    edges: tuple[Edge, ...]
    more: int


def edges(stage: Stage, row: Row, now: datetime, most: int) -> dict[str, Edges]:
    """By field: the distinct edges of a decision, about `most` of them."""
    found: dict[str, dict[tuple[object, ...], Edge]] = {}
    more: Counter[str] = Counter()
    for region in row.regions:
        for field, each in _edges(stage, row, region, now):
            known = found.setdefault(field, {})
            for key, edge in islice(each, most):
                known.setdefault(key, edge)
        for field, said in (("destination", region.destination), ("source", region.source)):
            if said != ANY[region_family(region)]:
                more[field] += max(0, 2 * len(said) - most)
    return {field: Edges(tuple(each.values()), more[field]) for field, each in found.items()}


Keyed = tuple[tuple[object, ...], Edge]


def _edges(
    stage: Stage, row: Row, region: Region, now: datetime
) -> Iterator[tuple[str, Iterator[Keyed]]]:
    yield "destination", _addresses(stage, row, region, "destination", region.destination)
    yield "source", _addresses(stage, row, region, "source", region.source)
    yield "service", _services(row, region)
    yield "hardware", _hardware(stage, row, region)
    yield "who", _people(stage, row, region)
    yield "time", _times(stage.plan, row, region, now)
    yield "lines", _lines(stage, row, region)


# --- addresses ------------------------------------------------------------------------------------


def _addresses(
    stage: Stage, row: Row, region: Region, field: str, found: Ranges
) -> Iterator[Keyed]:
    family = region_family(region)
    if found == ANY[family]:
        return
    for inner, outer in _neighbours(stage, family, found):
        words = _address_text(stage, inner), _address_text(stage, outer)
        moved = _to if field == "destination" else _from
        yield (
            (inner, outer),
            Edge(
                row,
                region,
                field,
                words,
                moved(stage, inner, outer),
                replace(region, **{field: ((inner, inner),)}),  # type: ignore[arg-type]
            ),
        )


def _neighbours(stage: Stage, family: int, found: Ranges) -> Iterator[tuple[int, int]]:
    """The first and last of each interval with what stands beside them."""
    bounds = NUMBERS[family][0]
    for low, high in found:
        if low >= SYMBOLS:
            yield from _around_unknown(stage, found, low, high)
            continue
        for inner, outer in ((low, low - 1), (high, high + 1)):
            beyond = _coded(stage, outer)
            within = bounds[0] <= outer <= bounds[1]
            if within and not has(stage.shadows, inner) and not has(found, beyond):
                yield inner, beyond


def _around_unknown(stage: Stage, found: Ranges, low: int, high: int) -> Iterator[tuple[int, int]]:
    """The unknown address of a line, and the numbers beside what it really is."""
    for symbol in range(low, high + 1):
        address = stage.real(symbol)
        if address is None:
            continue
        number = coding.address(address)
        yield from (
            (symbol, beside) for beside in (number - 1, number + 1) if not has(found, beside)
        )


def _coded(stage: Stage, number: int) -> int:
    """A number as it is coded: as the symbol of a line where it is that line's address."""
    address = coding.decode(number) if 0 <= number < SYMBOLS else None
    return number if address is None or isinstance(address, tuple) else stage.code(address)


def _address_text(stage: Stage, code: int) -> str:
    return str(stage.real(code))


def _to(stage: Stage, inner: int, outer: int) -> Callable[[Trial], Iterator[Sides]]:
    def sides(trial: Trial) -> Iterator[Sides]:
        yield moved(trial, destination=inner), moved(trial, destination=outer)

    return sides


def _from(stage: Stage, inner: int, outer: int) -> Callable[[Trial], Iterator[Sides]]:
    """With the same machine on both sides, or with those that hold the addresses."""

    def sides(trial: Trial) -> Iterator[Sides]:
        here = trial.attempt.entrance
        one, other = moved(trial, source=inner), moved(trial, source=outer)
        yield one, other
        if here in stage.areas:
            holders = [_holder(stage, here, code) for code in (inner, outer)]
            yield moved(one, hardware=holders[0]), moved(other, hardware=holders[1])
            yield one, moved(other, hardware=holders[1])
            yield moved(one, hardware=holders[0]), other

    return sides


def _holder(stage: Stage, area: str, code: int) -> int:
    """Whose address it is in an area; a visitor's, if it is none of the area's."""
    address = stage.real(code)
    if address is None or not has(stage.areas[area].hosts, code):
        return stage.seats.visitor(area).hardware
    return stage.seats.holder(area, address).hardware


# --- services and hardware ------------------------------------------------------------------------


def _services(row: Row, region: Region) -> Iterator[Keyed]:
    if region.service == ANY_SERVICE:
        return
    family = region_family(region)
    for low, high in region.service:
        first, last = service_value(low), service_value(high + 1) - 1
        if first > last:
            continue
        for inner, outer in ((first, first - 1), (last, last + 1)):
            if not 0 <= outer < SERVICE_COUNT:
                continue
            codes = service_code(inner), service_code(outer)
            foreign = {code >> 16 for code in codes} & {OWN_ICMP[10 - family]}
            if not foreign and not has(region.service, codes[1]):
                words = service_text(codes[0]), service_text(codes[1])
                narrow = replace(region, service=((codes[0], codes[0]),))
                edge = Edge(row, region, "service", words, _with_service(*codes), narrow)
                yield (family, *codes), edge


def _with_service(inner: int, outer: int) -> Callable[[Trial], Iterator[Sides]]:
    def sides(trial: Trial) -> Iterator[Sides]:
        yield moved(trial, service=inner), moved(trial, service=outer)

    return sides


def _hardware(stage: Stage, row: Row, region: Region) -> Iterator[Keyed]:
    if region.hardware == ANY_HARDWARE or not region.entrances & set(stage.areas):
        return
    known = [h for device in stage.plan.devices for h in device.hardware]
    stranger = -1  # the visitor of whichever area it is
    if has(region.hardware, stage.seats.visitor(next(iter(stage.areas))).hardware):
        pairs = [(stranger, h) for h in known if not has(region.hardware, h)]
    else:
        pairs = [(h, stranger) for h in known if has(region.hardware, h)]
    family = region_family(region)
    for inner, outer in pairs[:STRANGERS]:
        words = _hardware_text(stage.plan, inner), _hardware_text(stage.plan, outer)
        edge = Edge(row, region, "hardware", words, _with_hardware(stage, inner, outer))
        yield (family, inner, outer), edge


def _hardware_text(plan: Plan, number: int) -> str:
    if number < 0:
        return "a stranger's"
    name = next((d.name for d in plan.devices if number in d.hardware), "")
    return f"{coding.hardware_text(number)} ({name})"


def _with_hardware(stage: Stage, inner: int, outer: int) -> Callable[[Trial], Iterator[Sides]]:
    """From the source of the trial, or from one that belongs to each machine."""

    def sides(trial: Trial) -> Iterator[Sides]:
        here = trial.attempt.entrance
        if here not in stage.areas:
            return
        visitor = stage.seats.visitor(here).hardware
        one, other = (visitor if number < 0 else number for number in (inner, outer))
        family = trial.family
        for first in _sent_by(stage, trial, one, family):
            for second in _sent_by(stage, trial, other, family):
                yield first, second

    return sides


def _sent_by(stage: Stage, trial: Trial, hardware: int, family: int) -> Iterator[Trial]:
    """A trial from another machine: from its own addresses, or from the same as before."""
    seat = stage.seats.seat(trial.attempt.entrance, hardware)
    for address in seat.of_family(family):
        if not address.is_link_local:
            yield moved(trial, hardware=hardware, source=stage.code(address))
    yield moved(trial, hardware=hardware)


# --- environments ---------------------------------------------------------------------------------


def _people(stage: Stage, row: Row, region: Region) -> Iterator[Keyed]:
    if region.who is None:
        return
    kinds = person_classes(stage.plan)
    inside = [who for who in kinds if who in region.who]
    outside = [who for who in kinds if who not in region.who]
    if not inside or not outside:
        return
    pairs = [(inside[0], who) for who in outside] + [(who, outside[0]) for who in inside[1:]]
    signing = [area.name for area in stage.plan.areas if area.sign_in]
    for entrance in (name for name in signing if name in region.entrances):
        for inner, outer in pairs:
            words = _who_text(inner), _who_text(outer)
            edge = Edge(row, region, "who", words, _with_people(entrance, inner, outer))
            yield (region_family(region), entrance, inner, outer), edge


def person_classes(plan: Plan) -> tuple[str, ...]:
    """Nobody, a guest, and one person of each kind that decisions tell apart."""
    asked = {region.who for row in plan.rows for region in row.regions if region.who is not None}
    kinds = {NOBODY: NOBODY, GUEST: GUEST}
    found: dict[tuple[bool, ...], str] = {}
    groups = sorted(asked, key=sorted)
    for person in plan.people:
        found.setdefault(tuple(person.name in who for who in groups), person.name)
    return (*kinds, *found.values())


def _who_text(who: str) -> str:
    return {NOBODY: "nobody", GUEST: "a guest"}.get(who, who)


def _with_people(entrance: str, inner: str, outer: str) -> Callable[[Trial], Iterator[Sides]]:
    def sides(trial: Trial) -> Iterator[Sides]:
        if trial.attempt.entrance == entrance:
            yield placed(trial, who=inner), placed(trial, who=outer)

    return sides


def _times(plan: Plan, row: Row, region: Region, now: datetime) -> Iterator[Keyed]:
    if region.when == ALWAYS:
        return
    zone = ZoneInfo(plan.timezone)
    for at, kind in moments(plan, region.when, now):
        words = _clock(at - SECOND, zone), _clock(at, zone)
        edge = Edge(row, region, "time", words, _at(at))
        yield (region_family(region), region.when, kind, at), edge


def _clock(instant: datetime, zone: ZoneInfo) -> str:
    return instant.astimezone(zone).strftime("%a %d %b %Y %H:%M:%S")


def moments(plan: Plan, when: When, now: datetime) -> Iterator[tuple[datetime, str]]:
    """When a condition may change: the next openings and closings, and the end of its last day."""
    zone = ZoneInfo(plan.timezone)
    if when.until is not None:
        midnight = datetime.combine(when.until + timedelta(days=1), time(), zone).astimezone(UTC)
        if midnight > now:
            yield midnight, "until"
    if when.during is not None:
        found = flips(plan.hours[when.during], zone, now + SECOND, now + HORIZON)
        for at, opens in islice(found, FLIPS):
            yield at, "opens" if opens else "closes"


def _at(instant: datetime) -> Callable[[Trial], Iterator[Sides]]:
    """A second before and on the stroke; which side is inside depends on the decision."""

    def sides(trial: Trial) -> Iterator[Sides]:
        before, after = placed(trial, instant=instant - SECOND), placed(trial, instant=instant)
        yield before, after
        yield after, before

    return sides


def _lines(stage: Stage, row: Row, region: Region) -> Iterator[Keyed]:
    if region.lines is None:
        return
    names = [line.name for line in stage.plan.lines]
    for up in told_states(names):
        state = sum(1 << bit for bit, name in enumerate(names) if name in up)
        for bit, name in enumerate(names):
            other = state ^ 1 << bit
            if state in region.lines and other not in region.lines:
                words = _state_text(names, state), _state_text(names, other)
                flipped = up ^ {name}
                edge = Edge(row, region, "lines", words, _with_lines(up, flipped))
                yield (region_family(region), region.source, state, other), edge


def told_states(names: list[str]) -> Iterator[frozenset[str]]:
    """All lines up, each down in turn, each alone, none."""
    every = frozenset(names)
    states = [every, *(every - {name} for name in names)]
    states += [frozenset({name}) for name in names]
    yield from dict.fromkeys([*states, frozenset[str]()])


def _state_text(names: list[str], state: int) -> str:
    up = [name for bit, name in enumerate(names) if state >> bit & 1]
    return f"{' and '.join(up)} up" if up else "no line up"


def _with_lines(inner: frozenset[str], outer: frozenset[str]) -> Callable[[Trial], Iterator[Sides]]:
    def sides(trial: Trial) -> Iterator[Sides]:
        yield placed(trial, lines=inner), placed(trial, lines=outer)

    return sides
