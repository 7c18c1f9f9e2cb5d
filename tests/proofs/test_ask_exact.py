"""Answers are exact: what is asked about and let lies in a piece behind a row, and nothing else.

Which attempts are asked about and which of them are let is told by the naive interpreter.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest

from netcharter.plan.shapes import Row
from netcharter.proofs.ask import Inquiry, Piece, ask, pieces
from netcharter.proofs.certify import Prover
from netcharter.proofs.universe import TIME
from netcharter.space.model import Point
from tests.oracle.compared import NOW, Pair, decider, pair, told
from tests.oracle.naive import (
    Attempt,
    Environment,
    Fate,
    fate,
    reached_by_any,
    serves,
    started_by_any,
)
from tests.oracle.site import Parts, Sentence, Site
from tests.proofs.points import Clock, lies_in, point_of

CHARTERS, INQUIRIES, ATTEMPTS = 10, 5, 400
ANYTHING: Parts = [(protocol, 0, 0xFFFF) for protocol in range(256)]
SERVICES: dict[str, Parts] = {
    "anything": ANYTHING,
    "https": [(6, 443, 443)],
    "ssh": [(6, 22, 22)],
    "dns": [(6, 53, 53), (17, 53, 53)],
    "tcp/1-1023": [(6, 1, 1023)],
}


def inquiry(site: Site, rng: Random) -> Inquiry:
    """A random question; mostly one that the charter's own sentences suggest."""
    spoken = [*site.rules, *site.offers]
    lasting = [d.name for d in site.devices.values() if d.addresses]
    starters = ["anyone", "internet", "gateway", *site.areas, *site.lines, *site.devices]
    starters += [*site.people, *(set(site.places) - site.named), *(s.who[0] for s in spoken)]
    targets = ["anywhere", "internet", "gateway", *site.areas, *lasting, *lasting, *site.places]
    who = rng.sample(starters, rng.choice((0, 1, 1, 2)))
    reach = rng.sample(targets, rng.choice((0, 1, 1, 2)) if who else 1)
    service = rng.choice([*SERVICES, "anything", "anything"])
    return Inquiry(tuple(dict.fromkeys(who)), tuple(dict.fromkeys(reach)), (service,))


def asked(site: Site, asking: Inquiry, a: Attempt, e: Environment, outcome: Fate) -> bool:
    """Is an attempt asked about, as sent or as an offer delivers it?"""
    what = [SERVICES[name] for name in asking.services]
    sentence = Sentence("", "", list(asking.who), list(asking.reach), what, None, None)
    if asking.who and not started_by_any(site, sentence, a, e):
        return False
    served = serves(what, a.protocol, a.number)
    if served and (not asking.reach or reached_by_any(site, sentence, a.destination, e.led)):
        return True
    if outcome.delivered is None:
        return False
    address, port = outcome.delivered
    served = served or serves(what, a.protocol, port)
    return served and (not asking.reach or reached_by_any(site, sentence, address))


def deciders(found: list[Piece], point: Point) -> list[Row]:
    """The rows of the pieces in which a point lies."""
    return [row for box, row in found if lies_in(box, point)]


def moment(found: list[Piece]) -> int:
    """The one time class that an answer about a moment is of."""
    classes = {box[TIME] for box, _ in found}
    assert len(classes) <= 1
    ((first, last),) = classes.pop() if classes else ((0, 0),)
    assert first == last
    return first


def check(
    found: Pair, tried: list[tuple[Attempt, Environment]], prover: Prover, asking: Inquiry
) -> tuple[int, int]:
    """Every attempt against the pieces; how many were asked about and let, and how many not."""
    listed, complete = pieces(prover, asking)
    assert complete
    clock = Clock(prover.universe, found.site)
    inside = outside = 0
    for attempt, environment in tried:
        if asking.at is not None:
            environment = replace(environment, instant=asking.at)
        outcome = fate(found.site, attempt, environment)
        time = clock.number(environment.instant) if asking.at is None else moment(listed)
        rows = deciders(listed, point_of(prover.universe, time, attempt, environment))
        said = f"{asking}\n{outcome}\n{[r.label for r in rows]}\n"
        if asked(found.site, asking, attempt, environment, outcome):
            assert [decider(found.plan, row) for row in rows] == [outcome.decider], said + told(
                found, attempt, environment
            )
            assert rows[0].let == (outcome.verdict == "let")
            inside += rows[0].let
        else:
            assert not rows, said + told(found, attempt, environment)
            outside += 1
    return inside, outside


@pytest.mark.parametrize("number", range(CHARTERS))
def test_an_attempt_is_let_exactly_if_a_piece_of_the_answer_holds_it(number: int) -> None:
    found = pair(number)
    rng = Random(f"{found.seed} inquiries")
    prover = Prover(found.plan, NOW)
    tried = found.attempts(ATTEMPTS)
    for _ in range(INQUIRIES):
        check(found, tried, prover, inquiry(found.site, rng))


@pytest.mark.parametrize("number", range(CHARTERS))
def test_at_a_moment_the_answer_is_of_that_moment(number: int) -> None:
    found = pair(number)
    rng = Random(f"{found.seed} moments")
    prover = Prover(found.plan, NOW)
    tried = found.attempts(ATTEMPTS)
    instants = [environment.instant for _, environment in tried]
    for _ in range(2):
        check(found, tried, prover, replace(inquiry(found.site, rng), at=rng.choice(instants)))


def test_what_is_tried_is_partly_asked_about_and_partly_not() -> None:
    inside = outside = 0
    for number in range(3):
        found = pair(number)
        tried, prover = found.attempts(ATTEMPTS), Prover(found.plan, NOW)
        inside += check(found, tried, prover, Inquiry(("anyone",)))[0]
        outside += check(found, tried, prover, Inquiry(("gateway",)))[1]
    assert inside and outside


@pytest.mark.parametrize("number", range(CHARTERS))
def test_every_decision_that_lets_something_asked_about_has_a_row(number: int) -> None:
    found = pair(number)
    prover = Prover(found.plan, NOW)
    for asking in (Inquiry(("anyone",)), Inquiry((), ("internet",)), Inquiry((), ("gateway",))):
        listed, _ = pieces(prover, asking)
        answer = ask(prover, asking, refused=True)
        assert answer.complete
        assert {row.span for row in answer.rows} == {row.span for _, row in listed}
        assert {row.outcome for row in answer.rows} == {
            "let" if row.let else "refused" for _, row in listed
        }
        only_let = ask(prover, asking)
        assert {row.span for row in only_let.rows} == {row.span for _, row in listed if row.let}
