"""What lists name as hostile, and what of it is refused: never what the site depends on."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from ipaddress import ip_address, ip_network

import pytest

from netcharter.charter.read import read
from netcharter.plan import coding, make_plan
from netcharter.plan.fate import Attempt, Environment, fate
from netcharter.plan.hostile import stale
from netcharter.plan.listed import Listed
from netcharter.plan.shapes import Plan
from netcharter.space.ranges import disjoint, has, intersect, subset

NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)
CHARTER = """charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: [desk]}
lines:
  dsl: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9, prefix: "2001:db8:77::/48", translator: "64:ff9b::/96",
    watch: {targets: [192.0.2.77]}}
areas:
  home: {device: eth1, prefix: 10.20.0.0/24}
devices:
  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}
places:
  wide: {prefixes: [192.0.2.0/24]}
  ambulance: {prefixes: [192.0.2.16/28]}
  bank: {prefixes: [192.0.2.32/28]}
  shop: {prefixes: [192.0.2.48/28]}
  partners: {list: known}
lists:
  seen: {of: addresses, from: "https://lists.example/seen"}
  known: {of: addresses, entries: [192.0.2.128/25, 10.0.0.0/8, 203.0.113.10]}
hostile: {lists: [seen], except: EXCEPT}
rules:
  - {let: home, reach: ambulance, with: https, emergency: true, because: help}
  - {let: home, reach: [wide, shop, internet], with: https, because: work}
promises:
  - {always: home, reach: bank, with: https}
"""
ALL = Listed(b"# of today\n192.0.2.0/24 ; all of it\n203.0.113.0/24\n10.0.0.0/8\n0.0.0.0/0\nx\n")


def plan_of(seen: Listed | None = ALL, excepted: str = "[shop]") -> Plan:
    reading = read(CHARTER.replace("EXCEPT", excepted), "hut.yaml")
    assert reading.charter is not None, reading.diagnostics
    return make_plan(reading.charter, lists={} if seen is None else {"seen": seen})


def address(text: str) -> int:
    return coding.address(ip_address(text))


@pytest.mark.parametrize(
    ("who", "cut"),
    [
        ("192.0.2.1", True),
        ("192.0.2.200", True),
        ("192.0.2.16", False),  # of an emergency
        ("192.0.2.32", False),  # promised always to be reached
        ("192.0.2.48", False),  # excepted
        ("192.0.2.77", False),  # a line is watched by it
        ("203.0.113.9", False),  # next hop
        ("203.0.113.12", False),  # a line's own network
        ("10.20.0.5", False),  # the site itself
        ("64:ff9b::192.0.2.1", True),  # translators lead there (RFC 6052)
        ("64:ff9b::192.0.2.16", False),
        ("64:ff9b::192.0.2.48", False),
        ("64:ff9b::203.0.113.9", False),
        ("8.8.8.8", False),  # no line of any list but one that is too wide to be meant
    ],
)
def test_what_is_refused_of_what_a_list_names(who: str, cut: bool) -> None:
    assert has(plan_of().hostile, address(who)) is cut


def test_both_ways_and_the_gateway_too_but_not_where_others_decide_before() -> None:
    plan, up = plan_of(), Environment(frozenset({"dsl"}), "", NOW)
    https = (6 << 16) + 443
    hostile, free = address("192.0.2.1"), address("192.0.2.48")
    mine, gateway = address("10.20.0.9"), address("203.0.113.10")
    mine6, hostile6 = address("2001:db8:77:1::9"), address("64:ff9b::192.0.2.1")
    none, some = coding.HARDWARE_NONE, 0x0200000000FF

    def by(entrance: str, source: int, to: int, hardware: int = none, service: int = https) -> str:
        return fate(plan, Attempt(entrance, source, hardware, to, service), up).row.label

    assert by("home", mine, hostile, some) == "hostile"
    assert by("home", mine6, hostile6, some) == "hostile"
    assert by("dsl", hostile6, mine6) == "hostile"
    assert by("home", mine, free, some) == "rule 2"
    assert by("home", mine6, address("64:ff9b::192.0.2.48"), some) == "rule 2"
    assert by("gateway", gateway, hostile) == "hostile"
    assert by("gateway", gateway, free) == "gateway-own"
    assert by("dsl", hostile, gateway, service=(1 << 16) + 8 * 256) == "hostile"
    assert by("dsl", free, gateway) == "default"
    assert by("home", address("10.30.0.1"), hostile, some) == "forged"


def test_whom_the_gateway_asks_for_names_and_for_the_time_no_list_cuts_off() -> None:
    """By their addresses, those of names even where these lead to what a list names."""
    text = CHARTER.replace("EXCEPT", "[shop]").replace("[desk]}", "[desk], time-servers: SERVERS}")
    text += "resolvers: [192.0.2.91, {address: 192.0.2.92, tls: dns.example.net}]\n"
    up = Environment(frozenset({"dsl"}), "", NOW)

    def by(servers: str, to: str, service: int) -> str:
        charter = read(text.replace("SERVERS", servers), "hut.yaml").charter
        assert charter is not None
        plan = make_plan(charter, lists={"seen": ALL})
        gateway, none = address("203.0.113.10"), coding.HARDWARE_NONE
        return fate(plan, Attempt("gateway", gateway, none, address(to), service), up).row.label

    dns, tls, ntp = (17 << 16) + 53, (6 << 16) + 853, (17 << 16) + 123
    named, numbers = "[time.example.net, 192.0.2.93]", "[192.0.2.93]"
    assert by(numbers, "192.0.2.91", dns) == by(numbers, "192.0.2.92", tls) == "gateway-own"
    assert by(numbers, "192.0.2.93", ntp) == "gateway-own"
    assert by(numbers, "192.0.2.94", ntp) == by(numbers, "192.0.2.94", dns) == "hostile"
    assert by(named, "192.0.2.94", ntp) == "time"
    assert by(named, "192.0.2.94", dns) == "hostile"


def test_a_place_made_of_a_list_is_what_that_names_of_the_internet() -> None:
    place = plan_of().places["partners"]
    prefixes = map(ip_network, ("192.0.2.128/25", "64:ff9b::192.0.2.128/121"))
    assert place == coding.network(*prefixes)


def test_what_nobody_has_told_is_empty_and_said() -> None:
    plan = plan_of(None)
    assert plan.hostile == ()
    assert ("list-unknown", "note") in {(n.id, n.severity) for n in plan.notes}
    assert not any(n.id == "exception-excepts-nothing" for n in plan.notes)


def test_what_is_wrong_with_lists_is_told_with_their_lines() -> None:
    notes = {n.id: n.message for n in plan_of().notes}
    assert "3 entries are taken" in notes["list-lines-refused"]
    assert "line 5) takes in more than anybody is given" in notes["list-lines-refused"]
    assert "line 6) is no address, prefix or range" in notes["list-lines-refused"]
    taken = notes["list-names-protected"]
    assert "the site's own addresses (line 3: 203.0.113.0/24)" in taken
    assert "the place ambulance" in taken and "the place bank" in taken
    assert notes["hostile-place"].startswith("a part of wide, of which rule 2 speaks, is refused")
    assert "the list seen, line 2: 192.0.2.0/24" in notes["hostile-place"]
    assert "exception-excepts-nothing" not in notes
    idle = {n.id: n for n in plan_of(excepted="[8.8.8.0/24]").notes}["exception-excepts-nothing"]
    assert "8.8.8.0/24" in idle.message and idle.span.line == 19


def test_a_list_that_names_everything_cuts_off_nothing_that_is_protected() -> None:
    halves = b"".join(b"%d.0.0.0/8\n" % first for first in range(256)) + b"2001::/16\n2000::/16\n"
    plan = plan_of(Listed(halves), excepted="[desk]")
    for name in ("ambulance", "bank"):
        assert disjoint(plan.hostile, plan.places[name])
    assert disjoint(plan.hostile, plan.gateway)
    assert subset(plan.hostile, plan.internet)
    (much,) = [note for note in plan.notes if note.id == "lists-cut-off-much"]
    assert much.severity == "error" and "99 % of the IPv4 internet" in much.message
    assert intersect(plan.hostile, plan.places["shop"]) == plan.places["shop"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (b"\n".join(b"%d.0.0.0/8" % first for first in range(1, 50)), 0),
        (b"\n".join(b"%d.0.0.0/8" % first for first in range(1, 80)), 1),
        (b"\n".join(b"%x::/16" % first for first in range(0x2000, 0x2700)), 0),
        (b"\n".join(b"%x::/16" % first for first in range(0x2000, 0x2900)), 1),
    ],
)
def test_lists_that_cut_off_more_than_a_quarter_of_a_family_are_an_error(text: bytes, told: int) -> None:  # fmt: skip
    assert [n.id for n in plan_of(Listed(text)).notes].count("lists-cut-off-much") == told


def test_what_came_long_ago_is_told() -> None:
    charter = plan_of().charter
    came = Listed(b"192.0.2.0/24", NOW - timedelta(days=3))
    assert [one.message for one in stale(charter, {"seen": came}, NOW)] == [
        "what the list seen holds came 3 days ago"
    ]
    fresh = Listed(b"192.0.2.0/24", NOW - timedelta(hours=48))
    assert not list(stale(charter, {"seen": fresh, "known": Listed(b"")}, NOW))
