"""A witness told as a sentence, with names, addresses, service, weekday and hour.

The engine's witness is the smallest point of what it found. Before it is told, each field is
exchanged for a more telling value (a named device, https, all lines up) where the very same
decision still decides it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from ipaddress import IPv4Address, IPv6Address

from netcharter.plan import coding
from netcharter.plan.coding import NOBODY, hardware_text
from netcharter.plan.fate import Manner, manner
from netcharter.plan.shapes import Plan, Row
from netcharter.plan.terms import device_addresses
from netcharter.proofs.naming import Naming, listed
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
    service_code,
    service_value,
)
from netcharter.space.checker import Checker
from netcharter.space.model import Point, RawBox
from netcharter.space.ranges import has, intersect

TELLING = ((6, 443), (6, 80), (6, 22), (17, 53), (1, 8 << 8), (58, 128 << 8))
STRANGERS = range(0x00_00_5E_00_53_01, 1 << 48)  # documentation comes first, RFC 9542 section 2.1.4


@dataclass(frozen=True, slots=True)
class Connection:
    """One witness in the charter's terms, ready to be told or written as JSON."""

    entrance: str
    who: str
    hardware: str | None
    source: str
    destination: str
    service: str
    instant: datetime
    lines_up: tuple[str, ...]
    delivered: str | None
    row: Row
    manner: Manner | None
    sentence: str
    led: tuple[str, ...] = ()  # the places made of names that lead to the destination just then

    def as_json(self) -> dict[str, object]:
        """The witness in the documented JSON shape."""
        return {
            "sentence": self.sentence,
            "entrance": self.entrance,
            "who": self.who,
            "hardware": self.hardware,
            "source": self.source,
            "destination": self.destination,
            "delivered": self.delivered,
            "service": self.service,
            "at": self.instant.isoformat(),
            "lines_up": list(self.lines_up),
            "led_by": list(self.led),
            "outcome": "let" if self.row.let else "refused",
            "manner": self.manner,
            "decided_by": row_name(self.row),
        }


@dataclass(frozen=True)
class Teller:
    """Tells points of a universe in the words of one of its plans."""

    universe: Universe
    number: int = 0

    @property
    def plan(self) -> Plan:
        return self.universe.plans[self.number]

    def connection(self, point: Point, row: Row) -> Connection:
        """The point as a connection decided by `row`."""
        plan, naming = self.plan, Naming(self.plan)
        entrance = self.universe.entrances[point[ENTRANCE]]
        hardware = hardware_value(self.universe, point)
        service = service_code(point[SERVICE])
        up = tuple(name for bit, name in enumerate(self.universe.lines) if point[LINES] >> bit & 1)
        how = None if row.let else manner(plan, row, entrance, service)
        found = Connection(
            entrance=entrance,
            who=self.universe.people[point[WHO]],
            hardware=None if hardware is None else hardware_text(hardware),
            source=self._address(point[SOURCE]),
            destination=self._address(point[DESTINATION], named=True),
            service=naming.service_full(service),
            instant=self.universe.times[point[TIME]].earliest,
            lines_up=up,
            delivered=delivered_text(row, service),
            row=row,
            manner=how,
            sentence="",
            led=self.universe.led_names(point[LED], self.number),
        )
        return replace(found, sentence=self._sentence(found, point))

    def _address(self, code: int, named: bool = False) -> str:
        """An address in words; an unknown one by its line, whichever plan knows that line."""
        naming = Naming(self.plan)
        own = self.universe.plan_address(code, self.number)
        if code >= coding.SYMBOLS and own >= coding.SYMBOLS + 2 * len(self.plan.lines):
            return f"the address of {self.universe.lines[(code - coding.SYMBOLS) // 2]}"
        return naming.address_full(own) if named else naming.address_text(own)

    def _sentence(self, found: Connection, point: Point) -> str:
        return f"{self._asked(found, point)}: {verdict_text(found.row, found.manner)}."

    def asked(self, point: Point, row: Row) -> str:
        """Who asks whom for what, and when, without what becomes of it."""
        return self._asked(self.connection(point, row), point)

    def _asked(self, found: Connection, point: Point) -> str:
        plan, naming = self.plan, Naming(self.plan)
        start = f"On {naming.instant_text(found.instant)}, {self._starter(found, point)} asks "
        delivered = f", really delivered to {found.delivered}" if found.delivered else ""
        asked = f"{found.destination}{delivered} for {found.service}{led_text(plan, found.led)}"
        missing = [name for name in self.universe.lines if name not in found.lines_up]
        verb = "is" if len(missing) == 1 else "are"
        state = f" while {listed(missing)} {verb} down" if missing else ""
        return start + asked + state

    def _starter(self, found: Connection, point: Point) -> str:
        naming = Naming(self.plan)
        if found.entrance == "gateway":
            return f"the gateway itself ({found.source})"
        if found.entrance in self.universe.lines:
            return f"someone who comes in by {found.entrance} from {found.source}"
        known = naming.hardware_name(hardware_value(self.universe, point) or 0)
        machine = known or self._by_address(point) or "an unnamed machine"
        signed = self._signed(found)
        return f"{machine} in {found.entrance} at {found.source}{signed}"

    def _by_address(self, point: Point) -> str | None:
        """The device that is known by its address only."""
        source = self.universe.plan_address(point[SOURCE], self.number)
        return next(
            (
                device.name
                for device in self.plan.devices
                if not device.hardware and has(device_addresses(device), source)
            ),
            None,
        )

    def _signed(self, found: Connection) -> str:
        signing = {a.name for p in self.universe.plans for a in p.areas if a.sign_in}
        if found.entrance not in signing:
            return ""
        return f" ({Naming(self.plan).who_text(found.who)})"


def hardware_value(universe: Universe, point: Point) -> int | None:
    """The hardware address of a point; a stranger's where it is some other one."""
    value = point[HARDWARE]
    if value < universe.other_hardware:
        return universe.hardware[value]
    return stranger(universe.hardware) if value == universe.other_hardware else None


def stranger(known: Collection[int]) -> int:
    """A hardware address that is none of the known ones."""
    return next(address for address in STRANGERS if address not in known)


def delivered_text(row: Row, service: int) -> str | None:
    """Where a translated attempt really goes: ``booking (10.40.0.10) tcp/443``."""
    if row.delivery is None:
        return None
    port = row.delivery.port if row.delivery.port is not None else service & 0xFFFF
    return f"{row.delivery.device} ({row.delivery.address}) port {port}"


def verdict_text(row: Row, how: Manner | None) -> str:
    """``let by rule 2`` or how it is refused, and by which decision."""
    if row.let:
        return f"let by {row_name(row)}"
    told = {"reset": "refused (reset)", "prohibited": "refused (prohibited)"}
    return f"{told.get(how or '', 'refused in silence')} by {row_name(row)}"


def led_text(plan: Plan, places: Collection[str]) -> str:
    """That names lead to the destination: ``, if bank.example leads there``."""
    names = [one.domains[0] for one in plan.by_names if one.name in places and one.domains]
    return f", if {listed(names)} {'leads' if len(names) == 1 else 'lead'} there" if names else ""


def row_name(row: Row) -> str:
    """How a decision is called in a sentence."""
    if row.kind in ("housekeeping", "management"):
        return f"housekeeping '{row.label}'"
    if row.kind == "sign-in":
        return "the sign-in"
    if row.kind == "default":
        return "the default"
    kind = "offer" if row.kind == "offer" else "rule"
    return row.label if row.label.startswith(f"{kind} ") else f"{kind} '{row.label}'"


def polish(
    universe: Universe, checker: Checker, point: Point, within: Sequence[RawBox], number: int = 0
) -> Point:
    """A more telling point in `within` that the same rule decides with the same outcome."""
    wanted = checker.decide(point)
    plan = universe.plans[number]

    def fits(candidate: Point) -> bool:
        inside = any(_inside(box, candidate) for box in within)
        return inside and checker.exists(candidate) and checker.decide(candidate) == wanted

    for field in (LED, LINES, WHO, HARDWARE, DESTINATION, SERVICE, SOURCE):
        for value in _better(universe, plan, field, point):
            candidate = (*point[:field], value, *point[field + 1 :])
            if value == point[field] or fits(candidate):
                point = candidate
                break
    return point


def _inside(box: RawBox, point: Point) -> bool:
    return all(has(found, value) for found, value in zip(box, point, strict=True))


def _better(universe: Universe, plan: Plan, field: int, point: Point) -> Iterator[int]:
    if field == LED:
        yield from (0, *(1 << bit for bit in range(len(universe.led)) if point[LED] >> bit & 1))
    elif field == LINES:
        yield (1 << len(universe.lines)) - 1
    elif field == WHO and universe.people[point[WHO]] != NOBODY:
        yield len(universe.people) - 1
    elif field == HARDWARE and point[HARDWARE] <= universe.other_hardware:
        yield from _telling_hardware(universe, plan, point)
    elif field == DESTINATION:
        yield from _telling_destinations(plan, point)
    elif field == SERVICE:
        yield from (service_value(coding.service(*part)[0]) for part in TELLING)
    elif field == SOURCE:
        yield from _telling_sources(universe, plan, point)


def _telling_hardware(universe: Universe, plan: Plan, point: Point) -> Iterator[int]:
    """A device that is at home here, or else a machine that nobody knows."""
    name = universe.entrances[point[ENTRANCE]]
    homes = {h: d.area for d in plan.devices for h in d.hardware}
    if point[HARDWARE] == universe.other_hardware or (
        homes.get(universe.hardware[point[HARDWARE]]) == name
    ):
        yield point[HARDWARE]
    yield universe.other_hardware


def _telling_destinations(plan: Plan, point: Point) -> Iterator[int]:
    for device in plan.devices:
        if device.lasting:
            yield from (low for low, _ in device_addresses(device))
    yield from _inside_places(plan)
    if coding.V6 <= point[DESTINATION] < coding.SYMBOLS:
        yield point[DESTINATION] + 0x10


def _inside_places(plan: Plan) -> Iterator[int]:
    for found in plan.places.values():
        yield from (low + 1 for low, high in found if high > low)


def _telling_sources(universe: Universe, plan: Plan, point: Point) -> Iterator[int]:
    name = universe.entrances[point[ENTRANCE]]
    for area in (a for a in plan.areas if a.name == name):
        yield from (min(low + 20, high) for low, high in area.hosts)
    if name in universe.lines:
        yield from (low + 1 for low, high in intersect(plan.internet, _DOCUMENTATION) if high > low)


_DOCUMENTATION = (
    *((int(IPv4Address(a)), int(IPv4Address(a)) + 255) for a in ("192.0.2.0", "198.51.100.0")),
    (coding.V6 + int(IPv6Address("2001:db8::")), coding.V6 + int(IPv6Address("2001:db8:ff::"))),
)
