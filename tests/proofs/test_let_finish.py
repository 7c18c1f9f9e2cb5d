"""`let-finish`: what is open at the bell goes on, and nothing else; promises say so.

The other witness is a naive reading of the model (tests/oracle/finishing.py), asked for every
conversation of a small universe at several instants; nothing outside the project says what this
word means.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from functools import cache
from ipaddress import ip_address
from itertools import product

import pytest

from netcharter.plan import labels
from netcharter.plan.shapes import Plan
from netcharter.proofs import prove
from netcharter.proofs.conversations import (
    Around,
    Conversation,
    Ends,
    Neighbour,
    decided_again,
)
from netcharter.tasks.enacting.again import closed
from tests.oracle.compared import addresses
from tests.oracle.finishing import stays
from tests.oracle.naive import (
    Attempt,
    Environment,
    exists,
    is_open,
    reached_by_any,
    serves,
    started_by_any,
)
from tests.oracle.site import Address, Sentence, Site, prepare
from tests.proofs.sites import NOW, charter, planned

DESK, SPARE, STRANGER = 0x0200_00AA_0001, 0x0200_00AA_0002, 0x0200_00BB_0009
AREAS = """
  home: {device: eth1, prefix: 10.1.0.0/24}
  yard: {device: eth2, prefix: 10.2.0.0/24}
  club: {device: eth3, prefix: 10.3.0.0/24, sign-in: required}
"""
DEVICES = """
  desk: {area: home, hardware: 02:00:00:aa:00:01, address: 10.1.0.5}
  spare: {area: home, hardware: 02:00:00:aa:00:02, address: 10.1.0.6}
  shop: {area: yard, hardware: 02:00:00:aa:00:03, address: 10.2.0.5}
  mill: {area: yard, hardware: 02:00:00:aa:00:04, address: 10.2.0.6}
"""
HOURS = """
  day: {weekly: {daily: "08:00-16:00"}}
  evening: {weekly: {daily: "16:00-22:00"}, let-finish: true}
  night: {weekly: {daily: "22:00-08:00"}}
"""
RULES = """
  - {refuse: spare, reach: internet, with: http, during: day}
  - {refuse: spare, reach: internet, with: https, during: day, let-finish: true}
  - {let: desk, reach: internet, with: https, during: day, let-finish: true}
  - {let: desk, reach: internet, with: http, during: day}
  - {let: home, reach: yard, with: ssh, during: evening}
  - {let: spare, reach: internet, with: [http, https]}
  - {let: desk, reach: yard, with: http, during: evening, until: 2026-11-02}
  - {let: desk, reach: yard, with: https, until: 2026-11-02, let-finish: true}
  - {let: desk, reach: bank, with: ssh, during: evening, let-finish: false}
  - {let: wardens, reach: bank, with: ssh, during: evening}
  - {refuse: home, reach: bank, with: imaps, during: night}
  - {let: home, reach: bank, with: imaps, during: evening}
  - {let: desk, reach: gateway, with: http, during: day, let-finish: true, emergency: false}
"""
OFFERS = """
  - {offer: https, on: dsl, to: shop, during: day, let-finish: true}
  - {offer: https, on: dsl, to: mill, during: night, let-finish: true}
  - {offer: https, on: dsl, to: shop, at: 8443, during: night}
  - {offer: https, on: dsl, to: mill, at: 8443, let-finish: true, during: day}
"""
TIMES = [NOW + timedelta(hours=h) for h in (0, 5, 8, 14, 20, 24, 32, 39)]


@cache
def site() -> tuple[Plan, Site]:
    text = charter(areas=AREAS, devices=DEVICES, hours=HOURS, rules=RULES, offers=OFFERS)
    plan = planned(text)
    return plan, prepare(text, addresses(plan))


def tried() -> Iterator[tuple[str, int | None, Conversation]]:
    """Conversations with where they came in, and with which hardware address."""
    starts = (
        ("home", DESK, "10.1.0.5"),
        ("home", SPARE, "10.1.0.6"),
        ("home", STRANGER, "10.1.0.77"),
        ("club", STRANGER, "10.3.0.9"),
        ("dsl", None, "9.9.9.9"),
    )
    goals = ("9.9.9.8", "198.51.100.65", "10.2.0.5", "203.0.113.10", "10.1.0.1")
    inner = (None, ("10.2.0.5", 443), ("10.2.0.6", 443))
    for (entrance, hardware, source), to, port, really in product(
        starts, goals, (22, 80, 443, 993, 8443), inner
    ):
        if really is not None and to != "203.0.113.10":
            continue
        a, b = ip_address(source), ip_address(to)
        there, at = (ip_address(really[0]), really[1]) if really else (b, port)
        mark = labels.LINE_MASK & 1 if entrance == "dsl" else 0
        sent, answered = Ends(a, b, (40000, port)), Ends(there, a, (at, 40000))
        yield entrance, hardware, Conversation(6, sent, answered, mark)


DEVICE = {"home": "eth1", "club": "eth3"}


@pytest.mark.parametrize("who", ["", "rowan"])
@pytest.mark.parametrize("instant", TIMES, ids=lambda at: f"{at:%d-%H}")
def test_what_stays_is_what_a_naive_reading_of_the_model_lets_stay(
    instant: datetime, who: str
) -> None:
    plan, naive = site()
    ends = {"cut": 0, "kept": 0}
    for entrance, hardware, one in tried():
        person = who if entrance == "club" else ""
        known = {"home": True, "club": True}.get(entrance, False)
        around = Around(
            instant,
            frozenset({"dsl"}),
            neighbours={one.sent.source: (Neighbour(DEVICE[entrance], hardware),)} if known else {},
            signed={("club", one.sent.source, STRANGER): person} if person else {},
        )
        attempt = Attempt(
            entrance, one.sent.source, hardware, one.sent.destination, 6, one.sent.ports[1]  # type: ignore[index]
        )  # fmt: skip
        environment = Environment(frozenset({"dsl"}), person, instant)
        assert exists(naive, attempt, environment)
        there = one.answered.source, one.answered.ports[0]  # type: ignore[index]
        wanted = stays(naive, attempt, environment, there)
        found = decided_again(plan, [one], around)
        assert (found.kept, len(found.cut)) == ((1, 0) if wanted else (0, 1)), (one, found)
        ends["kept" if wanted else "cut"] += 1
    assert min(ends.values()) > 5


def at_desk(to: str, port: int, at: datetime, plan: Plan | None = None) -> tuple[int, int, int]:
    """How many are cut, kept, and kept only to finish."""
    a, b = ip_address("10.1.0.5"), ip_address(to)
    one = Conversation(6, Ends(a, b, (40000, port)), Ends(b, a, (port, 40000)))
    around = Around(at, frozenset({"dsl"}), neighbours={a: (Neighbour("eth1", DESK),)})
    found = decided_again(plan or site()[0], [one], around)
    return len(found.cut), found.kept, found.finishing


def test_what_only_finishes_is_counted_apart() -> None:
    day, evening = TIMES[0], TIMES[2]
    assert at_desk("9.9.9.8", 443, day) == (0, 1, 0)
    assert at_desk("9.9.9.8", 443, evening) == (0, 1, 1)
    assert at_desk("9.9.9.8", 80, day) == (0, 1, 0)
    assert at_desk("9.9.9.8", 80, evening) == (1, 0, 0)


def test_where_the_clock_is_not_known_what_may_finish_still_does() -> None:
    """Hours are taken for closed then; a last day that may be over is no reason to go on."""
    unknown = closed(site()[0])
    assert at_desk("9.9.9.8", 443, TIMES[0], unknown) == (0, 1, 1)
    assert at_desk("9.9.9.8", 80, TIMES[0], unknown) == (1, 0, 0)
    assert at_desk("10.2.0.5", 22, TIMES[0], unknown) == (0, 1, 1)
    assert at_desk("10.2.0.5", 80, TIMES[0], unknown) == (1, 0, 0)


PROMISES = """
  - {never: desk, reach: internet, with: https, during: evening}
  - {never: desk, reach: internet, with: http, during: evening}
  - {never: spare, reach: internet, with: https, during: day}
  - {never: spare, reach: internet, with: http, during: day}
  - {only: desk, reach: yard, with: ssh, during: evening}
  - {never: internet, reach: mill, with: https, during: day}
  - {never: internet, reach: shop, with: https, during: night}
"""


def test_a_promise_says_by_what_something_open_goes_on() -> None:
    text = charter(
        areas=AREAS, devices=DEVICES, hours=HOURS, promises=PROMISES, rules=RULES, offers=OFFERS
    )
    plan = planned(text)
    proof = prove(plan, NOW)
    told = {p.number: (p.holds, p.lingering) for p in proof.promises if p.number is not None}
    assert told[0] == (True, ("rule 3",))
    assert told[1] == (True, ())
    assert told[2] == (True, ("rule 2",))  # which refuses by day; rule 6 lets at all times
    assert told[3] == (True, ())
    assert told[5] == (False, ())
    assert told[6] == (False, ())


BOTH = """
  - {refuse: spare, reach: internet, with: https, during: day, let-finish: true}
  - {let: spare, reach: internet, with: https, during: night, let-finish: true}
  - {let: desk, reach: internet, with: https, during: night, let-finish: true}
  - {refuse: desk, reach: internet, with: https, during: day, let-finish: true}
  - {refuse: home, reach: internet, with: http, during: day, let-finish: true}
  - {refuse: home, reach: internet, with: http, during: day}
  - {let: home, reach: internet, with: http}
"""


def test_all_by_which_it_goes_on_are_named_and_no_other() -> None:
    """Of a let behind a refusal both; of a refusal behind a let, which is never asked, the let alone;
    and nothing where another refusal is in earnest."""
    promises = """
  - {never: spare, reach: internet, with: https, during: day}
  - {never: desk, reach: internet, with: https, during: day}
  - {never: home, reach: internet, with: http, during: day}
"""
    text = charter(areas=AREAS, devices=DEVICES, hours=HOURS, promises=promises, rules=BOTH)
    proof = prove(planned(text), NOW)
    told = {p.number: (p.holds, p.lingering) for p in proof.promises if p.number is not None}
    assert told == {0: (True, ("rule 1", "rule 2")), 1: (True, ("rule 3",)), 2: (True, ())}


def test_no_promise_is_silent_about_a_conversation_that_stays() -> None:
    """Whatever stays at an instant at which a promise speaks of it, and no new one could begin."""
    text = charter(
        areas=AREAS, devices=DEVICES, hours=HOURS, promises=PROMISES, rules=RULES, offers=OFFERS
    )
    plan = planned(text)
    naive = prepare(text, addresses(plan))
    proof = prove(plan, NOW)
    met: set[int] = set()
    for (entrance, hardware, one), instant in product(tried(), TIMES):
        attempt = Attempt(
            entrance, one.sent.source, hardware, one.sent.destination, 6, one.sent.ports[1]  # type: ignore[index]
        )  # fmt: skip
        environment = Environment(frozenset({"dsl"}), "", instant)
        there = one.answered.source, one.answered.ports[0]  # type: ignore[index]
        if not stays(naive, attempt, environment, there):
            continue
        for number, promise in enumerate(naive.promises):
            result = next(p for p in proof.promises if p.number == number)
            if result.holds and speaks_of(naive, promise, attempt, there, environment):
                met.add(number)
                assert result.lingering, (result.text, one)
    assert met == {0, 2}


def speaks_of(
    naive: Site,
    promise: Sentence,
    attempt: Attempt,
    there: tuple[Address, int],
    environment: Environment,
) -> bool:
    """Would it break the promise if it began now, and were let?"""
    if promise.during is not None and not is_open(naive, promise.during, environment.instant):
        return False
    if not started_by_any(naive, promise, attempt, environment):
        return False
    where, what = (
        any(look(to, port) for to, port in ((attempt.destination, attempt.number), there))
        for look in (
            lambda to, _: reached_by_any(naive, promise, to),
            lambda _, port: serves(promise.services, attempt.protocol, port),
        )
    )
    return (where and what) == (promise.word == "never")
