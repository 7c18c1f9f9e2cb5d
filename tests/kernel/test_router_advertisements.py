"""Router advertisements as they are on the cable, read by scapy: what RFC 4861, 4862, 4191, 7084, 8106
and 9096 ask of them (from memory). Sent by the kit's dnsmasq."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from scapy.layers.inet6 import (
    ICMPv6ND_RA,
    ICMPv6NDOptDNSSL,
    ICMPv6NDOptMTU,
    ICMPv6NDOptPrefixInfo,
    ICMPv6NDOptRDNSS,
    ICMPv6NDOptRouteInfo,
    ICMPv6NDOptSrcLLAddr,
    IPv6,
)
from scapy.layers.l2 import Ether

from netcharter.lab.tools import path_of
from netcharter.render.advertising import CONF, advertising
from netcharter.render.lending import LEASES
from tests.kernel.namespace import needed
from tests.render.test_advertising import CHARTER, LOCAL_ONLY, plan_of

pytestmark = pytest.mark.kernel

LOCAL, OLD, NEW = "fd00:db8:1:3::", "2001:db8:a:3::", "2001:db8:b:3::"
Story = Mapping[str, list[Any]]


def played(folder: Path, text: str, last: str) -> Story:
    """step -> the advertisements after it."""
    dnsmasq = path_of("dnsmasq")
    if dnsmasq is None:
        pytest.skip("NO ROUTER ADVERTISEMENT WAS READ: no dnsmasq (Debian's dnsmasq-base) is here")
    conf = advertising(plan_of(text))[CONF].replace(LEASES, str(folder / "leases"))
    (folder / CONF).write_text(conf, encoding="ascii")
    program = (sys.executable, "-m", "tests.kernel.advertisements")
    said = subprocess.run(
        [*needed(), *program, dnsmasq, folder / CONF, last],
        capture_output=True, text=True, timeout=120, check=False, cwd=Path(__file__).parents[2],
    )  # fmt: skip
    assert said.returncode == 0, said.stderr
    found = json.loads(said.stdout)
    return {step: [Ether(bytes.fromhex(one)) for one in each] for step, each in found.items()}


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Story:
    return played(tmp_path_factory.mktemp("story"), CHARTER, "renumbered")


def options(frame: Any) -> list[Any]:
    found, layer = [], frame[ICMPv6ND_RA].payload
    while layer and layer.name != "Raw":
        found.append(layer)
        layer = layer.payload
    return found


def prefixes(frame: Any) -> dict[str, Any]:
    return {one.prefix: one for one in options(frame) if isinstance(one, ICMPv6NDOptPrefixInfo)}


def test_rfc4861_4_2_it_comes_from_the_link_to_all_nodes_and_from_no_further(story: Story) -> None:
    (frame,) = story["begin"]
    assert frame[IPv6].src.startswith("fe80:") and frame[IPv6].dst == "ff02::1"
    assert frame[IPv6].hlim == 255
    (own,) = [one for one in options(frame) if isinstance(one, ICMPv6NDOptSrcLLAddr)]
    assert own.lladdr == frame.src


def test_rfc4862_5_5_3_every_prefix_is_there_to_make_addresses_of(story: Story) -> None:
    (frame,) = story["begin"]
    found = prefixes(frame)
    assert set(found) == {LOCAL, OLD}
    assert all((one.A, one.L, one.prefixlen) == (1, 1, 64) for one in found.values())


def test_rfc4861_4_2_it_says_that_dhcpv6_has_more_and_addresses_for_those_that_are_known(
    story: Story, tmp_path: Path
) -> None:
    """The flags M and O. A site whose area has no device with lasting addresses has O alone."""
    (frame,) = story["begin"]
    assert (frame[ICMPv6ND_RA].M, frame[ICMPv6ND_RA].O) == (1, 1)
    changing = CHARTER.replace(", address: lasting", "")
    (other,) = played(tmp_path, changing, "begin")["begin"]
    assert (other[ICMPv6ND_RA].M, other[ICMPv6ND_RA].O) == (0, 1)


def test_rfc9096_4_nothing_is_told_for_longer_than_advised(story: Story) -> None:
    """ND_PREFERRED_LIMIT 2700 s, ND_VALID_LIMIT 5400 s."""
    (frame,) = story["begin"]
    for one in prefixes(frame).values():
        assert 0 < one.preferredlifetime <= 2700 and one.validlifetime <= 5400
    assert 0 < frame[ICMPv6ND_RA].routerlifetime <= 2700


def test_rfc4861_6_2_8_an_address_without_preferred_time_is_told_at_once(story: Story) -> None:
    """Told as RFC 4862 section 5.5.4 has it: hosts begin nothing more with it."""
    (failed,), (back,) = story["failed"], story["back"]
    assert (prefixes(failed)[OLD].preferredlifetime, prefixes(failed)[OLD].validlifetime > 0) == (
        0,
        True,
    )
    assert prefixes(failed)[LOCAL].preferredlifetime > 0
    assert prefixes(back)[OLD].preferredlifetime > 0


def test_rfc9096_3_5_an_old_prefix_is_told_to_be_old_beside_the_new_one(story: Story) -> None:
    """Also RFC 7084 L-13: an old prefix is immediately told with a preferred lifetime of zero."""
    (frame,) = story["renumbered"]
    found = prefixes(frame)
    assert set(found) == {LOCAL, OLD, NEW}
    assert found[OLD].preferredlifetime == 0 and 0 < found[OLD].validlifetime <= 7200
    assert found[NEW].preferredlifetime > 0


def test_rfc7084_g_4_the_router_lifetime_is_zero_without_a_way_out(tmp_path: Path) -> None:
    (frame,) = played(tmp_path, LOCAL_ONLY, "begin")["begin"]
    assert frame[ICMPv6ND_RA].routerlifetime == 0 and LOCAL in prefixes(frame)


def test_rfc7084_g_5_not_met_the_way_out_stays_told_when_its_line_fails(story: Story) -> None:
    """Hosts are led away by the preferred lifetime instead, and find their areas by the gateway."""
    (frame,) = story["failed"]
    assert frame[ICMPv6ND_RA].routerlifetime > 0


def test_rfc7084_l_3_not_met_no_single_routes_are_told(story: Story) -> None:
    """RFC 4191 section 2.3: dnsmasq 2.90 has no such option."""
    every = [frame for each in story.values() for frame in each]
    assert not [o for f in every for o in options(f) if isinstance(o, ICMPv6NDOptRouteInfo)]


def test_rfc8106_5_the_resolver_is_told_as_long_as_there_are_hosts(story: Story) -> None:
    """By the address that no provider changes, and with a lifetime of at least three intervals of
    600 s whatever becomes of lines (section 5.1); the domain beside it (section 5.2)."""
    local = plan_of(CHARTER).areas[0].subnets6[0]
    assert local.line is None
    for frame in (frame for each in story.values() for frame in each):
        (told,) = [one for one in options(frame) if isinstance(one, ICMPv6NDOptRDNSS)]
        assert told.dns == [str(local.gateway)] and told.lifetime >= 1800
        (domain,) = [one for one in options(frame) if isinstance(one, ICMPv6NDOptDNSSL)]
        assert domain.searchlist == ["home.arpa."] and domain.lifetime >= 1800


def test_rfc4861_4_6_4_no_size_of_packets_is_told_where_it_is_well_known(story: Story) -> None:
    every = [frame for each in story.values() for frame in each]
    assert not [o for f in every for o in options(f) if isinstance(o, ICMPv6NDOptMTU)]


def test_rfc4861_6_2_5_not_met_nobody_says_farewell(story: Story) -> None:
    """dnsmasq ends without one that has the router lifetime 0. So hosts keep their way out while it is
    begun anew."""
    assert not [frame for frame in story["ended"] if frame[ICMPv6ND_RA].routerlifetime == 0]
