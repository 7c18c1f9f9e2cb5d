"""What is told with a promise: what was left aside, and every kind of decision that breaks it."""

from __future__ import annotations

import pytest

from netcharter.plan.fate import fate
from netcharter.proofs.promises import ASIDE, PromiseResult
from netcharter.tasks.check import check
from netcharter.tasks.check_text import summary
from netcharter.tasks.sources import Source
from tests.proofs.sites import NOW, charter, concrete, found, judged

DISCOVERY, DHCP, PING = ASIDE["neighbour-discovery"], ASIDE["dhcp"], ASIDE["echo"]
RESOLVER, GATE, OWN = ASIDE["names"], ASIDE["gate"], ASIDE["gateway-own"]
LOOPBACK = ASIDE["loopback"]


def result(text: str) -> PromiseResult:
    return judged(text).promises[0]


@pytest.mark.parametrize(
    ("promise", "aside"),
    [
        ("never: yard, reach: home", {RESOLVER}),
        ("never: club, reach: home", {RESOLVER, GATE}),
        ("never: yard, reach: gateway", {DISCOVERY, DHCP, PING, RESOLVER}),
        ("never: club, reach: gateway", {DISCOVERY, DHCP, PING, RESOLVER, GATE}),
        ("never: club, reach: gateway, with: tcp/80", {RESOLVER, GATE}),
        ("never: yard, reach: gateway, with: icmp/8", {PING, RESOLVER}),
        ("never: dsl, reach: gateway", {DISCOVERY, PING}),
        ("never: gateway, reach: internet", {OWN, DISCOVERY}),  # the line's own IPv6 segment
        ("never: gateway, reach: gateway", {LOOPBACK}),
        ("never: gateway, reach: home", {DISCOVERY, DHCP, OWN}),
        ("only: yard, reach: internet", {DISCOVERY, DHCP, PING, RESOLVER}),
        ("only: yard, reach: [internet, gateway]", {DISCOVERY, DHCP, RESOLVER}),
        ("always: desk, reach: gateway, with: ssh", set()),
    ],
)
def test_all_housekeeping_that_meets_a_promise_is_named(promise: str, aside: set[str]) -> None:
    text = charter(
        promises=f"\n  - {{{promise}}}\n",
        lines="""
  dsl: {device: eth0, address: [203.0.113.10/29, "2001:db8:7aff::2/64"],
        next-hop: [203.0.113.9, "2001:db8:7aff::1"], prefix: "2001:db8:7a00::/48"}
""",
    )
    assert set(result(text).relays) == aside


TELLS = "that hosts of home are told who offers printing and _lights._udp in yard (discovery 1)"
ASKS = ASIDE["found-services"]


@pytest.mark.parametrize(
    ("promise", "told"),
    [
        ("never: home, reach: yard", {TELLS}),
        ("never: desk, reach: shop", {TELLS}),
        ("never: home, reach: club", set()),
        ("never: home, reach: shop, with: ssh", {TELLS}),
        ("never: yard, reach: home", set()),
        ("never: anyone, reach: yard", {TELLS}),
        ("only: home, reach: internet", {TELLS, ASKS}),
        ("only: yard, reach: internet", {ASKS}),
        ("only: club, reach: internet", set()),
        ("always: desk, reach: gateway, with: ssh", set()),
    ],
)
def test_what_the_relay_tells_of_other_areas_is_named(promise: str, told: set[str]) -> None:
    text = charter(
        promises=f"\n  - {{{promise}}}\n",
        discovery="\n  - {let: home, find: [printing, _lights._udp], in: yard}\n",
    )
    assert {one for one in result(text).relays if one in (TELLS, ASKS)} == told


BROKEN = charter(
    rules="""
  - {let: home, reach: shop, with: ssh, because: work}
  - {let: home, reach: shop, with: sip, emergency: true, because: calls}
""",
    offers="\n  - {offer: https, on: dsl, to: shop, because: the public}\n",
    promises="\n  - {never: [home, internet], reach: [shop, gateway]}\n",
)
IDENTS = {
    "rule": "promise-broken",
    "management": "promise-broken",
    "offer": "offer-breaks-promise",
    "emergency": "emergency-breaks-promise",
}


def test_every_kind_of_decision_that_breaks_a_promise_has_its_finding() -> None:
    proof = judged(BROKEN)
    told = result(BROKEN)
    assert {b.row.kind for b in told.breaks} == set(IDENTS)
    findings = [d for ident in set(IDENTS.values()) for d in found(proof, ident)]
    assert len(findings) == len(IDENTS)
    assert len({d.witness for d in findings}) == len(IDENTS)
    for broken in told.breaks:
        (finding,) = [d for d in findings if f"by {broken.row.label}" in (d.witness or "")
                      or f"'{broken.row.label}'" in (d.witness or "")]  # fmt: skip
        assert finding.id == IDENTS[broken.row.kind]
        assert finding.help
    assert sum("what is open of it" in d.message for d in findings) == 1
    assert (told.point, told.row) == (told.breaks[0].point, told.breaks[0].row)


def test_every_witness_is_decided_as_it_is_told() -> None:
    proof = judged(BROKEN)
    for broken in result(BROKEN).breaks:
        asked = concrete(proof.prover.universe, broken.point)
        outcome = fate(proof.prover.plan, asked.attempt, asked.environment)
        assert outcome.let and outcome.row.index == broken.row.index


@pytest.mark.parametrize(
    ("without", "left"),
    [
        ("the public", {"rule", "emergency", "management"}),
        ("work", {"offer", "emergency", "management"}),
        ("calls", {"rule", "offer", "management"}),
    ],
)
def test_a_kind_that_is_gone_is_not_blamed(without: str, left: set[str]) -> None:
    text = "\n".join(line for line in BROKEN.splitlines() if without not in line)
    text = text.replace("offers: \npromises", "promises")
    assert {b.row.kind for b in result(text + "\n").breaks} == left


def test_what_is_left_aside_by_except_is_not_blamed() -> None:
    text = BROKEN.replace("reach: [shop, gateway]", "reach: [shop, gateway], except: offers")
    assert "offer" not in {b.row.kind for b in result(text).breaks}


def test_the_summary_names_what_was_left_aside() -> None:
    text = charter(promises="\n  - {never: yard, reach: gateway}\n")
    told = "\n".join(summary(check(Source("hut.yaml", text.encode()), NOW)))
    assert "left aside, as housekeeping: neighbour discovery, address assignment (DHCP)," in told
