"""What changes between two loaded rulesets: exactly which packets fare otherwise, re-checked."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import prod
from typing import Literal

from netcharter.diagnostics.jsonshape import span_as_json
from netcharter.readback.attempts import Attempt, attempt
from netcharter.readback.points import NOWHERE, Frame, Points
from netcharter.readback.questions import origin_text
from netcharter.readback.rows import Told, summarise
from netcharter.readback.shapes import (
    DESTINATION,
    ENTRANCE,
    EXIT,
    HARDWARE,
    OTHER,
    OWN,
    SERVICE,
    SOURCE,
    Leaf,
    Origin,
    Verdict,
)
from netcharter.readback.words import Words
from netcharter.space.certified import NoAnswer, ProofFault, answered
from netcharter.space.checker import Checker, Unproven, check_disjoint, check_same, measure
from netcharter.space.model import RawBox, RuleList
from netcharter.space.partition import Difference as Compared
from netcharter.space.partition import compare as compare_lists
from netcharter.space.ranges import intersect, size, subtract

Change = Literal["opened", "closed", "altered"]
KINDS: tuple[Change, ...] = ("opened", "closed", "altered")
COUNTED = (ENTRANCE, SOURCE, DESTINATION, SERVICE)
FEW_HARDWARE = 16  # addresses that a row tells one by one
MOST_PROJECTED = 400  # boxes of one row that are compared pairwise
BOXES = 4000  # per pair of outcomes that are looked at for the listing


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """Packets that change alike."""

    change: Change
    starter: str
    to: str
    service: str
    when: str
    count: int
    outcomes: tuple[str, str]
    deciders: tuple[Origin, Origin]
    witness: Attempt
    counters: tuple[tuple[str, ...], tuple[str, ...]]

    def as_json(self) -> dict[str, object]:
        """The documented shape; the count is exact, as a decimal string."""
        return {
            "from": self.starter,
            "to": self.to,
            "service": self.service,
            "when": self.when,
            "count": str(self.count),
            "before": _side_json(self.outcomes[0], self.deciders[0]),
            "after": _side_json(self.outcomes[1], self.deciders[1]),
            "witness": self.witness.sentence,
        }


def _side_json(outcome: str, decider: Origin) -> dict[str, object]:
    return {
        "outcome": outcome,
        "decided_by": origin_text(decider),
        "span": span_as_json(decider.span),
    }


@dataclass(frozen=True, slots=True)
class Difference:
    """`same` is proven. Totals are exact even where the listing is not `complete`. `read`: both
    rulesets were read whole, so that nothing lies beyond what is compared.

    rows: what changes, of what was asked about; besides: what else changes, one row for each pair
    of deciders.
    """

    same: bool
    rows: tuple[ChangeRow, ...]
    totals: Mapping[Change, int]
    complete: bool
    read: bool
    besides: tuple[ChangeRow, ...] = ()

    def of(self, change: Change) -> tuple[ChangeRow, ...]:
        return tuple(row for row in self.rows if row.change == change)


Deciders = tuple[int, int]
Pieces = dict[Change, list[tuple[RawBox, Deciders]]]
Fate = tuple[Hashable, ...]  # whether it is let, and what else counts as a difference
Judging = Callable[[Verdict], Fate]


def whole_verdict(verdict: Verdict) -> Fate:
    """Every difference counts: delivery, hiding, the manner of a refusal."""
    return (verdict.let, verdict)


def let_and_delivered(verdict: Verdict) -> Fate:
    """Only whether it is let, and where it is delivered."""
    if not verdict.let:
        return (False,)
    return (True, verdict.destination, verdict.port)


@dataclass(frozen=True)
class _Pair:
    """Two rulesets in one frame, judged alike."""

    sides: tuple[Points, Points]
    lists: tuple[RuleList, RuleList]
    checkers: tuple[Checker, Checker]


def difference(
    old: Points,
    new: Points,
    words: Words,
    judging: Judging = whole_verdict,
    telling: Telling | None = None,
) -> Difference:
    """Every packet whose fate differs between two rulesets in one frame.

    telling: what is told row by row and what in sum; None: everything row by row.

    Raises ProofFault where something does not stand up to the checker, NoAnswer where the work
    allowed does not suffice.
    """
    lists = _judged(old, judging), _judged(new, judging)
    pair = _Pair((old, new), lists, (Checker(lists[0]), Checker(lists[1])))
    pieces: Pieces = {change: [] for change in KINDS}
    with answered():
        found = compare_lists(*lists, count_weights=old.frame.weights)
        counts = found.counts(lambda outcomes: _change(*outcomes))
        complete = _listed(pair, found, pieces)
    totals = {change: counts.get(change, 0) for change in KINDS}
    whole = complete and _nothing_else(pair, pieces, totals)
    same = not any(totals.values())
    if same and not whole:
        raise NoAnswer("that nothing changes is too much work to check again")
    inside, outside = (pieces, {}) if telling is None else _parted(pair, pieces, telling)
    name = _decider if telling is None else telling.name
    rows = (row for change in KINDS for row in _rows(pair, words, change, inside[change], name))
    besides = (_sums(pair, words, change, group) for (change, _), group in outside.items())
    read = old.decisions.complete and new.decisions.complete
    return Difference(same, tuple(rows), totals, whole, read, tuple(besides))


@dataclass(frozen=True, slots=True)
class Telling:
    """What of a difference is told row by row. focus: disjoint boxes; sort: for a leaf of the new
    side what it is to be summed up with, or None for a row of its own; name: what a leaf of the new
    side stands for.
    """

    focus: Sequence[RawBox]
    sort: Callable[[Leaf], Hashable]
    name: Callable[[Leaf], Hashable]


Sums = dict[tuple[Change, Hashable], list[tuple[RawBox, Deciders]]]


def _parted(pair: _Pair, pieces: Pieces, telling: Telling) -> tuple[Pieces, Sums]:
    """The pieces that are told row by row, and the others by what they are summed up with."""
    rows: Pieces = {change: [] for change in KINDS}
    sums: Sums = {}
    for change, listed in pieces.items():
        for box, deciders in listed:
            leaf = pair.sides[1].leaf(deciders[1])
            sort = telling.sort(leaf)
            rest = [box]
            for one in telling.focus if sort is None else ():
                met = tuple(map(intersect, box, one))
                if all(met):
                    rows[change].append((met, deciders))
                    rest = [part for left in rest for part in without(left, one)]
            for part in rest:
                key = (change, telling.name(leaf) if sort is None else sort)
                sums.setdefault(key, []).append((part, deciders))
    return rows, sums


def without(box: RawBox, other: RawBox) -> Iterator[RawBox]:
    """The part of a box that is not in another one, as disjoint boxes."""
    before = box
    if not all(map(intersect, box, other)):
        yield box
        return
    for place, values in enumerate(other):
        rest = subtract(before[place], values)
        if rest:
            yield (*before[:place], rest, *before[place + 1 :])
        common = intersect(before[place], values)
        before = (*before[:place], common, *before[place + 1 :])


def _sums(
    pair: _Pair, words: Words, change: Change, group: Sequence[tuple[RawBox, Deciders]]
) -> ChangeRow:
    """One row for all of a group, with an exact count and one packet."""
    old, new = pair.sides
    boxes = [tuple(box[place] for place in COUNTED) for box, _ in group]
    try:
        count = measure(boxes)
    except Unproven:
        count = max(prod(map(size, box)) for box in boxes)
    sample, (one, two) = min(group, key=lambda piece: _oddity(old, piece[0]))
    side, number = (old, one) if change == "closed" else (new, two)
    told = next(iter(summarise(old.frame, words, [(_led(side, sample, number), None)])))
    return _change_row(pair, words, change, replace(told, count=count, key=(one, two)), sample)


def _oddity(points: Points, box: RawBox) -> tuple[bool, int]:
    """What makes a box a bad example: that nobody outside starts, that it holds little."""
    names = points.frame.named(box[ENTRANCE])
    odd = not set(names) - {OWN, OTHER, "lo"}
    return odd, -prod(size(box[place]) for place in COUNTED)


def _judged(points: Points, judging: Judging) -> RuleList:
    """The rule list of a ruleset with what counts of its verdicts as outcomes."""
    entries = tuple(
        replace(entry, outcome=judging(points.leaf(entry.rule).verdict))
        for entry in points.rules.entries
    )
    return replace(points.rules, entries=entries)


def _listed(pair: _Pair, found: Compared, pieces: Pieces) -> bool:
    """Sort the boxes that differ into `pieces`; whether they are all there are."""
    complete = True
    for (a, b), part in found.parts.items():
        change = _change(a, b)
        if change is None:
            continue
        complete = complete and part.complete(BOXES)
        for row in part.rows(BOXES):
            rules = row.rule_a, row.rule_b
            for checker, rule, outcome in zip(pair.checkers, rules, (a, b), strict=True):
                if rule is None or not checker.decided(row.box, rule, outcome):
                    raise ProofFault("a listed difference does not stand up to the checker")
            assert row.rule_a is not None and row.rule_b is not None
            pieces[change].append((row.box, (row.rule_a, row.rule_b)))
    return complete


def _nothing_else(pair: _Pair, pieces: Pieces, totals: Mapping[Change, int]) -> bool:
    """Re-check that nothing changes but what is listed, and the totals; False if that is too much."""
    boxes = [box for listed in pieces.values() for box, _ in listed]
    try:
        if not check_same(*pair.lists, except_=boxes, alike=_alike):
            raise ProofFault("something changes that is not listed")
        if not check_disjoint(boxes):
            raise ProofFault("listed differences overlap")
        for change, listed in pieces.items():
            held = measure([tuple(box[place] for place in COUNTED) for box, _ in listed])
            if held != totals[change]:
                raise ProofFault("a total of a comparison does not stand up to the checker")
    except Unproven:
        return False
    return True


def _change(a: Hashable, b: Hashable) -> Change | None:
    if NOWHERE in (a, b) or a == b:
        return None
    assert isinstance(a, tuple) and isinstance(b, tuple)
    if a[0] != b[0]:
        return "opened" if b[0] else "closed"
    return "altered"


def _alike(a: Hashable, b: Hashable) -> bool:
    return _change(a, b) is None


def _decider(leaf: Leaf) -> Hashable:
    return leaf.decider


def _rows(
    pair: _Pair,
    words: Words,
    change: Change,
    pieces: Sequence[tuple[RawBox, Deciders]],
    name: Callable[[Leaf], Hashable],
) -> Iterator[ChangeRow]:
    """What changes alike as few rows, those of most packets first.

    Hardware addresses, source ports and conditions stand in a row only where they are few: a packet
    that changes under some of them counts once.
    """
    side = pair.sides[0 if change == "closed" else 1]
    groups: dict[Hashable, list[tuple[RawBox, Deciders]]] = {}
    for box, deciders in pieces:
        leaf, after = pair.sides[0].leaf(deciders[0]), pair.sides[1].leaf(deciders[1])
        few = box[HARDWARE] if _singled_out(box) else None
        key = (leaf.decider, name(after), after.verdict.destination, after.verdict.port, few)
        groups.setdefault(key, []).append((box, deciders))
    keyed = [
        (_led(side, box, deciders[change != "closed"]), key)
        for key, group in groups.items()
        for box, deciders in _projected(side.frame, group)
    ]
    for told in sorted(summarise(side.frame, words, keyed), key=lambda row: -row.count):
        sample, deciders = _sample(told, groups[told.key])
        yield _change_row(pair, words, change, replace(told, key=deciders), sample)


def _sample(told: Told, group: Sequence[tuple[RawBox, Deciders]]) -> tuple[RawBox, Deciders]:
    """The part of a group's first box that a row stands for, and who decides it."""
    for box, deciders in group:
        met = tuple(
            intersect(values, mine) if place in COUNTED else values
            for place, (values, mine) in enumerate(zip(box, told.box, strict=True))
        )
        if all(met):
            return met, deciders
    raise ProofFault("a row that stands for no difference")


def _singled_out(box: RawBox) -> bool:
    """Does a box speak of some hardware addresses, with any sources?"""
    return size(box[HARDWARE]) <= FEW_HARDWARE < size(box[SOURCE])


def _projected(
    frame: Frame, group: Sequence[tuple[RawBox, Deciders]]
) -> Iterator[tuple[RawBox, Deciders]]:
    """The boxes of a group without what does not count, disjoint again."""
    kept: list[RawBox] = []
    for box, deciders in group:
        few = _singled_out(box)
        wide = tuple(
            values if place in COUNTED or place == EXIT or (place == HARDWARE and few) else whole
            for place, (values, whole) in enumerate(zip(box, frame.everything, strict=True))
        )
        rest = [wide]
        for before in kept if len(kept) <= MOST_PROJECTED else ():
            shadow = (*before[:EXIT], wide[EXIT], *before[EXIT + 1 :])
            rest = [part for left in rest for part in without(left, shadow)]
        kept += rest
        yield from ((part, deciders) for part in rest)


def _change_row(pair: _Pair, words: Words, change: Change, told: Told, sample: RawBox) -> ChangeRow:
    """A row in words. told.key: the leaves that decide before and after."""
    assert isinstance(told.key, tuple)
    old, new = pair.sides
    before, after = old.leaf(told.key[0]), new.leaf(told.key[1])
    side = old if change == "closed" else new
    return ChangeRow(
        change,
        told.starter,
        told.to,
        told.service,
        told.when,
        told.count,
        (words.outcome(before.verdict), words.outcome(after.verdict)),
        (before.decider, after.decider),
        attempt(side, words, sample),
        (before.counters, after.counters),
    )


def _led(points: Points, box: RawBox, number: int) -> RawBox:
    """The box with the exits by which its packets leave on the side in whose words it is told."""
    return (*box[:EXIT], points.exits_of(box, number), *box[EXIT + 1 :])


@dataclass(frozen=True, slots=True)
class _Side:
    """Who decides, how, and what it counts."""

    decider: Origin
    verdict: Verdict
    counters: tuple[str, ...]


def _side(points: Points, number: int) -> _Side:
    leaf = points.leaf(number)
    return _Side(leaf.decider, leaf.verdict, leaf.counters)
