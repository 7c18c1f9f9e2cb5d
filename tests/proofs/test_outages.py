"""What lines that fail take with them: the rows against single attempts, state by state."""

from __future__ import annotations

from collections.abc import Iterator
from ipaddress import ip_address
from itertools import product

import pytest

from netcharter.plan import coding
from netcharter.plan.coding import HARDWARE_NONE, NOBODY
from netcharter.plan.fate import Attempt, Environment, fate
from netcharter.plan.shapes import Plan
from netcharter.proofs import Proof
from netcharter.proofs.outages import LineState, line_states
from tests.proofs.sites import NOW, charter, judged

LINES = """
  dsl: {device: eth0, address: [203.0.113.10/29, 2001:db8:1::2/64],
    next-hop: [203.0.113.9, 2001:db8:1::1], prefix: 2001:db8:2::/48, translator: "64:ff9b::/96"}
  mast: {device: eth8}
  dish: {device: eth9, address: 198.51.100.2/29, next-hop: 198.51.100.1, role: standby}
"""
RULES = """
  - {let: home, reach: internet, with: https, because: b}
  - {let: shop, reach: bank, with: http, because: b}
"""
SITE = {
    "lines": LINES,
    "rules": RULES,
    "offers": "\n  - {offer: https, on: [dsl, mast], to: shop, because: b}\n",
    "promises": "\n  - {always: home, reach: internet, with: https}\n"
    "  - {always: desk, reach: gateway, with: ssh}\n",
}
OUTSIDE = {  # a place, and the next hop: both are internet; and what stands for the first in IPv6
    4: ("198.51.100.70",),
    6: ("2001:db8:1::1", "64:ff9b::198.51.100.70"),
}


def proof(**sections: str) -> Proof:
    return judged(charter(**{**SITE, **sections}))


def states(found: Proof) -> dict[frozenset[str], LineState]:
    return {frozenset(one.up): one for one in line_states(found.prover, found.promises)}


def test_every_state_is_told_once_all_up_first_and_none_last() -> None:
    found = line_states(proof().prover, proof().promises)
    assert len(found) == len({one.up for one in found}) == 8
    assert found[0].down == () and found[-1].up == ()
    assert found[0].closed == () and found[0].offers == ()


def test_an_offer_is_lost_with_the_last_of_its_lines() -> None:
    found = states(proof())
    assert found[frozenset({"dsl", "dish"})].offers == ()
    assert found[frozenset({"dish"})].offers == (("offer 1", ("dsl", "mast")),)


def test_a_promise_that_leads_outside_has_no_way_out_while_no_line_carries_it() -> None:
    found = states(proof())
    outside, inside = (text for text, _ in found[frozenset()].promises)
    assert dict(found[frozenset()].promises) == {outside: "aside", inside: "holds"}
    assert set(dict(found[frozenset({"dish"})].promises).values()) == {"holds"}


def test_a_broken_promise_is_broken_in_the_states_in_which_it_is() -> None:
    broken = "\n  - {never: internet, reach: shop, with: https}\n"
    found = states(proof(promises=broken))
    assert [how for _, how in found[frozenset({"dsl"})].promises] == ["broken"]
    assert [how for _, how in found[frozenset({"dish"})].promises] == ["holds"]


def attempts(plan: Plan) -> Iterator[tuple[str, Attempt]]:
    """HTTP and HTTPS from each device of home and yard, by each of its addresses, to outside."""
    for device in plan.devices:
        for source in (*device.addresses4, *device.addresses6):
            for to, port in product(OUTSIDE[source.version], (80, 443)):
                service = coding.service(6, port)[0]
                attempt = Attempt(
                    device.area,
                    coding.address(source),
                    device.hardware[0] if device.hardware else HARDWARE_NONE,
                    coding.address(ip_address(to)),
                    service,
                )
                yield f"{device.name} {source} {to} {port}", attempt


STATES = (("dsl", "mast", "dish"), ("mast", "dish"), ("dsl", "dish"), ("mast",), ("dish",), ())


@pytest.mark.parametrize("names", STATES, ids="-".join)
def test_what_is_lost_is_what_single_attempts_lose(names: tuple[str, ...]) -> None:
    """Decision by decision, by code that shares nothing with the engine that made the rows."""
    up = frozenset(names)
    found = proof()
    plan = found.prover.plan
    everything = frozenset(line.name for line in plan.lines)
    state = states(found)[up]
    lost: set[tuple[str, str | None]] = set()
    for _, attempt in attempts(plan):
        before = fate(plan, attempt, Environment(everything, NOBODY, NOW))
        after = fate(plan, attempt, Environment(up, NOBODY, NOW))
        if before.let and not after.let:
            assert after.row.routed
            lost.add((before.row.label, "dsl" if attempt.source >= coding.V6 else None))
    whole = [one.family for one in state.closed if one.by is None]
    assert whole == [4] * (not up) + [6] * (not up & {"dsl", "mast"})
    named = {(rule, one.by) for one in state.closed for rule, _ in one.rules}
    assert ("rule 1", "dsl") in named or "dsl" in up or 6 in whole
    expected: set[tuple[str, str | None]] = (
        {("rule 1", "dsl"), ("rule 2", "dsl")} if "dsl" not in up else set()
    )
    expected |= {("rule 1", None), ("rule 2", None)} if not up else set()
    assert lost == expected
    assert {pair for pair in named if pair[0].startswith("rule")} <= expected


def test_a_rule_that_never_decides_there_loses_nothing() -> None:
    rules = (
        "\n  - {refuse: home, reach: internet, with: https, because: b}\n"
        "  - {let: [home, yard], reach: internet, with: https, because: b}\n"
        "  - {let: home, reach: internet, with: https, because: hidden}\n"
        "  - {let: home, reach: yard, with: http, because: inside}\n"
    )
    (closed,) = states(proof(rules=rules, promises=""))[frozenset({"mast"})].closed
    assert [name for name, _ in closed.rules] == ["housekeeping 'gateway-own'", "rule 2"]


@pytest.mark.parametrize("mast", (True, False))
@pytest.mark.parametrize("dish", (True, False))
def test_a_state_as_json_says_which_lines_are_up(mast: bool, dish: bool) -> None:
    up = [name for name, on in (("mast", mast), ("dish", dish)) if on]
    shown = states(proof())[frozenset(up)].as_json()
    assert shown["up"] == up and shown["down"] == [
        name for name in ("dsl", "mast", "dish") if name not in up
    ]
