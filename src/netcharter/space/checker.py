"""The independent check of every certificate, on raw ranges only.

This module and `slices` share nothing with the engine: no atoms, no masks over atoms, not even the
helpers for ranges. It reads the rule list as written and asks again, in the plainest way it knows: scan the list
for a point; for a whole box, cut each field at every interval end, one field after the other.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Sequence
from difflib import SequenceMatcher
from math import prod
from operator import eq

from netcharter.space.model import Entry, Point, RawBox, RuleList
from netcharter.space.slices import (
    Listed,
    Set,
    common,
    meet,
    meets,
    reaches,
    size,
    sure_from,
    touch,
    weighed,
)

STEPS = 20_000_000
"""Slices looked at by one check of two lists or one count, before it gives up: some ten seconds."""
MOST_PLACES, MOST_PAIRS = 4_000_000, 1_000_000
"""What one checker remembers: places of entries, and pairs of sets; together some 200 MB."""


class Unproven(Exception):
    """The check would take more work than is allowed: neither confirmed nor refuted."""


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
    return Checker(a).uniform(box, outcome_a) and Checker(b).uniform(box, outcome_b)


def check_same(
    a: RuleList,
    b: RuleList,
    within: Sequence[RawBox] | None = None,
    except_: Sequence[RawBox] = (),
    *,
    alike: Callable[[Hashable, Hashable], bool] = eq,
    steps: int = STEPS,
) -> bool:
    """Whether every existing point (of `within`, outside the boxes `except_`) has outcomes that are
    `alike` in both lists; equal ones must be. With all listed differences as `except_`: whether
    they are all there are.

    Raises ValueError if fields or universes differ, Unproven beyond `steps` of work.
    """
    if a.fields != b.fields or a.universe != b.universe:
        raise ValueError("compared lists must share their fields and their universe")
    pair = _Pair(a, b, except_, alike, steps)
    asked = a.universe if within is None else meets(a.universe, within)
    apart = pair.apart()
    if pair.same_default and len(apart) <= _FEW:
        asked = meets(asked, apart)
    return all(pair.same(region) for region in asked if all(region))


def check_nothing_else(
    rules: RuleList,
    query: Sequence[RawBox],
    pieces: Sequence[RawBox],
    accept: Callable[[int | None, Hashable], bool],
    steps: int = STEPS,
) -> bool:
    """Whether no existing point of `query` outside the `pieces` is decided as `accept` takes it.

    Raises Unproven beyond `steps` of work.
    """
    taken = tuple(
        Entry(one.box, one.rule, accept(one.rule, one.outcome))
        for one in rules.entries
        if any(meet(one.box, box) for box in query)
    )
    judged = RuleList(rules.fields, taken, accept(None, rules.default), rules.universe)
    never = RuleList(rules.fields, (), False, rules.universe)
    return check_same(judged, never, query, pieces, steps=steps)


def check_inside(boxes: Sequence[RawBox], others: Sequence[RawBox]) -> bool:
    """Whether every point of `boxes` lies in one of the others."""
    covering = [(one, False) for one in others]
    return not any(reaches(box, covering, True) for box in boxes if all(box))


def measure(boxes: Sequence[RawBox], steps: int = STEPS) -> int:
    """How many points lie in at least one of the boxes, exactly. Raises Unproven."""
    filled = [box for box in boxes if all(box)]
    return _Union(filled, steps).count(0, (1 << len(filled)) - 1) if filled else 0


def check_disjoint(boxes: Sequence[RawBox], steps: int = STEPS) -> bool:
    """Whether no two of the boxes share a point. Raises Unproven."""
    return measure(boxes, steps) == sum(prod(map(size, box)) for box in boxes)


class Checker:
    """The same checks for many certificates about one rule list.

    To be quick with many, it remembers which entries meet a box in its first fields, and goes on
    from there for the next box that begins alike. A point is a box of single values.
    """

    def __init__(self, rules: RuleList) -> None:
        self.rules = rules
        self._numbers: dict[Set, int] = {}
        self._sets: list[Set] = []
        self._order = _narrow_fields_first(rules)
        self._meeting: dict[tuple[int, ...], list[int]] = {(): list(range(len(rules.entries)))}
        self._listed = [self._numbered(entry.box) for entry in rules.entries]
        self._touching: dict[tuple[int, int], bool] = {}
        self._kept = 0
        self._places: dict[int, list[int]] = {}  # of the entries of each rule
        for at, entry in enumerate(rules.entries):
            self._places.setdefault(entry.rule, []).append(at)

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

    def uniform(self, box: RawBox, outcome: Hashable) -> bool:
        """Whether the box exists, is not empty, and every point of it has this outcome."""
        return self._throughout(box, lambda _, found: found == outcome)

    def decided(self, box: RawBox, rule: int | None, outcome: Hashable) -> bool:
        """As `uniform`, and `rule` (None: the default) decides all of it."""
        return self._throughout(box, lambda *found: found == (rule, outcome))

    def decided_inside(
        self, boxes: Sequence[RawBox], piece: RawBox, rule: int | None, outcome: Hashable
    ) -> bool:
        """As `decided` of the piece, and all of it lies in `boxes`."""
        whole = self.decided(piece, rule, outcome)
        return whole and not reaches(piece, [(one, False) for one in boxes], True)

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
        own = self._places.get(rule)
        if not own or any(self._places.get(one, own)[0] >= own[0] for one in core):
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
            listed: list[Listed] = []
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
        for at in self._places.get(rule, ()):
            entry = entries[at]
            listed: list[Listed] = []
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

    def _throughout(self, box: RawBox, right: Callable[[int | None, Hashable], bool]) -> bool:
        if not all(box) or reaches(box, [(one, False) for one in self.rules.universe], True):
            return False
        entries = (self.rules.entries[at] for at in self._meet(box))
        listed = [(one.box, not right(one.rule, one.outcome)) for one in entries]
        return not reaches(box, listed, not right(None, self.rules.default))

    def _anywhere(self, box: RawBox, listed: Sequence[Listed], default: bool) -> bool:
        for part in self.rules.universe:
            piece = meet(box, part)
            if piece is not None and reaches(piece, listed, default):
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
                known = self._filtered(found, f, numbers[f])
                self._keep(prefix, known)
            found = known
        return found

    def _keep(self, prefix: tuple[int, ...], found: list[int]) -> None:
        """Remember what meets a beginning of a box; all is forgotten where it becomes too much."""
        self._kept += len(found) + len(prefix)
        if self._kept > MOST_PLACES:
            self._meeting = {(): self._meeting[()]}
            self._kept = 0
        if len(self._touching) > MOST_PAIRS:
            self._touching.clear()
        self._meeting[prefix] = found

    def _filtered(self, places: list[int], f: int, number: int) -> list[int]:
        mine = self._sets[number]
        if not mine:
            return []
        low, high, whole = mine[0][0], mine[-1][1], len(mine) == 1
        found = []
        for at in places:
            other = self._listed[at][f]
            theirs = self._sets[other]
            if not theirs or theirs[0][0] > high or theirs[-1][1] < low:
                continue
            if (whole and len(theirs) == 1) or self._touches(number, other):
                found.append(at)
        return found

    def _touches(self, a: int, b: int) -> bool:
        known = self._touching.get((a, b))
        if known is None:
            known = self._touching[a, b] = touch(self._sets[a], self._sets[b])
        return known

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


# ---- two lists at once ----

_FEW = 24  # entries apart, up to which looking into each of them is less work than everywhere


def _woven(a: Sequence[Entry], b: Sequence[Entry]) -> Iterator[tuple[Entry, bool, bool]]:
    """Both lists in one order that respects both, with who has each; some shared entries are one."""
    numbers: dict[tuple[RawBox, Hashable], int] = {}
    one, other = (
        [numbers.setdefault((entry.box, entry.outcome), len(numbers)) for entry in entries]
        for entries in (a, b)
    )
    i = j = 0
    matcher = SequenceMatcher(None, one, other, autojunk=False)
    for at, to, length in matcher.get_matching_blocks():
        yield from ((entry, True, False) for entry in a[i:at])
        yield from ((entry, False, True) for entry in b[j:to])
        yield from ((entry, True, True) for entry in a[at : at + length])
        i, j = at + length, to + length


class _Pair:
    """Two lists woven into one numbering of bits; after it the boxes that are left aside."""

    def __init__(
        self,
        a: RuleList,
        b: RuleList,
        aside: Sequence[RawBox],
        alike: Callable[[Hashable, Hashable], bool],
        steps: int,
    ) -> None:
        woven = list(_woven(a.entries, b.entries))
        self.entries = woven
        self.boxes = [*(entry.box for entry, _, _ in woven), *aside]
        self.defaults = (a.default, b.default)
        self.alike = alike
        self.same_default = alike(a.default, b.default)
        self.left = steps
        self._numbers: dict[Set, int] = {}
        self._sets: list[Set] = []
        self._numbered = [tuple(map(self._number, box)) for box in self.boxes]
        self._clips: dict[Set, dict[int, Set]] = {}  # regions have many of their fields in common

    def _number(self, values: Set) -> int:
        number = self._numbers.setdefault(values, len(self._sets))
        if number == len(self._sets):
            self._sets.append(values)
        return number

    def apart(self) -> list[RawBox]:
        """The entries that are not shared: where no such entry is, the outcomes are the same."""
        return [entry.box for entry, in_a, in_b in self.entries if not (in_a and in_b)]

    def same(self, region: RawBox) -> bool:
        """Whether all of a region, none of it empty, has the same outcome or is left aside."""
        clipped = [self._clips.setdefault(values, {}) for values in region]
        met = [at for at, box in enumerate(self._numbered) if self._clip(region, box, clipped)]
        return _Alike(self, region, met, clipped).walk(0, (1 << len(met)) - 1)

    def _clip(
        self, region: RawBox, box: tuple[int, ...], clipped: Sequence[dict[int, Set]]
    ) -> bool:
        for values, number, known in zip(region, box, clipped, strict=True):
            both = known.get(number)
            if both is None:
                both = known[number] = common(values, self._sets[number])
            if not both:
                return False
        return True

    def owned(
        self, f: int, met: Sequence[int], clipped: Sequence[dict[int, Set]]
    ) -> list[tuple[Set, int]]:
        owners: dict[int, int] = {}
        for bit, at in enumerate(met):
            number = self._numbered[at][f]
            owners[number] = owners.get(number, 0) | 1 << bit
        return [(clipped[f][number], held) for number, held in owners.items()]


class _Alike:
    """One region of a pair, cut field by field at every end of an interval."""

    def __init__(
        self,
        pair: _Pair,
        region: RawBox,
        met: Sequence[int],
        clipped: Sequence[dict[int, Set]],
    ) -> None:
        self.pair = pair
        self.lists, self.apart, self.aside = [0, 0], 0, 0
        self.outcomes: list[dict[Hashable, int]] = [{}, {}]
        for bit, at in enumerate(met):
            if at >= len(pair.entries):
                self.aside |= 1 << bit
                continue
            entry, *sides = pair.entries[at]
            for listed, holds in enumerate(sides):
                if holds:
                    self.lists[listed] |= 1 << bit
                    mine = self.outcomes[listed]
                    mine[entry.outcome] = mine.get(entry.outcome, 0) | 1 << bit
            if not all(sides):
                self.apart |= 1 << bit
        slices = [list(weighed(region[f], pair.owned(f, met, clipped))) for f in range(len(region))]
        self.slices = sorted(slices, key=len)
        self.sure = sure_from(self.slices)
        self.known: dict[tuple[int, int], bool] = {}

    def walk(self, level: int, alive: int) -> bool:
        sure = alive & self.sure[level]
        if sure & self.aside:
            return True
        reach = [self._reach(listed, alive, sure) for listed in (0, 1)]
        if self.pair.same_default and not (reach[0] | reach[1]) & self.apart:
            return True
        one, other = (self._possible(listed, reach[listed], sure) for listed in (0, 1))
        likeness = self._likeness(one, other)
        if likeness is True:
            return True
        if likeness is False and not alive & self.aside:
            return False
        alive = reach[0] | reach[1] | alive & self.aside
        found = self.known.get((level, alive))
        if found is None:
            self.pair.left -= len(self.slices[level])
            if self.pair.left < 0:
                raise Unproven
            smaller = {alive & one for one in self.slices[level]}
            found = all(self.walk(level + 1, one) for one in smaller)
            self.known[level, alive] = found
        return found

    def _likeness(self, one: Sequence[Hashable], other: Sequence[Hashable]) -> bool | None:
        """Whether all outcomes of one list are like all of the other, or none; None if some are."""
        first = self.pair.alike(one[0], other[0])
        mixed = any(self.pair.alike(x, y) is not first for x in one for y in other)
        return None if mixed else first

    def _reach(self, listed: int, alive: int, sure: int) -> int:
        """The entries of a list that may be a first match here."""
        mine, certain = alive & self.lists[listed], sure & self.lists[listed]
        return mine & (((certain & -certain) << 1) - 1) if certain else mine

    def _possible(self, listed: int, reach: int, sure: int) -> list[Hashable]:
        """The outcomes that points here may have in a list; some of them do."""
        found = [one for one, held in self.outcomes[listed].items() if reach & held]
        return found if sure & self.lists[listed] else [*found, self.pair.defaults[listed]]


class _Union:
    """Boxes, none of them empty, cut in the same way to count what they hold together."""

    def __init__(self, boxes: Sequence[RawBox], steps: int) -> None:
        self.left = steps
        cuts: list[dict[int, int]] = []
        sizes: list[list[int]] = []
        for values in zip(*boxes, strict=True):
            owners: dict[Set, int] = {}
            for bit, one in enumerate(values):
                owners[one] = owners.get(one, 0) | 1 << bit
            ends = min(v[0][0] for v in values), max(v[-1][1] for v in values)
            found = weighed((ends,), list(owners.items()))
            found.pop(0, None)
            cuts.append(found)
            each = {one: size(one) for one in owners}
            sizes.append([each[one] for one in values])
        order = sorted(range(len(cuts)), key=lambda f: len(cuts[f]))
        self.cuts = [list(cuts[f].items()) for f in order]
        self.sure = sure_from([cuts[f] for f in order])
        self.whole, self.alone = [1], [[1] * len(boxes)]  # per level, of the fields from there on
        for f in reversed(order):
            self.whole.append(self.whole[-1] * sum(cuts[f].values()))
            self.alone.append([x * y for x, y in zip(self.alone[-1], sizes[f], strict=True)])
        self.whole.reverse()
        self.alone.reverse()
        self.known: dict[tuple[int, int], int] = {}

    def count(self, level: int, alive: int) -> int:
        if alive & self.sure[level]:
            return self.whole[level]
        if alive & (alive - 1) == 0:
            return self.alone[level][alive.bit_length() - 1] if alive else 0
        found = self.known.get((level, alive))
        if found is None:
            self.left -= len(self.cuts[level])
            if self.left < 0:
                raise Unproven
            weights: dict[int, int] = {}
            for signature, number in self.cuts[level]:
                smaller = alive & signature
                if smaller:
                    weights[smaller] = weights.get(smaller, 0) + number
            found = sum(self.count(level + 1, one) * n for one, n in weights.items())
            self.known[level, alive] = found
        return found
