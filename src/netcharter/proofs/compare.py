"""Two charters, one universe: exactly which connections change their fate."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from datetime import datetime
from math import prod
from typing import Literal

from netcharter.plan.shapes import Plan, Row
from netcharter.proofs.rows import tell
from netcharter.proofs.story import Connection, Teller, first, polish, row_name
from netcharter.proofs.universe import LINES, WEIGHTS, Universe
from netcharter.space.checker import check_difference, check_witness
from netcharter.space.model import Point, RawBox, RuleList
from netcharter.space.partition import Part
from netcharter.space.partition import compare as compare_lists
from netcharter.space.ranges import size

Change = Literal["opened", "closed", "altered"]


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """Connections that change alike, as one row."""

    change: Change
    starter: str
    to: str
    service: str
    when: str
    count: int
    before: str
    after: str
    decided_before: str
    decided_after: str
    witness: Connection

    def as_json(self) -> Mapping[str, object]:
        """The documented shape; the count is exact, as a decimal string."""
        return {
            "from": self.starter,
            "to": self.to,
            "service": self.service,
            "when": self.when,
            "count": str(self.count),
            "before": {"outcome": self.before, "decided_by": self.decided_before},
            "after": {"outcome": self.after, "decided_by": self.decided_after},
            "witness": self.witness.sentence,
            "connection": self.witness.as_json(),
        }


@dataclass(frozen=True, slots=True)
class Comparison:
    """`same` is proven. Totals are exact even where the listing was cut."""

    same: bool
    opened: tuple[ChangeRow, ...]
    closed: tuple[ChangeRow, ...]
    altered: tuple[ChangeRow, ...]
    totals: Mapping[Change, int]
    complete: bool


def compare(old: Plan, new: Plan, now: datetime, limit: int = 200) -> Comparison:
    """Every connection whose outcome differs between two plans, from `now` on."""
    universe = Universe((old, new), now)
    before, after = universe.rules(0), universe.rules(1)
    found = compare_lists(before, after, count_weights=WEIGHTS)
    rows: dict[Change, list[ChangeRow]] = {"opened": [], "closed": [], "altered": []}
    totals: dict[Change, int] = {"opened": 0, "closed": 0, "altered": 0}
    complete = True
    for (a, b), part in found.parts.items():
        change = _change(a, b)
        if change is None:
            continue
        totals[change] += part.count
        told, whole = _rows(universe, before, after, change, part, limit)
        rows[change] += told
        complete = complete and whole
    same = not any(totals.values())
    ordered = {k: tuple(sorted(v, key=lambda r: -r.count)) for k, v in rows.items()}
    return Comparison(
        same, ordered["opened"], ordered["closed"], ordered["altered"], totals, complete
    )


def _let(outcome: Hashable) -> bool:
    return isinstance(outcome, tuple) and outcome[0] == "let"


def _change(a: Hashable, b: Hashable) -> Change | None:
    if a == b:
        return None
    if _let(a) != _let(b):
        return "opened" if _let(b) else "closed"
    return "altered"


def _rows(
    universe: Universe, before: RuleList, after: RuleList, change: Change, part: Part, limit: int
) -> tuple[list[ChangeRow], bool]:
    told = [_row(universe, before, after, change, row.box) for row in part.rows(limit)]
    return told, part.complete(limit)


def _row(
    universe: Universe,
    before: RuleList,
    after: RuleList,
    change: Change,
    box: RawBox,
) -> ChangeRow:
    side = 0 if change == "closed" else 1
    lists = (before, after)
    start: Point = tuple(values[0][0] for values in box)
    point = polish(universe, lists[side], start, [box], side)
    deciders = [first(one, point) for one in lists]
    for one, (rule, outcome) in zip(lists, deciders, strict=True):
        if not check_witness(one, point, rule, outcome):
            raise AssertionError("a difference was told that the checker does not see")
    if not check_difference(before, after, box, deciders[0][1], deciders[1][1]):
        raise AssertionError("a row of a difference does not stand up to the checker")
    rows = [_decider(universe, number, rule) for number, (rule, _) in enumerate(deciders)]
    shown = rows[side]
    assert shown is not None
    text = tell(universe, box, side)
    return ChangeRow(
        change,
        text.starter,
        text.to,
        text.service,
        text.when,
        prod(size(values) for values in box[:LINES]),
        _outcome(deciders[0][1]),
        _outcome(deciders[1][1]),
        *(row_name(r) if r else "nothing: there is no such place" for r in rows),
        witness=Teller(universe, side).connection(point, shown),
    )


def _decider(universe: Universe, number: int, rule: int | None) -> Row | None:
    return None if rule is None else universe.plans[number].rows[rule]


def _outcome(outcome: Hashable) -> str:
    """An outcome in words."""
    assert isinstance(outcome, tuple)
    if outcome[0] == "absent":
        return "absent"
    if outcome[0] == "refused":
        return f"refused, {outcome[1]}"
    return "let" if len(outcome) == 1 else f"let, delivered to {outcome[1]}"
