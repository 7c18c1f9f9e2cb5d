"""What is refused in IPv4 is refused in IPv6: proven, and found where a plan says otherwise.

The faults are planted into finished plans. What shows one is decided again by `plan.fate`, attempt by
attempt, which knows no parties and carries nothing over; for random charters, attempts drawn in both
families by `tests.oracle.test_families` say independently where the promise has to fail.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime
from random import Random
from typing import Any

import pytest

from netcharter.plan import fate
from netcharter.plan.coding import ANY4, ANY6, ANY_HARDWARE, ANY_SERVICE
from netcharter.plan.shapes import Plan, Region, Row
from netcharter.proofs import twins
from netcharter.proofs.certify import ProofFault, Prover
from netcharter.proofs.promises import PromiseResult
from netcharter.proofs.twins import prove_families
from netcharter.proofs.universe import Universe
from netcharter.space.engine import Engine
from netcharter.space.model import Covered
from netcharter.space.ranges import Ranges, has, intersect
from tests.oracle.compared import NOW as THEN
from tests.oracle.compared import Pair, pair, plan_says
from tests.oracle.test_families import asked
from tests.proofs.sites import NOW, charter, concrete, planned

OF_IPV6 = "what IPv6 has of its own (neighbour discovery, DHCPv6, ping from the lines)"
LINE6 = "dsl: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9, prefix: '2001:db8:77::/48'}"
TEXT = charter(
    lines=f"\n  {LINE6}\n",
    areas="""
  home: {device: eth1, hosts: 12}
  yard: {device: eth2, hosts: 12, strangers: refused}
  club: {device: eth3, hosts: 12, sign-in: required}
""",
    devices="""
  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}
  spare: {area: home, hardware: 02:00:00:aa:00:02, address: lasting}
  shop: {area: yard, hardware: 02:00:00:aa:00:03, address: lasting}
  lost: {area: home, hardware: 02:00:00:aa:00:04, address: lasting, barred: true}
""",
    places="""
  bank: {prefixes: [198.51.100.64/28, '2001:db8:b::/48']}
""",
    rules="""
  - {refuse: home, reach: bank, with: ssh, name: no shell}
  - {let: [home, yard], reach: internet, with: [ssh, https, ping], name: web}
  - {let: home, reach: shop, with: https, name: shopping}
  - {let: internet, reach: gateway, with: ping, name: pinged}
""",
    offers="""
  - {offer: https, on: dsl, to: shop}
""",
)


def is6(region: Region) -> bool:
    return bool(intersect(region.destination, ANY6))


def changed(plan: Plan, label: str, change: Callable[[Region], Region | None]) -> Plan:
    """The plan with what one decision says of IPv6 changed; None leaves it out."""
    rows = []
    for row in plan.rows:
        if row.label == label:
            found = (change(one) if is6(one) else one for one in row.regions)
            row = replace(row, regions=tuple(one for one in found if one is not None))
        rows.append(row)
    assert tuple(rows) != plan.rows, f"nothing of {label} is of IPv6"
    return replace(plan, rows=tuple(rows))


def without(region: Region) -> None:
    """What is refused no more."""


def any_service(region: Region) -> Region:
    return replace(region, service=ANY_SERVICE)


def anywhere(region: Region) -> Region:
    return replace(region, destination=ANY6)


def from_all(region: Region) -> Region:
    return replace(region, entrances=region.entrances | {"home", "yard", "club", "dsl"})


def any_machine(region: Region) -> Region:
    return replace(region, hardware=ANY_HARDWARE)


FAULTS: tuple[tuple[str, Callable[[Region], Region | None], str], ...] = (
    ("no shell", without, "no shell"),
    ("web", any_service, "default"),
    ("web", from_all, "default"),
    ("shopping", anywhere, "default"),
    ("pinged", any_service, "default"),
    ("pinged", anywhere, "default"),
    ("offer 1 (IPv6)", any_service, "default"),
    ("offer 1 (IPv6)", anywhere, "default"),
    ("sign-in", without, "sign-in"),
    ("strangers", without, "strangers"),
    ("barred", without, "barred"),
    ("bound", without, "bound"),
    ("forged", without, "forged"),
    ("names", any_service, "default"),
    ("names", anywhere, "default"),
    ("management", any_machine, "default"),
    ("neighbour-discovery", any_service, "default"),
    ("dhcp", any_service, "default"),
    ("echo", any_service, "default"),
    ("gateway-own", any_service, "default"),
)


def refuted(plan: Plan, result: PromiseResult, now: datetime = NOW) -> tuple[Row, Row]:
    """Who lets the attempt that breaks the promise, and who refuses the same in IPv4: told again by
    `plan.fate`, with the same machine, person, moment and lines."""
    assert not result.holds and result.point is not None and result.twin is not None
    points = (result.point, result.twin.point)
    told = [concrete(Universe((plan,), now), point) for point in points]
    (six, around), (four, same) = ((one.attempt, one.environment) for one in told)
    assert around == same and (six.entrance, six.hardware) == (four.entrance, four.hardware)
    assert all(has(ANY6, code) for code in (six.source, six.destination))
    assert all(has(ANY4, code) for code in (four.source, four.destination))
    first, second = (fate.fate(plan, one, around) for one in (six, four))
    assert first.row.let and not second.row.let
    assert (first.row, second.row) == (result.row, result.twin.row)
    return first.row, second.row


@pytest.mark.parametrize(("label", "fault", "refuses"), FAULTS)
def test_a_decision_that_says_something_else_of_ipv6_is_found(
    label: str, fault: Callable[[Region], Region | None], refuses: str
) -> None:
    plan = changed(planned(TEXT), label, fault)
    found = prove_families(Prover(plan, NOW))
    _, refusing = refuted(plan, found)
    assert refusing.label == refuses


@pytest.mark.parametrize("fault", [any_service, anywhere, from_all])
def test_more_than_the_relay_needs_in_ipv6_is_found(
    fault: Callable[[Region], Region | None],
) -> None:
    asked = "discovery:\n  - {let: home, find: printing, in: yard}\n"
    plan = changed(planned(TEXT + asked), "found-services", fault)
    first, _ = refuted(plan, prove_families(Prover(plan, NOW)))
    assert first.label == "found-services"


def test_without_a_fault_it_is_proven() -> None:
    found = prove_families(Prover(planned(TEXT), NOW))
    assert found.holds and found.one_family == (OF_IPV6,)


@pytest.mark.parametrize("sides", [("source",), ("destination",), ("source", "destination")])
def test_a_part_of_a_partys_ipv4_addresses_that_is_refused_counts(sides: tuple[str, ...]) -> None:
    """Whoever is in home is one party: it fares as badly as each of its IPv4 addresses does."""
    plan = planned(TEXT)
    last, bank = int(plan.areas[0].v4[-2]), plan.places["bank"][0][0]
    some: dict[str, Ranges] = {"source": ((last, last),), "destination": ((bank, bank + 3),)}
    rows = []
    for row in plan.rows:
        if row.label == "no shell":
            cut: dict[str, Any] = {name: some[name] for name in sides}
            four = [replace(r, **cut, service=ANY_SERVICE) for r in row.regions if not is6(r)]
            row = replace(row, regions=(*four, *filter(is6, row.regions)))
        rows.append(row)
    planted = replace(plan, rows=tuple(rows))
    _, refusing = refuted(planted, prove_families(Prover(planted, NOW)))
    assert refusing.label == "no shell"


ASIDE = (
    ("places", "bank: {prefixes: [198.51.100.64/28]}", "bank (IPv4 alone)"),
    ("places", "bank: {prefixes: ['2001:db8:b::/48']}", "bank (IPv6 alone)"),
    (
        "places",
        "bank: {prefixes: [198.51.100.64/28, '2001:db8:b::/48']}\n  till: {prefixes: [198.51.100.64/30]}",
        "bank and till (IPv4 alone)",
    ),
    ("rules", "- {let: home, reach: yard, with: icmpv6/128}", "rule 1 (the ping of IPv6 alone)"),
    ("rules", "- {refuse: home, reach: yard, with: icmp/8}", "rule 1 (the ping of IPv4 alone)"),
    (
        "exits",
        "- {from: home, with: icmp/8, by: dsl, or-else: refused}",
        "exit 1 (the ping of IPv4 alone)",
    ),
    (
        "discovery",
        "- {let: home, find: printing, in: yard}",
        "multicast DNS from link-local addresses",
    ),
    (
        "lines",
        LINE6 + "\n  six: {device: eth9, address: '2001:db8:78::2/64', next-hop: '2001:db8:78::1',"
        " prefix: '2001:db8:79::/48'}",
        "ways out while no line with IPv4 is up (six has none)",
    ),
)


@pytest.mark.parametrize(("section", "said", "told"), ASIDE)
def test_what_the_charter_says_of_one_family_is_left_aside_and_named(
    section: str, said: str, told: str
) -> None:
    sections = {
        "places": "\n  bank: {prefixes: [198.51.100.64/28, '2001:db8:b::/48']}\n",
        "lines": f"\n  {LINE6}\n",
        "rules": "\n  - {let: home, reach: internet, with: https}\n",
    }
    found = prove_families(Prover(planned(charter(**sections | {section: f"\n  {said}\n"})), NOW))
    assert found.holds and found.one_family[1:] == (told,)


def test_an_offer_that_only_ipv6_has_is_left_aside_and_nothing_else() -> None:
    text = charter(
        lines="\n  six: {device: eth9, address: '2001:db8:78::2/64', next-hop: '2001:db8:78::1',"
        " prefix: '2001:db8:79::/48'}\n  dsl: {device: eth0, address: 203.0.113.10/29}\n",
        rules="\n  - {let: home, reach: yard, with: ssh}\n",
        offers="\n  - {offer: https, on: six, to: shop}\n",
    )
    plan = planned(text)
    found = prove_families(Prover(plan, NOW))
    assert found.holds and "offer 1 (IPv6) (nothing offers it in IPv4)" in found.one_family
    wider = changed(plan, "offer 1 (IPv6)", anywhere)
    assert refuted(wider, prove_families(Prover(wider, NOW)))[1].label == "default"


def test_hostile_addresses_of_one_family_are_left_aside_and_named() -> None:
    lists = "lists: {seen: {of: addresses, entries: [93.184.216.0/24]}}\nhostile: {lists: [seen]}\n"
    found = prove_families(Prover(planned(TEXT + lists), NOW))
    assert found.holds and found.one_family == (OF_IPV6, "what lists call hostile (IPv4 alone)")
    text = TEXT.replace("prefix: '2001", "translator: '64:ff9b::/96', prefix: '2001")
    found = prove_families(Prover(planned(text + lists), NOW))
    (_, told) = found.one_family
    assert found.holds
    assert told == "what lists call hostile (IPv4 alone, and what 64:ff9b::/96 makes of it)"


def test_a_translator_that_leads_past_a_refusal_is_found() -> None:
    """As it was before places were carried over: what is refused of the bank in IPv4 alone."""
    text = TEXT.replace("prefix: '2001", "translator: '64:ff9b::/96', prefix: '2001")
    plan = planned(text.replace(", '2001:db8:b::/48'", ""))
    assert prove_families(Prover(plan, NOW)).holds
    _, refusing = refuted(
        open_ := changed(plan, "no shell", without), prove_families(Prover(open_, NOW))
    )
    assert refusing.label == "no shell"


# --- certificates --------------------------------------------------------------------------------


def test_an_engine_that_finds_nothing_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    plan = changed(planned(TEXT), "web", any_service)
    prover = Prover(plan, NOW)
    monkeypatch.setattr(Engine, "reached", lambda *_: Covered(()))
    with pytest.raises(ProofFault):
        prove_families(prover)


def test_a_difference_that_is_not_asked_about_is_found_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plan = changed(planned(TEXT), "web", any_service)
    monkeypatch.setattr(twins, "without", lambda *_: [])
    with pytest.raises(ProofFault, match="is not all of it"):
        prove_families(Prover(plan, NOW))


# --- random charters -----------------------------------------------------------------------------

CHARTERS, QUESTIONS = 24, 300
BY_ROUTE = ("no-line", "no-exit", "local-prefix")


def shown(found: Pair, plan: Plan) -> Iterator[str]:
    """Attempts, drawn in both families, that IPv4 refuses and IPv6 lets."""
    for attempts, around in asked(found, QUESTIONS):
        four, six = (plan_says(plan, one, around) for one in attempts)
        refused = four.verdict == "refused" and four.decider not in BY_ROUTE
        if refused and six.verdict == "let" and six.kind != "offer":
            yield f"{attempts}: {six.decider}, {four.decider}"


def planted(rng: Random, plan: Plan) -> Plan:
    """A plan with one decision that lets more, or refuses less, in IPv6."""
    said = ("rule", "emergency", "sign-in")
    six = [row for row in plan.rows if any(map(is6, row.regions))]
    written = [row for row in six if row.kind in said or row.label == "names"]
    tries = ((rng.choice(written), rng.choice((any_service, anywhere))) for _ in range(99))
    for row, wider in tries:
        change = wider if row.let else without
        if any(change(one) != one for one in row.regions if is6(one)):
            return changed(plan, row.label, change)
    raise AssertionError("there is nothing that a fault could be planted in")


def test_random_faults_are_found_where_attempts_show_them() -> None:
    met: Counter[tuple[bool, bool]] = Counter()
    for number in range(CHARTERS):
        found = pair(number)
        assert prove_families(Prover(found.plan, THEN)).holds, found.seed
        plan = planted(Random(f"{found.seed} planted"), found.plan)
        result = prove_families(Prover(plan, THEN))
        seen = next(shown(found, plan), "")
        met[result.holds, bool(seen)] += 1
        assert not (result.holds and seen), f"{found.seed}\n{found.text}\n{seen}"
        if not result.holds:
            refuted(plan, result, THEN)
    assert met[False, True] and met[True, False], met
