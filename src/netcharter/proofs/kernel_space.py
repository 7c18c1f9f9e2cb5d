"""The attempts over which plan and kernel are compared: one entrance and one family at a time.

Beside the plan's fields stand two that only a kernel knows: the device by which a packet leaves and
the source port. Line states are none of them: a packet filter does not know which lines are up.
Addresses, hardware addresses and services are taken as they are coded, so that nothing a kernel
could tell apart is lumped together. Each condition that nobody knows is a field of two values more:
what is said of all attempts is then said whatever it may be.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from netcharter.plan import coding
from netcharter.plan.coding import ANY_HARDWARE, LOCAL_HARDWARE, NO_HARDWARE, NOBODY
from netcharter.plan.shapes import Plan
from netcharter.proofs.kernel_ways import ELSEWHERE, ITSELF, LOOP, arriving, devices, sent
from netcharter.proofs.loaded import Loaded
from netcharter.proofs.universe import Universe, values
from netcharter.space.model import Field, RawBox
from netcharter.space.ranges import Ranges, full, intersect, ranges, subtract

FIELDS = ("who", "time", "hardware", "source", "destination", "service", "exit", "port", "led")
WHO, TIME, HARDWARE, SOURCE, DESTINATION, SERVICE, EXIT, PORT, LED = range(len(FIELDS))

GATEWAY = "gateway"
PORTS: Ranges = full(1 << 16)
PORTED: Ranges = ranges(*(coding.service(p, 0, 0xFFFF) for p in coding.PORTED))
TCP: Ranges = (coding.service(coding.TCP, 0, 0xFFFF),)


@dataclass(frozen=True, slots=True)
class Way:
    """An entrance as the kernel knows it: `name` of the area or line or GATEWAY, or "" where the
    charter knows no such entrance; its device; what hardware addresses can be there.
    """

    name: str
    device: str
    hardware: Ranges
    signing: bool = False


@dataclass(frozen=True, slots=True)
class Slice:
    """All attempts of one family by one entrance, as boxes that do not overlap.

    unknown: the conditions that have a field, in the order of these fields, after FIELDS.
    """

    way: Way
    family: int
    fields: tuple[Field, ...]
    addresses: Ranges  # every address of the family
    universe: tuple[RawBox, ...] = ()
    unknown: tuple[str, ...] = ()

    def box(self, **narrowed: Ranges) -> RawBox | None:
        """All of the slice's values, but for the fields that are named; None if it is empty."""
        found = tuple(narrowed.get(field.name, field_all(field)) for field in self.fields)
        return found if all(found) else None

    def knowing(self, unknown: Sequence[str]) -> Slice:
        """The same attempts, under every value of these conditions."""
        fields = tuple(Field(f"unknown {n}", 2) for n in range(len(unknown)))
        both = (full(2),) * len(unknown)
        return replace(
            self,
            fields=(*self.fields, *fields),
            universe=tuple((*box, *both) for box in self.universe),
            unknown=tuple(unknown),
        )


def field_all(field: Field) -> Ranges:
    """All values of a field."""
    return full(field.size)


class Space:
    """The numbering of people, times and exits, and the slices."""

    def __init__(
        self, universe: Universe, loaded: Sequence[Loaded], gone: Iterable[int] = ()
    ) -> None:
        self.universe = universe
        self.gone = values(gone)
        self.plan: Plan = universe.plans[0]
        mine = devices(self.plan)
        self.exits = (ITSELF, ELSEWHERE, *mine)
        named = {name for leaf in loaded for name in leaf.entrances}
        self.foreign = sorted((named - {ITSELF, LOOP, *mine}) | {ELSEWHERE})
        self.ports = any(leaf.port != PORTS for leaf in loaded)

    @cached_property
    def ways(self) -> tuple[Way, ...]:
        """Every entrance of the charter, and every other device that the kernel tells apart."""
        areas = (
            Way(area.name, area.device, LOCAL_HARDWARE, area.sign_in) for area in self.plan.areas
        )
        # No decision knows hardware addresses at a line, and whatever is there must not matter.
        lines = (Way(line.name, line.device, ANY_HARDWARE) for line in self.plan.lines)
        others = (Way("", device, ANY_HARDWARE) for device in self.foreign)
        return (*areas, *lines, Way(GATEWAY, ITSELF, NO_HARDWARE), *others)

    @cached_property
    def slices(self) -> tuple[Slice, ...]:
        return tuple(self._slice(way, family) for way in self.ways for family in (4, 6))

    def _slice(self, way: Way, family: int) -> Slice:
        sizes = {
            "who": len(self.universe.people),
            "time": len(self.universe.times),
            "hardware": coding.HARDWARE_SIZE,
            "source": coding.ADDRESS_SIZE,
            "destination": coding.ADDRESS_SIZE,
            "service": coding.SERVICE_SIZE,
            "exit": len(self.exits),
            "port": 1 << 16 if self.ports else 1,
            "led": 1 << len(self.universe.led),
        }
        fields = tuple(Field(name, sizes[name]) for name in FIELDS)
        empty = Slice(way, family, fields, self._family(family))
        return replace(empty, universe=tuple(self._exists(empty)))

    def _exists(self, where: Slice) -> Iterator[RawBox]:
        way = where.way
        everybody = full(len(self.universe.people))
        who = everybody if way.signing else self.universe.who_set(frozenset({NOBODY}))
        ways = sent(self.plan) if way.name == GATEWAY else arriving(self.plan)
        for destination, led, names in self._led(ways):
            for service, port in self._services(where.family):
                box = where.box(
                    who=who,
                    hardware=way.hardware,
                    source=where.addresses,
                    destination=intersect(destination, where.addresses),
                    service=service,
                    exit=self.exit_set(names),
                    port=port,
                    led=led,
                )
                if box is not None:
                    yield box

    def _led(
        self, ways: Iterable[tuple[Ranges, Iterable[str]]]
    ) -> Iterator[tuple[Ranges, Ranges, Iterable[str]]]:
        """Names lead to the internet alone."""
        internet, whole = self.plan.internet, full(1 << len(self.universe.led))
        for destination, names in ways:
            if not self.universe.led:
                yield destination, whole, names
                continue
            yield intersect(destination, internet), whole, names
            yield subtract(destination, internet), full(1), names

    def _services(self, family: int) -> list[tuple[Ranges, Ranges]]:
        """Every service but the other family's ICMP, with the source ports there are."""
        other = coding.ICMP6 if family == 4 else coding.ICMP
        services = subtract(coding.REAL_SERVICES, (coding.service(other, 0, 0xFFFF),))
        if not self.ports:
            return [(services, full(1))]
        with_port = intersect(services, PORTED)
        return [(with_port, PORTS), (subtract(services, with_port), full(1))]

    def _family(self, family: int) -> Ranges:
        numeric = (0, coding.V6 - 1) if family == 4 else (coding.V6, coding.SYMBOLS - 1)
        unknown = (
            coding.unknown(line.number, family) for line in self.plan.lines if line.automatic
        )
        return subtract(ranges(numeric, *((code, code) for code in unknown)), self.gone)

    def exit_set(self, names: Iterable[str]) -> Ranges:
        """The numbers of exits; a name that is no exit here counts for nothing."""
        return values(self._numbers[name] for name in names if name in self._numbers)

    @cached_property
    def _numbers(self) -> Mapping[str, int]:
        found = {name: number for number, name in enumerate(self.exits)}
        return {**found, LOOP: found[ITSELF]}  # what the gateway sends to itself goes by LOOP

    @cached_property
    def out(self) -> Ranges:
        """The exits that are lines."""
        return self.exit_set(line.device for line in self.plan.lines)
