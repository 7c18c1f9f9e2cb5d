"""What is proven of a plan, the naive interpreter finds in no random attempt otherwise."""

from __future__ import annotations

import pytest

from netcharter.proofs import prove
from netcharter.proofs.certify import Prover
from netcharter.proofs.universe import Universe
from netcharter.space.model import Point, Witness
from tests.oracle.compared import (
    ATTEMPTS,
    CHARTERS,
    NOW,
    Pair,
    decider,
    pair,
    plain_address,
    remember,
    told,
)
from tests.oracle.naive import Attempt, Environment, exists, fate
from tests.oracle.promises import promise_broken


def concrete(found: Pair, universe: Universe, point: Point) -> tuple[Attempt, Environment]:
    """A point of the engine as an attempt in its environment."""
    entrance, who, time, hardware, source, destination, service, lines = point
    attempt = Attempt(
        entrance=universe.entrances[entrance],
        source=plain_address(found.plan, source),
        hardware=hardware if hardware < 1 << 48 else None,
        destination=plain_address(found.plan, destination),
        protocol=service >> 16,
        number=service & 0xFFFF,
    )
    up = frozenset(name for bit, name in enumerate(universe.lines) if lines >> bit & 1)
    instant = universe.times[time].earliest
    return attempt, Environment(up, universe.people[who], instant)


@pytest.mark.parametrize("number", range(CHARTERS))
def test_a_promise_that_holds_is_broken_by_no_attempt(number: int) -> None:
    found = pair(number)
    holding = [p.number for p in prove(found.plan, NOW).promises if p.holds]
    promises = [found.site.promises[n] for n in holding if n is not None]
    for attempt, environment in found.attempts(ATTEMPTS):
        for promise in promises:
            if promise_broken(found.site, promise, attempt, environment):
                remember(found, attempt, environment)
                outcome = fate(found.site, attempt, environment)
                pytest.fail(
                    f"proven, but: {promise}\n{outcome}\n" + told(found, attempt, environment)
                )


@pytest.mark.parametrize("number", range(CHARTERS))
def test_the_witness_of_a_broken_promise_breaks_it(number: int) -> None:
    found = pair(number)
    universe = Universe((found.plan,), NOW)
    for result in prove(found.plan, NOW).promises:
        if result.point is None or result.number is None:
            continue
        attempt, environment = concrete(found, universe, result.point)
        promise = found.site.promises[result.number]
        assert promise_broken(found.site, promise, attempt, environment), (
            f"{promise}\n{fate(found.site, attempt, environment)}\n"
            + told(found, attempt, environment)
        )


@pytest.mark.parametrize("number", range(CHARTERS))
def test_the_interpreter_sees_every_decision_at_its_witness_and_no_dead_one_decide(
    number: int,
) -> None:
    found = pair(number)
    prover = Prover(found.plan, NOW)
    dead = set()
    for row in found.plan.rows:
        verdict = prover.dead.get(row.index)
        if not isinstance(verdict, Witness):
            dead.add(row.index)
            continue
        attempt, environment = concrete(found, prover.universe, verdict.point)
        assert exists(found.site, attempt, environment)
        outcome = fate(found.site, attempt, environment)
        assert outcome.decider == decider(found.plan, row), told(found, attempt, environment)
    alive = {decider(found.plan, row) for row in found.plan.rows if row.index not in dead}
    for attempt, environment in found.attempts(ATTEMPTS):
        outcome = fate(found.site, attempt, environment)
        assert outcome.decider in alive, f"{outcome}\n" + told(found, attempt, environment)
