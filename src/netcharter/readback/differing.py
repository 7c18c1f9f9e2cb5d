"""What changes between two loaded rulesets: exactly which packets fare otherwise, re-checked."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from netcharter.diagnostics.jsonshape import span_as_json
from netcharter.readback.attempts import Attempt, attempt
from netcharter.readback.points import NOWHERE, Points
from netcharter.readback.questions import origin_text
from netcharter.readback.rows import summarise
from netcharter.readback.shapes import DESTINATION, ENTRANCE, SERVICE, SOURCE, Origin, Verdict
from netcharter.readback.words import Words
from netcharter.space.certified import ProofFault, answered
from netcharter.space.checker import Unproven, check_disjoint, check_same, measure
from netcharter.space.model import RawBox
from netcharter.space.partition import compare as compare_lists

Change = Literal["opened", "closed", "altered"]
KINDS: tuple[Change, ...] = ("opened", "closed", "altered")
COUNTED = (ENTRANCE, SOURCE, DESTINATION, SERVICE)
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
    """

    same: bool
    rows: tuple[ChangeRow, ...]
    totals: Mapping[Change, int]
    complete: bool
    read: bool

    def of(self, change: Change) -> tuple[ChangeRow, ...]:
        return tuple(row for row in self.rows if row.change == change)


Deciders = tuple[int, int]
Pieces = dict[Change, list[tuple[RawBox, Deciders]]]


def difference(old: Points, new: Points, words: Words) -> Difference:
    """Every packet whose fate differs between two rulesets in one frame.

    Raises ProofFault where something does not stand up to the checker, NoAnswer where the work
    allowed does not suffice.
    """
    with answered():
        found = compare_lists(old.rules, new.rules, count_weights=old.frame.weights)
        counts = found.counts(lambda outcomes: _change(*outcomes))
        pieces: Pieces = {change: [] for change in KINDS}
        complete = True
        for (a, b), part in found.parts.items():
            change = _change(a, b)
            if change is None:
                continue
            complete = complete and part.complete(BOXES)
            for row in part.rows(BOXES):
                if row.rule_a is None or row.rule_b is None:
                    raise ProofFault("what does not exist cannot change")
                _stand_up(old, new, row.box, (row.rule_a, a), (row.rule_b, b))
                pieces[change].append((row.box, (row.rule_a, row.rule_b)))
    totals = {change: counts.get(change, 0) for change in KINDS}
    whole = complete and _nothing_else(old, new, pieces, totals)
    same = not any(totals.values())
    if same and not whole:
        raise ProofFault("that nothing changes is too much work to check again")
    rows = tuple(row for change in KINDS for row in _rows(old, new, words, change, pieces[change]))
    read = old.decisions.complete and new.decisions.complete
    return Difference(same, rows, totals, whole, read)


def _stand_up(
    old: Points, new: Points, box: RawBox, one: tuple[int, Hashable], two: tuple[int, Hashable]
) -> None:
    for points, told in ((old, one), (new, two)):
        if not points.certified.checker.decided(box, *told):
            raise ProofFault("a listed difference does not stand up to the checker")


def _nothing_else(old: Points, new: Points, pieces: Pieces, totals: Mapping[Change, int]) -> bool:
    """Re-check that nothing changes but what is listed, and the totals; False if that is too much."""
    boxes = [box for listed in pieces.values() for box, _ in listed]
    try:
        if not check_same(old.rules, new.rules, except_=boxes, alike=_alike):
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
    assert isinstance(a, Verdict) and isinstance(b, Verdict)
    if a.let != b.let:
        return "opened" if b.let else "closed"
    return "altered"


def _alike(a: Hashable, b: Hashable) -> bool:
    return _change(a, b) is None


def _rows(
    old: Points,
    new: Points,
    words: Words,
    change: Change,
    pieces: Sequence[tuple[RawBox, Deciders]],
) -> Iterator[ChangeRow]:
    keyed = [(box, (_side(old, one), _side(new, two))) for box, (one, two) in pieces]
    for told in sorted(summarise(old.frame, words, keyed), key=lambda row: -row.count):
        assert isinstance(told.key, tuple)
        (origin_a, verdict_a), (origin_b, verdict_b) = told.key
        side = old if change == "closed" else new
        yield ChangeRow(
            change,
            told.starter,
            told.to,
            told.service,
            told.when,
            told.count,
            (words.outcome(verdict_a), words.outcome(verdict_b)),
            (origin_a, origin_b),
            attempt(side, words, told.box),
        )


def _side(points: Points, number: int) -> tuple[Origin, Verdict]:
    leaf = points.leaf(number)
    return leaf.decider, leaf.verdict
