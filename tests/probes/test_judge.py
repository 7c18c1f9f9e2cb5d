"""Every kind of difference between what was predicted and what was seen, as a sentence."""

from __future__ import annotations

from dataclasses import replace
from ipaddress import ip_address
from typing import Any

import pytest

from netcharter.probes.judge import differences
from netcharter.probes.shapes import GATEWAY, Arrival, Expected, Packet, Probe, Seen, Setting

PACKET = Packet(ip_address("10.7.0.2"), ip_address("198.51.100.7"), 6, 443, 10_001, 0x020000F00002)
REFUSED = Expected("reset", ("nc_row_rule_3",))
LET = Expected(
    "answered",
    ("nc_row_rule_4",),
    frozenset({"copper"}),
    ip_address("198.51.100.7"),
    443,
    {"copper": ip_address("203.0.113.10")},
)
THERE = Arrival("copper", ip_address("203.0.113.10"), ip_address("198.51.100.7"), 443)
TILL = Arrival("tills/till-1", ip_address("10.7.0.2"), ip_address("10.7.2.9"), 443)


def probe(expected: Expected, row: str) -> Probe:
    return Probe(
        1, "office/visitor-1", PACKET, "plain", Setting(frozenset()), expected, row, "why", "told"
    )


def refused(**said: Any) -> tuple[str, ...]:
    seen = Seen("reset", (), {"nc_row_rule_3": 1})
    return differences(probe(REFUSED, "rule 3"), replace(seen, **said))


def let(**said: Any) -> tuple[str, ...]:
    seen = Seen("answered", (THERE,), {"nc_row_rule_4": 1})
    return differences(probe(LET, "rule 4"), replace(seen, **said))


def test_what_is_seen_as_predicted_makes_no_difference() -> None:
    assert refused() == let() == ()
    assert let(counters={"nc_row_rule_4": 1, "nc_row_default": 0}) == ()


@pytest.mark.parametrize(
    ("answer", "told"),
    [
        ("prohibited", "refused (prohibited)"),
        ("unreachable", "refused (unreachable)"),
        ("silent", "lost in silence"),
        ("answered", "answered"),
    ],
)
def test_another_manner(answer: str, told: str) -> None:
    assert refused(answer=answer) == (f"predicted: refused (reset) by rule 3; seen: {told}",)


def test_refused_and_yet_it_arrives() -> None:
    found = refused(answer="answered", arrivals=(TILL,))
    assert found == (
        "predicted: refused (reset) by rule 3; seen: arrived at tills/till-1, answered",
    )
    assert refused(arrivals=(TILL,)) == (
        "predicted: refused (reset) by rule 3; seen: arrived at tills/till-1, refused (reset)",
    )


def test_let_and_yet_refused_or_lost() -> None:
    wanted = "predicted: let by rule 4, arriving at copper, answered; seen: "
    assert let(answer="reset", arrivals=()) == (wanted + "refused (reset)",)
    assert let(answer="silent", arrivals=()) == (wanted + "lost in silence",)
    assert let(answer="silent") == (wanted + "arrived at copper, without an answer",)


def test_silence_by_nobody_is_told_without_a_decision() -> None:
    one = probe(Expected("silent", ()), "")
    assert differences(one, Seen("silent", (), {})) == ()
    assert differences(one, Seen("prohibited", (), {"nc_invalid": 1})) == (
        "predicted: refused in silence; seen: refused (prohibited)",
        (
            "predicted: counted by no decision; seen: decided by what fits no conversation "
            "(nc_invalid)"
        ),
    )


def test_another_decision() -> None:
    assert refused(counters={"nc_row_rule_4": 1}) == (
        "predicted: decided by rule 3 (nc_row_rule_3); seen: decided by nc_row_rule_4",
    )
    assert refused(counters={}) == (
        "predicted: decided by rule 3 (nc_row_rule_3); seen: counted by no decision",
    )
    assert refused(counters={"nc_row_rule_3": 1, "nc_stray": 1}) == (
        (
            "predicted: decided by rule 3 (nc_row_rule_3); seen: decided by rule 3 "
            "(nc_row_rule_3) and no decision at all (nc_stray)"
        ),
    )


def test_a_decision_counted_twice() -> None:
    assert refused(counters={"nc_row_rule_3": 2}) == (
        "predicted: counted once by rule 3 (nc_row_rule_3); seen: 2 times",
    )


def test_two_counters_are_both_wanted() -> None:
    one = probe(Expected("silent", ("nc_row_rule_4", "nc_invalid")), "rule 4")
    assert differences(one, Seen("silent", (), {"nc_row_rule_4": 1, "nc_invalid": 1})) == ()
    assert len(differences(one, Seen("silent", (), {"nc_row_rule_4": 1}))) == 1


def test_another_exit() -> None:
    found = let(arrivals=(replace(THERE, station="mast"),))
    assert found == ("predicted: arriving at copper; seen: arrived at mast",)
    both = let(arrivals=(THERE, replace(THERE, station="mast")))
    assert both == ("predicted: arriving at copper; seen: arrived at mast",)


def test_any_of_several_exits_but_only_one() -> None:
    sources = {name: ip_address("203.0.113.10") for name in ("copper", "fibre")}
    shared = replace(LET, arrives=frozenset({"copper", "fibre"}), sources=sources)
    one = probe(shared, "rule 4")
    there = replace(THERE, station="fibre")
    assert differences(one, Seen("answered", (there,), {"nc_row_rule_4": 1})) == ()
    assert differences(one, Seen("answered", (there, THERE), {"nc_row_rule_4": 1})) == (
        "predicted: arriving at one machine; seen: arrived at copper and fibre",
    )
    lost = differences(one, Seen("silent", (), {"nc_row_rule_4": 1}))
    assert lost == (
        "predicted: let by rule 4, arriving at copper or fibre, answered; seen: lost in silence",
    )


@pytest.mark.parametrize(
    ("field", "value", "told"),
    [
        ("source", "10.7.0.2", "from 203.0.113.10; seen: from 10.7.0.2"),
        ("destination", "10.7.3.6", "for 198.51.100.7; seen: for 10.7.3.6"),
        ("number", 8443, "with the number 443; seen: with the number 8443"),
    ],
)
def test_another_look(field: str, value: str | int, told: str) -> None:
    found = value if isinstance(value, int) else ip_address(value)
    arrival = replace(THERE, **{field: found})  # type: ignore[arg-type]
    assert let(arrivals=(arrival,)) == (f"predicted: at copper {told}",)


def test_the_gateway_is_called_the_gateway() -> None:
    own = replace(LET, arrives=frozenset({GATEWAY}), sources={GATEWAY: PACKET.source})
    found = differences(probe(own, "echo"), Seen("silent", (), {"nc_row_rule_4": 1}))
    assert found == (
        "predicted: let by echo, arriving at the gateway, answered; seen: lost in silence",
    )


def test_everything_wrong_at_once_is_told_once_each() -> None:
    found = let(answer="silent", arrivals=(TILL,), counters={"nc_row_default": 1})
    assert found == (
        (
            "predicted: let by rule 4, arriving at copper, answered; "
            "seen: arrived at tills/till-1, without an answer"
        ),
        "predicted: decided by rule 4 (nc_row_rule_4); seen: decided by nc_row_default",
        "predicted: arriving at copper; seen: arrived at tills/till-1",
    )
