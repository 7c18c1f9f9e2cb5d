"""The texts a lab is made of, as texts."""

from __future__ import annotations

import re
from dataclasses import replace
from ipaddress import IPv6Address, ip_address
from itertools import pairwise

import pytest

from netcharter.lab.topology import FIRST_HARDWARE, Topology, link_local, topology
from netcharter.lab.world import world
from netcharter.plan.shapes import Plan
from netcharter.probes.shapes import Station
from tests.kernel.test_loading import hostile_plan
from tests.lab.sites import demo, stations


def made(plan: Plan) -> Topology:
    return topology(plan, stations(plan), world(plan))


def texts(found: Topology) -> list[str]:
    batches = [
        text for seat in found.seats.values() for text in (seat.batch.text, seat.batch.text6)
    ]
    return [found.switches, found.tables, found.before, found.after, *batches]


def test_the_link_local_address_is_the_published_one() -> None:
    """RFC 2464 section 4 has the example 34-56-78-9A-BC-DE."""
    assert link_local(0x3456789ABCDE) == IPv6Address("fe80::3656:78ff:fe9a:bcde")


def test_every_device_is_named_after_an_explicit_keyword() -> None:
    """A device may be called like an abbreviation of one of ip's words."""
    for text in texts(made(demo())):
        for line in text.splitlines():
            words = line.split()
            for before, word in pairwise(words):
                if re.fullmatch(r"[bgs]\d+|eth[\d.]+|net0", word) and before != "netns":
                    assert before in ("name", "dev", "master"), line


def test_every_end_of_a_cable_is_plugged_into_a_switch() -> None:
    found = made(demo())
    ports = re.findall(r"link add name (\S+) type veth", found.switches)
    plugged = re.findall(r"link set dev (\S+) master", found.switches)
    assert ports == plugged
    assert len(ports) == len(found.devices) + len(stations(demo()))


def test_the_gateways_hardware_address_is_nobody_elses() -> None:
    plan = demo()
    guest = Station("guest", "office", FIRST_HARDWARE, ())
    found = topology(plan, (*stations(plan), guest), world(plan))
    assert found.hardware == FIRST_HARDWARE + 1


def test_no_name_of_a_charter_reaches_a_command() -> None:
    plan = hostile_plan()
    for text in texts(made(plan)):
        assert re.fullmatch(r"[a-z0-9_.:/@ \n-]*", text)


def test_a_device_that_is_no_ordinary_name_is_refused() -> None:
    plan = demo()
    lines = (replace(plan.lines[0], device="eth0; up"), *plan.lines[1:])
    with pytest.raises(ValueError, match="eth0; up"):
        made(replace(plan, lines=lines))


def test_a_station_must_stand_somewhere_and_have_a_name_of_its_own() -> None:
    plan = demo()
    lost = Station("lost", "attic", 0x020000CC0009, (ip_address("10.0.0.1"),))
    with pytest.raises(ValueError, match="lost stands behind no entrance of the plan: attic"):
        topology(plan, (lost,), world(plan))
    twice = stations(plan)[:1] * 2
    with pytest.raises(ValueError, match="the same name"):
        topology(plan, twice, world(plan))


def test_what_differs_from_the_site_is_told() -> None:
    told = "\n".join(made(demo()).differs)
    assert "eth3.20, eth3.30, eth3.40, eth3.50" in told
    assert "mast has got the address 100.64.77.2/30" in told
