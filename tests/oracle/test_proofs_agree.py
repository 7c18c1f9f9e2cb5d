"""What is proven of a plan, the naive interpreter finds in no random attempt otherwise."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

import pytest

from netcharter.proofs import Proof, prove
from netcharter.proofs.universe import Universe, service_code
from netcharter.space.model import Point, Witness
from tests.oracle.compared import (
    ATTEMPTS,
    CHARTERS,
    NOW,
    Pair,
    both,
    corpus,
    decider,
    from_json,
    pair,
    plain_address,
    remember,
    told,
)
from tests.oracle.naive import Attempt, Environment, exists, fate
from tests.oracle.promises import promise_broken

STRANGER = 0x00_00_5E_00_53_FE  # RFC 9542 section 2.1.4; no random charter has it
NEVER_DECIDES = ("rule-never-decides", "rule-contradicted")


@lru_cache(maxsize=2)
def proof(number: int) -> Proof:
    return prove(pair(number).plan, NOW)


def concrete(found: Pair, universe: Universe, point: Point) -> tuple[Attempt, Environment]:
    """A point of the engine as an attempt in its environment."""
    entrance, who, time, machine, source, destination, service, lines, led = point
    hardware = {universe.other_hardware: STRANGER, universe.other_hardware + 1: None}
    attempt = Attempt(
        entrance=universe.entrances[entrance],
        source=plain_address(found.plan, source),
        hardware=hardware.get(machine, (*universe.hardware, None, None)[machine]),
        destination=plain_address(found.plan, destination),
        protocol=service_code(service) >> 16,
        number=service_code(service) & 0xFFFF,
    )
    up = frozenset(name for bit, name in enumerate(universe.lines) if lines >> bit & 1)
    places = frozenset(universe.led_names(led))
    return attempt, Environment(up, universe.people[who], universe.times[time].earliest, places)


def check_holding(
    found: Pair, judged: Proof, attempts: Iterable[tuple[Attempt, Environment]]
) -> None:
    """No attempt breaks a promise that is said to hold."""
    holding = [p.number for p in judged.promises if p.holds]
    promises = [found.site.promises[n] for n in holding if n is not None]
    for attempt, environment in attempts:
        for promise in promises:
            if promise_broken(found.site, promise, attempt, environment):
                remember(found, attempt, environment)
                outcome = fate(found.site, attempt, environment)
                pytest.fail(
                    f"proven, but: {promise}\n{outcome}\n" + told(found, attempt, environment)
                )


def check_witnesses(found: Pair, judged: Proof) -> None:
    """Every promise that is said to be broken has a witness that breaks it, or a reason."""
    for result in judged.promises:
        assert result.holds or result.point is not None or result.reason
        if result.number is not None and result.point is not None:
            attempt, environment = concrete(found, judged.prover.universe, result.point)
            promise = found.site.promises[result.number]
            outcome = fate(found.site, attempt, environment)
            assert promise_broken(found.site, promise, attempt, environment), (
                f"{promise}\n{outcome}\n" + told(found, attempt, environment)
            )


@pytest.mark.parametrize("entry", corpus(), ids=lambda entry: str(entry["seed"]))
def test_what_was_once_proven_wrongly_is_proven_rightly(entry: dict[str, str]) -> None:
    found = both(entry["seed"], entry["charter"])
    assert found is not None, f"the charter is not read any more:\n{entry['charter']}"
    judged = prove(found.plan, NOW)
    check_holding(found, judged, [from_json(entry["attempt"])])  # type: ignore[arg-type]
    check_witnesses(found, judged)


@pytest.mark.parametrize("number", range(CHARTERS))
def test_a_promise_that_holds_is_broken_by_no_attempt(number: int) -> None:
    check_holding(pair(number), proof(number), pair(number).attempts(ATTEMPTS))


@pytest.mark.parametrize("number", range(CHARTERS))
def test_the_witness_of_a_broken_promise_breaks_it(number: int) -> None:
    check_witnesses(pair(number), proof(number))


@pytest.mark.parametrize("number", range(CHARTERS))
def test_the_interpreter_sees_every_decision_decide_at_its_witness(number: int) -> None:
    found, prover = pair(number), proof(number).prover
    for row in found.plan.rows:
        verdict = prover.dead.get(row.index)
        if isinstance(verdict, Witness):
            attempt, environment = concrete(found, prover.universe, verdict.point)
            assert exists(found.site, attempt, environment)
            outcome = fate(found.site, attempt, environment)
            assert outcome.decider == decider(found.plan, row), (
                f"{row.label}, but {outcome}\n" + told(found, attempt, environment)
            )


@pytest.mark.parametrize("number", range(CHARTERS))
def test_no_attempt_is_decided_by_what_never_decides(number: int) -> None:
    found, judged = pair(number), proof(number)
    plan, dead = found.plan, judged.prover.dead
    spans = {f.span for f in judged.findings if f.id in NEVER_DECIDES}
    rows = [r for r in plan.rows if r.span in spans and r.kind in ("rule", "emergency", "offer")]
    live = {decider(plan, r) for r in plan.rows if isinstance(dead.get(r.index), Witness)}
    assert not live & {decider(plan, row) for row in rows if row.kind != "offer"}
    for attempt, environment in found.attempts(ATTEMPTS):
        outcome = fate(found.site, attempt, environment)
        assert outcome.decider in live, f"{outcome}\n" + told(found, attempt, environment)
