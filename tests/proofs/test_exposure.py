"""What the internet sees: the list against single attempts, and nothing in it by accident."""

from __future__ import annotations

from ipaddress import ip_address
from itertools import product

import pytest

from netcharter.plan import coding
from netcharter.plan.coding import HARDWARE_NONE, NOBODY
from netcharter.plan.fate import Attempt, Environment, fate
from netcharter.proofs.exposure import Exposure, exposure
from tests.proofs.sites import NOW, charter, found, judged

LINES = """
  dsl: {device: eth0, address: [203.0.113.10/29, 2001:db8:1::2/64],
    next-hop: [203.0.113.9, 2001:db8:1::1], prefix: 2001:db8:2::/48}
  mast: {device: eth9}
"""
SITE = {
    "lines": LINES,
    "offers": "\n  - {offer: https, on: [dsl, mast], to: shop, because: b}\n"
    "  - {offer: ssh, on: dsl, to: desk, at: 2222, from: bank, because: b}\n",
    "rules": "\n  - {let: internet, reach: gateway, with: http, because: b}\n"
    "  - {let: [home, yard], reach: internet, with: [http, https], because: b}\n",
}
SERVICES = {"http": (6, 80), "https": (6, 443), "ssh": (6, 22), "tcp/2222": (6, 2222)}


def seen(**sections: str) -> Exposure:
    return exposure(judged(charter(**{**SITE, **sections})).prover)


def test_offers_and_what_rules_let_the_outside_are_told_address_by_address() -> None:
    told = {
        (one.line, one.family, one.address.split(" (")[0], one.service, one.decided_by)
        for one in seen().seen
        if not one.aside
    }
    assert told >= {
        ("dsl", 4, "203.0.113.10", "https", "offer 1 on dsl"),
        ("dsl", 4, "203.0.113.10", "tcp/2222", "offer 2"),
        ("dsl", 6, "shop", "https", "offer 1 on dsl (IPv6)"),
        ("mast", 4, "the address of mast", "https", "offer 1 on mast"),
        ("dsl", 4, "203.0.113.10", "http", "rule 1"),
    }
    (ssh,) = [one for one in seen().seen if one.service == "tcp/2222"]
    assert "bank" in ssh.who and ssh.delivered is not None and "desk" in ssh.delivered


def test_a_site_that_offers_nothing_shows_housekeeping_only() -> None:
    found = seen(offers="", rules="\n  - {let: home, reach: internet, with: http, because: b}\n")
    assert found.complete and all(one.aside for one in found.seen)
    assert {one.aside for one in found.of("dsl", 6)} >= {"ping to the gateway"}


@pytest.mark.parametrize("family", (4, 6))
def test_the_list_is_what_becomes_of_single_attempts(family: int) -> None:
    """Decision by decision, which shares nothing with the engine that made the list."""
    plan = judged(charter(**SITE)).prover.plan
    here = seen().of("dsl", family)
    source = coding.address(ip_address("203.0.113.9" if family == 4 else "2001:db8:1::1"))
    devices = {d.name: d.addresses4 if family == 4 else d.addresses6 for d in plan.devices}
    asked = {f"{name} ({one})": one for name, own in devices.items() for one in own}
    own = "203.0.113.10" if family == 4 else "2001:db8:1::2"
    asked[own] = ip_address(own)
    world = Environment(frozenset({"dsl", "mast"}), NOBODY, NOW)
    for (text, address), (name, (protocol, port)) in product(asked.items(), SERVICES.items()):
        attempt = Attempt(
            "dsl", source, HARDWARE_NONE, coding.address(address), coding.service(protocol, port)[0]
        )
        listed = any(
            one.address == text and one.service == name and one.who == "anyone there"
            for one in here
        )
        assert fate(plan, attempt, world).let == listed, (text, name)


def test_anyone_lets_the_internet_in_and_is_told_with_the_rule_and_a_connection() -> None:
    rules = "\n  - {let: anyone, reach: shop, with: http, because: b}\n"
    proof = judged(charter(**{**SITE, "rules": rules}))
    broken = [one for one in proof.promises if not one.holds]
    assert [one.about for one in broken] == ["what the internet sees"] and not proof.ok
    (finding,) = found(proof, "open-to-outside")
    assert finding.witness is not None and "let by rule 1" in finding.witness


def test_anyone_behind_a_refusal_of_the_outside_opens_nothing() -> None:
    rules = (
        "\n  - {refuse: internet, reach: anywhere, with: http, because: b}\n"
        "  - {let: anyone, reach: shop, with: http, because: b}\n"
    )
    assert judged(charter(**{**SITE, "rules": rules})).ok


def test_every_rule_that_opens_by_accident_is_named() -> None:
    rules = (
        "\n  - {let: anyone, reach: shop, with: http, because: b}\n"
        "  - {let: anyone, reach: desk, with: smtp, emergency: true, because: b}\n"
    )
    findings = found(judged(charter(**{**SITE, "rules": rules})), "open-to-outside")
    assert {one.message.split(" lets")[0] for one in findings} == {"rule 1", "rule 2"}
