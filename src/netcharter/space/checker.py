"""The independent check of every certificate, on raw ranges only.

This module shares nothing with the engine: no atoms, no masks over atoms, not even the helpers for
ranges. It reads the rule list as written and asks again, in the plainest way it knows: scan the list
for a point; for a whole box, cut each field at every interval end, one field after the other.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from typing import TypeAlias

from netcharter.space.model import Point, RawBox, RuleList

_Set: TypeAlias = tuple[tuple[int, int], ...]
_Tests: TypeAlias = tuple[tuple[int, _Set], ...]
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
    """The same checks for many certificates about one rule list."""

    def __init__(self, rules: RuleList) -> None:
        self.rules = rules
        whole = [((0, field.size - 1),) for field in rules.fields]
        self._tests: list[_Tests] = [
            tuple((f, s) for f, s in enumerate(entry.box) if s != whole[f])
            for entry in rules.entries
        ]
        self._universe: list[_Tests] = [tuple(enumerate(box)) for box in rules.universe]

    def exists(self, point: Point) -> bool:
        """Whether the point is in the universe."""
        return len(point) == len(self.rules.fields) and any(
            _holds(tests, point) for tests in self._universe
        )

    def decide(self, point: Point, without: int | None = None) -> tuple[int | None, Hashable]:
        """The first match, scanning from the top, perhaps without one rule."""
        for tests, entry in zip(self._tests, self.rules.entries, strict=True):
            for f, values in tests:
                value = point[f]
                for low, high in values:
                    if low <= value <= high:
                        break
                else:
                    break
            else:
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
        wanted = set(core)
        listed = [(entry.box, False) for entry in self.rules.entries if entry.rule in wanted]
        return not self._anywhere(boxes, listed, True)

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
        wanted, listed = set(core), []
        for entry in self.rules.entries:
            taken = accept(entry.rule, entry.outcome)
            if taken or entry.rule in wanted:
                listed.append((entry.box, taken))
        return not self._anywhere(query, listed, accept(None, self.rules.default))

    def removable(self, rule: int, core: Sequence[int]) -> bool:
        """Whether `rule` can go: wherever it decides, the first of the `core` rules and of all later
        entries with another outcome gives the same outcome, or an earlier core rule decides."""
        wanted, entries = set(core), self.rules.entries
        for at, entry in enumerate(entries):
            if entry.rule != rule:
                continue
            listed = [(e.box, False) for e in entries[:at] if e.rule in wanted or e.rule == rule]
            for later in entries[at + 1 :]:
                other = later.outcome != entry.outcome
                if later.rule != rule and (other or later.rule in wanted):
                    listed.append((later.box, other))
            if self._anywhere([entry.box], listed, self.rules.default != entry.outcome):
                return False
        return True

    def _anywhere(
        self, boxes: Iterable[RawBox], listed: Sequence[_Listed], default: bool
    ) -> bool:
        for box in boxes:
            for part in self.rules.universe:
                piece = _meet(box, part)
                if piece is not None and _reaches(piece, listed, default):
                    return True
        return False


def _holds(tests: _Tests, point: Point) -> bool:
    return all(any(low <= point[f] <= high for low, high in values) for f, values in tests)


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
            return bool(alive & -alive & self.marked)
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
