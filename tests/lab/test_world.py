"""Addresses of automatic lines collide with nothing the charter says."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from ipaddress import IPv4Network, IPv6Network, ip_network

import pytest

from netcharter.charter.model import Place
from netcharter.lab.trouble import LabImpossible
from netcharter.lab.world import BLOCKS4, BLOCKS6, world
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from tests.lab.sites import demo
from tests.oracle.compared import pair
from tests.render.plans import line, small_charter

Network = IPv4Network | IPv6Network


def chosen(plan: Plan) -> list[Network]:
    found = world(plan)
    four = [own.network for own, _ in found.lines4.values()]
    six = [own.network for own, _ in found.lines6.values()]
    return [*four, *six]


def said(plan: Plan) -> Iterator[Network]:
    """Every network the charter or its plan names; by the library, not by our own sets."""
    yield plan.local_prefix
    for part in plan.lines:
        yield from (own.network for own in part.held)
        yield from (ip_network(hop) for hop in (part.next_hop4, part.next_hop6) if hop)
        yield from (prefix for prefix in (part.prefix,) if prefix)
    for area in plan.areas:
        yield area.v4
        yield from (subnet.network for subnet in area.subnets6)
    for place in plan.charter.places.values():
        yield from place.prefixes
    for device in plan.devices:
        yield from map(ip_network, (*device.addresses4, *device.addresses6))


def assert_free(plan: Plan) -> None:
    found = chosen(plan)
    for number, one in enumerate(found):
        for other in (*found[:number], *said(plan)):
            assert one.version != other.version or not one.overlaps(other)


def test_every_automatic_line_gets_an_address_and_a_next_hop_in_both_families() -> None:
    found = world(demo())
    assert set(found.lines4) == set(found.lines6) == {"mast"}
    for own, hop in (found.lines4["mast"], found.lines6["mast"]):
        assert hop in own.network and hop != own.ip
        assert hop != own.network.network_address != own.ip
    assert found == world(demo())


@pytest.mark.parametrize("number", range(30))
def test_they_collide_with_nothing_in_random_charters(number: int) -> None:
    assert_free(pair(number).plan)


def small(*taken: Network) -> Plan:
    charter = small_charter()
    lines = {**charter.lines, "ridge": line("ridge", "eth7", role="standby")}
    places = {**charter.places, "there": Place("there", taken)}
    return make_plan(replace(charter, lines=lines, places=places))


def test_two_automatic_lines_share_no_network() -> None:
    plan = small(ip_network("192.0.2.0/24"))
    assert len(chosen(plan)) == 4
    assert_free(plan)


def test_another_block_is_taken_where_the_charter_names_the_first() -> None:
    plan = small(ip_network("100.64.0.0/10"), ip_network("2001:db8::/32"))
    assert_free(plan)
    assert {n.version: n for n in chosen(plan)}.keys() == {4, 6}
    assert all(not any(n.subnet_of(b) for b in BLOCKS4[:2]) for n in chosen(plan) if n.version == 4)


def test_a_block_is_used_up_to_its_end() -> None:
    holes = IPv4Network("100.64.77.252/30")
    taken = IPv4Network("100.64.77.0/24").address_exclude(holes)
    plan = small(*taken)
    assert holes in chosen(plan)
    assert_free(plan)


def test_a_charter_that_leaves_nothing_is_told() -> None:
    with pytest.raises(LabImpossible, match="leaves no address"):
        world(small(*BLOCKS4, *BLOCKS6))
