"""The decisions of a plan in words: who starts, what is reached, with which service, when.

The words of a clause are exact: a set is told by the names it is made of, and by numbers for what
is left over. IPv4 and IPv6 are told together where they differ in nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from netcharter.plan import coding
from netcharter.plan.coding import ANY4, ANY6, GUEST, NOBODY, hardware_text
from netcharter.plan.housekeeping import (
    LINK_LOCAL6,
    LINK_MULTICAST6,
    MULTICAST,
    edge_addresses,
    icmp_types,
)
from netcharter.plan.icmp import DISCOVERY_TYPES, ROUTER_ADVERTISEMENT
from netcharter.plan.leading import alone
from netcharter.plan.shapes import LinePlan, Plan, Region, When
from netcharter.plan.terms import device_addresses
from netcharter.proofs.naming import Naming, listed
from netcharter.space.ranges import Ranges, has, intersect, size, subset, subtract, union

FAMILIES = ((ANY4, "IPv4"), (ANY6, "IPv6"))
EVERYTHING = union(ANY4, ANY6)
DISCOVERY = {
    icmp_types(coding.ICMP6, DISCOVERY_TYPES): "neighbour discovery",
    icmp_types(coding.ICMP6, (*DISCOVERY_TYPES, ROUTER_ADVERTISEMENT)): (
        "neighbour discovery and router advertisements"
    ),
}
MOST_LISTED = 64  # hardware addresses that are listed; a larger set is told by who is not in it


@dataclass(frozen=True, slots=True)
class Clause:
    """A part of a decision in words, and the regions that these words stand for."""

    starter: str
    to: str
    service: str
    when: str  # "always", or the conditions
    regions: tuple[Region, ...]

    def as_json(self) -> dict[str, str]:
        """`from`, `to`, `service`, `when`."""
        return {"from": self.starter, "to": self.to, "service": self.service, "when": self.when}


@dataclass(frozen=True, slots=True)
class _Told:
    text: str
    partly: bool  # of something named only one family, or numbers: the family is worth a word


@dataclass(frozen=True, slots=True)
class _Named:
    """A set of addresses with a name. whole: not a name for a part, since a plainer one is there."""

    found: Ranges
    name: str
    families: tuple[Ranges, Ranges]
    whole: bool


def _named(found: Ranges, name: str, *, whole: bool = False) -> _Named:
    return _Named(found, name, (intersect(found, ANY4), intersect(found, ANY6)), whole)


@dataclass(frozen=True)
class Words:
    """Tells the regions of one plan."""

    plan: Plan

    def clauses(self, regions: Iterable[Region]) -> tuple[Clause, ...]:
        """The regions in words; those that differ only in where one enters are one clause."""
        groups: dict[tuple[str, ...], list[Region]] = {}
        for region in _both_families(regions):
            groups.setdefault(self._key(region), []).append(region)
        return tuple(self._clause(key, found) for key, found in groups.items())

    def _key(self, region: Region) -> tuple[str, ...]:
        return (
            self._hardware(region.hardware),
            self._signed(region),
            self._sources(region),
            self._destination(region),
            self.services(region.service),
            self._when(region),
        )

    def _clause(self, key: tuple[str, ...], found: Sequence[Region]) -> Clause:
        machines, signed, source, to, service, when = key
        entrances = frozenset[str]().union(*(region.entrances for region in found))
        place = self.entrances(entrances)
        starter = f"{machines} in {place}" if machines else place
        starter += "".join(f", {part}" for part in (signed, source) if part)
        return Clause(starter, to, service, when, tuple(found))

    @cached_property
    def naming(self) -> Naming:
        return Naming(self.plan)

    # Who starts

    def entrances(self, names: frozenset[str]) -> str:
        """Areas by name, all lines together as the internet, the gateway."""
        areas = [a.name for a in self.plan.areas if a.name in names]
        lines = [line.name for line in self.plan.lines if line.name in names]
        if len(areas) == len(self.plan.areas) > 2:
            areas = ["every area"]
        if len(lines) == len(self.plan.lines):
            lines = ["internet"]
        return listed([*areas, *lines, *(["the gateway itself"] if "gateway" in names else [])])

    def _hardware(self, found: Ranges) -> str:
        local = intersect(found, coding.LOCAL_HARDWARE)
        if not local or local == coding.LOCAL_HARDWARE:
            return ""
        if size(local) <= MOST_LISTED:
            return listed(self._devices(local))
        return "any device but " + listed(
            self._devices(subtract(coding.LOCAL_HARDWARE, local)), "or"
        )

    def _devices(self, found: Ranges) -> Iterator[str]:
        for device in self.plan.devices:
            mine = [number for number in device.hardware if has(found, number)]
            if mine and len(mine) == len(device.hardware):
                yield device.name
            else:
                yield from (f"{device.name} ({hardware_text(number)})" for number in mine)

    def _signed(self, region: Region) -> str:
        """Who has signed in; nothing where that does not matter."""
        if region.who is None:
            return ""
        everybody = {NOBODY, GUEST, *(person.name for person in self.plan.people)}
        if region.who == {NOBODY}:
            return "not signed in"
        if region.who == everybody - {NOBODY}:
            return "signed in"
        names = [p.name for p in self.plan.people if p.name in region.who]
        names += [
            word for who, word in ((GUEST, "a guest"), (NOBODY, "nobody")) if who in region.who
        ]
        return f"signed in as {listed(names, 'or')}"

    def _sources(self, region: Region) -> str:
        """The source addresses, where they are others than all that belong to the entrances."""
        key = (region.entrances, region.source)
        if key not in self._sources_cache:
            self._sources_cache[key] = self._tell_sources(*key)
        words, family = self._sources_cache[key]
        if family and self._told(region.destination).partly:
            return ", ".join([family, *words])
        return " and ".join(words)

    @cached_property
    def _sources_cache(self) -> dict[tuple[frozenset[str], Ranges], tuple[list[str], str]]:
        return {}

    def _tell_sources(self, entrances: frozenset[str], source: Ranges) -> tuple[list[str], str]:
        """Words for the sources; and their family, if it is one where there could be two."""
        proper = union(
            *(a.hosts for a in self.plan.areas if a.name in entrances),
            *(self.plan.internet for line in self.plan.lines if line.name in entrances),
            self.plan.gateway if "gateway" in entrances else (),
        )
        words = [
            self._tell_source(intersect(source, family), intersect(proper, family), family)
            for family, _ in FAMILIES
        ]
        only = [version for family, version in FAMILIES if intersect(source, family)]
        both = all(intersect(proper, family) for family, _ in FAMILIES)
        family = only[0] if len(only) == 1 and both else ""
        return list(dict.fromkeys(filter(None, words))), family

    def _tell_source(self, mine: Ranges, proper: Ranges, family: Ranges) -> str:
        if not mine or mine in (family, proper):
            return ""
        if mine == subtract(family, proper):
            return "from an address that does not belong there"
        if proper and subset(proper, mine):
            return f"also from {self._told(subtract(mine, proper)).text}"
        return f"from {self.addresses(mine, 'any address')}"

    # Sets of addresses

    def addresses(self, found: Ranges, everything: str = "anywhere") -> str:
        """A set of addresses in words: by what is in it, or by what is not, if that is shorter."""
        whole = union(*(family for family, _ in FAMILIES if intersect(found, family)))
        if found == whole:
            return everything
        plain = self._told(found).text
        turned = f"{everything} but {self._told(subtract(whole, found)).text}"
        return min(plain, turned, key=lambda text: ("more ranges" in text, len(text)))

    def _told(self, found: Ranges) -> _Told:
        """The names that a set is made of, and numbers for what is left over."""
        if found not in self._told_cache:
            self._told_cache[found] = self._tell(found)
        return self._told_cache[found]

    def _tell(self, found: Ranges) -> _Told:
        """Wide names first; a name of which only one family is there is told with that family."""
        one_family = sum(bool(intersect(found, family)) for family, _ in FAMILIES) == 1
        words: list[str] = []
        rest, partly = found, False
        for named in self._named_sets:
            inside = [part for part in named.families if _inside(part, rest, found)]
            whole = len(inside) == sum(map(bool, named.families))
            if not inside or (named.whole and not whole):
                continue
            version = next(v for family, v in FAMILIES if intersect(inside[0], family))
            words.append(named.name if whole or one_family else f"{named.name} ({version})")
            rest, partly = subtract(rest, union(*inside)), partly or not whole
        left = [self.naming.destinations(rest)] if rest else []
        return _Told(listed([*words, *left]), partly or bool(rest))

    @cached_property
    def _told_cache(self) -> dict[Ranges, _Told]:
        return {}

    @cached_property
    def _named_sets(self) -> tuple[_Named, ...]:
        """All sets that have a name, wide ones before those inside them."""
        plan = self.plan
        inside = subtract(plan.gateway, union(*(line.own for line in plan.lines)))
        found = [
            _named(plan.internet, "internet"),
            _named(plan.gateway, "the gateway"),
            _named(inside, "the gateway's inside addresses"),
            *(
                _named(coding.network(line.prefix), f"the prefix of {line.name}")
                for line in plan.lines
                if line.prefix is not None
            ),
            *self._named_areas(),
            *(_named(_network(line), f"the network of {line.name}") for line in plan.lines),
            *(_named(place, name) for name, place in plan.places.items()),
            *(_named(device_addresses(d), d.name) for d in plan.devices),
            *(_named(line.own, f"the gateway on {line.name}") for line in plan.lines),
            _named(MULTICAST, "multicast and broadcast"),
            _named(LINK_MULTICAST6, "the link's multicast"),
            _named(LINK_LOCAL6, "link-local addresses"),
        ]
        return tuple(named for named in found if named.found)

    def _named_areas(self) -> Iterator[_Named]:
        areas = self.plan.areas
        wholes = [subtract(area.whole, self.plan.gateway) for area in areas]
        edges = [edge_addresses(area) for area in areas]
        if len(areas) > 2:
            yield _named(union(*wholes), "all of every area", whole=True)
            yield _named(union(*(area.hosts for area in areas)), "every area")
            yield _named(union(*edges), "the network and broadcast address of every area")
        for area, whole, edge in zip(areas, wholes, edges, strict=True):
            yield _named(whole, f"all of {area.name}", whole=True)
            yield _named(area.hosts, area.name)
            yield _named(edge, f"the network and broadcast address of {area.name}")

    # Services

    def services(self, found: Ranges) -> str:
        """A set of services in words."""
        if found not in self._services:
            self._services[found] = DISCOVERY.get(found) or self.naming.services(found)
        return self._services[found]

    @cached_property
    def _services(self) -> dict[Ranges, str]:
        return {}

    def _destination(self, region: Region) -> str:
        """Where a region leads, a place that is made of names by its own."""
        told = self.addresses(region.destination)
        named = [place.name for place in self.plan.by_names]
        place = None if region.led is None else alone(named, region.led)
        if place is None:
            return told
        for whole, version in ((EVERYTHING, ""), *FAMILIES):
            if region.destination == intersect(self.plan.internet, whole):
                return f"{place} ({version})" if version else place
        return f"{told} where {place} leads"

    # When

    def _when(self, region: Region) -> str:
        return when_text(region.when, self._states(region.lines))

    def _states(self, found: frozenset[int] | None) -> str:
        """The states of the lines in words; empty where they do not matter."""
        names = [line.name for line in self.plan.lines]
        states = range(1 << len(names))
        if found is None or found == frozenset(states):
            return ""
        for word, bit in (("down", 0), ("up", 1)):
            fixed = [i for i in range(len(names)) if all(s >> i & 1 == bit for s in found)]
            if found == {s for s in states if all(s >> i & 1 == bit for i in fixed)}:
                return f"while {_are([names[i] for i in fixed])} {word}"
        each = ([n for i, n in enumerate(names) if state >> i & 1] for state in sorted(found))
        return "while " + " or ".join(f"{_are(up)} up" if up else "no line is up" for up in each)


def _inside(part: Ranges, rest: Ranges, found: Ranges) -> bool:
    """Is a part wholly in the set, and not yet told?"""
    if not part or not rest or part[0][0] < found[0][0] or part[-1][1] > found[-1][1]:
        return False
    return subset(part, found) and bool(intersect(part, rest))


def _network(line: LinePlan) -> Ranges:
    return coding.network(*(one.network for one in line.held))


def _are(names: Sequence[str]) -> str:
    return f"{listed(names)} {'is' if len(names) == 1 else 'are'}"


def when_text(when: When, states: str = "") -> str:
    """``during evening, until 31 March 2027``; ``always`` without a condition."""
    parts = [f"during {when.during}"] if when.during else []
    parts += [f"until {when.until:%d %B %Y}"] if when.until else []
    return ", ".join([*parts, *([states] if states else [])]) or "always"


def _both_families(regions: Iterable[Region]) -> Iterator[Region]:
    """The regions with those of IPv4 and IPv6 that differ in nothing else as one.

    That is exact, since a source and a destination of different families never meet.
    """
    groups: dict[object, list[Region]] = {}
    for region in regions:
        key = (region.entrances, region.service, region.hardware, region.who, region.when,
               region.lines, region.led)  # fmt: skip
        groups.setdefault(key, []).append(region)
    for found in groups.values():
        joined = _joined(found)
        four = [r for r in joined if not intersect(r.destination, ANY6)]
        six = [r for r in joined if not intersect(r.destination, ANY4)]
        if len(four) == len(six) == 1:
            a, b = four[0], six[0]
            yield replace(
                a,
                source=union(a.source, b.source),
                destination=union(a.destination, b.destination),
            )
        else:
            yield from joined


def _joined(found: Sequence[Region]) -> list[Region]:
    """Regions that differ only in source and destination, joined where one of them is the same."""
    by_source: dict[Ranges, Ranges] = {}
    for region in found:
        by_source[region.source] = union(by_source.get(region.source, ()), region.destination)
    by_destination: dict[Ranges, Ranges] = {}
    for source, destination in by_source.items():
        by_destination[destination] = union(by_destination.get(destination, ()), source)
    return [
        replace(found[0], source=source, destination=destination)
        for destination, source in by_destination.items()
    ]
