"""Lines: what they lack, by what iproute2 prints of a kernel, and when that is an alarm."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest

from netcharter.render import render
from netcharter.steward.duties import health
from netcharter.steward.loop import lines
from netcharter.steward.loop.lines import Held, lacks_address, lacks_route
from netcharter.steward.schedule import schedule
from netcharter.steward.shapes import Facts, LineDue, LineFact, Machine
from netcharter.tasks.sources import Source, usable_plan
from tests.steward.kernel import SYNCHRONISED, at

NOW = at("2026-11-26 03:00")
COPPER = LineDue("copper", "eth0", ("203.0.113.9",), ("203.0.113.10/29",), ((4, "101"),))
MAST = LineDue("mast", "eth1", automatic=True, routes=((4, "main"), (6, "main")))
TEXT = """\
charter: 1
site: {name: Hut, timezone: Europe/London}
lines:
  copper: {device: eth0, address: [203.0.113.10/29, '2001:db8:5::2/64'], next-hop: [203.0.113.9, '2001:db8:5::1']}
  mast: {device: eth9.7, address: automatic, role: standby}
MORE
areas:
  office: {device: eth2, hosts: 12}
"""
# As iproute2 6.1 prints them.
ADDRESSES = [
    {"ifindex": 1, "ifname": "lo", "addr_info": [{"local": "127.0.0.1", "prefixlen": 8}]},
    {
        "ifname": "eth0",
        "addr_info": [
            {"family": "inet", "local": "203.0.113.10", "prefixlen": 29, "scope": "global"},
            {"family": "inet6", "local": "fe80::1", "prefixlen": 64, "scope": "link"},
            {"family": "inet6", "local": "2001:db8::9", "prefixlen": 64, "dadfailed": True},
        ],
    },
    {"ifname": "eth1", "addr_info": [{"local": "fe80::2", "prefixlen": 64}]},
    {"ifname": "eth3"},
]


def test_addresses_are_read_without_those_that_nobody_can_be_reached_at() -> None:
    """An address of the link alone is nobody's way out (RFC 4291 section 2.5.6), and one that
    another host has is not used (RFC 4862 section 5.4.5)."""
    found = lines.addresses(json.dumps(ADDRESSES).encode())
    assert found is not None
    assert {device: sorted(there) for device, there in found.items()} == {
        "lo": ["127.0.0.1/8"], "eth0": ["203.0.113.10/29"], "eth1": [], "eth3": []
    }  # fmt: skip


def test_default_routes_are_read_with_their_tables() -> None:
    said = [
        {"dst": "default", "gateway": "203.0.113.9", "dev": "eth0", "table": "101", "flags": []},
        {"dst": "default", "table": "100", "nexthops": [
            {"gateway": "203.0.113.9", "dev": "eth0", "weight": 1, "flags": []},
            {"gateway": "192.0.2.1", "dev": "eth1", "weight": 1, "flags": ["dead", "linkdown"]},
        ]},
        {"dst": "default", "gateway": "192.0.2.1", "dev": "eth1", "flags": ["linkdown"]},
        {"type": "prohibit", "dst": "default", "table": "300"},
        {"dst": "198.51.100.0/24", "dev": "eth5"},
    ]  # fmt: skip
    found = lines.routes(json.dumps(said).encode(), 4)
    assert found == frozenset({(4, "101", "eth0"), (4, "100", "eth0")})
    assert lines.routes(b'[{"dst": "default", "dev": "eth0"}]', 6) == frozenset(
        {(6, "main", "eth0")}
    )


@pytest.mark.parametrize("listing", [None, b"{", b"3", b'{"a": 1}'])
def test_what_is_no_listing_is_not_known(listing: bytes | None) -> None:
    assert lines.addresses(listing) is None and lines.routes(listing, 4) is None


@pytest.mark.parametrize(
    "listing", [b'[1, {"addr_info": [2, {"local": 5}]}]', b'[{"addr_info": 7}]']
)
def test_rows_that_are_none_are_left_out(listing: bytes) -> None:
    assert lines.addresses(listing) == {"None": frozenset()}


def held(addresses: dict[str, set[str]], *routes: tuple[int, str, str]) -> Held:
    return Held({k: frozenset(v) for k, v in addresses.items()}, frozenset(routes))


def test_a_fixed_line_has_just_its_own_address_and_its_own_table() -> None:
    whole = held({"eth0": {"203.0.113.10/29", "192.0.2.1/24"}}, (4, "101", "eth0"))
    assert lacks_address(COPPER, whole) == () and lacks_route(COPPER, whole) == ()
    other = held({"eth0": {"203.0.113.11/29"}}, (4, "main", "eth0"), (4, "101", "eth1"))
    assert lacks_address(COPPER, other) == ("203.0.113.10/29",)
    assert lacks_route(COPPER, other) == (4,)
    assert lacks_address(COPPER, held({})) == ("203.0.113.10/29",)
    nobody = Held(None, None)
    assert lacks_address(COPPER, nobody) is None and lacks_route(COPPER, nobody) is None


def test_an_automatic_line_has_some_address_and_one_way_out() -> None:
    only6 = held({"eth1": {"2001:db8::7/128"}}, (6, "main", "eth1"))
    assert lacks_address(MAST, only6) == () and lacks_route(MAST, only6) == ()
    nothing = held({"eth1": set()}, (4, "main", "eth0"))
    assert lacks_address(MAST, nothing) == ("an address",) and lacks_route(MAST, nothing) == (4, 6)


@pytest.mark.parametrize("more", ["", "  dsl: {device: eth3, address: automatic}"])
def test_the_tables_are_those_that_the_kit_fills_and_asks(more: str) -> None:
    """The kit's own text is the other witness: its rules name the table, and its routes fill it."""
    plan = usable_plan(Source("charter.yaml", TEXT.replace("MORE\n", more + "\n").encode())).plan
    kit = render(plan).files
    ways = {way.name: way for way in schedule(plan).lines}
    copper, mast = ways["copper"], ways["mast"]
    assert copper.addresses == ("203.0.113.10/29", "2001:db8:5::2/64") and not copper.automatic
    for version, name in ((4, "routes.batch"), (6, "routes6.batch")):
        text = kit[name].decode()
        (table,) = (t for v, t in copper.routes if v == version)
        assert f"dev eth0 table {table} " in text and f"lookup {table}\n" in text
        (table,) = (t for v, t in mast.routes if v == version)
        assert (table == "main") is (more == "")
        assert table == "main" or f"lookup {table}\n" in text
    assert mast.automatic and mast.device == "eth9.7" and mast.addresses == ()


def told(readings: list[LineFact], key: str) -> list[bool]:
    state, found = health.State(), []
    for number, one in enumerate(readings):
        facts = Facts(SYNCHRONISED, machine=Machine(lines=(one,)))
        decision = health.decide(state, facts, NOW + number * timedelta(minutes=1))
        state = decision.state
        found += [report.bad for report in decision.reports if report.key == key]
    return found


def fact(
    carrier: bool | None = True,
    no_address: tuple[str, ...] | None = (),
    no_route: tuple[int, ...] | None = (),
) -> LineFact:
    return LineFact("copper", "eth0", carrier, {}, no_address, no_route)


def test_what_a_line_lacks_is_an_alarm_once_it_lasts_and_not_where_the_cable_is_out() -> None:
    gone, back = fact(no_address=("203.0.113.10/29",)), fact()
    key = "health/line copper address"
    assert told([gone, back, gone, gone, fact(no_address=None), back], key) == [
        False, False, False, True, True, False
    ]  # fmt: skip
    assert told([fact(False, ("203.0.113.10/29",))] * 4, key) == [False] * 4
    assert told([fact(None)] * 4, key) == []
    gone, key = fact(no_route=(4, 6)), "health/line copper route"
    assert told([gone, gone, back], key) == [False, True, False]
    facts = Facts(SYNCHRONISED, machine=Machine(lines=(gone,)))
    state = health.decide(health.State(), facts, NOW).state
    texts = [report.text for report in health.decide(state, facts, NOW).reports if report.bad]
    assert texts == ["line copper on eth0 has no way out: no default route for IPv4 and IPv6"]
