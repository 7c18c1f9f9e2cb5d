"""What the plan decides about names: what lists hold, what is not known, what is the site's own."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from ipaddress import ip_network

import dns.name
import dns.reversename
import pytest

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.listed import Listed
from netcharter.plan.names.deciding import Asker, Verdict, decide
from netcharter.plan.names.finding import Finder
from netcharter.plan.names.special import NOWHERE, REVERSE, zones_of
from netcharter.plan.shapes import Plan
from netcharter.proofs import prove

TEXT = """
charter: 1
site: {{name: Hut, timezone: Europe/London, managed-from: desk}}
lines: {{copper: {{device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}}}}
areas: {{home: {{device: eth1, prefix: 10.9.0.0/27}}, yard: {{device: eth2, prefix: 10.9.1.0/24}}}}
devices:
  desk: {{area: home, hardware: 02:00:00:aa:00:01, address: lasting}}
  shop: {{area: yard, hardware: 02:00:00:aa:00:02, address: lasting}}
{more}
"""
NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)
FAR = "lists: {far: {from: 'https://lists.example.org/a'}}\n"


def plan(more: str, lists: Mapping[str, Listed] = {}) -> Plan:
    reading = read(TEXT.format(more=more), "hut.yaml")
    assert reading.charter is not None, reading.diagnostics
    return make_plan(reading.charter, lists=lists)


def asked(plan: Plan, name: str, area: str = "home", type: str = "A") -> Verdict:
    return decide(plan.names, Asker(area), name, type, lambda *_: True, Finder(plan.names))


def said(plan: Plan, name: str, area: str = "home") -> str:
    return asked(plan, name, area).met.row.action


def test_a_list_in_each_form_means_what_its_form_says() -> None:
    """plain: all below; hosts: the name alone (common practice, no source); a response policy zone:
    `*.` for what is below, `rpz-passthru.` for exceptions (draft-vixie-dnsop-dns-rpz)."""
    rules = FAR + "names: [{withhold: far, for: anyone}]"
    for text, withheld, answered in (
        (b"play.example\n", ("play.example", "a.play.example"), ("example", "xplay.example")),
        (b"0.0.0.0 play.example\n", ("play.example",), ("a.play.example",)),
        (b"*.play.example CNAME .\ngood.play.example CNAME rpz-passthru.\n",
         ("a.play.example", "b.c.play.example"), ("play.example", "good.play.example")),
    ):  # fmt: skip
        known = plan(rules, {"far": Listed(text)})
        assert [said(known, name) for name in withheld] == ["withhold"] * len(withheld), text
        assert [said(known, name) for name in answered] == ["answer"] * len(answered), text


def test_what_nobody_has_told_yet_may_decide_and_is_said() -> None:
    rules = (
        FAR + "names: [{answer: a.example, for: home}, {withhold: far, for: home}, "
        "{withhold: b.example, for: home}]"
    )
    unknown = plan(rules)
    first, other, alike = (asked(unknown, name) for name in ("a.example", "c.example", "b.example"))
    assert first.certain and first.met.row.action == "answer"  # an exception before it wins
    assert not other.certain and other.may[0].list == "far" and other.met.row.label == "default"
    assert alike.certain and alike.may  # withheld either way
    assert asked(unknown, "c.example", "yard").certain  # the list is not for the yard
    (told,) = [d for d in prove(unknown, NOW).findings if d.id == "list-unknown"]
    assert "may be so or otherwise" in told.message and told.span.line == 9


def test_a_list_that_cannot_be_used_is_told_and_decides_nothing_for_sure() -> None:
    rules = FAR + "names: [{withhold: far, for: home}]"
    broken = plan(rules, {"far": Listed(b"<!doctype html><p>not found</p>\n")})
    assert not asked(broken, "c.example").certain
    found = {d.id: d.message for d in prove(broken, NOW).findings}
    assert "web page" in found["list-unusable"]


def test_a_list_of_long_ago_and_lines_that_hold_no_name_are_told() -> None:
    rules = FAR + "names: [{withhold: far, for: home}]"
    text = b"play.example\n<b>\nbad name.example\n"
    for days, old in ((2, False), (3, True)):  # 48 hours; common practice, no source
        listed = Listed(text, NOW - timedelta(days=days))
        found = {d.id: d.message for d in prove(plan(rules, {"far": listed}), NOW).findings}
        assert ("list-old" in found) == old
        assert "the first 2" in found["list-lines-refused"]


def test_names_are_compared_as_the_dns_compares_them() -> None:
    found = plan("names: [{withhold: [Bücher.EXAMPLE, example.], for: home}]")
    assert said(found, "www.xn--bcher-kva.example") == "withhold"
    assert said(found, "example") == "withhold" and said(found, "example.org") == "answer"


def test_a_name_that_cannot_be_is_told_at_its_place() -> None:
    """A snowman is no letter of names (IDNA 2008, RFC 5892)."""
    notes = plan("names: [{withhold: [play.example, ☃.example], for: home}]").notes
    assert [(d.id, d.severity) for d in notes if d.id == "no-such-name"] == [
        ("no-such-name", "error")
    ]


@pytest.mark.parametrize("network", ["10.9.0.0/27", "192.0.2.0/23", "10.0.0.0/8", "198.51.100.7/32",
                                     "2001:db8:7:1::/64", "fd00::/8"])  # fmt: skip
def test_reverse_zones_are_those_of_another_library(network: str) -> None:
    """dnspython names an address; the zones hold the first and last address and not their neighbours."""
    net = ip_network(network, strict=False)
    zones = [dns.name.from_text(zone) for zone in zones_of(net)]

    def held(number: int) -> bool:
        name = dns.reversename.from_address(str(net[0] + number))
        return any(name.is_subdomain(zone) for zone in zones)

    assert held(0) and held(net.num_addresses - 1)
    assert not held(-1) and not held(net.num_addresses)


def test_the_zones_of_the_rfcs_are_never_asked_for_outside() -> None:
    found = plan("names: [{answer: anything, for: anyone}]")
    for zone in (*NOWHERE, *REVERSE):
        name = f"x.{zone}"
        verdict = asked(found, name)
        assert verdict.met.row.action in ("none", "local") and not verdict.found, name


def test_an_answer_before_it_turns_the_canary_off_and_a_rule_for_others_does_not_turn_it_on() -> (
    None
):
    bound = plan("names: [{withhold: play.example, for: home}]")
    assert (said(bound, "use-application-dns.net"), said(bound, "use-application-dns.net", "yard")) == (
        "none", "answer",
    )  # fmt: skip
    freed = plan(
        "names: [{answer: use-application-dns.net, for: home}, {withhold: play.example, for: home}]"
    )
    assert said(freed, "use-application-dns.net") == "answer"


@pytest.mark.parametrize("term", ["anything", "net.", "use-application-dns.net", "resolvers"])
def test_what_withholds_the_canary_too_does_not_let_it_sing(term: str) -> None:
    """An address in answer to it, the gateway's even, would tell programs to ask somebody else
    (Mozilla's "Canary domain - use-application-dns.net": no records or NXDOMAIN turn it off; from
    memory)."""
    lists = "lists: {resolvers: {entries: [use-application-dns.net, doh.example]}}\n"
    found = plan(f"{lists}names: [{{withhold: {term}, for: home}}]")
    assert said(found, "use-application-dns.net") == "none"
    freed = plan(
        f"{lists}names: [{{answer: use-application-dns.net, for: home}},"
        f" {{withhold: {term}, for: home}}]"
    )
    assert said(freed, "use-application-dns.net") == "answer"


def test_an_answer_frees_the_canary_where_it_stands_before_what_binds_who_asks() -> None:
    found = plan(
        "names: [{withhold: play.example, for: yard}, {answer: use-application-dns.net, for: home},"
        " {withhold: play.example, for: home}, {answer: use-application-dns.net, for: yard}]"
    )
    assert said(found, "use-application-dns.net") == "answer"
    assert said(found, "use-application-dns.net", "yard") == "none"


def test_a_name_of_an_offer_has_no_hints_that_would_lead_around_it() -> None:
    """HTTPS records carry addresses (RFC 9460 section 7.3); of what is answered here there is none."""
    found = plan("offers: [{offer: https, on: copper, to: shop, as: www.example.org}]")
    assert asked(found, "www.example.org", type="HTTPS").addresses == ()
    (shop,) = (one for one in found.devices if one.name == "shop")
    assert asked(found, "www.example.org").addresses == shop.addresses4


def test_an_offer_at_another_port_is_met_at_the_line() -> None:
    found = plan("offers: [{offer: https, on: copper, to: shop, at: 8443, as: www.example.org}]")
    assert [str(a) for a in asked(found, "www.example.org").addresses] == ["203.0.113.10"]
