"""Decisions about names as boxes for the exact engine.

A name is a number such that a name with all below it is one stretch of numbers. The numbers stand for
the names that the decisions say, and between them for "any other name below". A list whose contents
are not known, or are too many, is a field of its own with the values "names it" and "does not name
it": any name may be in it. So what is proven covered is covered whatever the list holds.

Who asks is an area and a device of it, or somebody who is none: decisions know no other addresses. Of
two plans a device is the same by its name, whatever addresses it has; where a plan does not know it,
or does not know its addresses, it is somebody as any other there.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from zoneinfo import ZoneInfo

from netcharter.plan.fate import in_force
from netcharter.plan.hours import TimeClass, holds, time_classes
from netcharter.plan.names.entries import Entry
from netcharter.plan.names.shapes import Audience, NamesPlan, NamesRow, What
from netcharter.plan.shapes import Plan, When
from netcharter.plan.terms import device_addresses
from netcharter.space.certified import Certified
from netcharter.space.model import Entry as Placed
from netcharter.space.model import Field, RawBox, RuleList
from netcharter.space.ranges import Ranges, full, ranges, union

AREA, ASKER, TIME, NAME, LISTS = range(
    5
)  # places in a box; from LISTS on, one for each opaque list
OTHER = 0  # the asker that is no device
ABSENT: Hashable = ("absent", None)  # there is no such area
FEW = 2_000  # names of a known list that are told apart


@dataclass
class Node:
    """A name in the tree of names. low: its number; high: that of any other name below it."""

    below: dict[str, Node] = field(default_factory=dict)
    name: str = ""
    low: int = 0
    high: int = 0


class Tree:
    """Numbers for names. Those that were not told share the number of "any other below"."""

    def __init__(self, names: Iterable[str]) -> None:
        self.root = Node()
        for name in names:
            node = self.root
            for label in reversed(name.split(".")) if name else ():
                whole = f"{label}.{node.name}" if node.name else label
                node = node.below.setdefault(label, Node(name=whole))
        self.size = self._number()

    def _number(self) -> int:
        """Number every node after those before it, and leave a number for the rest below it."""
        count = 0
        waiting: list[tuple[Node, Iterator[Node]]] = [(self.root, iter(self.root.below.values()))]
        count += 1
        while waiting:
            node, rest = waiting[-1]
            following = next(rest, None)
            if following is None:
                node.high = count
                count += 1
                waiting.pop()
            else:
                following.low = count
                count += 1
                waiting.append((following, iter(following.below.values())))
        return count

    def stretch(self, name: str, itself: bool, below: bool) -> Ranges:
        """The numbers of a name that was told, of what is below it, or of both."""
        node = self.root
        for label in reversed(name.split(".")) if name else ():
            node = node.below[label]
        return ranges((node.low if itself else node.low + 1, node.high if below else node.low))


class NamesSpace:
    """The decisions about names of one plan, or of two that are compared, from an instant on.
    besides: normal names that are told apart as well."""

    def __init__(self, plans: Sequence[Plan], now: datetime, besides: Iterable[str] = ()) -> None:
        self.plans, self.now = tuple(plans), now
        self.opaque = tuple(
            dict.fromkeys(
                self.known_as(number, name)
                for number, plan in enumerate(self.plans)
                for name in plan.names.lists
                if few_entries(plan.names, name) is None
            )
        )
        said = (name for plan in self.plans for name in _named(plan.names))
        self.tree = Tree((*said, *besides))

    def known_as(self, number: int, name: str) -> str:
        """What a list of one of the plans is called here: the same, where both hold the same."""
        one, first = (self.plans[n].names.lists.get(name) for n in (number, 0))
        assert one is not None
        same = first is None or (first.text, first.said.form) == (one.text, one.said.form)
        return name if same else f"{name} (new)"

    @cached_property
    def times(self) -> tuple[TimeClass, ...]:
        """By the hours of each plan, `NUMBER/HOURS`."""
        hours, untils = {}, set()
        for number, plan in enumerate(self.plans):
            zone = ZoneInfo(plan.timezone)
            for row in plan.names.rows:
                if row.during is not None:
                    hours[f"{number}/{row.during}"] = (plan.hours[row.during], zone)
                if row.until is not None:
                    untils.add((row.until, zone))
        return time_classes(hours, sorted(untils, key=str), self.now)

    def time_set(self, number: int, when: When) -> Ranges:
        """The time classes in which a condition of a plan holds."""
        during = None if when.during is None else f"{number}/{when.during}"
        zone, there = ZoneInfo(self.plans[number].timezone), When(during, when.until)
        return ranges(*((t.number, t.number) for t in self.times if holds(there, t, zone)))

    def class_at(self, instant: datetime) -> int | None:
        """The time class that an instant belongs to for the first plan; None for one that is past."""
        plan = self.plans[0]
        truth = {
            when: in_force(plan, when, instant)
            for when in {When(row.during, row.until) for row in plan.names.rows}
        }
        for one in self.times:
            if all(in_force(plan, when, one.earliest) == true for when, true in truth.items()):
                return one.number
        return None

    @cached_property
    def areas(self) -> tuple[str, ...]:
        """By their numbers."""
        return tuple(dict.fromkeys(area.name for plan in self.plans for area in plan.areas))

    @cached_property
    def askers(self) -> tuple[str, ...]:
        """The devices that are known by their addresses, by their numbers; OTHER is none of them."""
        found = (d for plan in self.plans for d in plan.devices if device_addresses(d))
        return ("", *dict.fromkeys(device.name for device in found))

    @cached_property
    def there(self) -> Mapping[str, tuple[int, ...]]:
        """By area, who may ask there: somebody who is no device, and devices."""
        found: dict[str, dict[int, None]] = {area: {OTHER: None} for area in self.areas}
        for plan in self.plans:
            for device in plan.devices:
                if device.name in self.askers:
                    homes = self.areas if device.roams else (device.area,)
                    for area in homes:
                        found[area][self.askers.index(device.name)] = None
        return {area: tuple(sorted(askers)) for area, askers in found.items()}

    @cached_property
    def fields(self) -> tuple[Field, ...]:
        return (
            Field("area", len(self.areas)),
            Field("asker", len(self.askers)),
            Field("time", len(self.times)),
            Field("name", self.tree.size),
            *(Field(f"list {name}", 2) for name in self.opaque),
        )

    def rules(self, number: int) -> RuleList:
        """The decisions of one plan, in order."""
        whole = [full(one.size) for one in self.fields]
        universe = tuple(
            (single(place), ranges(*((n, n) for n in self.there[area])), *whole[TIME:])
            for place, area in enumerate(self.areas)
        )
        known = {area.name for area in self.plans[number].areas}
        gone = [n for n, area in enumerate(self.areas) if area not in known]
        nowhere = (ranges(*((n, n) for n in gone)), *whole[ASKER:])
        placed = [Placed(nowhere, -1, ABSENT)] if gone else []
        placed += [
            Placed(box, row.index, (row.action, row.to))
            for row in self.plans[number].names.rows
            for box in self.boxes(number, row)
        ]
        return RuleList(self.fields, tuple(placed), None, universe)

    @cached_property
    def certified(self) -> Certified:
        """The engine about the first plan, all of whose answers are re-checked."""
        return Certified(self.rules(0))

    def boxes(self, number: int, row: NamesRow) -> Iterator[RawBox]:
        """What a decision of a plan is about."""
        time = self.time_set(number, When(row.during, row.until))
        for audience in row.audience:
            area, asker = self._asking(audience)
            for name, bits in self.naming(number, row.what):
                box = (area, asker, time, name, *bits)
                if all(box):
                    yield box

    def _asking(self, audience: Audience) -> tuple[Ranges, Ranges]:
        areas = ranges(*((self.areas.index(name),) * 2 for name in audience.areas))
        if audience.source is None:
            return areas, full(len(self.askers))
        return areas, single(self.askers.index(audience.term)) if audience.source else ()

    def naming(
        self, number: int, found: Iterable[What]
    ) -> Iterator[tuple[Ranges, tuple[Ranges, ...]]]:
        """What some terms mean: names and, per opaque list, whether it names them."""
        plain: list[Ranges] = []
        either = tuple(full(2) for _ in self.opaque)
        for what in found:
            if what.name is not None:
                plain.append(self.tree.stretch(what.name, True, what.below))
            for name in what.lists:
                entries = few_entries(self.plans[number].names, name)
                if entries is None:
                    place = self.opaque.index(self.known_as(number, name))
                    named = (*either[:place], single(1), *either[place + 1 :])
                    yield full(self.tree.size), named
                else:
                    plain += [self.tree.stretch(e.name, e.itself, e.below) for e in entries]
        if plain:
            yield union(*plain), either


def single(number: int) -> Ranges:
    """The set of one number."""
    return ((number, number),)


def _named(names: NamesPlan) -> Iterator[str]:
    """All names that the decisions of a plan say, and those of lists that are told apart."""
    yield from (what.name for row in names.rows for what in row.what if what.name is not None)
    for name in names.lists:
        yield from (entry.name for entry in few_entries(names, name) or ())


def few_entries(names: NamesPlan, name: str) -> tuple[Entry, ...] | None:
    """The entries of a list that are told apart; None where it is opaque. Exceptions that a list
    makes to its own entries make it so."""
    entries = names.lists[name].entries
    if entries is None or len(entries) > FEW:
        return None
    found = tuple(entries)
    return None if any(entry.spared for entry in found) else found
