"""What dnsmasq is told to lend: to whom, what, and what beside it."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from ipaddress import IPv4Address, IPv4Network
from pathlib import Path
from random import Random

import pytest

from netcharter.charter.read import read
from netcharter.lab.tools import path_of
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.render.advertising import CONF, UNIT_FILE, advertising
from netcharter.render.escape import domain_name
from netcharter.render.lending import LEASES
from tests.oracle.random_charters import random_charter

CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk], domain: Hut.Example.}
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9, prefix: "2001:db8:a::/48"}
areas:
  hall: {device: eth3, prefix: 10.40.0.0/29}
  yard: {device: eth4, vlan: 20, prefix: 10.40.1.0/28, strangers: refused, lease: 90 min}
  barn: {device: eth5, prefix: 10.40.2.0/28, lease: none}
devices:
  desk: {area: hall, hardware: [02:00:00:aa:00:01, 02:00:00:aa:00:11], address: lasting}
  lamp: {area: yard, hardware: 02:00:00:aa:00:02}
  walker: {area: hall, hardware: 02:00:00:aa:00:03, roams: true}
  thief: {area: yard, hardware: 02:00:00:aa:00:04, address: lasting, barred: true}
  plug: {area: yard, hardware: [02:00:00:aa:00:05, 02:00:00:aa:00:06], address: [10.40.1.9, "2001:db8:a:2::9"]}
  wall: {area: yard, address: 10.40.1.3}
"""
RANDOM = 40


def planned(text: str = CHARTER) -> Plan:
    charter = read(text, "hut.yaml").charter
    assert charter is not None
    return make_plan(charter)


def said(text: str = CHARTER) -> list[str]:
    return advertising(planned(text))[CONF].splitlines()


def about(device: str) -> list[str]:
    return [line for line in said() if re.search(rf"\b{re.escape(device)}\b(?!\.)", line)]


def test_the_pool_is_lent_around_what_belongs_to_devices() -> None:
    """The yard's: less the gateway's .1, wall's .3, plug's .9 and thief's .14."""
    assert [line for line in said() if line.startswith("dhcp-range=10.40.1.")] == [
        "dhcp-range=10.40.1.2,10.40.1.2,255.255.255.240,5400",
        "dhcp-range=10.40.1.4,10.40.1.8,255.255.255.240,5400",
        "dhcp-range=10.40.1.10,10.40.1.13,255.255.255.240,5400",
    ]
    assert "dhcp-range=10.40.0.2,10.40.0.4,255.255.255.248,43200" in said()


def test_an_area_without_a_pool_lends_what_belongs_to_devices() -> None:
    small = CHARTER.replace("10.40.0.0/29", "10.40.0.0/30").replace(", 02:00:00:aa:00:11]", "]")
    assert "dhcp-range=10.40.0.0,static,255.255.255.252,43200" in said(small)


def test_a_lasting_address_is_for_its_hardware_alone() -> None:
    hosts = [line for line in said() if line.startswith("dhcp-host=")]
    assert hosts == [
        "dhcp-host=tag:eth3,02:00:00:aa:00:01,10.40.0.6",
        "dhcp-host=tag:eth3,02:00:00:aa:00:11,10.40.0.5",
        "dhcp-host=tag:eth3,02:00:00:aa:00:01,[::6]",
        "dhcp-host=tag:eth4.20,02:00:00:aa:00:05,02:00:00:aa:00:06,10.40.1.9",
        "dhcp-host=tag:eth4.20,02:00:00:aa:00:05,[2001:db8:a:2::9]",
    ]


def test_who_is_barred_gets_nothing_and_no_stranger_where_they_are_refused() -> None:
    found = set(said())
    assert {
        "dhcp-ignore=tag:netcharter-barred",
        "dhcp-mac=set:netcharter-barred,02:00:00:aa:00:04",
    } <= found
    assert "dhcp-ignore=tag:eth4.20,tag:!netcharter-home-2" in found
    mine = "dhcp-mac=set:netcharter-home-2,"
    home = {line.removeprefix(mine) for line in found if line.startswith(mine)}
    assert home == {f"02:00:00:aa:00:0{n}" for n in (2, 3, 4, 5, 6)}
    assert not [line for line in found if line.startswith("dhcp-ignore=tag:eth3")]


def test_no_device_of_the_machine_is_taken_for_who_asks() -> None:
    """dnsmasq(8), --dhcp-range: the name of the device on which a request comes is a tag of it, and
    linux/if.h has 15 bytes for such a name (IFNAMSIZ less its end)."""
    tags = {tag for line in said() for tag in re.findall(r"set:([^,]+)", line)}
    assert len(tags) == 2 and all(len(tag) > 15 for tag in tags)


def test_rfc2132_router_resolver_and_domain_are_told() -> None:
    """Sections 3.5, 3.8 and 3.17; RFC 3397; in IPv6 RFC 3646."""
    local = planned().areas[0].subnets6[0].gateway
    assert {
        "dhcp-option=tag:eth3,option:router,10.40.0.1",
        "dhcp-option=tag:eth3,option:dns-server,10.40.0.1",
        f"dhcp-option=tag:eth3,option6:dns-server,[{local}]",
        "dhcp-option=option:domain-name,hut.example",
        "dhcp-option=option:domain-search,hut.example",
        "dhcp-option=option6:domain-search,hut.example",
    } <= set(said())


def test_where_somebody_else_lends_nothing_is_lent() -> None:
    assert not [line for line in said() if line.startswith("dhcp-range=10.40.2.")]
    assert "dhcp-range=::,constructor:eth5,ra-only,64,2700" in said()


def test_dhcpv6_gives_addresses_only_where_the_plan_knows_some() -> None:
    assert "dhcp-range=::,static,slaac,constructor:eth3,64,2700" in said()
    without = CHARTER.replace(', "2001:db8:a:2::9"', "").replace(
        "address: lasting, barred", "barred"
    )
    assert "dhcp-range=::,ra-stateless,constructor:eth4.20,64,2700" in said(without)


def test_there_may_be_as_many_leases_as_addresses() -> None:
    """dnsmasq stops at 1000 unless it is told otherwise."""
    large = CHARTER.replace("10.40.0.0/29", "10.48.0.0/18")
    (most,) = (int(x.partition("=")[2]) for x in said(large) if x.startswith("dhcp-lease-max="))
    assert most >= IPv4Network("10.48.0.0/18").num_addresses


def test_what_is_lent_lies_where_no_kit_takes_it_away() -> None:
    unit = advertising(planned())[UNIT_FILE]
    assert f"dhcp-leasefile={LEASES}" in said()
    assert LEASES.startswith("/var/lib/netcharter-leases/")
    assert "StateDirectory=netcharter-leases\n" in unit and "CAP_NET_BIND_SERVICE" in unit


@pytest.mark.parametrize(
    "name",
    ["", "a b", "a\nb", "a,b", "a#b", "ä.example", "-a", "a-.b", "a..b", "A", "x" * 254, "a.\n"],
)
def test_a_domain_that_is_none_reaches_no_file(name: str) -> None:
    plan = planned()
    site = replace(plan.charter.site, domain=name)
    with pytest.raises(ValueError, match="not a domain name"):
        advertising(replace(plan, charter=replace(plan.charter, site=site)))
    assert domain_name("a.b-c.1d") == "a.b-c.1d"


def lent(lines: list[str]) -> Iterator[IPv4Address]:
    for line in lines:
        found = re.fullmatch(r"dhcp-range=([\d.]+),([\d.]+),.*", line)
        if found:
            first, last = map(IPv4Address, found.groups())
            yield from (IPv4Address(n) for n in range(int(first), int(last) + 1))


def test_random_kits_lend_no_address_twice_and_none_that_is_a_device_s() -> None:
    """Counted address by address, straight from the text."""
    for number in range(RANDOM):
        charter = read(random_charter(Random(number)), "random.yaml").charter
        assert charter is not None
        plan = make_plan(charter)
        lines = advertising(plan)[CONF].splitlines()
        found = list(lent(lines))
        kept = {a for device in plan.devices for a in device.addresses4}
        assert len(found) == len(set(found)) and not kept & set(found)
        for area in plan.areas:
            ours = {a for a in found if a in area.v4}
            unsaid = charter.areas[area.name].lease is None
            whole = set() if unsaid else {*area.v4.hosts(), area.v4[0], area.v4[-1]}
            ends = {area.v4[0], area.v4[-1]} if area.v4.prefixlen < 31 else set()
            assert ours == whole - ends - kept - {area.gateway4}


@pytest.mark.kernel
def test_dnsmasq_takes_what_this_charter_says(tmp_path: Path) -> None:
    """Random ones are tried in test_advertising."""
    dnsmasq = path_of("dnsmasq")
    if dnsmasq is None:
        pytest.skip("DNSMASQ DID NOT READ ITS SETTINGS: it is not here (Debian's dnsmasq-base)")
    (tmp_path / CONF).write_text("\n".join(said()), "ascii")
    found = subprocess.run(
        [dnsmasq, "--test", f"--conf-file={tmp_path / CONF}"],
        capture_output=True, text=True, timeout=20, check=False,
    )  # fmt: skip
    assert (found.returncode, found.stderr.strip()) == (0, "dnsmasq: syntax check OK.")
