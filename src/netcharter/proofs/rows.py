"""Sets of connections as readable rows: who, to what, with which service, when."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

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
    """One row of a listing, in words."""

    starter: str
    to: str
    service: str
    when: str


def tell(universe: Universe, box: RawBox, number: int = 0) -> Told:
    """A box in the words of plan `number`."""
    naming = Naming(universe.plans[number])
    states = _states(universe, box)
    when = _when(universe, box[TIME], number)
    return Told(
        starter=_starter(universe, box, naming),
        to=naming.destinations(box[DESTINATION]),
        service=naming.services(service_codes(box[SERVICE])),
        when=when + (f", {states}" if states else ""),
    )


def _starter(universe: Universe, box: RawBox, naming: Naming) -> str:
    names = [n for i, n in enumerate(universe.entrances) if has(box[ENTRANCE], i)]
    lines = [n for n in names if n in universe.lines]
    places = [n for n in names if n not in universe.lines and n != "gateway"]
    if lines and len(lines) == len(universe.lines):
        lines = ["internet"]
    told = [*places, *lines, *(["the gateway itself"] if "gateway" in names else [])]
    parts = [_device(universe, box, places), listed(told)]
    text = " in ".join(part for part in parts if part)
    signed = _signed(universe, box, places)
    source = _source(universe, box, names, naming)
    return text + (f", {signed}" if signed else "") + (f", from {source}" if source else "")


def _device(universe: Universe, box: RawBox, places: Sequence[str]) -> str:
    """Which devices a box is restricted to; empty if to none."""
    local = full(universe.other_hardware + 1)
    found = intersect(box[HARDWARE], local)
    if not places or found == local:
        return ""
    names = {h: d.name for plan in universe.plans for d in plan.devices for h in d.hardware}
    inside = [names[h] for i, h in enumerate(universe.hardware) if has(found, i)]
    if not has(found, universe.other_hardware):
        return listed(dict.fromkeys(inside))
    outside = [names[h] for i, h in enumerate(universe.hardware) if not has(found, i)]
    return f"any device but {listed(dict.fromkeys(outside), 'or')}"


def _signed(universe: Universe, box: RawBox, places: Sequence[str]) -> str:
    signing = {a.name for plan in universe.plans for a in plan.areas if a.sign_in}
    if not signing & set(places) or box[WHO] == full(len(universe.people)):
        return ""
    found = [n for i, n in enumerate(universe.people) if has(box[WHO], i)]
    if found == [coding.NOBODY]:
        return "not signed in" if set(places) <= signing else ""
    if len(found) == len(universe.people) - 1 and coding.NOBODY not in found:
        return "signed in"
    words = {coding.NOBODY: "nobody", coding.GUEST: "a guest"}
    return f"signed in as {listed((words.get(n, n) for n in found), 'or')}"


def _source(universe: Universe, box: RawBox, names: Sequence[str], naming: Naming) -> str:
    """The sources, where they are not simply all that belong to the entrances."""
    proper = union(*(r for plan in universe.plans for n in names for r in _proper(plan, n)))
    rest = intersect(box[SOURCE], proper)
    families = [f for f in (coding.ANY4, coding.ANY6) if intersect(rest, f)]
    whole = all(subset(intersect(proper, f), rest) for f in families)
    if whole and len(families) == 1 and _both(proper):
        return "IPv4" if families[0] == coding.ANY4 else "IPv6"
    return "" if whole else naming.destinations(rest)


def _both(found: Ranges) -> bool:
    return all(intersect(found, family) for family in (coding.ANY4, coding.ANY6))


def _proper(plan: Plan, name: str) -> Iterator[Ranges]:
    yield from (a.hosts for a in plan.areas if a.name == name)
    if any(line.name == name for line in plan.lines):
        yield plan.internet
    if name == "gateway":
        yield plan.gateway


def _states(universe: Universe, box: RawBox) -> str:
    possible = full(1 << len(universe.lines))
    if subset(possible, box[LINES]):
        return ""
    up = []
    for bit, name in enumerate(universe.lines):
        on = [s for s in range(1 << len(universe.lines)) if s >> bit & 1]
        if all(not has(box[LINES], s) or s in on for s in range(1 << len(universe.lines))):
            up.append(name)
    entered = {n for i, n in enumerate(universe.entrances) if has(box[ENTRANCE], i)}
    up = [name for name in up if name not in entered]
    if up:
        return f"while {listed(up)} {'is' if len(up) == 1 else 'are'} up"
    any_up = subtract(possible, ((0, 0),))
    return (
        "" if entered & set(universe.lines) or subset(any_up, box[LINES]) else "in some line states"
    )


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


def without_sources(universe: Universe, box: RawBox) -> Iterator[RawBox]:
    """The box with its sources forgotten at areas, where housekeeping fixes them anyway."""
    areas = {a.name for plan in universe.plans for a in plan.areas}
    local = universe.entrance_set(areas & set(universe.entrances))
    for part, forget in ((intersect(box[ENTRANCE], local), True),
                         (subtract(box[ENTRANCE], local), False)):  # fmt: skip
        if part:
            changed = list(box)
            changed[ENTRANCE] = part
            if forget:
                changed[SOURCE] = full(universe.fields[SOURCE].size)
            yield tuple(changed)


def merge(boxes: Iterable[RawBox]) -> list[RawBox]:
    """Fewer boxes with the same union: drop what is contained, join what differs in one field."""
    found = list(dict.fromkeys(boxes))
    changed = True
    while changed:
        changed = False
        for field in range(len(found[0]) if found else 0):
            joined = _join(found, field)
            changed = changed or len(joined) < len(found)
            found = joined
    return _uncontained(found)


def _join(boxes: Sequence[RawBox], field: int) -> list[RawBox]:
    groups: dict[RawBox, Ranges] = {}
    for box in boxes:
        key = (*box[:field], *box[field + 1 :])
        groups[key] = union(groups.get(key, ()), box[field])
    return [(*key[:field], values, *key[field:]) for key, values in groups.items()]


def _uncontained(boxes: Sequence[RawBox]) -> list[RawBox]:
    ordered = sorted(boxes, key=lambda box: [-size(values) for values in box])
    kept: list[RawBox] = []
    for box in ordered:
        inside = any(all(map(subset, box, other)) for other in kept)
        if not inside:
            kept.append(box)
    return kept
