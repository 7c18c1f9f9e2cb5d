"""The terms of a sentence as sets: who starts, what is reached, with what."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product

from netcharter.charter.model import Charter
from netcharter.charter.services import builtin, parse_written
from netcharter.plan import coding
from netcharter.plan.coding import ANY4, ANY6, ANY_HARDWARE, ANY_SERVICE
from netcharter.plan.leading import leads
from netcharter.plan.shapes import ALWAYS, AreaPlan, ByNames, DevicePlan, LinePlan, Region, When
from netcharter.space.ranges import Ranges, intersect, ranges, subset, subtract, union

FAMILIES = (4, 6)
ANY = {4: ANY4, 6: ANY6}


@dataclass(frozen=True)
class Ground:
    """The resolved site that terms are read against."""

    charter: Charter
    lines: tuple[LinePlan, ...]
    areas: tuple[AreaPlan, ...]
    devices: tuple[DevicePlan, ...]
    gateway: Ranges
    internet: Ranges
    places: Mapping[str, Ranges]
    hostile: Ranges = ()
    by_names: tuple[ByNames, ...] = ()

    @cached_property
    def named(self) -> tuple[str, ...]:
        """The names of the places that are made of names."""
        return tuple(one.name for one in self.by_names)

    @cached_property
    def area(self) -> Mapping[str, AreaPlan]:
        return {a.name: a for a in self.areas}

    @cached_property
    def line(self) -> Mapping[str, LinePlan]:
        return {line.name: line for line in self.lines}

    @cached_property
    def device(self) -> Mapping[str, DevicePlan]:
        return {d.name: d for d in self.devices}

    @cached_property
    def all_areas(self) -> frozenset[str]:
        return frozenset(self.area)

    @cached_property
    def all_lines(self) -> frozenset[str]:
        return frozenset(self.line)

    @cached_property
    def sign_in_areas(self) -> frozenset[str]:
        return frozenset(a.name for a in self.areas if a.sign_in)

    @cached_property
    def everywhere(self) -> frozenset[str]:
        return self.all_areas | self.all_lines


@dataclass(frozen=True, slots=True)
class Who:
    """One way to be the one who starts: a product of entrance, source, hardware, identity."""

    entrances: frozenset[str]
    source: Ranges | None = None  # None: any
    hardware: Ranges = ANY_HARDWARE
    who: frozenset[str] | None = None


def line_states(ground: Ground, down: Callable[[frozenset[str]], bool]) -> frozenset[int]:
    """The line states (bit i: line i is up) in which `down(names of lines up)` is true."""
    count = len(ground.lines)
    return frozenset(
        state
        for state in range(1 << count)
        if down(frozenset(ground.lines[i].name for i in range(count) if state >> i & 1))
    )


def hardware_set(numbers: Iterable[int]) -> Ranges:
    return ranges(*((n, n) for n in numbers))


def device_addresses(device: DevicePlan) -> Ranges:
    return coding.addresses((*device.addresses4, *device.addresses6))


def starters(ground: Ground, term: str) -> Who | None:
    """Who a single term means; None where nobody can be meant (no entrance is left)."""
    found = _starters(ground, term)
    return found if found.entrances else None


def _starters(ground: Ground, term: str) -> Who:
    if term == "anyone":
        return Who(ground.everywhere)
    if term == "internet":
        return Who(ground.all_lines)
    if term == "gateway" or term in ground.area or term in ground.line:
        return Who(frozenset({term}))
    if term in ground.device:
        return device_starts(ground, ground.device[term])
    if term in ground.charter.people:
        return Who(ground.sign_in_areas, who=frozenset({term}))
    if term in ground.charter.groups:
        members = (p.name for p in ground.charter.people.values() if term in p.groups)
        return Who(ground.sign_in_areas, who=frozenset(members))
    return Who(ground.all_lines, source=ground.places[term])


def device_starts(ground: Ground, device: DevicePlan) -> Who:
    entrances = ground.all_areas if device.roams else frozenset({device.area})
    if device.hardware:
        return Who(entrances, hardware=hardware_set(device.hardware))
    return Who(entrances, source=device_addresses(device))


def all_starters(ground: Ground, terms: Iterable[str]) -> tuple[Who, ...]:
    """A list of terms as few products: terms that name nothing but entrances become one."""
    plain: set[str] = set()
    special: list[Who] = []
    for term in terms:
        who = starters(ground, term)
        if who is None:
            continue
        if who == Who(who.entrances):
            plain |= who.entrances
        else:
            special.append(who)
    return ((Who(frozenset(plain)),) if plain else ()) + tuple(dict.fromkeys(special))


@dataclass(frozen=True, slots=True)
class Goal:
    """Destinations, and the sets of places made of names in which they are; None: whichever."""

    where: Ranges
    led: frozenset[int] | None = None


def goals(ground: Ground, terms: Iterable[str]) -> tuple[Goal, ...]:
    """All that a list of `reach` terms means: the addresses that are known, and each place whose
    names lead there."""
    terms = tuple(terms)
    known = all_reached(ground, terms)
    named = [name for name in ground.named if name in terms]
    if subset(ground.internet, known):
        named = []
    led = (Goal(ground.internet, leads(ground.named, [name])) for name in dict.fromkeys(named))
    return (Goal(known), *led)


def reached(ground: Ground, term: str) -> Ranges:
    """The destinations a single `reach` term means, both families, as far as addresses are known
    beforehand."""
    if term == "anywhere":
        return union(ANY4, ANY6)
    if term == "internet":
        return ground.internet
    if term == "gateway":
        return ground.gateway
    if term in ground.area:
        return ground.area[term].hosts
    if term in ground.device:
        return device_addresses(ground.device[term])
    return () if term in ground.named else ground.places[term]


def all_reached(ground: Ground, terms: Iterable[str]) -> Ranges:
    return union(*(reached(ground, term) for term in terms))


def service_set(ground: Ground, names: Iterable[str]) -> Ranges:
    """The services a list of names means."""
    parts: list[tuple[int, int]] = []
    for name in names:
        if name == "anything":
            return ANY_SERVICE
        parts += [coding.service(*part) for part in service_parts(ground, name)]
    return ranges(*parts)


def known_services() -> Mapping[str, tuple[tuple[int, int, int], ...]]:
    """The services that work without being written: (protocol, first, last) by name."""
    return builtin()


def service_names(ground: Ground) -> frozenset[str]:
    """Every service that has a name here."""
    return frozenset(ground.charter.services) | frozenset(builtin())


def service_parts(ground: Ground, name: str) -> tuple[tuple[int, int, int], ...]:
    """What a service consists of: the charter's own, an IANA name, or written out.

    Raises KeyError for a name that is no service.
    """
    if name in ground.charter.services:
        return ground.charter.services[name].parts
    if name in builtin():
        return builtin()[name]
    written = parse_written(name)
    if written is None:
        raise KeyError(name)
    return (written,)


def regions(
    who: Iterable[Who], destination: Ranges, service: Ranges, when: When = ALWAYS
) -> Iterator[Region]:
    """The product of who, where and what, one region per way to start and family."""
    yield from toward(who, (Goal(destination),), service, when)


def toward(
    who: Iterable[Who], to: Iterable[Goal], service: Ranges, when: When = ALWAYS
) -> Iterator[Region]:
    """The same for goals."""
    for starter, goal in product(who, tuple(to)):
        for family in FAMILIES:
            source = ANY[family]
            if starter.source is not None:
                source = intersect(starter.source, source)
            part = intersect(goal.where, ANY[family])
            if source and part and service and starter.hardware and starter.who != frozenset():
                yield Region(
                    starter.entrances, source, part, service, starter.hardware, starter.who, when,
                    led=goal.led,
                )  # fmt: skip


def without(region: Region, *, source: Ranges = ()) -> Region:
    """The region less some sources."""
    return replace(region, source=subtract(region.source, source))
