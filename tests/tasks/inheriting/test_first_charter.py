"""The first charter of a running gateway: it reads, it plans, and it says what the rules said.

The judge of the last point is a naive reading of the rules themselves, in this file, that shares
nothing with charter, plan or vocabulary.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from ipaddress import IPv4Address, IPv4Network, IPv6Network, ip_address, ip_network
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcharter.charter.model import Charter
from netcharter.charter.read import read
from netcharter.charter.services import Part, parse_written
from netcharter.diagnostics import Span
from netcharter.plan import coding, make_plan
from netcharter.plan.fate import Attempt, Environment, fate
from netcharter.plan.shapes import Plan
from netcharter.proofs import prove
from netcharter.tasks.inheriting.charter import BECAUSE, first_charter, merged
from netcharter.tasks.inheriting.services import service_names
from netcharter.tasks.inheriting.shapes import (
    FoundDevice,
    InheritedOffer,
    InheritedRule,
    Recognised,
    Term,
    Unsaid,
    Written,
)
from netcharter.tasks.inheriting.vocabulary import MOST_ADDRESSES
from tests.tasks.inheriting.old_gateway import (
    AREAS,
    CARDS,
    found,
    offers,
    part,
    place,
    rule,
    rules,
)

NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)
HERE = Span("old.nft", 7, 1, 7, 9)
LOCAL = IPv6Network("fd5c:7a11:b0e::/48")


def write(
    some: Sequence[InheritedRule],
    offered: Sequence[InheritedOffer] = (),
    site: Recognised | None = None,
    name: str = "Tarn Hollow Outdoor Centre",
    **more: Sequence[str],
) -> Written:
    return first_charter(
        site or found(), some, offered, site=name, timezone="Europe/London", local_prefix=LOCAL,
        now=NOW, **more,  # type: ignore[arg-type]
    )  # fmt: skip


def charter(written: Written) -> Charter:
    """The charter, once it is known that nothing is wrong with it."""
    # A random rule may name nearly all addresses of an area, which leaves none to be lent.
    assert {one.id for one in written.problems} <= {"pool-too-small"}, written.problems
    reading = read(written.text, "charter.yaml")
    assert reading.charter is not None
    return reading.charter


def plan(written: Written) -> Plan:
    made = make_plan(charter(written))
    serious = {note.id for note in made.notes if note.severity != "note"}
    assert serious <= {"pool-too-small"}, made.notes
    return made


def plain(let: bool, who: Term, reach: Term, *services: Part) -> InheritedRule:
    return InheritedRule(let, (who,), (reach,), services, "old words", HERE)


# The example


def test_the_old_gateway_of_the_example_becomes_a_charter() -> None:
    written = write(rules(), offers())
    said = charter(written)
    assert list(said.lines) == ["copper", "mast"]
    assert set(said.areas) == set(AREAS)
    assert len(said.rules) == len(rules())
    assert {r.because for r in said.rules} == {o.because for o in said.offers} == {BECAUSE}
    assert [(o.services, o.at, o.to) for o in said.offers] == [
        (("https",), None, "booking"), (("tcp/3389",), 33890, "bursar")
    ]  # fmt: skip
    assert said.site.managed_from == ("duty-laptop",)
    assert said.devices["spare-laptop"].roams


def test_prefixes_addresses_and_devices_are_kept() -> None:
    made = plan(write(rules(), offers()))
    areas = {area.name: area for area in made.areas}
    for old in found().areas:
        assert areas[old.name].v4 in old.prefixes
        assert (areas[old.name].parent, areas[old.name].vlan) == (old.parent, old.vlan)
        if old.name != "tills":
            assert areas[old.name].gateway4 in old.gateway
    devices = {device.name: device for device in made.devices}
    for kept in found().devices:
        assert devices[kept.name].addresses4 == kept.addresses
        assert devices[kept.name].hardware == kept.hardware
    copper, mast = made.lines
    assert str(copper.v4) == "203.0.113.10/29" and str(copper.next_hop4) == "203.0.113.9"
    assert mast.automatic and mast.role == "standby"


def test_every_old_rule_stands_there_in_its_own_words_with_its_place() -> None:
    text = " ".join(write(rules(), offers()).text.replace("#", " ").split())
    told = [(one.text, one.span) for one in rules()]
    for words, span in [*told, *((one.text, one.span) for one in offers())]:
        assert " ".join(words.split()) in text
        assert f"[old.nft:{span.line}]" in text
    assert "emergency: true" in text, "telephones are spoken of"


def test_what_could_not_be_said_stands_at_the_top_and_is_returned() -> None:
    more = Unsaid("something else", "ask", HERE)
    written = write(rules(), offers(), unsaid=(more,))  # type: ignore[arg-type]
    assert more in written.unsaid and set(found().unsaid) < set(written.unsaid)
    head = " ".join(written.text.partition("charter: 1")[0].replace("#", " ").split())
    for number, one in enumerate(written.unsaid, 1):
        place = f" [{one.span.file}:{one.span.line}]" if one.span else ""
        assert f"{number}. {one.words} ({one.instead}){place}" in head
    assert any("tarn-hollow.test" in one.words for one in written.unsaid)


def test_only_promises_that_are_proven_are_made() -> None:
    made = plan(write(rules(), offers()))
    proof = prove(made, NOW)
    assert len(proof.promises) > 8 and all(promise.holds for promise in proof.promises)
    never = {p.who[0]: p.reach for p in made.charter.promises if p.kind == "never"}
    assert "gateway" not in never["internet"], "the contractor's way in is open"
    assert set(never["tills"]) == set(AREAS) - {"tills"}
    assert set(never["cameras"]) == set(AREAS) - {"cameras", "office"}
    (always,) = [p for p in made.charter.promises if p.kind == "always"]
    assert (always.who, always.reach, always.services) == (("duty-laptop",), ("gateway",), ("ssh",))


def test_a_promise_that_does_not_hold_is_told_with_what_is_against_it() -> None:
    text = " ".join(write(rules(), offers()).text.replace("#", " ").split())
    assert "One would expect, but rule 18 is against it: - never: cameras reach: office" in text
    more = " ".join(write([*rules(), rule(["tills"], ["office"], [], "acquirer")]).text.split())
    assert "rule 23 is against it: # - never: tills # reach: office" in more


def test_without_rules_or_devices_there_is_still_a_charter() -> None:
    bare = replace(found(), devices=(), domains=(), unsaid=())
    written = write([], site=bare)
    said = charter(written)
    assert said.rules == () and said.site.managed_from == ()
    assert written.unsaid == ()
    assert "TO FILL IN" in written.text and "Nothing was found that" in written.text


def test_a_gateway_in_which_nothing_is_recognised_is_told() -> None:
    written = write([], site=Recognised((), (), (), {}))
    assert {problem.severity for problem in written.problems} == {"error"}
    assert "no line was recognised" in written.text and "no area was recognised" in written.text


def test_the_way_in_can_be_said() -> None:
    said = charter(write(rules(), managed_from=("recorder", "printer")))
    assert said.site.managed_from == ("recorder", "printer")


# Words for rules


def test_neighbours_from_one_old_rule_become_one() -> None:
    office, barn, tills = Term("office"), Term("barn"), Term("tills")
    web, ssh = (6, 80, 80), (6, 22, 22)
    some = [
        plain(True, office, barn, web), plain(True, office, barn, ssh), plain(True, tills, barn, web)
    ]  # fmt: skip
    assert [one.services for one in merged(some)] == [(web, ssh), (web,)]
    assert [one.who for one in merged([some[0], some[2]])] == [(office, tills)]
    assert len(merged([some[0], replace(some[1], let=False)])) == 2
    assert len(merged([some[0], replace(some[1], text="another")])) == 2
    anything = replace(some[1], services=())
    assert merged([some[0], anything])[0].services == ()


def test_services_get_their_names_and_long_lists_a_name_of_their_own() -> None:
    ports: list[Part] = [(6, 1000 + 10 * n, 1000 + 10 * n) for n in range(20)]
    some = [plain(True, Term("office"), Term("internet"), *ports)] * 2
    written = write(
        [*some, plain(True, Term("tills"), Term("internet"), (17, 53, 53), (6, 53, 53))]
    )
    said = charter(written)
    assert [r.services for r in said.rules] == [("ports-1",), ("dns",)]
    assert len(said.services["ports-1"].parts) == 20
    assert written.invented["ports-1"] == "20 services of an old rule"


@given(st.lists(st.tuples(st.sampled_from([6, 17, 1, 58, 47, 132]), st.integers(0, 65535),
                          st.integers(0, 65535)), min_size=1, max_size=4))  # fmt: skip
@settings(max_examples=50, deadline=None)
def test_services_mean_exactly_what_their_parts_mean(drawn: list[Part]) -> None:
    """Written-out services are read by the charter's own reader, names by its table."""
    from netcharter.charter.services import builtin

    parts = [(p, min(a, b), max(a, b)) if p != 47 else (p, 0, 0) for p, a, b in drawn]
    parts = [(p, a & 0xFF00, b | 0xFF) if p in (1, 58) else (p, a, b) for p, a, b in parts]
    codes = {(p, n) for p, a, b in parts for n in range(a, b + 1)}
    again = set()
    for name in service_names(parts):
        written = parse_written(name)
        for p, a, b in [written] if written else builtin()[name]:
            again |= {(p, n) for n in range(a, b + 1)}
    assert again == codes


def test_places_are_called_as_the_old_sets_were_and_stand_once() -> None:
    office, tills = Term("office"), Term("tills")
    nameless = place("", "198.51.100.9/32", "198.51.100.8/32")
    some = [plain(True, office, CARDS), plain(True, tills, replace(CARDS, name="other")),
            plain(True, office, nameless), plain(False, nameless, office)]  # fmt: skip
    said = charter(write(some))
    assert {name: [str(p) for p in one.prefixes] for name, one in said.places.items()} == {
        "card_company": ["198.51.100.64/28"],
        "net-198-51-100-8-31": ["198.51.100.8/31"],
    }
    assert said.rules[1].reach == ("card_company",)


def test_parts_of_areas_that_overlap_are_cut_where_they_differ() -> None:
    whole, some = part("office", "10.20.10.0/24"), part("office", "10.20.10.8/30")
    other, both = part("office", "10.20.10.11/32", "10.20.10.200/32"), Term("internet")
    three = [plain(True, one, both) for one in (whole, some, other)]
    written = write([replace(one, text=f"rule {n}") for n, one in enumerate(three)])
    said = charter(written)
    assert said.rules[0].who == ("office",)
    second, third = set(said.rules[1].who), set(said.rules[2].who)
    assert "duty-laptop" in second and len(second & third) == 1
    addresses = [a for name in second | third for a in said.devices[name].addresses]
    assert len(addresses) == len(set(addresses)) == 5


def test_what_can_not_be_said_never_lets_more_pass_than_before() -> None:
    bunks = replace(found().areas[4], prefixes=(ip_network("10.20.28.0/22"),))
    assert bunks.name == "bunkrooms"
    site = replace(found(), areas=(*found().areas[:4], bunks, *found().areas[5:]))
    large = part("bunkrooms", "10.20.28.0/23")
    assert large.networks[0].num_addresses - 2 < MOST_ADDRESSES
    larger = part("bunkrooms", "10.20.28.0/23", "10.20.30.0/24")
    internet = Term("internet")
    written = write([plain(False, larger, internet), plain(True, larger, internet)], site=site)
    said = charter(written)
    assert [(r.let, r.who) for r in said.rules] == [(False, ("bunkrooms",))]
    words = [one.words for one in written.unsaid if one.span == HERE]
    assert words[0].startswith("a refusal speaks of all of bunkrooms now")
    assert words[1].startswith("a rule is narrower than it was")
    assert "Left out: old words [old.nft:7]" in written.text


def test_a_refusal_that_is_lost_is_told_loudly() -> None:
    nobody = Term(area="tills", networks=(ip_network("10.20.60.1/32"),))
    written = write([plain(False, nobody, Term("internet"))])
    assert any("a refusal is missing" in one.words for one in written.unsaid)


def test_a_name_that_nobody_has_is_a_fault_of_the_caller() -> None:
    with pytest.raises(ValueError, match="no name"):
        write([plain(True, Term("attic"), Term("internet"))])


def test_offers_that_can_not_be_said_are_left_out() -> None:
    inside = IPv4Address("10.20.70.10")
    some = [
        InheritedOffer(((6, 443, 443),), ("copper",), IPv4Address("192.168.7.7"), "x", HERE),
        InheritedOffer((), ("copper",), inside, "x", HERE),
        InheritedOffer(((6, 8000, 9000),), ("copper",), inside, "x", HERE, port=80),
        InheritedOffer(((6, 80, 81),), ("copper",), inside, "x", HERE, port=80),
        InheritedOffer(((17, 500, 501),), ("copper",), IPv4Address("10.20.70.77"), "x", HERE,
                       who=(CARDS,)),
    ]  # fmt: skip
    written = write([], some)
    said = charter(written)
    told = [one.words for one in written.unsaid if one.span == HERE]
    assert len(told) == 3 and all(words.startswith("an offer is left out") for words in told)
    assert [(o.services, o.at, o.to, o.who) for o in said.offers] == [
        (("http",), None, "booking", ("anyone",)),
        (("http",), 81, "booking", ("anyone",)),
        (("isakmp", "udp/501"), None, "barn-10-20-70-77", ("card_company",)),
    ]


hostile = st.text(max_size=60) | st.sampled_from(
    ["# x\nrules: []", "\u2028- let: anyone", "x: {", "'\"", "\x1b[31m", "\ud800", "\ufffe",
     "- let: anyone\n  reach: anywhere", "&a *a", "!!python/object:os.system", "a\tb", " "]
)  # fmt: skip


@given(hostile, hostile, hostile, hostile)
@settings(max_examples=40, deadline=None)
def test_whatever_stands_in_the_old_files_the_charter_reads_as_before(
    text: str, comment: str, file: str, name: str
) -> None:
    span = Span(file, 3, 1, 3, 4)
    some = [
        InheritedRule(True, (Term("office"),), (replace(CARDS, name=name),), ((6, 443, 443),), text,
                      span, comment),
        InheritedRule(True, (part("office", "10.20.10.77/32"),), (Term("barn"),), (), text, span),
    ]  # fmt: skip
    offer = InheritedOffer(((6, 443, 443),), ("copper",), IPv4Address("10.20.70.10"), text, span)
    device = FoundDevice("laptop", "office", (0x020000AA0901,), (), comment, span)
    site = replace(found(), devices=(*found().devices, device), domains=(name,))
    said = charter(
        write(some, [offer], site, "Tarn Hollow", unsaid=(Unsaid(text, comment, span),))  # type: ignore[arg-type]
    )
    assert [(r.let, r.services, r.because) for r in said.rules] == [
        (True, ("https",), BECAUSE), (True, ("anything",), BECAUSE)
    ]  # fmt: skip
    assert len(said.offers) == 1 and len(said.places) == 1


# Against a naive reading

OWN = tuple(prefix for area in found().areas for prefix in area.prefixes)
GATEWAYS = {ip_address(f"10.20.{n}.1") for n in (10, 20, 30, 40, 50, 60, 70)}
OUTSIDE = ("198.51.100.65", "198.51.100.130", "198.51.100.9", "8.8.4.4", "1.2.3.4")
TRIED: tuple[Part, ...] = ((6, 443, 443), (6, 9100, 9100), (17, 5060, 5060), (47, 0, 0))
KNOWN = {a: d.hardware[0] for d in found().devices if d.hardware for a in d.addresses}
STRANGER = 0x02_00_00_CC_00_01


def is_outside(address: IPv4Address) -> bool:
    return not any(address in prefix for prefix in OWN)


def who_fits(term: Term, entrance: str, source: IPv4Address, hardware: int) -> bool:
    """Does a term hold whoever starts? Straight from what `Term` says about itself."""
    if term.hardware:
        return hardware in term.hardware and entrance in AREAS
    inside = any(source in network for network in term.networks)
    if term.networks:
        return inside and (entrance == term.area if term.area else entrance in ("copper", "mast"))
    if term.name == "internet":
        return entrance in ("copper", "mast")
    return term.name in ("anyone", entrance)


def reach_fits(term: Term, destination: IPv4Address) -> bool:
    if term.networks:
        inside = any(destination in network for network in term.networks)
        return inside and destination not in GATEWAYS
    if term.name == "internet":
        return is_outside(destination) and destination not in GATEWAYS
    if term.name == "gateway":
        return destination in GATEWAYS
    area = next((a for a in found().areas if a.name == term.name), None)
    in_area = area is not None and any(destination in p for p in area.prefixes)
    return term.name == "anywhere" or (in_area and destination not in GATEWAYS)


def naive(some: Sequence[InheritedRule], attempt: tuple[str, IPv4Address, int, IPv4Address, Part]) -> bool:  # fmt: skip
    entrance, source, hardware, destination, (protocol, port, _) = attempt
    for one in some:
        if (
            any(who_fits(term, entrance, source, hardware) for term in one.who)
            and any(reach_fits(term, destination) for term in one.reach)
            and (not one.services or any(
                p == protocol and a <= port <= b for p, a, b in one.services))
        ):  # fmt: skip
            return one.let
    return False


def random_term(random: Random, reach: bool) -> Term:
    area = random.choice(found().areas)
    kind = random.randrange(7)
    first = int(area.prefixes[0][0])
    if kind < 2:
        length = random.choice((25, 26, 28, 30, 31, 32))
        networks = tuple(
            IPv4Network((first + random.randrange(2, 254), length), strict=False)
            for _ in range(random.randint(1, 3))
        )
        return Term(area=area.name, networks=networks)
    if kind == 2:
        return random.choice((CARDS, place("", "198.51.100.0/25"), place("", "198.51.100.9/32")))
    if kind == 3 and not reach:
        return Term(hardware=(STRANGER,))
    if kind < 6:
        return Term(area.name)
    return Term(
        random.choice(("internet", "gateway", "anywhere") if reach else ("internet", "anyone"))
    )


def random_rule(random: Random) -> InheritedRule:
    who = tuple(random_term(random, False) for _ in range(random.randint(1, 2)))
    reach = tuple(random_term(random, True) for _ in range(random.randint(1, 2)))
    services = random.sample(TRIED, random.randint(0, 2))
    text = f"rule {random.randrange(2)}"  # neighbours from one old rule are put together
    return InheritedRule(random.random() < 0.6, who, reach, tuple(services), text, HERE)


def attempts(random: Random, count: int) -> Iterator[tuple[str, IPv4Address, int, IPv4Address, Part]]:  # fmt: skip
    """Proper ones: a source that belongs where it enters, with its own hardware address."""
    for _ in range(count):
        entrance = random.choice((*AREAS, "copper"))
        area = next((a for a in found().areas if a.name == entrance), None)
        if area is None:
            source, hardware = IPv4Address(random.choice(OUTSIDE)), coding.HARDWARE_NONE
        else:
            pool = [a for a in KNOWN if a in area.prefixes[0]]
            source = IPv4Address(int(area.prefixes[0][0]) + random.randrange(2, 255))
            if pool and random.random() < 0.4:
                source = IPv4Address(str(random.choice(pool)))
            hardware = KNOWN.get(source, random.choice((STRANGER, 0x02_00_00_CC_00_02)))
        other = random.choice(found().areas)
        inside = IPv4Address(int(other.prefixes[0][0]) + random.randrange(2, 255))
        destination = random.choice(
            (inside, inside, IPv4Address(random.choice(OUTSIDE)), random.choice(list(GATEWAYS)))
        )
        if area is not None and destination in area.prefixes[0] and destination not in GATEWAYS:
            continue  # hosts of one area reach each other without the gateway
        yield entrance, source, hardware, IPv4Address(str(destination)), random.choice(TRIED)


@pytest.mark.parametrize("round", range(12))
def test_the_charter_lets_what_the_rules_let(round: int) -> None:
    seed = f"{os.environ.get('NETCHARTER_SEED', '1')}-{round}"
    random = Random(seed)
    some = [random_rule(random) for _ in range(random.randint(3, 25))]
    written = write(some)
    lost = {one.span for one in written.unsaid} & {HERE}
    assert not lost, [one for one in written.unsaid if one.span == HERE]
    made = plan(written)
    up = Environment(frozenset(("copper", "mast")), coding.NOBODY, NOW)
    decided = 0
    for attempt in attempts(random, 400):
        entrance, source, hardware, destination, (protocol, port, _) = attempt
        code = coding.service(protocol, port)[0]
        sent = Attempt(
            entrance, coding.address(source), hardware, coding.address(destination), code
        )
        outcome = fate(made, sent, up)
        if outcome.row.kind in ("housekeeping", "management"):
            assert outcome.row.label in ("unroutable", "forged", "directed-broadcast"), outcome
            continue
        decided += 1
        assert outcome.let == naive(some, attempt), (seed, attempt, outcome.row.label)
    assert decided > 100, seed
