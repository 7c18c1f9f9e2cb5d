"""The leaves of a ruleset by the rule that decides, in an order in which the first that fits decides.

A rule in a chain that several others lead to decides at several places. Its leaves make one group
as long as nothing between them says the opposite of the same packets, else several.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from heapq import heappop, heappush

from netcharter.readback.listing import Name
from netcharter.readback.points import Points
from netcharter.readback.shapes import Origin
from netcharter.readback.structure import Structure
from netcharter.space.certified import NoAnswer
from netcharter.space.model import Covered
from netcharter.space.ranges import intersect

NOWHERE = 1 << 30


@dataclass(slots=True)
class Group:
    """What one rule decides at one place. needed: whether it would be missed: it lets something, or
    refuses what a later rule lets.
    """

    origin: Origin
    leaves: list[int] = field(default_factory=list)
    before: set[int] = field(default_factory=set)  # groups that must come before
    needed: bool = False


class Ordering:
    """The leaves of one ruleset that are worth telling."""

    def __init__(self, points: Points, structure: Structure) -> None:
        self.points = points
        self.structure = structure
        self._group_of: dict[int, int] = {}
        self._missed: set[int] = set()

    def groups(self) -> Iterator[Group]:
        """The groups that are needed: in the order of the listing, where packets allow that."""
        groups = self._grouped()
        after: dict[int, list[int]] = {}
        missing = {at: len(group.before) for at, group in enumerate(groups)}
        for at, group in enumerate(groups):
            for earlier in group.before:
                after.setdefault(earlier, []).append(at)
        ready: list[tuple[tuple[int, ...], int]] = []
        for at, group in enumerate(groups):
            if not missing[at]:
                heappush(ready, (self._place(group.origin), at))
        while ready:
            _, at = heappop(ready)
            if groups[at].needed:
                yield groups[at]
            for later in after.get(at, ()):
                missing[later] -= 1
                if not missing[later]:
                    heappush(ready, (self._place(groups[later].origin), later))

    def _grouped(self) -> list[Group]:
        """All groups, those that are met first before those that are met later."""
        groups: list[Group] = []
        last: dict[Origin, int] = {}
        for number in self.points.boxes:
            leaf = self.points.leaf(number)
            if not leaf.decider.chain:
                continue
            if isinstance(self.points.certified.dead_rule(number), Covered):
                continue
            contested = [n for n in self._opposed(number) if self._decides(n, number)]
            against = {self._group_of[n] for n in contested}
            at = last.get(leaf.decider)
            if at is None or any(other > at for other in against):
                at = last[leaf.decider] = len(groups)
                groups.append(Group(leaf.decider))
            self._group_of[number] = at
            groups[at].leaves.append(number)
            groups[at].before |= against
            if leaf.verdict.let:
                self._missed |= {number, *contested}
        for group in groups:
            group.needed = not self._missed.isdisjoint(group.leaves)
        return groups

    def _opposed(self, number: int) -> Iterator[int]:
        """The earlier leaves that say the opposite of one, of packets that both may fit."""
        let = self.points.leaf(number).verdict.let
        for other in self.points.certified.engine.overlapping(number):
            if other >= number:
                return
            if other in self._group_of and self.points.leaf(other).verdict.let != let:
                yield other

    def _decides(self, earlier: int, later: int) -> bool:
        """Does the earlier of two leaves decide anything that the later one fits?"""
        boxes = self.points.boxes
        shared = tuple(map(intersect, boxes[earlier], boxes[later]))
        try:
            return self.points.certified.decided([shared], frozenset({earlier})) is not None
        except NoAnswer:
            return True

    def is_missed(self, number: int) -> bool:
        """Does a leaf let something, or refuse what a later one would let?"""
        return number in self._missed

    def _place(self, origin: Origin) -> tuple[int, ...]:
        """Where a rule stands among all: as packets come to it from its base chain."""
        name = (origin.family, origin.table, origin.chain)
        return (*self._ways.get(name, (NOWHERE,)), origin.number or NOWHERE)

    @cached_property
    def _ways(self) -> Mapping[Name, tuple[int, ...]]:
        """For each chain the places of the rules that first lead there, after that of its base."""
        found: dict[Name, tuple[int, ...]] = {}
        waiting: list[tuple[Name, tuple[int, ...]]] = [
            ((base.family, base.table, base.name), (number,))
            for number, base in enumerate(self.structure.bases)
        ]
        while waiting:
            name, way = waiting.pop(0)
            if name not in found:
                found[name] = way
                for place, (rule, to) in enumerate(self.structure.calls.get(name, ())):
                    waiting.append((to, (*way, rule.number, place)))
        return found
