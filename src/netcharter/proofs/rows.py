"""Sets of connections as readable rows: who, to what, with which service, when.

Many exact boxes become few rows, and no row says more than its boxes do: two are joined only
where they differ in one thing (the device, where they lead, the service, the hours, who starts),
so that their union is again a product. Sources are left out of a row where they are all that
housekeeping lets such a machine have at that entrance; the rest is told in numbers.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import prod

from netcharter.plan import coding
from netcharter.plan.coding import ANY4, ANY6
from netcharter.plan.leading import leads, leads_nowhere
from netcharter.plan.terms import Ground
from netcharter.proofs.naming import Naming, listed
from netcharter.proofs.promises import bindings, ground_of
from netcharter.proofs.universe import (
    DESTINATION,
    ENTRANCE,
    HARDWARE,
    LED,
    LINES,
    SERVICE,
    SOURCE,
    TIME,
    WHO,
    Universe,
    service_codes,
)
from netcharter.space.model import RawBox
from netcharter.space.ranges import Ranges, full, has, intersect, size, subset, subtract, union

Machines = Mapping[str, Sequence[tuple[Ranges, Ranges]]]  # hardware and its sources, by entrance
ALL: Ranges = ()  # in the place of sources: all that housekeeping lets
PLACES = (LED, LINES, HARDWARE, DESTINATION, WHO, SERVICE, TIME)


@dataclass(frozen=True, slots=True)
class Told:
    """One row in words, with the exact number of its connections and one of its boxes."""

    starter: str
    to: str
    service: str
    when: str
    count: int
    sample: RawBox
    key: Hashable  # what the caller grouped by: who decides


@dataclass(frozen=True, slots=True)
class _Row:
    """A product on its way to be told. `box[SOURCE]` may be ALL."""

    key: Hashable
    box: RawBox
    count: int
    sample: RawBox
    starters: tuple[str, ...] = ()


def summarise(
    universe: Universe, boxes: Iterable[tuple[RawBox, Hashable]], number: int = 0
) -> list[Told]:
    """Disjoint boxes, each with what to group it by, as few rows."""
    naming = Naming(universe.plans[number])
    machines = {name: list(_machines(universe, name, number)) for name in universe.entrances}
    rows = _joined(list(_parted(universe, boxes, machines)), SOURCE)
    rows = [_all_sources(universe, row, machines, number) for row in rows]
    for _ in range(2):  # what one pass joins may let the next join more
        for place in PLACES:
            rows = _joined(rows, place)
    rows = [replace(r, starters=(_starter(universe, r.box, naming, number),)) for r in rows]
    for place in (DESTINATION, SERVICE, TIME):
        rows = _joined(_joined_starters(rows), place)
    return [
        Told(
            starter=listed(row.starters),
            to=_destinations(universe, row.box, naming, number),
            service=naming.services(service_codes(row.box[SERVICE])),
            when=_moments(universe, row.box, number),
            count=row.count,
            sample=row.sample,
            key=row.key,
        )
        for row in rows
    ]


def _destinations(universe: Universe, box: RawBox, naming: Naming, number: int) -> str:
    """Where a row leads: addresses, or the places whose names lead to them."""
    plan, held = universe.plans[number], box[LED]
    told = naming.destinations(universe.plan_addresses(box[DESTINATION], number))
    outside = intersect(universe.addresses(plan.internet, number), box[DESTINATION])
    if not outside or held == full(universe.fields[LED].size):
        return told
    named = [one.name for one in plan.by_names]
    for some in _choices(named):
        if held == universe.led_set(leads(named, some), number):
            return _led_to(universe, box, naming, number, some)
        if subset(held, universe.led_set(leads_nowhere(named, some), number)):
            return f"{told} but for where {listed(some)} {'lead' if len(some) > 1 else 'leads'}"
    return f"{told} as far as names lead there"


def _led_to(
    universe: Universe, box: RawBox, naming: Naming, number: int, some: Sequence[str]
) -> str:
    """The places alone where their names may lead anywhere that is not hostile."""
    plan, to = universe.plans[number], box[DESTINATION]
    whole = universe.addresses(subtract(plan.internet, plan.hostile), number)
    for family, version in ((union(ANY4, ANY6), ""), (ANY4, " (IPv4)"), (ANY6, " (IPv6)")):
        everywhere = subset(intersect(whole, universe.addresses(family, number)), to)
        if everywhere and not intersect(to, subtract(union(ANY4, ANY6), family)):
            return f"{listed(some)}{version}"
    told = naming.destinations(universe.plan_addresses(to, number))
    return f"{told} where {listed(some)} {'lead' if len(some) > 1 else 'leads'}"


def _choices(named: Sequence[str]) -> Iterator[tuple[str, ...]]:
    """All together first, then fewer and fewer."""
    for count in range(len(named), 0, -1):
        yield from combinations(named, count)


def _parted(
    universe: Universe, boxes: Iterable[tuple[RawBox, Hashable]], machines: Machines
) -> Iterator[_Row]:
    """By entrance, by the part of the site they lead to, by what sources a machine may have."""
    parts = _site_parts(universe)
    for box, key in boxes:
        for entrance in _single(box[ENTRANCE]):
            states = _usual(universe, entrance, box[LINES])
            for part in parts:
                to = intersect(box[DESTINATION], part)
                for owners, _ in machines[universe.entrances[entrance[0][0]]] if to else ():
                    mine = intersect(box[HARDWARE], owners)
                    if mine:
                        sample = (entrance, box[WHO], box[TIME], mine, box[SOURCE], to, *box[6:])
                        count = prod(size(values) for values in sample[:LINES])
                        row = (*sample[:LINES], states, sample[LED])
                        yield _Row(key, row, count, sample)


def _machines(universe: Universe, name: str, number: int) -> Iterator[tuple[Ranges, Ranges]]:
    """Disjoint sets of hardware at an entrance, each with the sources it may properly have."""
    plan = universe.plans[number]
    ground = ground_of(plan)
    everything = full(universe.other_hardware + 2)
    if name in ground.area:
        rest = everything
        for hardware, sources in _bound(universe, ground, name, number):
            yield hardware, sources
            rest = subtract(rest, hardware)
        if rest:
            yield rest, ()
    else:
        proper = plan.gateway if name == "gateway" else plan.internet
        yield everything, universe.addresses(proper, number)


def _bound(
    universe: Universe, ground: Ground, name: str, number: int
) -> Iterator[tuple[Ranges, Ranges]]:
    for hardware, sources in bindings(ground, ground.area[name]):
        yield universe.hardware_values(hardware), universe.addresses(sources, number)


def _all_sources(universe: Universe, row: _Row, machines: Machines, number: int) -> _Row:
    """The row with ALL for its sources, where none is missing that housekeeping lets."""
    name = universe.entrances[row.box[ENTRANCE][0][0]]
    mine = (sources for owners, sources in machines[name] if subset(row.box[HARDWARE], owners))
    proper = next(mine, ())
    family = ANY4 if intersect(row.box[SOURCE], ANY4) else ANY6
    wanted = intersect(proper, universe.addresses(family, number))
    if subset(row.box[DESTINATION], universe.addresses(universe.plans[number].internet, number)):
        # that local addresses stay inside is said once, by housekeeping
        local = coding.network(*(plan.local_prefix for plan in universe.plans))
        wanted = subtract(wanted, local)
    if not wanted or not subset(wanted, row.box[SOURCE]):
        return row
    return replace(row, box=(*row.box[:SOURCE], ALL, *row.box[SOURCE + 1 :]))


def _usual(universe: Universe, entrance: Ranges, states: Ranges) -> Ranges:
    """All line states, where these are all in which something can enter there at all."""
    name = universe.entrances[entrance[0][0]]
    whole = full(1 << len(universe.lines))
    if name not in universe.lines:
        return states
    bit = universe.lines.index(name)
    possible = [s for s in range(whole[0][1] + 1) if s >> bit & 1]
    return whole if all(has(states, s) for s in possible) else states


def _single(found: Ranges) -> Iterator[Ranges]:
    for low, high in found:
        yield from (((n, n),) for n in range(low, high + 1))


def _site_parts(universe: Universe) -> list[Ranges]:
    """Destinations by area, the gateway, the rest: disjoint, and together everything."""
    parts: list[Ranges] = []
    left = full(universe.fields[DESTINATION].size)
    for number, plan in enumerate(universe.plans):
        for found in (plan.gateway, *(a.whole for a in plan.areas)):
            mine = intersect(universe.addresses(found, number), left)
            if mine:
                parts.append(mine)
                left = subtract(left, mine)
    return [*parts, left]


def _joined(rows: Sequence[_Row], place: int) -> list[_Row]:
    """Rows of one key that agree in everything but one field become one."""
    found: dict[Hashable, list[_Row]] = {}
    for row in rows:
        same = (row.key, row.starters, *row.box[:place], None, *row.box[place + 1 :])
        found.setdefault(same, []).append(row)
    return [_one(group, place) for group in found.values()]


def _one(group: Sequence[_Row], place: int) -> _Row:
    first = group[0]
    if len(group) == 1:
        return first
    values = union(*(row.box[place] for row in group))
    box = (*first.box[:place], values, *first.box[place + 1 :])
    counts = [row.count for row in group]  # a connection counts once, in however many states
    same = place in (LINES, LED)
    return replace(first, box=box, count=max(counts) if same else sum(counts))


def _joined_starters(rows: Sequence[_Row]) -> list[_Row]:
    """Rows of one key that lead to the same, with the same, at the same times become one."""
    found: dict[Hashable, list[_Row]] = {}
    for row in rows:
        same = (row.key, *(row.box[place] for place in (DESTINATION, SERVICE, TIME, LINES, LED)))
        found.setdefault(same, []).append(row)
    joined = []
    for group in found.values():
        starters = dict.fromkeys(s for row in group for s in row.starters)
        # from here on the starters stand for entrance, identity, machine and source
        box = (ALL, ALL, group[0].box[TIME], ALL, ALL, *group[0].box[DESTINATION:])
        count = sum(row.count for row in group)
        joined.append(replace(group[0], box=box, count=count, starters=tuple(starters)))
    return joined


def _starter(universe: Universe, box: RawBox, naming: Naming, number: int) -> str:
    """Who starts, for a row with a single entrance."""
    name = universe.entrances[box[ENTRANCE][0][0]]
    device = _device(universe, box, name)
    text = f"{device} in {name}" if device else name
    text = "the gateway itself" if name == "gateway" else text
    signed = _signed(universe, box, name)
    source = box[SOURCE]
    said = naming.destinations(universe.plan_addresses(source, number)) if source else ""
    return text + (f" ({signed})" if signed else "") + (f" from {said}" if said else "")


def _device(universe: Universe, hull: Sequence[Ranges], name: str) -> str:
    """Which devices a hull is restricted to, beyond what bars and strangers leave anyway."""
    known = {h: d for plan in universe.plans for d in plan.devices for h in d.hardware}
    areas = [a for plan in universe.plans for a in plan.areas if a.name == name]
    if not areas:
        return ""
    closed = all(a.strangers_refused for a in areas)
    usual = [
        n
        for n, h in enumerate(universe.hardware)
        if not known[h].barred and (not closed or known[h].area == name or known[h].roams)
    ]
    usual += [] if closed else [universe.other_hardware]
    if all(has(hull[HARDWARE], n) for n in usual):
        return ""
    if has(hull[HARDWARE], universe.other_hardware):
        missing = [known[universe.hardware[n]].name for n in usual if not has(hull[HARDWARE], n)]
        return f"any device but {listed(dict.fromkeys(missing), 'or')}"
    inside = [known[h].name for n, h in enumerate(universe.hardware) if has(hull[HARDWARE], n)]
    return listed(dict.fromkeys(inside))


def _signed(universe: Universe, hull: Sequence[Ranges], name: str) -> str:
    signing = {a.name for plan in universe.plans for a in plan.areas if a.sign_in}
    if name not in signing or hull[WHO] == full(len(universe.people)):
        return ""
    found = [n for i, n in enumerate(universe.people) if has(hull[WHO], i)]
    if found == [coding.NOBODY]:
        return "not signed in"
    if len(found) == len(universe.people) - 1 and coding.NOBODY not in found:
        return "signed in"
    words = {coding.NOBODY: "nobody", coding.GUEST: "a guest"}
    return f"signed in as {listed((words.get(n, n) for n in found), 'or')}"


def _states(universe: Universe, hull: Sequence[Ranges]) -> str:
    """In which line states, where not in all that can be."""
    possible = range(1, 1 << len(universe.lines))
    if all(has(hull[LINES], s) for s in possible):
        return ""
    up = [
        name
        for bit, name in enumerate(universe.lines)
        if all(s >> bit & 1 for s in possible if has(hull[LINES], s))
    ]
    verb = "is" if len(up) == 1 else "are"
    return f"while {listed(up)} {verb} up" if up else "in some line states"


def _moments(universe: Universe, box: RawBox, number: int) -> str:
    """When, and in which line states; ``always`` where there is no condition."""
    when, states = _when(universe, box[TIME], number), _states(universe, box)
    if not states:
        return when
    return states if when == "always" else f"{when}, {states}"


def _when(universe: Universe, found: Ranges, number: int) -> str:
    if subset(full(len(universe.times)), found):
        return "always"
    conditions = dict(_conditions(universe, number))
    for name, classes in conditions.items():
        if classes == found:
            return name
    for (a, first), (b, second) in combinations(conditions.items(), 2):
        if intersect(first, second) == found:
            return f"{a} and {b}"
        if union(first, second) == found:
            return f"{a}, or {b}"
    naming = Naming(universe.plans[number])
    early = [t.earliest for t in universe.times if has(found, t.number)][:3]
    return "at times like " + listed(naming.instant_text(moment) for moment in early)


def _conditions(universe: Universe, number: int) -> Iterator[tuple[str, Ranges]]:
    everything = full(len(universe.times))
    for name in universe.plans[number].hours:
        found = universe.open_classes(name, number)
        if found and found != everything:
            yield f"during {name}", found
            yield f"outside {name}", subtract(everything, found)
    for until, found in universe.until_classes(number):
        if found != everything:
            yield f"until {until:%d %B %Y}", found
            yield f"after {until:%d %B %Y}", subtract(everything, found)
