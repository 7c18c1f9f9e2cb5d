"""Decisions about names as boxes for the exact engine.

A name is a number such that a name with all below it is one stretch of numbers. The numbers stand for
the names that the decisions say, and between them for "any other name below". A list whose contents
are not known, or are too many, is a field of its own with the values "names it" and "does not name
it": any name may be in it. So what is proven covered is covered whatever the list holds.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from zoneinfo import ZoneInfo

from netcharter.plan import coding
from netcharter.plan.hours import TimeClass, holds, time_classes
from netcharter.plan.names.entries import Entry
from netcharter.plan.names.shapes import Audience, NamesPlan, NamesRow, What
from netcharter.plan.shapes import Plan, When
from netcharter.space.certified import Certified
from netcharter.space.model import Entry as Placed
from netcharter.space.model import Field, RawBox, RuleList
from netcharter.space.ranges import Ranges, full, ranges, union

FEW = 2_000  # names of a known list that are told apart


@dataclass
class _Node:
    """A name in the tree of names. low: its number; high: the last number below it."""

    below: dict[str, _Node] = field(default_factory=dict)
    low: int = 0
    high: int = 0


class Tree:
    """Numbers for names. Those that were not told share the number of "any other below"."""

    def __init__(self, names: Iterable[str]) -> None:
        self._root = _Node()
        for name in names:
            node = self._root
            for label in reversed(name.split(".")) if name else ():
                node = node.below.setdefault(label, _Node())
        self.size = self._number()

    def _number(self) -> int:
        """Number every node after those before it, and leave a number for the rest below it."""
        count = 0
        waiting: list[tuple[_Node, Iterator[_Node]]] = [
            (self._root, iter(self._root.below.values()))
        ]
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
        node = self._root
        for label in reversed(name.split(".")) if name else ():
            node = node.below[label]
        return ranges((node.low if itself else node.low + 1, node.high if below else node.low))


class NamesSpace:
    """The decisions about names of one plan, from an instant on."""

    def __init__(self, plan: Plan, now: datetime) -> None:
        self.plan, self.names, self.now = plan, plan.names, now
        self.opaque = tuple(name for name in plan.names.lists if _small(plan.names, name) is None)
        said = (what.name for row in plan.names.rows for what in row.what if what.name is not None)
        small = (
            entry.name for name in plan.names.lists for entry in _small(plan.names, name) or ()
        )
        self.tree = Tree((*said, *small))

    @cached_property
    def times(self) -> tuple[TimeClass, ...]:
        zone = ZoneInfo(self.plan.timezone)
        rows = self.names.rows
        used = dict.fromkeys(row.during for row in rows if row.during is not None)
        hours = {name: (self.plan.hours[name], zone) for name in used}
        return time_classes(hours, {(row.until, zone) for row in rows if row.until}, self.now)

    def _time(self, row: NamesRow) -> Ranges:
        zone, when = ZoneInfo(self.plan.timezone), When(row.during, row.until)
        return ranges(*((one.number, one.number) for one in self.times if holds(when, one, zone)))

    @cached_property
    def areas(self) -> Mapping[str, int]:
        return {area.name: number for number, area in enumerate(self.plan.areas)}

    @cached_property
    def certified(self) -> Certified:
        """The engine, all of whose answers are re-checked."""
        fields = (
            Field("area", len(self.areas)),
            Field("source", coding.ADDRESS_SIZE),
            Field("time", len(self.times)),
            Field("name", self.tree.size),
            *(Field(f"list {name}", 2) for name in self.opaque),
        )
        whole = tuple(full(one.size) for one in fields)
        universe = tuple(
            (ranges((number, number)), area.hosts, *whole[2:])
            for number, area in enumerate(self.plan.areas)
            if area.hosts
        )
        placed = tuple(
            Placed(box, row.index, (row.action, row.to))
            for row in self.names.rows
            for box in self.boxes(row)
        )
        return Certified(RuleList(fields, placed, None, universe))

    def boxes(self, row: NamesRow) -> Iterator[RawBox]:
        time = self._time(row)
        for audience in row.audience:
            area, source = self._asking(audience)
            for name, bits in self._naming(row.what):
                box = (area, source, time, name, *bits)
                if all(box):
                    yield box

    def _asking(self, audience: Audience) -> tuple[Ranges, Ranges]:
        numbers = (self.areas[name] for name in audience.areas)
        everything = full(coding.ADDRESS_SIZE)
        source = everything if audience.source is None else audience.source
        return ranges(*((n, n) for n in numbers)), source

    def _naming(self, found: Iterable[What]) -> Iterator[tuple[Ranges, tuple[Ranges, ...]]]:
        """What some terms mean: names and, per opaque list, whether it names them."""
        plain: list[Ranges] = []
        either = tuple(full(2) for _ in self.opaque)
        for what in found:
            if what.name is not None:
                plain.append(self.tree.stretch(what.name, True, what.below))
            for name in what.lists:
                entries = _small(self.names, name)
                if entries is None:
                    place = self.opaque.index(name)
                    named = (*either[:place], ranges((1, 1)), *either[place + 1 :])
                    yield full(self.tree.size), named
                else:
                    plain += [self.tree.stretch(e.name, e.itself, e.below) for e in entries]
        if plain:
            yield union(*plain), either


def _small(names: NamesPlan, name: str) -> tuple[Entry, ...] | None:
    """The entries of a list that are told apart; None where it is opaque. Exceptions that a list
    makes to its own entries make it so."""
    entries = names.lists[name].entries
    if entries is None or len(entries) > FEW:
        return None
    found = tuple(entries)
    return None if any(entry.spared for entry in found) else found
