"""Which promises are about new conversations only, since `let-finish` keeps some that are open.

A proof speaks of what may begin at an instant. What began earlier goes on where a decision lets it
finish, so a promise can be met there though it holds: this says by which decision.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from netcharter.plan.shapes import Plan, Row
from netcharter.proofs.certify import Prover
from netcharter.proofs.promises import PromiseResult, broken_by, ground_of, questions
from netcharter.proofs.story import row_name

MOST = 8  # decisions that are named of one promise


def with_lingering(prover: Prover, results: Sequence[PromiseResult]) -> tuple[PromiseResult, ...]:
    """The results, those of `never` and `only` with the decisions by which conversations that are
    open may go on although no new one could begin."""
    plan = prover.plan
    if all(row.finishing is None for row in plan.rows):
        return tuple(results)
    now = prover.universe.now
    asked = [(Prover(changed, now), rows) for changed, rows in _as_for_open_ones(plan)]
    return tuple(
        replace(one, lingering=tuple(_lingering(asked, one)))
        if one.holds and one.number is not None and one.kind in ("never", "only")
        else one
        for one in results
    )


def _as_for_open_ones(plan: Plan) -> Iterator[tuple[Plan, frozenset[int]]]:
    """The plan as it is for conversations that are open already, with the rows to ask about.

    All that lets something finish at once: of two that let one attempt, the first is enough. Not so
    for offers, which lead to different places, so each is taken by itself.
    """
    every = [_for_open_ones(row, row.kind != "offer") for row in plan.rows]
    yield replace(plan, rows=tuple(every)), frozenset(row.index for row in plan.rows if row.let)
    for offer in plan.rows:
        if offer.kind == "offer" and offer.finishing is not None:
            alone = [_for_open_ones(row, row is offer) for row in plan.rows]
            yield replace(plan, rows=tuple(alone)), frozenset({offer.index})


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


def _lingering(
    asked: Sequence[tuple[Prover, frozenset[int]]], result: PromiseResult
) -> Iterator[str]:
    told: set[str] = set()
    for prover, rows in asked:
        plan = prover.plan
        assert result.number is not None
        promise = plan.charter.promises[result.number]
        to_ask = list(questions(plan, ground_of(plan), promise))
        while len(told) < MOST and (found := broken_by(prover, to_ask, rows)) is not None:
            rows = rows - {found.row.index}
            if (name := row_name(found.row)) not in told:
                told.add(name)
                yield name
