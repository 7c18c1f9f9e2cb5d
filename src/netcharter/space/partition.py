"""What changes between two rule lists, and what happens to all of a query: exact partitions.

Two lists that share most entries can differ only where an entry lies that they do not share. The
longest common subsequence of entries (equal box, equal outcome) becomes one numbering, and the
diagram stops wherever no unshared entry is alive any more: a one-edit difference of two long lists
costs what the edited box costs.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import islice
from typing import cast

from netcharter.space.diagram import BUDGET, Diagram, Parts, Path, Weight, merged
from netcharter.space.model import Entry, Point, RawBox, RuleList
from netcharter.space.ranges import Ranges, disjoint

Outcomes = tuple[Hashable, Hashable]
_Change = tuple[int | None, Hashable, int | None, Hashable]
_Decision = tuple[int | None, Hashable]
_FEW = 24


@dataclass(frozen=True, slots=True)
class Row:
    """A box every point of which is decided so in either list (rule None: the default)."""

    box: RawBox
    rule_a: int | None
    outcome_a: Hashable
    rule_b: int | None
    outcome_b: Hashable


@dataclass(frozen=True, slots=True)
class Part:
    """All points that change from one outcome to another. `count` is exact, in the weights asked
    for; `witness` is one of the points, decided by `rule_a` in one list and `rule_b` in the other.
    """

    count: int
    witness: Point
    rule_a: int | None
    rule_b: int | None
    outcomes: Outcomes
    _diagram: Diagram = field(repr=False, compare=False)

    def rows(self, limit: int) -> list[Row]:
        """At most `limit` disjoint boxes, merged where they agree in all fields but one. Together
        they are all of the part if `complete(limit)`."""
        paths, _ = self._paths(limit)
        return [Row(self._diagram.raw(masks), *cast(_Change, label)) for masks, label in paths]

    def complete(self, limit: int) -> bool:
        """Whether `rows(limit)` leaves nothing out."""
        return self._paths(limit)[1]

    def _paths(self, limit: int) -> tuple[list[Path], bool]:
        return _capped(self._diagram, partial(_changes, self.outcomes), limit)


@dataclass(frozen=True, slots=True)
class Difference:
    """Where two lists differ: by pairs (outcome in a, outcome in b), unequal ones only."""

    parts: dict[Outcomes, Part]
    _diagram: Diagram = field(repr=False, compare=False)
    _weights: Sequence[Weight] = field(repr=False, compare=False)

    def counts(self, group: Callable[[Outcomes], Hashable]) -> dict[Hashable, int]:
        """Exact counts per group of changes. A point that changes in several ways of one group,
        told apart by fields counted as "exists" only, counts once."""
        return self._diagram.counts(
            self._weights, lambda label: group(cast(Outcomes, _outcomes(label)))
        )

    @property
    def same(self) -> bool:
        """Proven: no existing point (of the focus) has different outcomes."""
        return not self.parts


@dataclass(frozen=True, slots=True)
class Piece:
    """A box decided as a whole by one rule (None: the default)."""

    box: RawBox
    rule: int | None
    outcome: Hashable


@dataclass(frozen=True, slots=True)
class Survey:
    """What happens to all of a query. `pieces` are disjoint and, if `complete`, cover its existing
    points exactly; `counts` is exact in any case, by (rule or None, outcome).
    """

    pieces: tuple[Piece, ...]
    counts: dict[tuple[int | None, Hashable], int]
    complete: bool


@dataclass(frozen=True, slots=True)
class Share:
    """What one rule really decides: exact `count`, and disjoint `boxes`, all of them if `complete`."""

    count: int
    boxes: tuple[RawBox, ...]
    complete: bool


def compare(
    a: RuleList,
    b: RuleList,
    *,
    focus: Sequence[RawBox] | None = None,
    count_weights: Mapping[str, Weight] | None = None,
    budget: int = BUDGET,
) -> Difference:
    """The exact difference of two lists with the same fields and universe.

    `count_weights` says per field name how points are counted: "size" (the default) every value;
    "one" each class of values once, a class being an atom over all sets of both lists, of the
    universe and of `focus`; "exists" once if there is any value. `focus` leaves out all points
    outside its boxes. Raises ValueError if fields or universes differ, OverBudget if the work
    exceeds `budget`.
    """
    if a.fields != b.fields or a.universe != b.universe:
        raise ValueError("compared lists must share their fields and their universe")
    weights: list[Weight] = [(count_weights or {}).get(one.name, "size") for one in a.fields]
    entries = _woven(a.entries, b.entries)
    if a.default == b.default:
        entries = _near_differences(entries)
    parts = _parts(a, focus, entries, a.default == b.default)
    named = [_joint(f, weights[f], a, b, focus) for f in range(len(a.fields))]
    first = len(parts.boxes) - len(entries)

    def label(bits: tuple[int | None, ...]) -> Hashable:
        bit_a, bit_b = bits
        one = None if bit_a is None else entries[bit_a - first][0]
        other = None if bit_b is None else entries[bit_b - first][1]
        outcome_a = a.default if one is None else one.outcome
        outcome_b = b.default if other is None else other.outcome
        if outcome_a == outcome_b:
            return None
        return (one and one.rule, outcome_a, other and other.rule, outcome_b)

    order = sorted(range(len(weights)), key=lambda f: weights[f] == "exists")
    diagram = Diagram(a.fields, parts, label, order=order, named=named, budget=budget)
    counts = diagram.counts(weights, _outcomes)
    found: dict[Outcomes, Part] = {}
    for outcomes, count in counts.items():
        point, who = diagram.smallest(partial(_changes, outcomes))
        rule_a, before, rule_b, after = cast(_Change, who)
        found[before, after] = Part(count, point, rule_a, rule_b, (before, after), diagram)
    return Difference(found, diagram, weights)


def survey(
    rules: RuleList,
    query: Sequence[RawBox],
    *,
    limit: int,
    count_weights: Mapping[str, Weight] | None = None,
    budget: int = BUDGET,
) -> Survey:
    """Who decides what of `query`: at most `limit` merged pieces, and exact counts.

    Weights as in `compare`. Raises OverBudget if the work exceeds `budget`.
    """
    weights: list[Weight] = [(count_weights or {}).get(one.name, "size") for one in rules.fields]
    diagram = _decisions(rules, query, None, weights, budget)
    paths, complete = _capped(diagram, lambda label: True, limit)
    pieces = tuple(Piece(diagram.raw(masks), *cast(_Decision, who)) for masks, who in paths)
    counts = diagram.counts(weights, lambda label: label)
    return Survey(pieces, cast(dict[_Decision, int], counts), complete)


def share(rules: RuleList, rule: int, *, limit: int, budget: int = BUDGET) -> Share:
    """The part of one rule that it really decides: all existing points where it is first.

    Raises OverBudget if the work exceeds `budget`.
    """
    own = [at for at, entry in enumerate(rules.entries) if entry.rule == rule]
    if not own:
        raise KeyError(rule)
    upto = replace(rules, entries=rules.entries[: own[-1] + 1])
    query = [rules.entries[at].box for at in own]
    diagram = _decisions(upto, query, rule, ["size"] * len(rules.fields), budget)
    paths, complete = _capped(diagram, lambda label: True, limit)
    counts = diagram.counts(["size"] * len(rules.fields), lambda label: rule)
    return Share(counts.get(rule, 0), tuple(diagram.raw(masks) for masks, _ in paths), complete)


def _decisions(
    rules: RuleList,
    query: Sequence[RawBox],
    only: int | None,
    weights: Sequence[Weight],
    budget: int,
) -> Diagram:
    """The diagram of (rule or None, outcome) over a query; with `only`, of that rule's own part."""
    entries = [entry for entry in rules.entries if _meets_any(entry.box, query)]
    parts = _parts(rules, query, [(entry, entry) for entry in entries], None)
    named = [_joint(f, weights[f], rules, rules, query) for f in range(len(weights))]
    first = len(parts.boxes) - len(entries)

    def label(bits: tuple[int | None, ...]) -> Hashable:
        entry = None if bits[0] is None else entries[bits[0] - first]
        if only is not None:
            return only if entry is not None and entry.rule == only else None
        return (None, rules.default) if entry is None else (entry.rule, entry.outcome)

    alone = Parts(parts.boxes, parts.required, parts.lists[:1])
    order = sorted(range(len(weights)), key=lambda f: weights[f] == "exists")
    return Diagram(rules.fields, alone, label, order=order, named=named, budget=budget)


def _outcomes(label: Hashable) -> Hashable:
    _, before, _, after = cast(_Change, label)
    return before, after


def _changes(outcomes: Hashable, label: Hashable) -> bool:
    return _outcomes(label) == outcomes


def _capped(
    diagram: Diagram, wanted: Callable[[Hashable], bool], limit: int
) -> tuple[list[Path], bool]:
    most = 1000 + 20 * limit  # merging needs more than it returns
    raw = list(islice(diagram.paths(wanted), most + 1))
    paths = merged(raw[:most])
    return paths[:limit], len(raw) <= most and len(paths) <= limit


Woven = tuple[Entry | None, Entry | None]


def _woven(a: Sequence[Entry], b: Sequence[Entry]) -> list[Woven]:
    """Both lists in one order that respects both, shared entries paired."""
    out: list[Woven] = []
    i = j = 0
    for at, other in [*_common(a, b), (len(a), len(b))]:
        out.extend((entry, None) for entry in a[i:at])
        out.extend((None, entry) for entry in b[j:other])
        if at < len(a):
            out.append((a[at], b[other]))
        i, j = at + 1, other + 1
    return out


def _common(a: Sequence[Entry], b: Sequence[Entry]) -> list[tuple[int, int]]:
    """A longest common subsequence of entries, as pairs of places, where the n-th of several equal
    entries pairs only with the n-th: the longest increasing sequence of partners."""
    places: dict[tuple[RawBox, Hashable], list[int]] = {}
    for j in range(len(b) - 1, -1, -1):
        places.setdefault((b[j].box, b[j].outcome), []).append(j)
    tails: list[int] = []  # smallest last partner of an increasing sequence of each length
    links: list[tuple[int, int, int]] = []  # (place in a, place in b, previous link)
    heads: list[int] = []
    for i, entry in enumerate(a):
        waiting = places.get((entry.box, entry.outcome))
        if not waiting:
            continue
        j = waiting.pop()
        length = bisect_left(tails, j)
        previous = heads[length - 1] if length else -1
        links.append((i, j, previous))
        tails[length : length + 1] = [j]
        heads[length : length + 1] = [len(links) - 1]
    pairs: list[tuple[int, int]] = []
    at = heads[-1] if heads else -1
    while at >= 0:
        i, j, at = links[at]
        pairs.append((i, j))
    return pairs[::-1]


def _near_differences(entries: list[Woven]) -> list[Woven]:
    """Only those that overlap an unshared entry, if looking is worth while."""
    apart = [(one or other) for one, other in entries if one is None or other is None]
    boxes = [entry.box for entry in apart if entry is not None]
    if len(boxes) > _FEW:
        return entries
    return [pair for pair in entries if _meets_any(_box(pair), boxes)]


def _box(pair: Woven) -> RawBox:
    entry = pair[0] or pair[1]
    if entry is None:
        raise AssertionError("a woven pair holds at least one entry")
    return entry.box


def _meets_any(box: RawBox, others: Iterable[RawBox]) -> bool:
    return any(
        not any(x is not y and disjoint(x, y) for x, y in zip(box, other, strict=True))
        for other in others
    )


def _parts(
    rules: RuleList, region: Sequence[RawBox] | None, entries: Sequence[Woven], same: bool | None
) -> Parts:
    boxes: list[RawBox] = [*rules.universe, *(region or ())]
    required = [(1 << len(rules.universe)) - 1]
    if region is not None:
        required.append(((1 << len(region)) - 1) << len(rules.universe))
    lists, differing = [0, 0], 0
    for bit, pair in enumerate(entries, len(boxes)):
        for which, entry in enumerate(pair):
            if entry is not None:
                lists[which] |= 1 << bit
            else:
                differing |= 1 << bit
    boxes.extend(_box(pair) for pair in entries)
    return Parts(boxes, required, lists, differing if same else None)


def _joint(
    f: int, weight: Weight, a: RuleList, b: RuleList, focus: Sequence[RawBox] | None
) -> list[Ranges]:
    """The sets that make the classes of a field that is counted by classes."""
    if weight != "one":
        return []
    boxes = [*(entry.box for rules in (a, b) for entry in rules.entries), *a.universe]
    return [box[f] for box in [*boxes, *(focus or ())]]
