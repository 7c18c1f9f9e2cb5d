"""Which promises are about new conversations only, since `let-finish` keeps some that are open.

A proof speaks of what may begin at an instant. What began earlier goes on where a decision lets it
finish, so a promise can be met there though it holds: this says by which decision. A let does so out
of its time; a refusal within it, for what a let behind it lets.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from netcharter.plan.shapes import Plan, Row
from netcharter.proofs.boxes import shared, without
from netcharter.proofs.certify import Prover
from netcharter.proofs.promises import PromiseResult, Question, ground_of, questions
from netcharter.proofs.story import row_name

MOST = 8  # decisions that are named of one promise


@dataclass(frozen=True)
class _Open:
    """A plan as it is for conversations that are open. rows: the lets to ask about."""

    prover: Prover
    rows: tuple[Row, ...]


def with_lingering(prover: Prover, results: Sequence[PromiseResult]) -> tuple[PromiseResult, ...]:
    """The results, those of `never` and `only` with the decisions by which conversations that are
    open may go on although no new one could begin."""
    plan = prover.plan
    if all(row.finishing is None for row in plan.rows):
        return tuple(results)
    now = prover.universe.now
    asked = [_Open(Prover(changed, now), rows) for changed, rows in _as_for_open_ones(plan)]
    return tuple(
        replace(one, lingering=tuple(_lingering(plan, asked, one)))
        if one.holds and one.number is not None and one.kind in ("never", "only")
        else one
        for one in results
    )


def _as_for_open_ones(plan: Plan) -> Iterator[tuple[Plan, tuple[Row, ...]]]:
    """The plan as it is for conversations that are open already, with the lets to ask about.

    All that lets something finish at once: of two that let one attempt, the first is enough. Not so
    for offers, which lead to different places, so each is taken by itself. Behind the default, where
    they decide nothing, the decisions stand once more as they are, so that their times are told apart.
    """
    count = len(plan.rows)
    idle = tuple(replace(row, index=count + row.index) for row in plan.rows)
    every = [_for_open_ones(row, row.kind != "offer") for row in plan.rows]
    finishing = tuple(row for row in plan.rows if row.let and row.finishing is not None)
    lasting = tuple(row for row in finishing if row.kind != "offer")
    yield replace(plan, rows=(*every, *idle)), lasting
    for offer in finishing:
        if offer.kind == "offer":
            alone = [_for_open_ones(row, row is offer) for row in plan.rows]
            yield replace(plan, rows=(*alone, *idle)), (offer,)


def _for_open_ones(row: Row, lasting: bool) -> Row:
    """A decision by the time at which it counts for what is open; a refusal that lets it finish
    speaks of nothing."""
    if row.finishing is None:
        return row
    if not row.let:
        return replace(row, regions=())
    if not lasting:
        return row
    return replace(row, regions=tuple(replace(r, when=row.finishing) for r in row.regions))


def _lingering(plan: Plan, asked: Sequence[_Open], result: PromiseResult) -> Iterator[str]:
    assert result.number is not None
    promise = plan.charter.promises[result.number]
    to_ask = list(questions(plan, ground_of(plan), promise))
    refusals = [row for row in plan.rows if not row.let and row.finishing is not None]
    letting = frozenset(row.index for row in plan.rows if row.let)
    told = {
        row.index: row_name(row)
        for one in asked
        for row in (*one.rows, *refusals)
        if _keeps(one.prover, to_ask, row, letting)
    }
    names = dict.fromkeys(told[index] for index in sorted(told))
    yield from list(names)[:MOST]


def _keeps(prover: Prover, to_ask: Iterable[Question], row: Row, letting: frozenset[int]) -> bool:
    """Whether a decision keeps something open that a promise speaks of: it lets it out of its time,
    or refuses it, while another one behind it lets it."""
    now = prover.universe.boxes_of(row.regions)
    behind = frozenset(index for index in letting if index > row.index)
    for question in to_ask:
        spoken = prover.universe.boxes_of(question.regions)
        boxes = without(spoken, now) if row.let else shared(spoken, now)
        rows = question.rows & (frozenset({row.index}) if row.let else behind)
        if boxes and rows and prover.decided(boxes, rows) is not None:
            return True
    return False
