"""The independent check of every certificate, on raw ranges only.

This module shares nothing with the engine: no atoms, no masks over atoms, not even the helpers for
ranges. It reads the rule list as written and asks again, in the plainest way it knows: scan the list
for a point; for a whole box, cut each field at every interval end, one field after the other.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from typing import TypeAlias

from netcharter.space.model import Point, RawBox, RuleList

_Set: TypeAlias = tuple[tuple[int, int], ...]
_Listed: TypeAlias = tuple[RawBox, bool]


def check_witness(rules: RuleList, point: Point, rule: int | None, outcome: Hashable) -> bool:
    """Whether the point exists, and `rule` (None: the default) decides it with this outcome."""
    return Checker(rules).witness(point, rule, outcome)


def check_cover(rules: RuleList, boxes: Sequence[RawBox], core: Sequence[int]) -> bool:
    """Whether all existing points of `boxes` lie in entries of the rules in `core`."""
    return Checker(rules).cover(boxes, core)


def check_minimal(rules: RuleList, boxes: Sequence[RawBox], core: Sequence[int]) -> bool:
    """Whether dropping any one rule of the core uncovers a point."""
    return Checker(rules).minimal(boxes, core)


def check_difference(
    a: RuleList, b: RuleList, box: RawBox, outcome_a: Hashable, outcome_b: Hashable
) -> bool:
    """Whether the box exists, is not empty, and every point of it has these two outcomes."""
    return _uniform(a, box, outcome_a) and _uniform(b, box, outcome_b)


def _uniform(rules: RuleList, box: RawBox, outcome: Hashable) -> bool:
    if not all(box) or _reaches(box, [(one, False) for one in rules.universe], True):
        return False
    checker = Checker(rules)
    corners = (tuple(s[0][0] for s in box), tuple(s[-1][1] for s in box))
    if any(checker.decide(corner)[1] != outcome for corner in corners):
        return False
    listed = [(entry.box, entry.outcome != outcome) for entry in rules.entries]
    return not _reaches(box, listed, rules.default != outcome)


class Checker:
    """The same checks for many certificates about one rule list.

    To be quick with many, it remembers which entries meet a box in its first fields, and goes on
    from there for the next box that begins alike. A point is a box of single values.
    """

    def __init__(self, rules: RuleList) -> None:
        self.rules = rules
        self._numbers: dict[_Set, int] = {}
        self._sets: list[_Set] = []
        self._order = _narrow_fields_first(rules)
        self._meeting: dict[tuple[int, ...], list[int]] = {(): list(range(len(rules.entries)))}
        self._listed = [self._numbered(entry.box) for entry in rules.entries]
        self._touching: dict[tuple[int, int], bool] = {}

    def exists(self, point: Point) -> bool:
        """Whether the point is in the universe."""
        return len(point) == len(self.rules.fields) and any(
            all(
                any(low <= value <= high for low, high in values)
                for values, value in zip(box, point, strict=True)
            )
            for box in self.rules.universe
        )

    def decide(self, point: Point, without: int | None = None) -> tuple[int | None, Hashable]:
        """The first match, perhaps without one rule. None stands for the default."""
        for at in self._meet(tuple(((value, value),) for value in point)):
            entry = self.rules.entries[at]
            if without is None or entry.rule != without:
                return entry.rule, entry.outcome
        return None, self.rules.default

    def witness(self, point: Point, rule: int | None, outcome: Hashable) -> bool:
        """As `check_witness`."""
        return self.exists(point) and self.decide(point) == (rule, outcome)

    def removal(self, point: Point, rule: int, outcome: Hashable, instead: Hashable) -> bool:
        """Whether `rule` decides the point so, and it comes out differently without the rule."""
        if outcome == instead or not self.witness(point, rule, outcome):
            return False
        return self.decide(point, without=rule)[1] == instead

    def cover(self, boxes: Sequence[RawBox], core: Sequence[int]) -> bool:
        """As `check_cover`."""
        wanted, entries = set(core), self.rules.entries
        for box in boxes:
            listed = [(entries[i].box, False) for i in self._meet(box) if entries[i].rule in wanted]
            if self._anywhere(box, listed, True):
                return False
        return True

    def minimal(self, boxes: Sequence[RawBox], core: Sequence[int]) -> bool:
        """As `check_minimal`."""
        return not any(self.cover(boxes, [r for r in core if r != rule]) for rule in core)

    def dead(self, rule: int, core: Sequence[int]) -> bool:
        """Whether the rules of `core`, all of them earlier, leave nothing of `rule`."""
        own = [at for at, entry in enumerate(self.rules.entries) if entry.rule == rule]
        if not own or not set(core) <= {entry.rule for entry in self.rules.entries[: own[0]]}:
            return False
        return self.cover([self.rules.entries[at].box for at in own], core)

    def shielded(
        self,
        query: Sequence[RawBox],
        accept: Callable[[int | None, Hashable], bool],
        core: Sequence[int],
    ) -> bool:
        """Whether the entries of `core` that `accept` does not take keep every point of `query`
        from being decided by one that it takes."""
        wanted, default = set(core), accept(None, self.rules.default)
        for box in query:
            listed: list[_Listed] = []
            for entry in (self.rules.entries[i] for i in self._meet(box)):
                taken = accept(entry.rule, entry.outcome)
                if taken or entry.rule in wanted:
                    listed.append((entry.box, taken))
            if self._anywhere(box, listed, default):
                return False
        return True

    def removable(self, rule: int, core: Sequence[int]) -> bool:
        """Whether `rule` can go: wherever it decides, the first of the `core` rules and of all later
        entries with another outcome gives the same outcome, or an earlier core rule decides."""
        wanted, entries = set(core), self.rules.entries
        for at, entry in enumerate(entries):
            if entry.rule != rule:
                continue
            listed: list[_Listed] = []
            for i in self._meet(entry.box):
                one = entries[i]
                other = i > at and one.outcome != entry.outcome
                if one.rule != rule and (other or one.rule in wanted):
                    listed.append((one.box, other))
                elif one.rule == rule and i < at:
                    listed.append((one.box, False))
            if self._anywhere(entry.box, listed, self.rules.default != entry.outcome):
                return False
        return True

    def _anywhere(self, box: RawBox, listed: Sequence[_Listed], default: bool) -> bool:
        for part in self.rules.universe:
            piece = _meet(box, part)
            if piece is not None and _reaches(piece, listed, default):
                return True
        return False

    def _meet(self, box: RawBox) -> list[int]:
        """The places of the entries that overlap a box, in order."""
        numbers = self._numbered(box)
        found = self._meeting[()]
        prefix: tuple[int, ...] = ()
        for f in self._order:
            prefix = (*prefix, numbers[f])
            known = self._meeting.get(prefix)
            if known is None:
                known = self._meeting[prefix] = self._filtered(found, f, numbers[f])
            found = known
        return found

    def _filtered(self, places: list[int], f: int, number: int) -> list[int]:
        found = []
        for at in places:
            pair = (number, self._listed[at][f])
            touching = self._touching.get(pair)
            if touching is None:
                touching = _touch(self._sets[pair[0]], self._sets[pair[1]])
                self._touching[pair] = touching
            if touching:
                found.append(at)
        return found

    def _numbered(self, box: RawBox) -> tuple[int, ...]:
        out = []
        for values in box:
            number = self._numbers.setdefault(values, len(self._sets))
            if number == len(self._sets):
                self._sets.append(values)
            out.append(number)
        return tuple(out)


def _narrow_fields_first(rules: RuleList) -> list[int]:
    """Fields that most entries constrain come first, those with few different sets before others."""

    def rank(f: int) -> tuple[bool, int]:
        whole = ((0, rules.fields[f].size - 1),)
        sets = [entry.box[f] for entry in rules.entries]
        return 2 * sets.count(whole) > len(sets), len(set(sets))

    return sorted(range(len(rules.fields)), key=rank)


def _touch(a: _Set, b: _Set) -> bool:
    i = j = 0
    while i < len(a) and j < len(b):
        if a[i][1] < b[j][0]:
            i += 1
        elif b[j][1] < a[i][0]:
            j += 1
        else:
            return True
    return False


def _common(a: _Set, b: _Set) -> _Set:
    if len(a) == 1 and len(b) == 1:
        low, high = max(a[0][0], b[0][0]), min(a[0][1], b[0][1])
        return ((low, high),) if low <= high else ()
    found, i, j = [], 0, 0
    while i < len(a) and j < len(b):
        low, high = max(a[i][0], b[j][0]), min(a[i][1], b[j][1])
        if low <= high:
            found.append((low, high))
        if a[i][1] <= b[j][1]:
            i += 1
        else:
            j += 1
    return tuple(found)


def _meet(a: RawBox, b: RawBox) -> RawBox | None:
    out = []
    for x, y in zip(a, b, strict=True):
        both = x if x == y else _common(x, y)
        if not both:
            return None
        out.append(both)
    return tuple(out)


def _reaches(box: RawBox, listed: Sequence[_Listed], default: bool) -> bool:
    """Whether some point of `box` has a first match in `listed` that is marked, or no match at all
    while `default` is marked. `box` must not be empty."""
    parts: list[RawBox] = []
    marks: list[bool] = []
    for other, marked in listed:
        part = _meet(box, other)
        if part is not None:
            parts.append(part)
            marks.append(marked)
            if part == box:
                break  # nothing after it is a first match here
    if not any(marks) and (not default or (parts and parts[-1] == box)):
        return False
    return _Slices(box, parts, marks, default).reaches(0, (1 << len(parts)) - 1)


class _Slices:
    """A box cut at every end of an interval, field by field; alike slices are tried once."""

    def __init__(
        self, box: RawBox, parts: Sequence[RawBox], marks: Sequence[bool], default: bool
    ) -> None:
        self.default = default
        self.marked = sum(1 << i for i, marked in enumerate(marks) if marked)
        alike = [_alike(box[f], [part[f] for part in parts]) for f in range(len(box))]
        alike.sort(key=len)
        self.slices = alike
        self.sure = [-1]  # parts that hold everything from a field on
        for found in reversed(alike):
            held = self.sure[-1]
            for signature in found:
                held &= signature
            self.sure.append(held)
        self.sure.reverse()
        self.known: dict[tuple[int, int], bool] = {}

    def reaches(self, level: int, alive: int) -> bool:
        sure = alive & self.sure[level]
        if sure:
            alive &= ((sure & -sure) << 1) - 1
        if not alive & self.marked and (sure or not self.default):
            return False
        if not alive:
            return self.default
        if sure & alive & -alive:
            return True  # the first match everywhere here, and marked, or we had left above
        found = self.known.get((level, alive))
        if found is None:
            smaller = {alive & signature for signature in self.slices[level]}
            found = any(self.reaches(level + 1, one) for one in smaller)
            self.known[level, alive] = found
        return found


def _alike(values: _Set, sets: Sequence[_Set]) -> set[int]:
    """The distinct collections of `sets` (bit per set, all within `values`) that hold some value."""
    flips: dict[int, int] = {low: 0 for low, _ in values}
    for bit, one in enumerate(sets):
        for low, high in one:
            flips[low] = flips.get(low, 0) ^ 1 << bit
            flips[high + 1] = flips.get(high + 1, 0) ^ 1 << bit
    ends = {high + 1 for _, high in values} - {low for low, _ in values}
    found: set[int] = set()
    state = 0
    for at in sorted(flips):
        state ^= flips[at]
        if at not in ends:
            found.add(state)
    return found
