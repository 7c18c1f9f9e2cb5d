"""Addresses of gateway, areas, lines and devices, and what is found wrong with them."""

from __future__ import annotations

import hashlib
import math
from dataclasses import replace
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network

import pytest
from hypothesis import given
from hypothesis import strategies as st
from netaddr import EUI

from netcharter.charter.model import Charter
from netcharter.diagnostics import Diagnostic
from netcharter.plan import coding
from netcharter.plan.addressing import (
    Addressing,
    collision_probability,
    eui64,
    link_local,
    resolve,
    ula,
)
from netcharter.plan.shapes import AreaPlan
from netcharter.space.ranges import has, intersect, size, subset
from tests.plan.building import area, charter, device, line


def codes(*texts: str) -> set[int]:
    return {coding.address(IPv6Address(t) if ":" in t else IPv4Address(t)) for t in texts}


def named(plan: Addressing, name: str) -> AreaPlan:
    return next(a for a in plan.areas if a.name == name)


def findings(site: Charter) -> list[Diagnostic]:
    return list(resolve(site).diagnostics)


def only(site: Charter) -> Diagnostic:
    (found,) = findings(site)
    return found


# Address sets, by docs/explanation/model.md section 4

SITE = charter(
    [area("office", prefixes=["10.24.3.0/27"]), area("barn", prefixes=["10.24.4.0/31"])],
    [
        line("copper", ["203.0.113.10/29"], prefix="2001:db8:7::/48", vlan=20),
        line("mast", automatic=True),
    ],
    [device("laptop", "office", [0x0200_00AA_0001, 0x0200_00AA_0002])],
    local_prefix="fd12:3456:789a::/48",
)


def test_an_area_has_a_64_in_the_local_prefix_and_in_that_of_each_line_that_has_one() -> None:
    office = named(resolve(SITE), "office")
    assert office.number == 1
    assert [(str(s.network), str(s.gateway), s.line) for s in office.subnets6] == [
        ("fd12:3456:789a:1::/64", "fd12:3456:789a:1::1", None),
        ("2001:db8:7:1::/64", "2001:db8:7:1::1", "copper"),
    ]
    assert size(office.whole) == 32 + 2 * 2**64
    assert [str(s.network) for s in named(resolve(SITE), "barn").subnets6] == [
        "fd12:3456:789a:2::/64",
        "2001:db8:7:2::/64",
    ]


def test_the_hosts_of_an_area_exclude_gateway_network_and_broadcast() -> None:
    office = named(resolve(SITE), "office")
    left_out = codes(
        "10.24.3.0", "10.24.3.1", "10.24.3.31",
        "fd12:3456:789a:1::", "fd12:3456:789a:1::1", "2001:db8:7:1::", "2001:db8:7:1::1",
    )  # fmt: skip
    assert size(office.hosts) == size(office.whole) - len(left_out)
    assert subset(office.hosts, office.whole)
    assert not any(has(office.hosts, code) for code in left_out)


def test_the_gateway_has_its_addresses_in_each_prefix_on_each_line_and_link_local() -> None:
    plan = resolve(SITE)
    ours = codes(
        "10.24.3.1", "10.24.4.0", "203.0.113.10",
        "fd12:3456:789a:1::", "fd12:3456:789a:1::1", "2001:db8:7:1::", "2001:db8:7:1::1",
        "fd12:3456:789a:2::", "fd12:3456:789a:2::1", "2001:db8:7:2::", "2001:db8:7:2::1",
    ) | {coding.unknown(2, 4), coding.unknown(2, 6)}  # fmt: skip
    assert all(has(plan.gateway, code) for code in ours)
    assert subset(coding.network(IPv6Network("fe80::/10")), plan.gateway)
    assert size(plan.gateway) == len(ours) + 2**118


def test_both_addresses_of_a_31_are_usable_and_none_is_a_broadcast() -> None:
    """RFC 3021 sections 2.1 and 2.2."""
    barn = named(resolve(SITE), "barn")
    assert str(barn.gateway4) == "10.24.4.0"
    assert intersect(barn.hosts, coding.ANY4) == coding.addresses([IPv4Address("10.24.4.1")])


def test_a_device_in_a_31_has_no_ipv6_address_since_that_would_be_the_gateways() -> None:
    site = charter([area("barn", prefixes=["10.24.4.0/31"])], devices=[device("d", "barn", [7])])
    (found,) = resolve(site).devices
    assert found.addresses4 == (IPv4Address("10.24.4.1"),)
    assert found.addresses6 == ()


def test_lines_keep_their_order_number_and_own_addresses() -> None:
    copper, mast = resolve(SITE).lines
    assert (copper.number, copper.device, copper.parent, copper.vlan) == (
        1, "eth-copper.20", "eth-copper", 20,
    )  # fmt: skip
    assert copper.own == coding.addresses([IPv4Address("203.0.113.10")])
    assert (mast.number, mast.device) == (2, "eth-mast")
    assert mast.own == ((coding.unknown(2, 4), coding.unknown(2, 6)),)


def test_an_automatic_line_with_one_written_address_is_unknown_in_the_other_family() -> None:
    (mast,) = resolve(charter(lines=[line("mast", ["2001:db8::5/64"], automatic=True)])).lines
    assert {c for pair in mast.own for c in pair} == codes("2001:db8::5") | {coding.unknown(1, 4)}


def test_a_written_64_takes_the_place_of_the_one_from_the_local_prefix() -> None:
    site = charter(
        [area("office", 5, prefixes=["fd00:1:2:9::/64"])],
        [line("copper", prefix="2001:db8:7::/48")],
    )
    plan = resolve(site)
    assert [str(s.network) for s in plan.areas[0].subnets6] == [
        "fd00:1:2:9::/64",
        "2001:db8:7:1::/64",
    ]
    assert plan.areas[0].v4.prefixlen == 29
    assert plan.diagnostics == ()


# Devices


def test_a_lasting_device_has_an_ipv4_address_per_interface_from_the_top_of_its_area() -> None:
    (laptop,) = resolve(SITE).devices
    assert [str(a) for a in laptop.addresses4] == ["10.24.3.30", "10.24.3.29"]
    assert [str(a) for a in laptop.addresses6] == [
        "fd12:3456:789a:1::1e",
        "2001:db8:7:1::1e",
    ]
    assert laptop.lasting


def test_written_out_addresses_are_a_devices_only_ones_and_nobody_else_gets_them() -> None:
    plan = resolve(
        charter(
            [area("office", prefixes=["10.24.3.0/28"])],
            devices=[
                device("a", "office", [1]),
                device("b", "office", [2], ["10.24.3.13"]),
                device("c", "office", [3]),
                device("d", "office", [4], lasting=False),
            ],
        )
    )
    got = {d.name: [str(a) for a in d.addresses4] for d in plan.devices}
    assert got == {"a": ["10.24.3.14"], "b": ["10.24.3.13"], "c": ["10.24.3.12"], "d": []}
    assert {d.name: d.lasting for d in plan.devices} == {
        "a": True,
        "b": True,
        "c": True,
        "d": False,
    }
    assert next(d for d in plan.devices if d.name == "b").addresses6 == ()


def test_a_chosen_address_leaves_the_written_out_ipv6_address_of_another_device_alone() -> None:
    plan = resolve(
        charter(
            [area("office", prefixes=["10.24.3.0/28"])],
            devices=[
                device("a", "office", [1]),
                device("b", "office", [2], ["fd12:3456:789a:1::e"]),
            ],
            local_prefix="fd12:3456:789a::/48",
        )
    )
    assert [str(a) for a in plan.devices[0].addresses6] == ["fd12:3456:789a:1::d"]
    assert plan.diagnostics == ()


@given(st.lists(st.integers(1, 3), min_size=1, max_size=8), st.integers(1, 3))
def test_a_device_added_at_the_end_renumbers_no_other(counts: list[int], more: int) -> None:
    areas = [area("office", 30), area("barn", 30)]
    devices = [
        device(f"d{n}", ("office", "barn")[n % 2], range(10 * n, 10 * n + count))
        for n, count in enumerate(counts)
    ]
    before = resolve(charter(areas, devices=devices)).devices
    extra = device("extra", "office", range(1000, 1000 + more))
    after = resolve(charter(areas, devices=[*devices, extra])).devices
    assert after[:-1] == before
    everyone = [a for d in after for a in (*d.addresses4, *d.addresses6)]
    assert len(set(everyone)) == len(everyone)
    homes = {a.name: a for a in resolve(charter(areas)).areas}
    for one in after:
        for address in (*one.addresses4, *one.addresses6):
            assert has(homes[one.area].hosts, coding.address(address))


# RFC 4193, RFC 4291, RFC 2464


def test_the_local_prefix_is_made_by_the_published_algorithm() -> None:
    """RFC 4193 section 3.2.2, steps 3 to 6, worked out here once more from the text."""
    time, interface = 0xEC6A_1C5F_8000_0000, 0x3656_78FF_FE9A_BCDE
    key = bytes.fromhex("ec6a1c5f80000000" + "365678fffe9abcde")
    last40 = hashlib.sha1(key).hexdigest()[-10:]
    groups = [f"fd{last40[:2]}", last40[2:6], last40[6:]]
    assert ula(time, interface) == IPv6Network(":".join(groups) + "::/48")


@given(st.integers(0, 2**64 - 1), st.integers(0, 2**64 - 1))
def test_a_local_prefix_is_a_48_of_the_locally_assigned_half(time: int, interface: int) -> None:
    """RFC 4193 section 3.1: FC00::/7 with the L bit set."""
    made = ula(time, interface)
    assert made.prefixlen == 48
    assert made.subnet_of(IPv6Network("fd00::/8"))


def test_a_site_without_a_written_local_prefix_has_the_same_one_every_time() -> None:
    first, again = (resolve(charter(site="Tarn Hollow")).local_prefix for _ in range(2))
    assert first == again
    assert first.subnet_of(IPv6Network("fd00::/8")) and first.prefixlen == 48
    assert resolve(charter(site="Tarn Hollow 2")).local_prefix != first
    assert resolve(charter(local_prefix="fd01:2:3::/48")).local_prefix == IPv6Network(
        "fd01:2:3::/48"
    )


@pytest.mark.parametrize(
    ("connected", "probability"),
    [(2, 1.81e-12), (10, 4.54e-11), (100, 4.54e-9), (1000, 4.54e-7), (10000, 4.54e-5)],
)
def test_the_chance_of_two_equal_local_prefixes(connected: int, probability: float) -> None:
    """The table of RFC 4193 section 3.2.3, which cuts its numbers off after three digits."""
    last_digit = 10.0 ** (math.floor(math.log10(probability)) - 2)
    assert probability <= collision_probability(connected) < probability + last_digit


@pytest.mark.parametrize(
    ("hardware", "identifier"),
    [
        (0x3456789ABCDE, 0x365678FFFE9ABCDE),  # RFC 2464 section 4
        (0x021A2B3C4D5E, 0x001A2BFFFE3C4D5E),  # the bit is complemented, not set
    ],
)
def test_an_interface_identifier_complements_the_local_bit(hardware: int, identifier: int) -> None:
    """RFC 4291 appendix A; RFC 2464 section 4."""
    assert eui64(hardware) == identifier


def test_a_link_local_address_is_formed_from_the_hardware_address() -> None:
    assert link_local(0x3456789ABCDE) == IPv6Address("fe80::3656:78ff:fe9a:bcde")


@given(st.integers(0, 2**48 - 1))
def test_interface_identifiers_agree_with_a_foreign_library(hardware: int) -> None:
    """Against netaddr's modified EUI-64 and link-local address."""
    assert eui64(hardware) == int(EUI(hardware, version=48).modified_eui64())
    assert str(link_local(hardware)) == str(EUI(hardware, version=48).ipv6_link_local())


# What is wrong or doubtful


def test_a_clean_charter_has_no_findings() -> None:
    assert findings(SITE) == []


def test_overlapping_areas_are_an_error_at_the_later_one() -> None:
    site = charter(
        [area("office", prefixes=["10.24.3.0/24"]), area("barn", prefixes=["10.24.3.128/25"])]
    )
    found = only(site)
    assert (found.id, found.severity) == ("area-overlap", "error")
    assert found.span == site.where("areas", "barn", "prefix")
    assert found.related[0][0] == site.where("areas", "office", "prefix")
    assert "10.24.3.128 to 10.24.3.255" in found.message
    assert found.help


def test_areas_overlap_in_ipv6_as_well() -> None:
    site = charter(
        [area("office", 5), area("barn", 5, prefixes=["fd12:3456:789a:1::/64"])],
        local_prefix="fd12:3456:789a::/48",
    )
    assert only(site).id == "area-overlap"


@pytest.mark.parametrize(
    ("hosts", "growth", "severity"),
    [
        (13, 0.0, None),
        (14, 0.0, "error"),
        (13, 0.5, "warning"),
        (8, 0.5, None),
        (2**40, 0.0, "error"),
    ],
)
def test_a_given_prefix_must_hold_hosts_and_should_hold_their_growth(
    hosts: int, growth: float, severity: str | None
) -> None:
    site = charter([area("office", hosts, growth, prefixes=["10.24.3.0/28"])])
    if severity is None:
        assert findings(site) == []
        return
    found = only(site)
    assert (found.id, found.severity) == ("area-too-small", severity)
    assert found.span == site.where("areas", "office", "prefix")
    assert "room for 13 hosts" in found.message


def test_more_lasting_devices_than_addresses_are_an_error() -> None:
    site = charter(
        [area("tills", prefixes=["10.24.3.0/30"])],
        devices=[device("one", "tills", [1]), device("two", "tills", [2])],
    )
    plan = resolve(site)
    (found,) = plan.diagnostics
    assert (found.id, found.span) == ("area-too-small", site.where("devices", "two"))
    assert plan.devices[1].addresses4 == ()


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("10.24.4.5", "not in office"),
        ("10.24.3.0", "network address"),
        ("10.24.3.31", "broadcast address"),
        ("10.24.3.1", "gateway's own"),
        ("203.0.113.10", "gateway's own"),
        ("fe80::5", "gateway's own"),
        ("2001:db8:8::5", "not in office"),
    ],
)
def test_a_written_out_address_must_be_one_of_its_areas_hosts(address: str, words: str) -> None:
    site = charter(
        [area("office", prefixes=["10.24.3.0/27"])],
        [line("copper", ["203.0.113.10/29"])],
        [device("printer", "office", [1], [address])],
    )
    found = only(site)
    assert (found.id, found.severity) == ("address-outside-area", "error")
    assert found.span == site.where("devices", "printer", "address")
    assert words in found.message and "printer" in found.message


def test_an_address_may_stand_at_one_device_only() -> None:
    site = charter(
        [area("office", prefixes=["10.24.3.0/27"])],
        devices=[
            device("a", "office", [1], ["10.24.3.9"]),
            device("b", "office", [2], ["10.24.3.9"]),
        ],
    )
    found = only(site)
    assert (found.id, found.span) == ("duplicate-address", site.where("devices", "b", "address"))
    assert "a" in found.message.split()[-1]


def test_a_hardware_address_may_stand_at_one_device_only() -> None:
    site = charter(
        [area("office", 9)],
        devices=[
            device("a", "office", [0x0200_00AA_0001]),
            device("b", "office", [5, 0x0200_00AA_0001]),
        ],
    )
    found = only(site)
    assert (found.id, found.severity) == ("duplicate-hardware", "error")
    assert found.span == site.where("devices", "b", "hardware")
    assert "02:00:00:aa:00:01" in found.message


def test_an_area_must_not_overlap_the_network_of_a_line() -> None:
    site = charter(
        [area("office", prefixes=["192.168.1.0/24"])], [line("copper", ["192.168.1.2/24"])]
    )
    found = only(site)
    assert (found.id, found.severity) == ("line-overlap", "error")
    assert found.span == site.where("areas", "office", "prefix")
    assert found.related[0][0] == site.where("lines", "copper", "address")


def test_prefixes_of_lines_must_differ_from_each_other_and_from_the_local_one() -> None:
    twice = charter(
        lines=[line("copper", prefix="2001:db8:7::/48"), line("mast", prefix="2001:db8::/32")]
    )
    assert only(twice).id == "line-overlap"
    local = charter(
        lines=[line("copper", prefix="fd12:3456:789a::/56")], local_prefix="fd12:3456:789a::/48"
    )
    assert only(local).id == "line-overlap"


@pytest.mark.parametrize(
    ("translator", "met"),
    [
        ("64:ff9b::/96", ""),
        ("2001:db8:7:1::/96", "the prefix of copper"),
        ("2001:db8:1:0:0:64::/96", "the network of copper"),
        ("fd12:3456:789a:0:0:64::/96", "the site's local prefix"),
        ("2001:db8:99:0:0:64::/96", "a prefix of office"),
    ],
)
def test_what_leads_to_ipv4_addresses_is_nobodys_own(translator: str, met: str) -> None:
    copper = line("copper", ["2001:db8:1::2/64"], prefix="2001:db8:7::/48")
    site = charter(
        [area("office", prefixes=["2001:db8:99::/64"])],
        [replace(copper, translator=IPv6Network(translator))],
        local_prefix="fd12:3456:789a::/48",
    )
    found = [one for one in resolve(site).diagnostics if one.severity == "error"]
    assert [(one.id, met in one.message) for one in found] == [("line-overlap", True)] * bool(met)
    assert all(one.span == site.where("lines", "copper", "translator") for one in found)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (["203.0.113.10/29"], ["203.0.113.11/29"]),
        (["203.0.113.10/24"], ["203.0.113.130/25"]),
        (["2001:db8:1::2/64"], ["198.51.100.2/30", "2001:db8:1::3/64"]),
    ],
)
def test_two_lines_into_one_network_are_an_error_at_the_later_one(
    one: list[str], other: list[str]
) -> None:
    site = charter(lines=[line("copper", one), line("mast", other)])
    found = only(site)
    assert (found.id, found.severity) == ("line-overlap", "error")
    assert found.span == site.where("lines", "mast", "address")
    assert found.related[0][0] == site.where("lines", "copper", "address")


@pytest.mark.parametrize("order", [1, -1])
def test_what_is_delegated_over_one_line_is_not_the_network_of_another(order: int) -> None:
    lines = [line("copper", prefix="2001:db8:7::/48"), line("mast", ["2001:db8:7:9::2/64"])][
        ::order
    ]
    site = charter(lines=lines)
    found = only(site)
    assert found.id == "line-overlap"
    assert found.span == site.where("lines", "mast", "address")
    assert found.related[0][0] == site.where("lines", "copper", "prefix")


def test_lines_beside_each_other_and_a_network_out_of_ones_own_prefix_are_right() -> None:
    lines = [
        line("copper", ["203.0.113.10/29", "2001:db8:7::2/64"], prefix="2001:db8:7::/48"),
        line("mast", ["203.0.113.18/29", "2001:db8:8::2/64"]),
    ]
    assert not resolve(charter(lines=lines)).diagnostics


def test_a_session_is_a_device_of_its_own_and_takes_eight_bytes() -> None:
    """RFC 2516 section 7: 1500 less 6 of PPPoE and 2 of PPP."""
    dialled = replace(line("fibre", automatic=True, vlan=35), pppoe="site@isp.example")
    copper = line("copper", ["203.0.113.10/29"])
    plain, found = resolve(charter(lines=[copper, dialled])).lines
    assert (found.device, found.parent, found.vlan) == ("ppp2", "eth-fibre", 35)
    assert (found.ethernet, found.mtu, found.narrow) == ("eth-fibre.35", 1492, True)
    assert (plain.ethernet, plain.mtu, plain.narrow) == ("eth-copper", None, False)
    wide, narrow = resolve(
        charter(lines=[replace(copper, mtu=1500), replace(dialled, mtu=1400)])
    ).lines
    assert (wide.narrow, narrow.narrow, narrow.mtu) == (False, True, 1400)


def test_a_place_that_takes_in_the_sites_own_addresses_is_a_warning() -> None:
    site = charter(
        [area("office", prefixes=["10.24.3.0/27"])],
        places={"partner": ["198.51.100.0/24", "10.24.0.0/16"], "inside": ["10.24.3.8/32"]},
    )
    outer, inner = findings(site)
    assert {outer.id, inner.id} == {"place-overlaps-site"}
    assert {outer.severity, inner.severity} == {"warning"}
    assert outer.span == site.where("places", "partner", "prefixes", 1)
    assert "takes in 10.24.3.0" in outer.message
    assert "takes in" not in inner.message


def test_a_line_prefix_needs_a_64_for_every_area() -> None:
    areas = [area(f"a{n}", 3) for n in range(16)]
    enough = charter(areas[:15], [line("copper", prefix="2001:db8::/60")])
    assert findings(enough) == []
    short = charter(areas, [line("copper", prefix="2001:db8::/60")])
    found = only(short)
    assert (found.id, found.severity) == ("prefix-too-small", "error")
    assert found.span == short.where("lines", "copper", "prefix")
    assert found.message.endswith("a15") and "/59" in (found.help or "")
    assert [s.line for s in resolve(short).areas[15].subnets6] == [None]


@pytest.mark.parametrize("prefix", ["fd00:1:2:9::/56", "fd00:1:2:9::/80", "fd00:1:2:9::5/128"])
def test_a_given_ipv6_prefix_must_be_a_64(prefix: str) -> None:
    site = charter([area("office", 5, prefixes=[str(IPv6Network(prefix, strict=False))])])
    assert "prefix-not-64" in {f.id for f in findings(site)}


def test_a_seventh_line_is_an_error() -> None:
    site = charter(lines=[line(f"l{n}", automatic=True) for n in range(7)])
    assert only(site).id == "too-many-lines"
    assert resolve(site).lines[6].own == ()


def test_every_finding_says_what_to_write_instead() -> None:
    site = charter(
        [
            area("office", 400, prefixes=["10.24.3.0/27"]),
            area("barn", prefixes=["10.24.3.16/28"]),
            area("huge", 2**33),
        ],
        [line("copper", ["10.24.3.2/24"], prefix="2001:db8::/64")],
        [device("a", "office", [1], ["10.9.9.9"]), device("b", "barn", [1], ["10.9.9.9"])],
        {"own": ["10.24.3.0/24"]},
    )
    found = findings(site)
    assert {f.id for f in found} == {
        "area-too-small", "pool-exhausted", "area-overlap", "line-overlap", "address-outside-area",
        "duplicate-address", "duplicate-hardware", "place-overlaps-site", "prefix-too-small",
    }  # fmt: skip
    assert all(f.help and f.message and not f.message.endswith(".") for f in found)


def test_previous_prefixes_of_areas_that_are_gone_take_no_room() -> None:
    plan = resolve(charter([area("new", 5)]), {"gone": IPv4Network("10.1.0.0/24")})
    assert [(a.name, a.number) for a in plan.areas] == [("new", 2)]
