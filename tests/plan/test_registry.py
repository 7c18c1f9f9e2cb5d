"""The special-purpose registries: RFC 6890 as printed, and against two packaged tables."""

from __future__ import annotations

from dataclasses import replace
from ipaddress import IPv4Address, IPv6Address, IPv6Network, ip_address, ip_network

import pytest
from netaddr import IPAddress

from netcharter.plan import coding
from netcharter.plan.addressing import resolve
from netcharter.plan.registry import BLOCKS, MULTICAST, internet, ordinary, special
from netcharter.space.ranges import Ranges, disjoint, has, intersect, size, subset, subtract, union
from tests.plan.building import area, charter, line

# RFC 6890 section 2.2.2, tables 1 to 16, as printed: source, destination, forwardable, global,
# reserved by protocol. 192.88.99.0/24 is left out here: it was global then, see below.
PRINTED = {
    "0.0.0.0/8": "TFFFT",
    "10.0.0.0/8": "TTTFF",
    "100.64.0.0/10": "TTTFF",
    "127.0.0.0/8": "FFFFT",
    "169.254.0.0/16": "TTFFT",
    "172.16.0.0/12": "TTTFF",
    "192.0.0.0/24": "FFFFF",
    "192.0.0.0/29": "TTTFF",
    "192.0.2.0/24": "FFFFF",
    "192.168.0.0/16": "TTTFF",
    "198.18.0.0/15": "TTTFF",
    "198.51.100.0/24": "FFFFF",
    "203.0.113.0/24": "FFFFF",
}
# From memory of the registries: what is not reachable, beside the above.
SPECIAL_LATER = [
    "192.0.0.8", "192.0.0.170", "192.0.0.171", "192.88.99.1", "192.88.99.2", "240.0.0.1",
    "255.255.255.255", "224.0.0.251", "239.255.255.250",
    "::", "::1", "::ffff:192.0.2.1", "64:ff9b:1::1", "100::1", "100:0:0:1::1", "2001::1",
    "2001:2::1", "2001:10::1", "2001:db8::1", "2002::1", "3fff::1", "3fff:fff::1", "5f00::1",
    "fc00::1", "fd00::1", "fe80::1", "ff02::1", "ff0e::1",
]  # fmt: skip
REACHABLE = [
    "192.0.0.9", "192.0.0.10", "192.31.196.1", "192.52.193.1", "192.175.48.1", "11.22.33.44",
    "100.128.0.0", "172.32.0.0", "192.0.1.0", "198.20.0.0", "64:ff9b::1", "2001:1::1",
    "2001:1::2", "2001:1::3", "2001:3::1", "2001:4:112::1", "2001:20::1", "2001:30::1",
    "2620:4f:8000::1", "2001:200::1", "2001:db9::1", "3fff:1000::1", "2a00::1", "5f01::1",
]  # fmt: skip


def code(text: str) -> int:
    return coding.address(ip_address(text))


def flag(value: bool | None) -> str:
    return {True: "T", False: "F", None: "-"}[value]


@pytest.mark.parametrize("block", PRINTED)
def test_the_rows_of_rfc_6890(block: str) -> None:
    (row,) = (b for b in BLOCKS if b.network == ip_network(block))
    flags = (row.source, row.destination, row.forwardable, row.reachable, row.reserved)
    assert "".join(map(flag, flags)) == PRINTED[block]
    assert row.printed


def test_a_row_is_called_printed_only_if_it_is_checked_against_the_print() -> None:
    assert {str(b.network) for b in BLOCKS if b.printed} == set(PRINTED)


def test_what_may_not_be_a_destination_is_neither_forwarded_nor_reachable() -> None:
    """RFC 6890 section 2.2.1: if Destination is FALSE, Forwardable and Global must be."""
    for row in BLOCKS:
        if row.destination is False:
            assert (row.forwardable, row.reachable) == (False, False), row
        if row.reachable:
            assert row.forwardable, row


def test_no_block_stands_twice_and_each_names_its_rfc() -> None:
    assert len({b.network for b in BLOCKS}) == len(BLOCKS)
    assert all(b.rfc.startswith("RFC ") and b.name for b in BLOCKS)


@pytest.mark.parametrize("text", [*(b.split("/")[0] for b in PRINTED), *SPECIAL_LATER])
def test_special_addresses(text: str) -> None:
    assert has(special(), code(text))


@pytest.mark.parametrize("text", REACHABLE)
def test_reachable_addresses_within_or_beside_special_blocks(text: str) -> None:
    assert not has(special(), code(text))


def test_all_multicast_is_special() -> None:
    assert subset(coding.network(*MULTICAST), special())


def edges(sets: Ranges) -> list[IPv4Address | IPv6Address]:
    """The addresses on both sides of every edge of our table and of the blocks of the others."""
    at = {low for low, _ in sets} | {high for _, high in sets}
    for row in BLOCKS:
        (pair,) = coding.network(row.network)
        at.update(pair)
    found = [coding.decode(c) for e in at for c in (e - 1, e, e + 1) if 0 <= c < coding.SYMBOLS]
    return [a for a in found if isinstance(a, IPv4Address | IPv6Address)]


def test_a_packaged_copy_of_the_registry_agrees_but_for_the_entries_it_is_too_old_for() -> None:
    """Against netaddr's table of the IANA special-purpose registries."""
    younger = coding.network(
        ip_network("3fff::/20"),  # RFC 9637
        ip_network("5f00::/16"),  # RFC 9602
        ip_network("100:0:0:1::/64"),  # RFC 9780
        ip_network("2001:1::3/128"),  # RFC 9665
        ip_network("192.88.99.0/24"),  # "not applicable" there since RFC 7526
    )
    multicast = coding.network(*MULTICAST)
    compared = 0
    for address in edges(special()):
        number = coding.address(address)
        if has(younger, number) or has(multicast, number):
            continue
        assert IPAddress(str(address)).is_global() != has(special(), number), address
        compared += 1
    assert compared > 100


# Where Python's `is_global` is known to differ (some only in older versions): it is no oracle.
PYTHON_DIFFERS = coding.network(
    ip_network("3fff::/20"),
    ip_network("5f00::/16"),
    ip_network("100:0:0:1::/64"),
    ip_network("192.88.99.0/24"),
    ip_network("192.0.0.0/24"),
    ip_network("64:ff9b:1::/48"),
    ip_network("2001::/23"),
    ip_network("2002::/16"),
    ip_network("::ffff:0:0/96"),
    ip_network("fec0::/10"),  # site-local, deprecated by RFC 3879: in no registry any more
)


def test_the_languages_own_idea_of_global_differs_only_where_known() -> None:
    multicast = coding.network(*MULTICAST)
    compared = 0
    for address in edges(special()):
        number = coding.address(address)
        if has(PYTHON_DIFFERS, number) or has(multicast, number):
            continue
        assert address.is_global != has(special(), number), address
        compared += 1
    assert compared > 60


def test_what_the_charter_says_is_real_is_ordinary() -> None:
    site = charter(
        lines=[line("copper", ["203.0.113.10/29", "2001:db8:1::2/64"], next_hops=["100.64.0.1"])],
        places={"payments": ["198.51.100.64/28", "2001:db8:2::/48"]},
    )
    assert ordinary(site) == union(
        coding.network(
            ip_network("203.0.113.8/29"),
            ip_network("2001:db8:1::/64"),
            ip_network("198.51.100.64/28"),
            ip_network("2001:db8:2::/48"),
        ),
        coding.addresses([IPv4Address("100.64.0.1")]),
    )


def test_the_internet_is_all_that_is_neither_special_nor_the_sites_own() -> None:
    site = charter(
        [area("office", prefixes=["10.24.3.0/27"]), area("odd", prefixes=["192.0.1.0/24"])],
        [line("copper", ["203.0.113.10/29"], prefix="2a00:1:2::/48"), line("mast", automatic=True)],
        places={"payments": ["198.51.100.64/28", "10.24.3.0/24"]},
    )
    plan = resolve(site)
    own = union(
        plan.gateway,
        coding.network(plan.local_prefix, ip_network("2a00:1:2::/48")),
        *(a.whole for a in plan.areas),
    )
    found = internet(site, own)
    inside = [*REACHABLE, "203.0.113.9", "198.51.100.65", "10.24.3.200"]
    outside = [
        "192.0.1.7",
        "203.0.113.10",
        "203.0.113.20",
        "198.51.100.1",
        "10.24.3.9",
        "2a00:1:2:9::1",
    ]
    no = ("192.0.1.0", "5f01::1", "64:ff9b::1")  # an area; beyond 2000::/3; nobody translates
    for text in inside:
        assert has(found, code(text)) is (text not in no), text
    assert not any(has(found, code(text)) for text in outside)
    assert disjoint(found, own)
    assert not any(has(found, coding.unknown(n, f)) for n in (1, 2) for f in (4, 6))
    # 2000::/3 is all of IPv6 that is handed out (RFC 4291 section 2.4)
    given = coding.network(*map(ip_network, ("0.0.0.0/0", "2000::/3")))
    other = union(own, subtract(special(), ordinary(site)))
    assert size(found) == size(given) - size(intersect(other, given))


@pytest.mark.parametrize("prefix", ["64:ff9b::", "2606:2800:64::"])
def test_what_stands_for_an_ipv4_address_is_internet_where_that_is(prefix: str) -> None:
    """Whatever a place says, and only where a line leads to a translator. RFC 6052 section 2.4 has
    64:ff9b::192.0.2.33 as its example."""
    bare = line("copper", ["203.0.113.10/29"])
    places = {"all": ["64:ff9b::/96"], "shop": ["192.0.2.0/24"]}
    areas = [area("office", prefixes=["10.24.3.0/27"])]
    translating = replace(bare, translator=IPv6Network(f"{prefix}/96"))
    site = charter(areas, [translating], places=places)
    own = union(resolve(site).gateway, *(a.whole for a in resolve(site).areas))
    found, without = internet(site, own), internet(charter(areas, [bare], places=places), own)
    for text in ("192.0.2.33", "8.8.8.8", "203.0.113.9"):
        assert has(found, code(text)) and has(found, code(f"{prefix}{text}")), text
        assert not has(without, code(f"64:ff9b::{text}")), text
    for text in ("203.0.113.10", "10.24.3.5", "10.1.1.1", "127.0.0.1", "224.0.0.1", "0.0.0.1"):
        assert not has(found, code(text)) and not has(found, code(f"{prefix}{text}")), text
