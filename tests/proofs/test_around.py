"""Ways around: hand-made sites, published ports, and certificates that do not stand up.

`tests/oracle/test_around.py` asks the naive interpreter about random charters.
"""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache

import pytest

from netcharter.plan.coding import REAL_SERVICES
from netcharter.proofs.around import Around, Way, around
from netcharter.proofs.certify import ProofFault, Prover
from netcharter.proofs.channels import CHANNELS, REST
from netcharter.space.engine import Engine
from netcharter.space.model import Covered
from netcharter.space.ranges import subtract, union
from tests.proofs.sites import NOW, charter, planned

DEMO = charter(  # as the bunkrooms of the demo: who signs in may http, https and ntp
    rules="\n  - {let: club, reach: internet, with: [http, https, ntp], because: b}\n"
)
FIXED = "{device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}"
OTHER = "{device: eth9, address: 192.0.2.10/29, next-hop: 192.0.2.9, role: standby}"

PUBLISHED = {  # protocol and port, by the document that assigns them
    "other-resolvers": {(17, 53), (6, 53)},  # RFC 1035 section 4.2
    "dns-over-tls": {(6, 853)},  # RFC 7858 section 3.1
    "dns-over-quic": {(17, 853)},  # RFC 9250 section 4.1.1
    "dns-over-https": {(6, 443), (17, 443)},  # RFC 8484 section 1, RFC 9110 section 4.2.2
    "quic": {(17, 443)},  # RFC 9114 section 3.1
    "ip-in-ip": {(4, 0)},  # RFC 2003 section 3.1
    "ipv6-in-ip": {(41, 0)},  # RFC 4213 section 3.5
    "gre": {(47, 0)},  # RFC 2784 section 5
    "esp": {(50, 0)},  # RFC 4303 section 2
    "ah": {(51, 0)},  # RFC 4302 section 2
    "ike": {(17, 500), (17, 4500)},  # RFC 7296 section 2
    "l2tp": {(17, 1701), (115, 0)},  # RFC 2661 section 8.1, RFC 3931 section 4.1.1.1
    "pptp": {(6, 1723)},  # RFC 2637 section 3
    "teredo": {(17, 3544)},  # RFC 4380 section 2.7
    "socks": {(6, 1080)},  # RFC 1928 section 3
    "ssh": {(6, 22)},  # RFC 4253 section 4.2
    "inside-pings": {(1, 8 << 8), (58, 128 << 8)},  # RFC 792, RFC 4443 section 4.1
}


@cache
def shown(text: str) -> Around:
    return around(Prover(planned(text), NOW))


def way(text: str, channel: str, area: str = "club", family: int = 4) -> Way:
    (found,) = [one for one in shown(text).of(area, family) if one.channel.key == channel]
    return found


def standing(text: str, stands: str, area: str = "club", family: int = 4) -> set[str]:
    return {one.channel.key for one in shown(text).of(area, family) if one.stands == stands}


def test_ports_and_protocols_are_those_that_are_published() -> None:
    own = {
        one.key: {(code >> 16, code & 0xFFFF) for low, high in one.services for code in (low, high)}
        for one in CHANNELS
    }
    assert {key: own[key] for key in PUBLISHED} == PUBLISHED


def test_every_service_there_is_belongs_to_a_row() -> None:
    named = [one for one in CHANNELS if one.to == "internet" and one.key != "literal-addresses"]
    left = subtract(REAL_SERVICES, union(*(one.services for one in named)))
    assert {low >> 16 for low, _ in left} == {1, 58}, "nothing is left but ICMP without the ping"
    assert REST[0].counted + 18 == 2 * 65_536, "18 ports have rows of their own"


def test_who_may_http_https_and_ntp_has_these_ways_and_no_others() -> None:
    assert standing(DEMO, "open") == {"literal-addresses", "neighbours"}
    undecidable = {"dns-over-https", "inside-https", "other-ports", "resolver"}
    assert standing(DEMO, "undecidable") == undecidable
    assert len(standing(DEMO, "closed")) == len(CHANNELS) - 6
    assert way(DEMO, "other-ports").share == (2, REST[0].counted), "http and ntp"


def test_what_is_open_is_told_with_rule_people_and_a_connection() -> None:
    found = way(DEMO, "dns-over-https")
    (opening,) = found.openings
    assert (opening.decided_by, opening.who) == ("rule 1", "club (signed in)")
    assert opening.service == "https" and opening.when == "always" and found.always
    assert opening.span == next(row.span for row in planned(DEMO).rows if row.label == "rule 1")
    assert found.witness is not None and found.witness.sentence.endswith("let by rule 1.")
    assert "signed in" in found.witness.sentence and "https (tcp/443)" in found.witness.sentence


def test_ipv4_and_ipv6_stand_each_for_itself() -> None:
    six = DEMO.replace("reach: internet", "reach: bank").replace(
        "198.51.100.64/28", "2001:db8:b::/48"
    )
    lines = "address: 203.0.113.10/29, next-hop: 203.0.113.9"
    six = six.replace(lines, lines + ", prefix: '2001:db8:77::/48'")
    assert way(six, "dns-over-https").stands == "closed"
    assert way(six, "dns-over-https", family=6).stands == "undecidable"
    assert shown(six).families.holds, "a place of one family is left aside, and named"
    assert any("bank" in one for one in shown(six).families.one_family)


def test_at_some_times_the_earliest_instant_is_told() -> None:
    text = charter(
        hours='\n  eve: {weekly: {daily: "17:00-21:00"}}\n',
        rules="\n  - {let: home, reach: internet, with: udp/443, during: eve, because: b}\n",
    )
    found = way(text, "quic", "home")
    assert found.stands == "open" and not found.always
    assert found.first == datetime(2026, 11, 2, 17, tzinfo=UTC)
    assert found.openings[0].when == "during eve"
    assert found.witness is not None and found.witness.instant == found.first


def test_what_is_let_to_anything_leaves_every_way() -> None:
    text = charter(
        lines=f"\n  dsl: {FIXED}\n  mast: {OTHER}\n",
        rules="\n  - {let: home, reach: internet, with: anything, because: b}\n",
    )
    assert standing(text, "closed", "home") == set()
    assert standing(text, "undecidable", "home") == {c.key for c in CHANNELS if c.hidden}
    assert standing(text, "closed", "yard") == {c.key for c in CHANNELS} - {"resolver"}


def test_an_exit_that_refuses_others_closes_another_line() -> None:
    rules = "\n  - {let: home, reach: internet, with: https, because: b}\n"
    lines = f"\n  dsl: {FIXED}\n  mast: {OTHER}\n"
    free = charter(lines=lines, rules=rules)
    bound = charter(
        lines=lines, rules=rules, exits="\n  - {from: home, by: dsl, or-else: refused}\n"
    )
    assert way(free, "another-line", "home").lines == ("dsl", "mast")
    assert way(free, "another-line", "home").stands == "open"
    assert way(bound, "another-line", "home").lines == ("dsl",)
    assert way(bound, "another-line", "home").stands == "closed"


def test_neighbours_that_nobody_knows_are_undecidable() -> None:
    rules = "\n  - {let: home, reach: bank, with: https, because: b}\n"
    assert way(charter(rules=rules), "neighbours", "home").stands == "closed"
    text = charter(lines="\n  dsl: {device: eth0}\n", rules=rules)
    assert way(text, "neighbours", "home").stands == "undecidable"
    assert way(text, "neighbours", "yard").stands == "closed"


def test_an_engine_that_finds_nothing_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    prover = Prover(planned(DEMO), NOW)
    monkeypatch.setattr(Engine, "reached", lambda *_: Covered(()))
    with pytest.raises(ProofFault):
        around(prover)
