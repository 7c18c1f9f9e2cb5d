"""Who stays on a line until his calls are over, with a phone that calls and one that only signs on."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from netcharter.steward import nft, staying
from netcharter.steward.shapes import CutFlows, Stay
from netcharter.steward.staying import QUIET, Staying, decided
from netcharter.steward.ways import Flow, Held, Key, Seen, Ways
from tests.steward.kernel import at
from tests.steward.test_lines_judged import COPPER, MAST

BIT = 1 << 28
WAYS = Ways(
    (COPPER, MAST), together=BIT, stays={"copper": "nc_stay4_copper", "mast": "nc_stay4_mast"}
)
AWAY: frozenset[Key] = frozenset({("copper", 4)})
HERE: frozenset[Key] = frozenset()
NOW = at("2026-11-26 03:00")
PHONE, OTHER = "10.7.0.5", "10.7.0.6"
CALL = 100  # packets a second: 20 ms of sound in each, both ways (RFC 3551 section 4.5)


def seen(seconds: float, *flows: Flow) -> Seen:
    now = NOW + timedelta(seconds=seconds)
    return Seen(now, seconds, now, Held(), flows=flows)


def test_who_has_calls_elsewhere_stays_there_before_the_better_line_comes_back() -> None:
    flows = (Flow(PHONE, 2, 500), Flow(PHONE, 2, 7), Flow(OTHER, 1, 3))
    stays, effects = decided({}, WAYS, AWAY, HERE, seen(0, *flows))
    assert list(stays) == [(2, PHONE)]
    assert effects == (Stay((("nc_stay4_copper", ()), ("nc_stay4_mast", (PHONE,)))),)


def test_a_call_is_not_quiet_and_a_phone_that_is_signed_on_is() -> None:
    stays, _ = decided({}, WAYS, AWAY, HERE, seen(0, Flow(PHONE, 2, 0), Flow(OTHER, 2, 0)))
    for second in range(2, 40, 2):
        flows = (Flow(PHONE, 2, second * CALL), Flow(OTHER, 2, second // 2))
        stays, effects = decided(stays, WAYS, HERE, HERE, seen(second, *flows))
        over = [one for one in effects if isinstance(one, CutFlows)]
        assert over == ([CutFlows(2, OTHER, BIT)] if second == QUIET else [])
        assert ((2, OTHER) in stays) is (second < QUIET) and (2, PHONE) in stays
    hung_up = 38 * CALL
    for second in range(40, 50, 2):
        stays, effects = decided(stays, WAYS, HERE, HERE, seen(second, Flow(PHONE, 2, hung_up)))
    assert stays == {} and CutFlows(2, PHONE, BIT) in effects
    assert effects[0] == Stay((("nc_stay4_copper", ()), ("nc_stay4_mast", ())))
    assert decided(stays, WAYS, HERE, HERE, seen(52)) == ({}, ())


def test_what_is_not_counted_is_not_quiet_until_it_is_gone() -> None:
    stays, _ = decided({}, WAYS, AWAY, HERE, seen(0, Flow(PHONE, 2)))
    for second in range(2, 60, 2):
        stays, _ = decided(stays, WAYS, HERE, HERE, seen(second, Flow(PHONE, 2)))
    assert list(stays) == [(2, PHONE)]
    for second in range(60, 74, 2):
        stays, _ = decided(stays, WAYS, HERE, HERE, seen(second))
    assert stays == {}


def test_a_line_that_fails_keeps_nobody() -> None:
    before = staying.begun([(2, PHONE)])
    out: frozenset[Key] = frozenset({("mast", 4)})
    stays, effects = decided(before, WAYS, HERE, out, seen(0, Flow(PHONE, 2, 1)))
    assert stays == {} and effects == (Stay((("nc_stay4_copper", ()), ("nc_stay4_mast", ()))),)


def test_after_a_restart_they_stay_until_it_is_known_what_they_do() -> None:
    before = staying.begun([(2, PHONE)])
    unseen = replace(seen(0), flows=None)
    stays, effects = decided(before, WAYS, HERE, HERE, unseen)
    assert stays == before and len(effects) == 1


def test_without_such_exits_nothing_is_done() -> None:
    plain = Ways((COPPER, MAST))
    assert decided({}, plain, AWAY, HERE, seen(0, Flow(PHONE, 2, 9))) == ({}, ())


@given(st.lists(st.tuples(st.integers(0, 400), st.integers(1, 5)), max_size=30))
def test_nobody_is_let_go_before_he_was_quiet_for_long(steps: list[tuple[int, int]]) -> None:
    one, packets, now, loud = Staying(0, 0.0), 0, 0.0, 0.0
    for more, seconds in steps:
        now, packets = now + seconds, packets + more
        one = staying.followed(one, packets, now)
        loud = now if more / seconds >= staying.LEAST else loud
        assert staying.is_over(one, now) == (now - loud >= QUIET)


def test_the_kernel_is_told_with_time_limits() -> None:
    assert nft.staying((("nc_stay4_mast", (PHONE, OTHER)), ("nc_stay4_copper", ()))) == (
        "flush set inet netcharter nc_stay4_mast\n"
        f"add element inet netcharter nc_stay4_mast {{ {PHONE} timeout 60s, {OTHER} timeout 60s }}\n"
        "flush set inet netcharter nc_stay4_copper\n"
    )
