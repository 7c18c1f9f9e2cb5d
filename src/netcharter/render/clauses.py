"""From ordered decisions to clauses, and from clauses to runs that one verdict map can hold.

A `Clause` is one region of one decision, seen from one entrance and narrowed to the part of the
world (`View`) that a chain is about. A `Run` is a set of clauses that match on the same fields
under the same conditions and are pairwise disjoint, so their order does not matter and one lookup
decides them all.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import cache, cached_property
from itertools import product

from netcharter.plan import coding, labels
from netcharter.plan.coding import ICMP, ICMP6, NOBODY, PORTED, REAL_SERVICES
from netcharter.plan.leading import Named, alone
from netcharter.plan.shapes import ALWAYS, Region, Row, When
from netcharter.space.ranges import Ranges, disjoint, intersect, ranges, subset

# How a service is matched: by protocol alone, protocol and port, ICMP type, ICMP type and code,
# or ("odd") an ICMP of the other family, whose type and code are read as the first port is.
SERVICE_FIELDS = ("proto", "port", "type", "code", "odd")

Box = tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class View:
    """What one chain is about: attempts of one family from one entrance, and of those a part.

    source, destination, hardware: everything that can arrive in the chain; a region that holds
    all of it needs no match.
    """

    family: int
    entrance: str
    source: Ranges
    destination: Ranges
    hardware: Ranges
    signed: bool  # people sign in here
    device_match: str  # "iifname", or "oifname" where a packet has no entrance device


@dataclass(frozen=True)
class Clause:
    """One region as a chain sees it. The sets are coded; None: the field is not matched."""

    row: Row
    family: int
    source: Ranges | None
    destination: Ranges | None
    service: Ranges | None
    service_field: str | None
    hardware: Ranges | None
    conditions: tuple[str, ...] = ()

    @cached_property
    def fields(self) -> tuple[str, ...]:
        named = (
            ("source", self.source),
            ("destination", self.destination),
            (self.service_field, self.service),
            ("hardware", self.hardware),
        )
        return tuple(name for name, value in named if name is not None and value is not None)

    @property
    def decides_all(self) -> bool:
        return not self.fields and not self.conditions

    @cached_property
    def columns(self) -> tuple[tuple[Box, ...], ...]:
        """For each matched field its pieces; a piece is one interval per part of the field."""
        columns: list[tuple[Box, ...]] = []
        if self.source is not None:
            columns.append(tuple((pair,) for pair in self.source))
        if self.destination is not None:
            columns.append(tuple((pair,) for pair in self.destination))
        if self.service is not None and self.service_field is not None:
            columns.append(_service_pieces(self.service, self.service_field))
        if self.hardware is not None:
            columns.append(tuple((pair,) for pair in self.hardware))
        return tuple(columns)

    @property
    def weight(self) -> int:
        """How many elements a verdict map needs for it."""
        weight = 1
        for found in (self.source, self.destination, self.hardware):
            weight *= 1 if found is None else len(found)
        if self.service is not None and self.service_field is not None:
            weight *= len(_service_pieces(self.service, self.service_field))
        return weight

    def boxes(self) -> Iterator[Box]:
        """Its elements in a verdict map: one interval per part of each field."""
        for pieces in product(*self.columns):
            yield tuple(pair for piece in pieces for pair in piece)

    def apart_from(self, other: Clause) -> bool:
        """Whether no attempt matches both, whatever the conditions say."""
        return any(
            mine is not None and theirs is not None and disjoint(mine, theirs)
            for mine, theirs in (
                (self.service, other.service),
                (self.destination, other.destination),
                (self.source, other.source),
                (self.hardware, other.hardware),
            )
        )


@dataclass(slots=True)
class Run:
    """Clauses of one shape, pairwise disjoint."""

    clauses: list[Clause] = field(default_factory=list)
    elements: int = 0

    @property
    def first(self) -> Clause:
        return self.clauses[0]


MAP_LIMIT = 4096  # elements of one verdict map
CLAUSE_LIMIT = 512  # a clause with more elements matches named sets instead


def clauses(rows: Iterable[Row], view: View, named: Named = ()) -> Iterator[Clause]:
    """What `rows` say within a view, in order; ends with the first that decides all the rest. named:
    the places that are made of names.

    Raises ValueError where a region cannot be told from others by a packet filter: a condition on
    line states, or some unknown addresses of lines and not others.
    """
    for row in rows:
        if row.routed:
            continue
        for region in row.regions:
            for clause in _clauses(row, region, view, named):
                yield clause
                if clause.decides_all:
                    return


def _place_of(row: Row, region: Region, named: Named) -> str | None:
    """The place that has to lead there by its names."""
    if region.led is None:
        return None
    place = alone(named, region.led)
    if place is None:
        raise ValueError(f"{row.label}: a packet filter asks for one place at a time")
    return place


def _clauses(row: Row, region: Region, view: View, named: Named) -> Iterator[Clause]:
    if view.entrance not in region.entrances:
        return
    if region.lines is not None:
        raise ValueError(f"{row.label}: a packet filter does not know which lines are up")
    source = intersect(region.source, view.source)
    destination = intersect(region.destination, view.destination)
    hardware = intersect(region.hardware, view.hardware)
    if not source or not destination or not hardware:
        return
    place = _place_of(row, region, named)
    for conditions in conditions_of(region, row.let, view, place):
        for name, service in services_of(region.service, view.family):
            yield Clause(
                row=row,
                family=view.family,
                source=_unless_all(source, view.source, row),
                destination=_unless_all(destination, view.destination, row),
                service=service,
                service_field=name,
                hardware=None if subset(view.hardware, hardware) else hardware,
                conditions=conditions,
            )


def _unless_all(found: Ranges, whole: Ranges, row: Row) -> Ranges | None:
    if subset(whole, found):
        return None
    if found[-1][1] >= coding.SYMBOLS:
        raise ValueError(f"{row.label}: unknown addresses of lines cannot be told apart")
    return found


@cache
def services_of(service: Ranges, family: int) -> tuple[tuple[str | None, Ranges | None], ...]:
    """The parts of a service set by the field that matches them; (None, None): all there is."""
    real = intersect(service, REAL_SERVICES)
    if real == REAL_SERVICES:
        return ((None, None),)
    parts: dict[str, list[tuple[int, int]]] = {name: [] for name in SERVICE_FIELDS}
    for protocol in range(256):
        low, high = coding.service(protocol, 0, 0xFFFF)
        found = intersect(real, ((low, high),))
        if not found:
            continue
        if found == intersect(REAL_SERVICES, ((low, high),)):
            parts["proto"].append((low, high))
        else:
            parts[_service_field(protocol, family, found)].extend(found)
    return tuple((name, ranges(*pairs)) for name, pairs in parts.items() if pairs)


def _service_field(protocol: int, family: int, found: Ranges) -> str:
    if protocol in PORTED:
        return "port"
    if protocol != (ICMP if family == 4 else ICMP6):
        return "odd"
    whole_types = all(low % 256 == 0 and high % 256 == 255 for low, high in found)
    return "type" if whole_types else "code"


def _service_pieces(service: Ranges, name: str) -> tuple[Box, ...]:
    if name == "proto":
        protocols = ranges(
            *((p, p) for low, high in service for p in range(low >> 16, (high >> 16) + 1))
        )
        return tuple((pair,) for pair in protocols)
    by_protocol = [
        (p, max(low, p << 16) & 0xFFFF, min(high, (p << 16) + 0xFFFF) & 0xFFFF)
        for low, high in service
        for p in range(low >> 16, (high >> 16) + 1)
    ]
    if name in ("port", "odd"):
        return tuple(((p, p), (low, high)) for p, low, high in by_protocol)
    if name == "type":
        return tuple(((low >> 8, high >> 8),) for _, low, high in by_protocol)
    return tuple(piece for _, low, high in by_protocol for piece in _types_and_codes(low, high))


def _types_and_codes(low: int, high: int) -> Iterator[Box]:
    """The interval of type * 256 + code as rectangles of types and codes."""
    first, last = low >> 8, high >> 8
    if first == last:
        yield (first, first), (low & 255, high & 255)
        return
    whole_first, whole_last = first, last
    if low & 255:
        yield (first, first), (low & 255, 255)
        whole_first += 1
    if high & 255 != 255:
        whole_last -= 1
    if whole_first <= whole_last:
        yield (whole_first, whole_last), (0, 255)
    if whole_last < last:
        yield (last, last), (0, high & 255)


def conditions_of(
    region: Region, let: bool, view: View, place: str | None = None
) -> Iterator[tuple[str, ...]]:
    """The matches for who and when, and for a place whose names have to lead there, as alternatives;
    none where nobody can fulfil them."""
    time = (time_condition(region.when, let, view.device_match),) if region.when != ALWAYS else ()
    if place is not None:
        time = (*time, where_led(view.family, place))
    if region.who is None:
        yield time
        return
    if not view.signed:
        if NOBODY in region.who:
            yield time
        return
    if NOBODY in region.who:
        yield (*time, where_signed(view.family, "!=", labels.signed_set(view.family)))
    named = region.who - {NOBODY}
    if named:
        yield (*time, where_signed(view.family, "==", labels.who_set(named, view.family)))


def where_signed(family: int, operator: str, name: str) -> str:
    """The look-up of a packet's sender in a set of those who are signed in."""
    comparison = "!= " if operator == "!=" else ""
    return f"{sender(family)} {comparison}@{name}"


def where_led(family: int, place: str) -> str:
    """The look-up of a destination among those to which the names of a place led lately."""
    return f"{'ip' if family == 4 else 'ip6'} daddr @{labels.led_set(place, family)}"


def sender(family: int) -> str:
    """Where a session is: device, address and hardware address of the sender."""
    return f"iifname . {'ip' if family == 4 else 'ip6'} saddr . ether saddr"


def time_condition(when: When, let: bool, device_match: str) -> str:
    """In force: its "open" set has the device, or for a refusal its "rest" set has it not."""
    comparison = "" if let else "!= "
    return f"{device_match} {comparison}@{labels.when_set(when, let)}"


@dataclass(frozen=True, slots=True)
class Listed:
    """The sets of addresses that are lists', each with the name under which it is in the kernel, so
    that its elements can be exchanged without anything else."""

    sets: tuple[tuple[Ranges, str], ...] = ()

    def name(self, found: Ranges | None) -> str | None:
        """What a set is called; None for one that is no list's."""
        if found is None:
            return None
        alike = (name for known, name in self.sets if len(known) == len(found) and known == found)
        return next(alike, None)

    def of(self, clause: Clause) -> bool:
        return any(self.name(one) is not None for one in (clause.source, clause.destination))


NO_LISTS = Listed()


def runs(found: Iterable[Clause], listed: Listed = NO_LISTS) -> list[Run]:
    """The clauses gathered into runs, without changing what the first match is.

    A clause joins the last run of its own shape if it overlaps nothing in that run, and in the
    runs after it nothing of another decision; otherwise it starts a new run at the end. What asks a
    list's set stands alone.
    """
    out: list[Run] = []
    for clause in found:
        target = None if listed.of(clause) else _place(clause, out, listed)
        if target is None:
            target = Run()
            out.append(target)
        target.clauses.append(clause)
        target.elements += clause.weight
    return out


def _place(clause: Clause, out: list[Run], listed: Listed) -> Run | None:
    if clause.weight > CLAUSE_LIMIT or not clause.fields:
        return None
    for run in reversed(out):
        overlapping = [other for other in run.clauses if not clause.apart_from(other)]
        if not overlapping and _alike(run, clause) and not listed.of(run.first):
            return run
        if any(other.row is not clause.row for other in overlapping):
            return None
    return None


def _alike(run: Run, clause: Clause) -> bool:
    first = run.first
    return (
        first.fields == clause.fields
        and first.conditions == clause.conditions
        and first.weight <= CLAUSE_LIMIT
        and run.elements + clause.weight <= MAP_LIMIT
    )
