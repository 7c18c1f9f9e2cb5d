"""Differences of two plans counted without the engine: every class of attempts, one by one.

The classes of a field are the sets of values that lie in the very same regions of either plan.
Which region comes first is read off bit masks, region by region in the plans' own order; that the
masks say what `plan.fate` says is itself tested.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import chain, combinations, pairwise
from random import Random

from netcharter.plan import coding
from netcharter.plan.coding import GUEST, NOBODY
from netcharter.plan.fate import Attempt, Environment, in_force, line_state, outcome
from netcharter.plan.hours import TimeClass
from netcharter.plan.shapes import Plan, Region, Row
from netcharter.space.ranges import Ranges, has, intersect, ranges, size, subtract

Masks = tuple[int, int]
KINDS = ("opened", "closed", "altered")


@dataclass(frozen=True)
class Class:
    """Values of one field that lie in the same regions: one of them, how many, which regions."""

    value: int
    weight: int
    masks: Masks


@dataclass(frozen=True)
class Side:
    """One plan as a flat list of regions with their rows."""

    plan: Plan
    flat: tuple[tuple[Region, Row], ...]

    def mask(self, holds: Callable[[Region], bool]) -> int:
        return sum(1 << i for i, (region, _) in enumerate(self.flat) if holds(region))

    def fate(self, mask: int, entrance: str, service: int) -> tuple[object, ...]:
        """What the first region decides; absent where there is no such entrance."""
        if not mask:
            return ("absent",)
        row = self.row(mask)
        assert row is not None
        found = outcome(self.plan, row, entrance, service)
        return found.let, found.manner, found.delivered

    def row(self, mask: int) -> Row | None:
        return self.flat[(mask & -mask).bit_length() - 1][1] if mask else None


def side(plan: Plan) -> Side:
    return Side(plan, tuple((region, row) for row in plan.rows for region in row.regions))


class Brute:
    """Two plans (with their lines numbered alike) over all there is."""

    def __init__(self, old: Plan, new: Plan, times: Iterable[TimeClass]) -> None:
        self.sides = (side(old), side(new))
        plans = (old, new)
        longest = max(plans, key=lambda plan: len(plan.lines))
        self.lines = [line.name for line in longest.lines]
        assert all([x.name for x in p.lines] == self.lines[: len(p.lines)] for p in plans)
        self.areas = list(dict.fromkeys(a.name for p in plans for a in p.areas))
        self.signing = {a.name for p in plans for a in p.areas if a.sign_in}
        people = dict.fromkeys(person.name for p in plans for person in p.people)
        self.people = [NOBODY, *people, GUEST]
        self.times = list(times)
        known = dict.fromkeys(h for p in plans for d in p.devices for h in d.hardware)
        self.known = list(known)
        self.stranger = next(h for h in range(1, 1 << 48) if h not in known)
        self.sources = self._classes(lambda region: region.source)
        self.destinations = self._classes(lambda region: region.destination)
        self.services = self._services()

    def both(self, holds: Callable[[Side, Region], bool]) -> Masks:
        old, new = self.sides
        return old.mask(lambda r: holds(old, r)), new.mask(lambda r: holds(new, r))

    def _classes(self, part: Callable[[Region], Ranges]) -> dict[int, list[Class]]:
        """The classes of addresses, by family; unknown addresses only of automatic lines."""
        automatic = {x.name for one in self.sides for x in one.plan.lines if x.automatic}
        symbols = [
            coding.unknown(self.lines.index(name) + 1, family)
            for name in automatic
            for family in (4, 6)
        ]
        exist = ranges((0, coding.SYMBOLS - 1), *((s, s) for s in symbols))
        return {
            family: self._cut(part, intersect(exist, whole))
            for family, whole in ((4, coding.ANY4), (6, coding.ANY6))
        }

    def _services(self) -> Mapping[int, list[Class]]:
        """The classes of services by family, each with its own ICMP; TCP apart, since it may be
        refused in another manner."""
        tcp, icmp4, icmp6 = (
            (coding.service(p, 0, 0xFFFF),) for p in (coding.TCP, coding.ICMP, coding.ICMP6)
        )
        rest = subtract(subtract(subtract(coding.REAL_SERVICES, tcp), icmp4), icmp6)
        return {
            family: [
                c for exist in (tcp, rest, icmp) for c in self._cut(lambda r: r.service, exist)
            ]
            for family, icmp in ((4, icmp4), (6, icmp6))
        }

    def _cut(self, part: Callable[[Region], Ranges], exist: Ranges) -> list[Class]:
        sets = [[part(region) for region, _ in one.flat] for one in self.sides]
        edges = set(chain.from_iterable((low, high + 1) for low, high in exist))
        for found in {s for listed in sets for s in listed}:
            edges |= set(chain.from_iterable((low, high + 1) for low, high in found))
        ordered = sorted(edges)
        weights: Counter[Masks] = Counter()
        samples: dict[Masks, int] = {}
        cache: dict[tuple[int, Ranges], bool] = {}
        for low, high in pairwise(ordered):
            if not has(exist, low):
                continue
            masks = []
            for listed in sets:
                mask = 0
                for bit, found in enumerate(listed):
                    key = (low, found)
                    if key not in cache:
                        cache[key] = has(found, low)
                    mask |= cache[key] << bit
                masks.append(mask)
            name = (masks[0], masks[1])
            weights[name] += size(intersect(exist, ((low, high - 1),)))
            samples.setdefault(name, low)
        return [Class(samples[name], weight, name) for name, weight in weights.items()]

    def entrances(self) -> Iterator[tuple[str, list[str], list[int]]]:
        """Each entrance with who can be there and which hardware addresses."""
        for name in self.areas:
            who = self.people if name in self.signing else [NOBODY]
            yield name, who, [*self.known, self.stranger]
        for name in (*self.lines, "gateway"):
            yield name, [NOBODY], [coding.HARDWARE_NONE]

    def states(self, entrance: str) -> list[frozenset[str]]:
        found = [
            frozenset(up)
            for count in range(len(self.lines) + 1)
            for up in combinations(self.lines, count)
        ]
        return [up for up in found if entrance not in self.lines or entrance in up]

    def draw(self, rng: Random) -> tuple[Attempt, Environment, Masks]:
        """A random class of attempts: one of them, and the regions that it lies in."""
        entrance, people, machines = rng.choice(list(self.entrances()))
        who, hardware = rng.choice(people), rng.choice(machines)
        instant, up = rng.choice(self.times).earliest, rng.choice(self.states(entrance))
        family = rng.choice((4, 6))
        source, destination = (
            rng.choice(self.sources[family]),
            rng.choice(self.destinations[family]),
        )
        service = rng.choice(self.services[family])
        masks = self.both(_enters(entrance))
        for condition in (_who(who), _machine(hardware), _at(instant), _up(up)):
            masks = _and(masks, self.both(condition))
        for part in (source, destination, service):
            masks = _and(masks, part.masks)
        attempt = Attempt(entrance, source.value, hardware, destination.value, service.value)
        return attempt, Environment(up, who, instant), masks

    def totals(self) -> dict[str, int]:
        """How many connections change in any line state, by kind of change."""
        totals = dict.fromkeys(KINDS, 0)
        for entrance, who, hardware in self.entrances():
            up = [self.both(_up(state)) for state in self.states(entrance)]
            held = Counter({self.both(_enters(entrance)): 1})
            held = _narrowed(held, [(self.both(_who(name)), 1) for name in who])
            held = _narrowed(held, [(self.both(_at(time.earliest)), 1) for time in self.times])
            held = _narrowed(held, [(self.both(_machine(h)), 1) for h in hardware])
            for family in (4, 6):
                mine = _narrowed(held, [(c.masks, c.weight) for c in self.sources[family]])
                mine = _narrowed(mine, [(c.masks, c.weight) for c in self.destinations[family]])
                for masks, weight in mine.items():
                    for service in self.services[family]:
                        for kind in self._kinds(entrance, _and(masks, service.masks), service, up):
                            totals[kind] += weight * service.weight
        return totals

    def _kinds(self, entrance: str, masks: Masks, service: Class, up: list[Masks]) -> set[str]:
        found = set()
        for state in up:
            before, after = (
                one.fate(mask, entrance, service.value)
                for one, mask in zip(self.sides, _and(masks, state), strict=True)
            )
            kind = _kind(before, after)
            if kind is not None:
                found.add(kind)
        return found


def _kind(before: tuple[object, ...], after: tuple[object, ...]) -> str | None:
    """What is absent and what is refused do not differ: nothing passes."""
    if (before[0] is True) != (after[0] is True):
        return "opened" if after[0] is True else "closed"
    return None if before == after or ("absent",) in (before, after) else "altered"


def _and(a: Masks, b: Masks) -> Masks:
    return a[0] & b[0], a[1] & b[1]


def _narrowed(held: Counter[Masks], classes: list[tuple[Masks, int]]) -> Counter[Masks]:
    found: Counter[Masks] = Counter()
    for masks, weight in held.items():
        for more, count in classes:
            found[_and(masks, more)] += weight * count
    return found


Condition = Callable[[Side, Region], bool]


def _enters(entrance: str) -> Condition:
    return lambda one, region: entrance in region.entrances


def _up(up: frozenset[str]) -> Condition:
    return lambda one, region: region.lines is None or line_state(one.plan, up) in region.lines


def _who(name: str) -> Condition:
    return lambda one, region: region.who is None or name in region.who


def _machine(hardware: int) -> Condition:
    return lambda one, region: has(region.hardware, hardware)


def _at(instant: datetime) -> Condition:
    return lambda one, region: in_force(one.plan, region.when, instant)
