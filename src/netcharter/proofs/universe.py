"""Plans as rule lists of the engine: names, people, instants and line states become numbers.

One universe can hold several plans, so that two charters are compared over the very same
attempts. The fields stand in the order FIELDS; line states come last, and with them to which places
names lead, since a count projects them out.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Hashable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from functools import cached_property
from itertools import accumulate
from typing import Literal
from zoneinfo import ZoneInfo

from netcharter.plan import coding
from netcharter.plan.coding import GUEST, NOBODY
from netcharter.plan.fate import quiet_entrances
from netcharter.plan.hours import TimeClass, holds, time_classes
from netcharter.plan.names.domains import is_below
from netcharter.plan.shapes import ByNames, Plan, Region, Row, When
from netcharter.space.model import Entry, Field, RawBox, RuleList
from netcharter.space.ranges import Ranges, full, has, intersect, ranges, size, subtract, union

FIELDS = ("entrance", "who", "time", "hardware", "source", "destination", "service", "lines", "led")
ENTRANCE, WHO, TIME, HARDWARE, SOURCE, DESTINATION, SERVICE, LINES, LED = range(len(FIELDS))
WEIGHTS: Mapping[str, Literal["size", "one", "exists"]] = {
    name: "exists" if name in ("lines", "led") else "size" for name in FIELDS
}
ABSENT: Hashable = ("absent",)
MOST_LED = 12  # places that are made of names; every set of them is a value of its own
SYMBOLS_ALL: Ranges = ((coding.SYMBOLS, coding.ADDRESS_SIZE - 1),)

Label = tuple[str, ...]

# Only services that an attempt can have are numbered, without gaps, in the order of their codes.
_NUMBERS = [0x10000 if has(coding.REAL_SERVICES, (p << 16) + 1) else 1 for p in range(256)]
_BASES = [0, *accumulate(_NUMBERS)]
SERVICE_COUNT = _BASES[-1]


def service_value(code: int) -> int:
    """The number, in a universe, of the first service from `code` (see plan.coding) on."""
    if code >= coding.SERVICE_SIZE:
        return SERVICE_COUNT
    protocol, number = code >> 16, code & 0xFFFF
    return _BASES[protocol] + min(number, _NUMBERS[protocol])


def service_code(value: int) -> int:
    """The code (see plan.coding) of a service's number in a universe."""
    protocol = bisect_right(_BASES, value) - 1
    return (protocol << 16) + value - _BASES[protocol]


def _of_family(family: int) -> Ranges:
    """All services but the other family's ICMP."""
    other = coding.ICMP6 if family == 4 else coding.ICMP
    return subtract(full(SERVICE_COUNT), ((_BASES[other], _BASES[other + 1] - 1),))


def service_codes(found: Ranges) -> Ranges:
    """A set of a universe's service numbers as codes."""
    pieces = []
    for low, high in found:
        while low <= high:
            protocol = bisect_right(_BASES, low) - 1
            last = min(high, _BASES[protocol + 1] - 1)
            pieces.append((service_code(low), service_code(last)))
            low = last + 1
    return ranges(*pieces)


def outcome_label(row: Row, region: Region, quiet: bool) -> Label:
    """What two decisions must share to have the same outcome."""
    if not row.let:
        return ("refused", "silent" if quiet else "answered")
    if row.delivery is None:
        return ("let",)
    port = row.delivery.port
    moved = any({low & 0xFFFF, high & 0xFFFF} != {port} for low, high in region.service)
    return ("let", str(row.delivery.address), str(port) if port is not None and moved else "")


def values(numbers: Iterable[int]) -> Ranges:
    """A set of single numbers as ranges."""
    return ranges(*((n, n) for n in numbers))


@dataclass(frozen=True)
class Universe:
    """The attempts and environments that exist for the plans, and their numbering."""

    plans: tuple[Plan, ...]
    now: datetime

    def local_now(self) -> datetime:
        """The present moment in the first plan's time zone."""
        return self.now.astimezone(ZoneInfo(self.plans[0].timezone))

    @cached_property
    def entrances(self) -> tuple[str, ...]:
        names = [a.name for p in self.plans for a in p.areas]
        names += [line.name for p in self.plans for line in p.lines]
        return (*dict.fromkeys(names), "gateway")

    @cached_property
    def people(self) -> tuple[str, ...]:
        names = (person.name for p in self.plans for person in p.people)
        return (NOBODY, *dict.fromkeys(names), GUEST)

    @cached_property
    def lines(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(line.name for p in self.plans for line in p.lines))

    @cached_property
    def led(self) -> tuple[ByNames, ...]:
        """The places that are made of names. Those of the same names are one; of others nothing is
        known but that what leads to one leads to all that take it in. Where these are too many, those
        that are called alike are one."""
        return tuple(self._led_places.values())

    @cached_property
    def _led_places(self) -> Mapping[Hashable, ByNames]:
        """The first place of each key."""
        known: dict[Hashable, ByNames] = {}
        for place in (one for plan in self.plans for one in plan.by_names):
            known.setdefault(self._led_key(place), place)
        return known

    def _led_key(self, place: ByNames) -> Hashable:
        return place.name if self._called_alike else frozenset(place.domains)

    @cached_property
    def _called_alike(self) -> bool:
        domains = {frozenset(one.domains) for plan in self.plans for one in plan.by_names}
        return len(domains) > MOST_LED

    @cached_property
    def hardware(self) -> tuple[int, ...]:
        """The hardware addresses that some charter knows; then come "some other" and "none"."""
        known = (h for p in self.plans for d in p.devices for h in d.hardware)
        return tuple(dict.fromkeys(known))

    @property
    def other_hardware(self) -> int:
        """The value that stands for every hardware address no charter knows."""
        return len(self.hardware)

    def hardware_values(self, found: Ranges) -> Ranges:
        """A set of hardware addresses as the universe's numbers."""
        if found not in self._hardware_cache:
            inside = [n for n, address in enumerate(self.hardware) if has(found, address)]
            local = size(intersect(found, coding.LOCAL_HARDWARE))
            inside += [self.other_hardware] if local > len(inside) else []
            inside += [self.other_hardware + 1] if has(found, coding.HARDWARE_NONE) else []
            self._hardware_cache[found] = values(inside)
        return self._hardware_cache[found]

    @cached_property
    def _hardware_cache(self) -> dict[Ranges, Ranges]:
        return {}

    @cached_property
    def times(self) -> tuple[TimeClass, ...]:
        hours = {
            f"{number}/{name}": (value, ZoneInfo(plan.timezone))
            for number, plan in enumerate(self.plans)
            for name, value in plan.hours.items()
            if name in _used_hours(plan)
        }
        untils = {
            (until, ZoneInfo(plan.timezone))
            for plan in self.plans
            for row in plan.rows
            for until in {region.when.until for region in row.regions}
            if until is not None
        }
        return time_classes(hours, sorted(untils, key=str), self.now)

    @cached_property
    def fields(self) -> tuple[Field, ...]:
        sizes = {
            "entrance": len(self.entrances),
            "who": len(self.people),
            "time": len(self.times),
            "hardware": len(self.hardware) + 2,
            "source": self._address_size,
            "destination": self._address_size,
            "service": SERVICE_COUNT,
            "lines": 1 << len(self.lines),
            "led": 1 << len(self.led),
        }
        return tuple(Field(name, sizes[name]) for name in FIELDS)

    @cached_property
    def _address_size(self) -> int:
        return coding.SYMBOLS + 2 * len(self.lines)

    @cached_property
    def boxes(self) -> tuple[RawBox, ...]:
        """Everything that exists, as disjoint boxes (model, section 2)."""
        found: list[RawBox] = []
        signing = {a.name for p in self.plans for a in p.areas if a.sign_in}
        areas = {a.name for p in self.plans for a in p.areas}
        nobody = self.who_set(frozenset({NOBODY}))
        anybody = full(len(self.people))
        for family in (4, 6):
            for names, who in ((areas & signing, anybody), (areas - signing, nobody)):
                if names:
                    found.append(self._exists(names, who, coding.LOCAL_HARDWARE, family, None))
            for line in self.lines:
                found.append(self._exists({line}, nobody, coding.NO_HARDWARE, family, line))
            found.append(self._exists({"gateway"}, nobody, coding.NO_HARDWARE, family, None))
        return tuple(part for box in found for part in self._led_parts(box))

    def _led_parts(self, box: RawBox) -> Iterator[RawBox]:
        """Names lead to the internet; elsewhere there is no place that is made of them."""
        outside = union(
            *(self.addresses(plan.internet, number) for number, plan in enumerate(self.plans))
        )
        to = box[DESTINATION]
        parts = ((intersect(to, outside), self._possible), (subtract(to, outside), ((0, 0),)))
        for where, led in parts if self.led else ((to, ((0, 0),)),):
            if where:
                yield (*box[:DESTINATION], where, *box[DESTINATION + 1 : LED], led)

    @cached_property
    def _possible(self) -> Ranges:
        """The sets of places in which an address can be."""
        within = [
            (1 << inner, 1 << outer)
            for inner, one in enumerate(self.led)
            for outer, other in enumerate(self.led)
            if inner != outer and _takes_in(other, one)
        ]
        return values(
            found
            for found in range(1 << len(self.led))
            if all(found & outer for inner, outer in within if found & inner)
        )

    def _exists(
        self, names: Iterable[str], who: Ranges, hardware: Ranges, family: int, up: str | None
    ) -> RawBox:
        addresses = self._family(family)
        states = full(1 << len(self.lines))
        if up is not None:
            bit = self.lines.index(up)
            states = values(s for s in range(1 << len(self.lines)) if s >> bit & 1)
        return (
            self.entrance_set(names),
            who,
            full(len(self.times)),
            self.hardware_values(hardware),
            addresses,
            addresses,
            _of_family(family),
            states,
            full(1),
        )

    def _family(self, family: int) -> Ranges:
        numeric = (0, coding.V6 - 1) if family == 4 else (coding.V6, coding.SYMBOLS - 1)
        automatic = {line.name for plan in self.plans for line in plan.lines if line.automatic}
        unknown = (coding.unknown(self.lines.index(name) + 1, family) for name in automatic)
        return ranges(numeric, *((code, code) for code in unknown))

    def entrance_set(self, names: Iterable[str]) -> Ranges:
        return values(self._entrance_numbers[name] for name in names)

    @cached_property
    def _entrance_numbers(self) -> Mapping[str, int]:
        return {name: number for number, name in enumerate(self.entrances)}

    def who_set(self, names: frozenset[str] | None) -> Ranges:
        """The numbers of people, NOBODY and GUEST among them; None: of all."""
        if names is None:
            return full(len(self.people))
        return values(self.people.index(name) for name in names)

    def open_classes(self, name: str, number: int = 0) -> Ranges:
        """The time classes in which hours `name` of a plan are open."""
        return self.time_set(number, When(name)) if name in _used_hours(self.plans[number]) else ()

    def until_classes(self, number: int = 0) -> Iterator[tuple[date, Ranges]]:
        """Every `until` of a plan with the classes in which it has not passed."""
        found = {
            until
            for row in self.plans[number].rows
            for until in {region.when.until for region in row.regions}
            if until is not None
        }
        for until in sorted(found):
            yield until, self.time_set(number, When(until=until))

    def time_set(self, number: int, when: When) -> Ranges:
        """The time classes in which a condition of plan `number` holds."""
        key = (number, when)
        if key not in self._time_cache:
            self._time_cache[key] = self._time_of(number, when)
        return self._time_cache[key]

    @cached_property
    def _time_cache(self) -> dict[tuple[int, When], Ranges]:
        return {}

    def _time_of(self, number: int, when: When) -> Ranges:
        if when == When():
            return full(len(self.times))
        named = replace(when, during=f"{number}/{when.during}" if when.during else None)
        zone = ZoneInfo(self.plans[number].timezone)
        return values(c.number for c in self.times if holds(named, c, zone))

    def box(self, region: Region, number: int = 0) -> RawBox | None:
        """A region of plan `number` in this universe; None if it is empty."""
        found = (
            self.entrance_set(region.entrances),
            self.who_set(region.who),
            self.time_set(number, region.when),
            self.hardware_values(region.hardware),
            self.addresses(region.source, number),
            self.addresses(region.destination, number),
            self._service(region.service),
            self._states(region.lines, number),
            self.led_set(region.led, number),
        )
        return found if all(found) else None

    def boxes_of(self, regions: Iterable[Region], number: int = 0) -> list[RawBox]:
        return [box for region in regions if (box := self.box(region, number)) is not None]

    def _service(self, found: Ranges) -> Ranges:
        if found not in self._service_cache:
            bounds = ((service_value(low), service_value(high + 1) - 1) for low, high in found)
            self._service_cache[found] = ranges(*(b for b in bounds if b[0] <= b[1]))
        return self._service_cache[found]

    @cached_property
    def _service_cache(self) -> dict[Ranges, Ranges]:
        return {coding.ANY_SERVICE: full(SERVICE_COUNT)}

    def addresses(self, found: Ranges, number: int) -> Ranges:
        """A set of plan `number`'s addresses in the universe, which numbers lines by itself."""
        if found in _WHOLE:
            return self._whole[found]
        if not found or found[-1][1] < coding.SYMBOLS:
            return found
        key = (number, found)
        if key not in self._address_cache:
            held = (joint for joint, own in self._symbols[number].items() if has(found, own))
            self._address_cache[key] = union(subtract(found, SYMBOLS_ALL), values(held))
        return self._address_cache[key]

    @cached_property
    def _address_cache(self) -> dict[tuple[int, Ranges], Ranges]:
        return {}

    @cached_property
    def _symbols(self) -> tuple[Mapping[int, int], ...]:
        """Per plan: each unknown address of the universe, and the plan's own code for it."""
        found = []
        for plan in self.plans:
            places = {line.name: place for place, line in enumerate(plan.lines)}
            own = [places.get(name, coding.SPARE) for name in self.lines]
            found.append(
                {
                    coding.SYMBOLS + 2 * joint + family: coding.SYMBOLS + 2 * place + family
                    for joint, place in enumerate(own)
                    for family in (0, 1)
                }
            )
        return tuple(found)

    def plan_addresses(self, found: Ranges, number: int) -> Ranges:
        """A set of the universe's addresses in the codes of plan `number`."""
        if not found or found[-1][1] < coding.SYMBOLS:
            return found
        own = (own for joint, own in self._symbols[number].items() if has(found, joint))
        return union(subtract(found, SYMBOLS_ALL), values(dict.fromkeys(own)))

    def plan_address(self, code: int, number: int) -> int:
        """One address of the universe in the code of plan `number`."""
        return self._symbols[number].get(code, code)

    @cached_property
    def _whole(self) -> Mapping[Ranges, Ranges]:
        return {coding.ANY4: self._family(4), coding.ANY6: self._family(6)}

    def _states(self, states: frozenset[int] | None, number: int) -> Ranges:
        if states is None:
            return full(1 << len(self.lines))
        bits = [self.lines.index(line.name) for line in self.plans[number].lines]
        return values(
            joint
            for joint in range(1 << len(self.lines))
            if sum(1 << i for i, bit in enumerate(bits) if joint >> bit & 1) in states
        )

    def led_set(self, found: frozenset[int] | None, number: int = 0) -> Ranges:
        """Sets of places that are made of names, of plan `number`, as the universe numbers them."""
        key = (number, found)
        if key not in self._led_cache:
            self._led_cache[key] = self._led_of(found, number)
        return self._led_cache[key]

    @cached_property
    def _led_cache(self) -> dict[tuple[int, frozenset[int] | None], Ranges]:
        return {}

    def _led_of(self, found: frozenset[int] | None, number: int) -> Ranges:
        whole = full(1 << len(self.led))
        if found is None:
            return whole
        keys = list(self._led_places)
        bits = [keys.index(self._led_key(one)) for one in self.plans[number].by_names]
        return values(
            joint
            for joint in range(whole[0][1] + 1)
            if sum(1 << i for i, bit in enumerate(bits) if joint >> bit & 1) in found
        )

    def led_names(self, joint: int, number: int = 0) -> tuple[str, ...]:
        """The places of plan `number` in a set of the universe."""
        held = {key for bit, key in enumerate(self._led_places) if joint >> bit & 1}
        return tuple(one.name for one in self.plans[number].by_names if self._led_key(one) in held)

    def rules(self, number: int = 0) -> RuleList:
        """The plan's decisions as one ordered list; what is absent from the plan is ABSENT."""
        quiet = quiet_entrances(self.plans[number])
        entries = [
            Entry(box, row.index, label)
            for row in self.plans[number].rows
            for region in row.regions
            for part, label in _by_manner(row, region, quiet)
            if (box := self.box(part, number)) is not None
        ]
        return RuleList(self.fields, tuple(entries), ABSENT, self.boxes)


_WHOLE = frozenset({coding.ANY4, coding.ANY6})


def _takes_in(outer: ByNames, inner: ByNames) -> bool:
    """Whether every name that leads to one place leads to the other."""
    return all(any(is_below(name, above) for above in outer.domains) for name in inner.domains)


def _used_hours(plan: Plan) -> frozenset[str]:
    rows = {region.when.during for row in plan.rows for region in row.regions}
    return frozenset(name for name in rows | {p.during for p in plan.charter.promises} if name)


def _by_manner(row: Row, region: Region, quiet: frozenset[str]) -> Iterator[tuple[Region, Label]]:
    """A region of one decision, parted where the manner of a refusal differs."""
    if row.routed:
        yield from _by_routing(region)
        return
    if row.let or row.quiet:
        yield region, outcome_label(row, region, row.quiet)
        return
    for part, silent in ((region.entrances - quiet, False), (region.entrances & quiet, True)):
        if part:
            yield replace(region, entrances=part), outcome_label(row, region, silent)


def _by_routing(region: Region) -> Iterator[tuple[Region, Label]]:
    """Routing never resets; for all but TCP that is how any refusal is answered."""
    tcp = intersect(region.service, (coding.service(coding.TCP, 0, 0xFFFF),))
    for part, how in ((tcp, "prohibited"), (subtract(region.service, tcp), "answered")):
        if part:
            yield replace(region, service=part), ("refused", how)
