"""The naive interpreter against cases worked out by hand from docs/explanation/model.md."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from ipaddress import ip_address, ip_network

import pytest

from tests.oracle.naive import (
    GUEST,
    NOBODY,
    Attempt,
    Environment,
    Fate,
    exists,
    fate,
    is_internet,
    is_open,
    is_special,
)
from tests.oracle.promises import promise_broken
from tests.oracle.site import Address, Site, prepare

CHARTER = """
charter: 1
site: {name: Tarn Hollow, timezone: Europe/London, managed-from: laptop,
       local-prefix: "fd5c:7a11:b0e::/48"}
lines:
  copper: {device: eth0, address: [203.0.113.10/29, "2001:db8:ff::2/64"],
           next-hop: [203.0.113.9, "2001:db8:ff::1"]}
  mast: {device: eth1, address: automatic, role: standby}
areas:
  office: {device: eth2, prefix: [10.1.0.0/24, "fd5c:7a11:b0e:1::/64"]}
  bunks: {device: eth3, prefix: [10.2.0.0/24, "fd5c:7a11:b0e:2::/64"], sign-in: required}
devices:
  laptop: {area: office, hardware: "02:00:00:00:00:01", address: 10.1.0.5}
  server: {area: office, hardware: "02:00:00:00:00:02", address: [10.1.0.6, "fd5c:7a11:b0e:1::6"]}
people:
  rowan: {groups: wardens}
groups: {wardens: {}}
places:
  payments: {prefixes: [198.51.100.64/28]}
hours:
  night: {weekly: {daily: "22:00-06:00"}, dates: {2026-12-25: closed}}
  small: {weekly: {sun: "01:15-01:45"}}
rules:
  - {let: office, reach: payments, with: https}
  - {let: wardens, reach: internet, with: http, until: 2026-12-31}
  - {refuse: office, reach: internet, with: ssh, manner: quietly, name: no far shells}
offers:
  - {offer: https, on: [copper, mast], to: server, at: 8443}
promises:
  - {never: internet, reach: office}
  - {always: laptop, reach: gateway, with: ssh}
  - {always: mast, reach: server, with: https}
  - {only: office, reach: payments, with: https}
"""
LAPTOP, SERVER, STRANGER = 0x020000000001, 0x020000000002, 0x020000000099
NOON = datetime(2026, 12, 1, 12, tzinfo=UTC)
BOTH = frozenset({"copper", "mast"})
TCP, UDP = 6, 17


@pytest.fixture(scope="module")
def site() -> Site:
    return prepare(CHARTER, {})


def at(text: str) -> datetime:
    return datetime.fromisoformat(text + "+00:00")


def ask(
    site: Site,
    entrance: str,
    source: str | Address,
    destination: str | Address,
    number: int,
    *,
    protocol: int = TCP,
    hardware: int | None = None,
    up: frozenset[str] = BOTH,
    who: str = NOBODY,
    instant: datetime = NOON,
) -> Fate:
    ends = [ip_address(end) if isinstance(end, str) else end for end in (source, destination)]
    attempt = Attempt(entrance, ends[0], hardware, ends[1], protocol, number)
    environment = Environment(up, who, instant)
    assert exists(site, attempt, environment)
    return fate(site, attempt, environment)


def test_a_rule_lets_what_it_says_and_the_default_refuses_the_rest(site: Site) -> None:
    asked = ("office", "10.1.0.77", "198.51.100.65")
    assert ask(site, *asked, 443, hardware=STRANGER) == Fate("let", None, None, "rule 1", "rule")
    refused = ask(site, *asked, 444, hardware=STRANGER)
    assert refused == Fate("refused", "reset", None, "default", "default")
    silent = ask(site, *asked, 22, hardware=STRANGER)
    assert silent == Fate("refused", "silent", None, "no far shells", "rule")
    assert ask(site, *asked, 9, protocol=UDP, hardware=STRANGER).manner == "prohibited"


def test_addresses_are_tied_to_hardware_both_ways(site: Site) -> None:
    far = "198.51.100.65"
    assert ask(site, "office", "10.1.0.5", far, 443, hardware=LAPTOP).decider == "rule 1"
    assert ask(site, "office", "10.1.0.5", far, 443, hardware=STRANGER).decider == "bound"
    assert ask(site, "office", "10.1.0.7", far, 443, hardware=LAPTOP).decider == "bound"
    assert ask(site, "office", "10.2.0.7", far, 443, hardware=LAPTOP).decider == "forged"
    assert ask(site, "office", "10.1.0.1", far, 443, hardware=LAPTOP).decider == "forged"


def test_people_count_only_where_one_signs_in_and_until_their_day_is_over(site: Site) -> None:
    asked = ("bunks", "10.2.0.9", "198.51.100.65", 80)
    assert ask(site, *asked, hardware=STRANGER).decider == "sign-in"
    assert ask(site, *asked, hardware=STRANGER, who=GUEST).decider == "default"
    assert ask(site, *asked, hardware=STRANGER, who="rowan").decider == "rule 2"
    for instant, decider in (("2026-12-31T23:59:59", "rule 2"), ("2027-01-01T00:00:00", "default")):
        found = ask(site, *asked, hardware=STRANGER, who="rowan", instant=at(instant))
        assert found.decider == decider


def test_an_offer_translates_exactly_what_it_matches(site: Site) -> None:
    inner = (ip_address("10.1.0.6"), 443)
    public = ask(site, "copper", "198.51.100.70", "203.0.113.10", 8443)
    assert public == Fate("let", None, inner, "offer 1", "offer")
    unknown = ask(site, "mast", "198.51.100.70", ("unknown", "mast", 4), 8443)
    assert unknown.delivered == inner
    assert ask(site, "copper", "198.51.100.70", "203.0.113.10", 443).decider == "default"
    assert ask(site, "copper", "203.0.113.12", "10.1.0.6", 443).decider == "default"


def test_the_ways_out_depend_on_the_lines_that_are_up(site: Site) -> None:
    asked = ("office", "10.1.0.77", "198.51.100.65", 443)
    nothing: frozenset[str] = frozenset()
    assert ask(site, *asked, hardware=STRANGER, up=nothing).decider == "no-line"
    assert ask(site, *asked, hardware=STRANGER, up=frozenset({"mast"})).decider == "rule 1"
    local = ("office", "fd5c:7a11:b0e:1::99", "2606:2800::1", 443)
    assert ask(site, *local, hardware=STRANGER).decider == "local-prefix"


def test_housekeeping_comes_in_the_order_of_the_model(site: Site) -> None:
    for entrance, source, destination, protocol, number, hardware, decider in (
        ("gateway", "10.1.0.1", "127.0.0.1", TCP, 1, None, "loopback"),
        ("office", "fe80::9", "ff02::1:ff00:1", 58, 135 * 256, STRANGER, "neighbour-discovery"),
        ("office", "fe80::9", "ff02::1", 58, 134 * 256, STRANGER, "forged"),
        ("copper", "fe80::9", "ff02::1", 58, 134 * 256, None, "neighbour-discovery"),
        ("office", "0.0.0.0", "255.255.255.255", UDP, 67, STRANGER, "dhcp"),
        ("copper", "0.0.0.0", "255.255.255.255", UDP, 68, None, "forged"),
        ("mast", "0.0.0.0", "255.255.255.255", UDP, 68, None, "dhcp"),
        ("copper", "10.9.9.9", "203.0.113.10", TCP, 443, None, "forged"),
        ("bunks", "10.2.0.9", "10.1.0.255", TCP, 1, STRANGER, "directed-broadcast"),
        ("office", "10.1.0.77", "10.1.0.255", TCP, 1, STRANGER, "directed-broadcast"),
        ("office", "10.1.0.77", "10.1.0.78", TCP, 1, STRANGER, "same-area"),
        ("office", "10.1.0.77", "224.0.0.1", TCP, 1, STRANGER, "multicast"),
        ("office", "10.1.0.77", "10.9.9.9", TCP, 1, STRANGER, "unroutable"),
        ("office", "10.1.0.77", "10.2.0.1", 1, 8 * 256, STRANGER, "echo"),
        ("copper", "198.51.100.70", "203.0.113.10", 1, 8 * 256, None, "default"),
        ("bunks", "10.2.0.9", "10.2.0.1", TCP, 443, STRANGER, "gate"),
        ("office", "10.1.0.5", "203.0.113.10", TCP, 22, LAPTOP, "management"),
        ("office", "10.1.0.6", "203.0.113.10", TCP, 22, SERVER, "default"),
        ("gateway", "203.0.113.10", "198.51.100.65", UDP, 123, None, "gateway-own"),
    ):
        found = ask(
            site, entrance, source, destination, number, protocol=protocol, hardware=hardware
        )
        assert found.decider == decider, (entrance, source, destination)


def test_what_cannot_be_is_no_attempt(site: Site) -> None:
    four, six = ip_address("198.51.100.70"), ip_address("2606:2800::1")
    up = Environment(BOTH, NOBODY, NOON)
    for attempt, environment, possible in (
        (Attempt("copper", four, None, four, TCP, 1), up, True),
        (Attempt("copper", four, None, six, TCP, 1), up, False),
        (Attempt("copper", four, STRANGER, four, TCP, 1), up, False),
        (Attempt("office", four, None, four, TCP, 1), up, False),
        (Attempt("mast", four, None, four, TCP, 1), Environment(BOTH - {"mast"}, "", NOON), False),
        (Attempt("office", four, STRANGER, four, TCP, 1), Environment(BOTH, GUEST, NOON), False),
        (Attempt("bunks", four, STRANGER, four, TCP, 1), Environment(BOTH, GUEST, NOON), True),
    ):
        assert exists(site, attempt, environment) == possible


def test_a_window_over_midnight_belongs_to_the_day_it_starts_on(site: Site) -> None:
    for instant, answer in (
        ("2026-12-01T21:59:59", False),
        ("2026-12-01T22:00:00", True),
        ("2026-12-02T05:59:59", True),
        ("2026-12-02T06:00:00", False),
        ("2026-12-25T05:00:00", True),  # still Christmas Eve's window
        ("2026-12-25T22:30:00", False),
        ("2026-12-26T05:00:00", False),
        ("2026-12-26T22:00:00", True),
    ):
        assert is_open(site, "night", at(instant)) == answer, instant


def test_a_skipped_hour_is_never_open_and_a_repeated_one_is_open_twice(site: Site) -> None:
    """Europe/London changes on 28 March and 31 October 2027 at 01:00 UTC (IANA time zones)."""
    spring = [at(f"2027-03-28T0{hour}:{minute}:00") for hour in (0, 1) for minute in (15, 30, 45)]
    assert not any(is_open(site, "small", instant) for instant in spring)
    autumn = ("2027-10-31T00:30:00", "2027-10-31T01:30:00", "2027-10-31T02:30:00")
    assert [is_open(site, "small", at(instant)) for instant in autumn] == [True, True, False]


def test_special_blocks_are_those_of_the_registry(site: Site) -> None:
    """RFC 6890 section 2.2 as printed, and the later rows named beside the interpreter's table."""
    for text, special in (
        ("0.0.0.0", True),
        ("1.0.0.0", False),
        ("100.63.255.255", False),
        ("100.64.0.0", True),
        ("100.127.255.255", True),
        ("100.128.0.0", False),
        ("172.31.255.255", True),
        ("172.32.0.0", False),
        ("192.0.0.8", True),
        ("192.0.0.9", False),
        ("192.0.0.10", False),
        ("192.0.0.11", True),
        ("198.17.255.255", False),
        ("198.19.255.255", True),
        ("223.255.255.255", False),
        ("224.0.0.0", True),
        ("255.255.255.254", True),
        ("64:ff9b:1::1", True),
        ("2001:1::3", False),
        ("2001:1::4", True),
        ("2001:1ff:ffff::1", True),
        ("2001:200::1", False),
        ("2001:db8:1::1", True),
        ("3fff:fff::1", True),
        ("3fff:1000::1", False),
        ("fdff::1", True),
        ("fec0::1", True),  # outside 2000::/3, RFC 4291 section 2.4
        ("4000::1", True),
        ("::12", True),
    ):
        assert is_special(site, ip_address(text)) == special, text


def test_what_the_charter_says_is_real_is_no_special_address(site: Site) -> None:
    for text, internet in (
        ("203.0.113.9", True),
        ("203.0.113.10", False),  # the gateway's own
        ("203.0.113.15", True),
        ("203.0.113.16", False),
        ("198.51.100.64", True),
        ("198.51.100.80", False),
        ("2001:db8:ff::77", True),
    ):
        assert is_internet(site, ip_address(text)) == internet, text


def test_where_a_translator_leads_is_what_the_ipv4_address_is(site: Site) -> None:
    """RFC 6052 with the example of its section 2.4; none that is special (section 3.1)."""
    told = (
        ("8.8.8.8", True),
        ("192.0.2.33", False),
        ("10.1.2.3", False),
        ("198.51.100.64", True),  # the charter says it is real
        ("203.0.113.10", False),  # the gateway's own
    )
    line = next(iter(site.lines.values()))
    for prefix in ("64:ff9b::", "2606:2800:64::"):
        for text, _ in told:
            assert not is_internet(site, ip_address(f"64:ff9b::{text}"))
        translating = replace(line, translator=ip_network(f"{prefix}/96"))
        other = replace(site, lines={**site.lines, line.name: translating})
        for text, internet in told:
            assert is_internet(other, ip_address(f"{prefix}{text}")) == internet, text


def test_promises_are_broken_by_the_attempts_that_break_them(site: Site) -> None:
    never, always, from_mast, only = site.promises
    environment = Environment(BOTH, NOBODY, NOON)
    outside, own = ip_address("198.51.100.70"), ip_address("203.0.113.10")
    offered = Attempt("copper", outside, None, own, TCP, 8443)
    assert promise_broken(site, never, offered, environment)
    assert not promise_broken(
        site, never, Attempt("copper", outside, None, own, TCP, 1), environment
    )
    managed = Attempt("office", ip_address("10.1.0.5"), LAPTOP, own, TCP, 22)
    assert not promise_broken(site, always, managed, environment)
    assert promise_broken(site, only, managed, environment)
    shown = Attempt("mast", outside, None, ("unknown", "mast", 4), TCP, 8443)
    assert not promise_broken(site, from_mast, shown, environment)
    asked = Attempt("office", ip_address("10.1.0.77"), STRANGER, outside, TCP, 443)
    assert not promise_broken(site, only, asked, environment)
