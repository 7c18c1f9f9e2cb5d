"""Sets of connections as readable rows: who, to what, with which service, when.

Many exact boxes become few rows: boxes that share who decides them, where they enter, what part
of the site they lead to, the service and the hours are one row, and rows that differ only in who
starts or only in where they lead are joined. The words of a row name the smallest product that
holds all its connections; its count is the exact number of connections in it.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from math import prod

from netcharter.plan import coding
from netcharter.plan.shapes import Plan
from netcharter.proofs.naming import Naming, listed
from netcharter.proofs.universe import (
    DESTINATION,
    ENTRANCE,
    HARDWARE,
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


@dataclass(slots=True)
class _Heap:
    """Boxes on their way to one row: the union per field, the count, the first box."""

    key: Hashable
    sample: RawBox
    hull: list[Ranges]
    count: int = 0
    starters: list[str] = field(default_factory=list)

    def add(self, other: Sequence[Ranges], count: int) -> None:
        self.hull = [a if a == b else union(a, b) for a, b in zip(self.hull, other, strict=True)]
        self.count += count


def summarise(
    universe: Universe, boxes: Iterable[tuple[RawBox, Hashable]], number: int = 0
) -> list[Told]:
    """Disjoint boxes, each with what to group it by, as few rows, the largest group first."""
    naming = Naming(universe.plans[number])
    heaps = _heaps(universe, boxes)
    for heap in heaps:
        heap.starters = [_starter(universe, heap.hull, naming)]
    heaps = _joined(heaps, (DESTINATION, SERVICE, TIME, LINES))
    heaps = _joined(heaps, (SERVICE, TIME, LINES), by_starter=True)
    heaps = _joined(heaps, (DESTINATION, TIME, LINES), by_starter=True)
    return [
        Told(
            starter=listed(heap.starters),
            to=naming.destinations(heap.hull[DESTINATION]),
            service=naming.services(service_codes(heap.hull[SERVICE])),
            when=_when(universe, heap.hull[TIME], number) + _states(universe, heap.hull),
            count=heap.count,
            sample=heap.sample,
            key=heap.key,
        )
        for heap in heaps
    ]


def _heaps(universe: Universe, boxes: Iterable[tuple[RawBox, Hashable]]) -> list[_Heap]:
    """Boxes parted by entrance and by the part of the site they lead to, then grouped."""
    parts = _site_parts(universe)
    heaps: dict[Hashable, _Heap] = {}
    for box, key in boxes:
        for entrance in _single(box[ENTRANCE]):
            for number, part in enumerate(parts):
                to = intersect(box[DESTINATION], part)
                if not to:
                    continue
                states = _usual(universe, entrance, box[LINES])
                piece = (entrance, *box[1:DESTINATION], to, box[SERVICE], states)
                # Boxes of equal line states only, so that no connection counts twice in a row.
                name = (key, entrance, number, piece[SERVICE], piece[TIME], piece[WHO], states)
                heap = heaps.setdefault(name, _Heap(key, piece, list(piece)))
                heap.add(piece, prod(size(values) for values in piece[:LINES]))
    return list(heaps.values())


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
    for plan in universe.plans:
        for found in (plan.gateway, *(a.whole for a in plan.areas)):
            mine = intersect(found, left)
            if mine:
                parts.append(mine)
                left = subtract(left, mine)
    return [*parts, left]


def _joined(
    heaps: Sequence[_Heap], fields: tuple[int, ...], by_starter: bool = False
) -> list[_Heap]:
    """Heaps of one key that agree in `fields` (and in their starters) become one."""
    found: dict[Hashable, _Heap] = {}
    for heap in heaps:
        same = tuple(heap.hull[f] for f in fields)
        name = (heap.key, same, tuple(heap.starters) if by_starter else None)
        known = found.get(name)
        if known is None:
            found[name] = heap
            continue
        known.add(heap.hull, heap.count)
        known.starters += [s for s in heap.starters if s not in known.starters]
    return list(found.values())


def _starter(universe: Universe, hull: Sequence[Ranges], naming: Naming) -> str:
    """Who starts, for a hull with a single entrance."""
    name = universe.entrances[hull[ENTRANCE][0][0]]
    if name == "gateway":
        return "the gateway itself"
    device = _device(universe, hull, name)
    text = f"{device} in {name}" if device else name
    signed = _signed(universe, hull, name)
    source = _source(universe, hull, name, naming)
    return text + (f" ({signed})" if signed else "") + (f" from {source}" if source else "")


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


def _source(universe: Universe, hull: Sequence[Ranges], name: str, naming: Naming) -> str:
    """The sources, where they are not simply all that belong to the entrance."""
    proper = union(*(r for plan in universe.plans for r in _proper(plan, name)))
    rest = intersect(hull[SOURCE], proper)
    families = [f for f in (coding.ANY4, coding.ANY6) if intersect(rest, f)]
    local = coding.network(*(plan.local_prefix for plan in universe.plans))
    missing = (subtract(intersect(proper, f), rest) for f in families)
    if _device(universe, hull, name) or all(subset(m, local) for m in missing):
        return ""  # that local addresses stay inside is said once, by housekeeping
    return naming.destinations(rest)


def _proper(plan: Plan, name: str) -> Iterator[Ranges]:
    yield from (a.hosts for a in plan.areas if a.name == name)
    if any(line.name == name for line in plan.lines):
        yield plan.internet


def _states(universe: Universe, hull: Sequence[Ranges]) -> str:
    """In which line states, where not in all that can be."""
    count = 1 << len(universe.lines)
    entered = universe.entrances[hull[ENTRANCE][0][0]]
    possible = [
        s
        for s in range(1, count)
        if entered not in universe.lines or s >> universe.lines.index(entered) & 1
    ]
    if all(has(hull[LINES], s) for s in possible):
        return ""
    up = [
        name
        for bit, name in enumerate(universe.lines)
        if all(s >> bit & 1 for s in possible if has(hull[LINES], s))
    ]
    up = [name for name in up if name != entered]
    return f", while {listed(up)} {'is' if len(up) == 1 else 'are'} up" if up else (
        ", in some line states"
    )  # fmt: skip


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
