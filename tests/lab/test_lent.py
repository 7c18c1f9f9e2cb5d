"""Leases in a lab: real clients ask the kit's own dnsmasq, and faults are seen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache

import pytest

from netcharter.charter.read import read
from netcharter.lab import advertised, tools
from netcharter.lab import lent as asking
from netcharter.lab.apart import apart
from netcharter.lab.lent import NO_CLIENT, PROGRAM, Client, Lent, Told, clients, differing, lent
from netcharter.lab.site import Site
from netcharter.lab.world import world
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.probes.shapes import Station
from netcharter.render.advertising import CONF
from tests.kernel.namespace import needed
from tests.lab.rehearsing import SMALL, kit
from tests.lab.test_advertised import stations

Files = Mapping[str, bytes]
MORE = """
  thief: {area: office, hardware: '02:00:00:aa:00:04', barred: true}
people:
"""


@cache
def plan() -> Plan:
    text = SMALL.replace("people:\n", MORE.lstrip("\n"))
    text = text.replace("managed-from: desk", "managed-from: desk, time-servers: ntp.example.net")
    charter = read(text, "hut.yaml").charter
    assert charter is not None
    return make_plan(charter)


def asked(files: Files, as_user: bool = False) -> Lent:
    needed()
    for program in (advertised.PROGRAM, PROGRAM):
        if tools.path_of(program) is None:
            pytest.skip(f"NOBODY ASKED FOR AN ADDRESS: no {program} is here (tools/setup demo)")
    where, there = world(plan()), stations(plan())

    def within() -> Lent:
        with Site(plan(), files, there, where) as site:
            return lent(plan(), files, site, there)

    return apart(within, as_user=as_user, limit=120.0)


@pytest.mark.kernel
@pytest.mark.parametrize("as_user", [False, True])
def test_clients_are_lent_just_what_the_plan_says(as_user: bool) -> None:
    found = asked(kit(plan()), as_user)
    assert found == Lent(areas=4, clients=6, lasting=3, refused=2, time=True)


@pytest.mark.kernel
def test_what_is_wrong_is_seen() -> None:
    """Another router, a lasting address that is another's, a lease that is too short, no resolver.
    Who is barred and who is a stranger get nothing even where dnsmasq would lend to them."""
    files = dict(kit(plan()))
    text = files[CONF].decode()
    office, bunkrooms, _, barn = plan().areas
    for old, new in (
        (f"eth2,option:router,{office.gateway4}", f"eth2,option:router,{office.gateway4 + 9}"),
        (f"02:00:00:aa:00:02,{barn.v4[6]}\n", f"02:00:00:aa:00:02,{barn.v4[4]}\n"),
        (f"{bunkrooms.v4.netmask},43200", f"{bunkrooms.v4.netmask},3600"),
        (f"tag:eth5,option6:dns-server,[{barn.subnets6[0].gateway}]", "tag:none,23"),
        ("dhcp-ignore=tag:netcharter-barred\n", ""),
        ("dhcp-ignore=tag:eth4,tag:!netcharter-home-3\n", ""),
    ):
        assert old in text, old
        text = text.replace(old, new)
    files[CONF] = text.encode()
    found = "\n".join(asked(files).differences)
    for part in (
        f"office/desk was told {office.gateway4 + 9} for the router, and not {office.gateway4}",
        f"barn/booking was lent {barn.v4[4]}, and not its lasting address {barn.v4[6]}",
        "bunkrooms/visitor-1 was told 3600 for how many seconds its lease lasts, and not 43200",
        "barn/booking was told nothing in IPv6",
    ):
        assert part in found, found
    assert "tills/till-1" not in found and "office/thief" not in found  # the filter sees to that


def client(kind: str) -> Client:
    return next(one for one in clients(plan(), stations(plan())) if one.kind == kind)


def test_who_must_get_nothing_and_does_is_told_and_who_never_asked_is_no_success() -> None:
    one = client("stranger")
    assert list(differing(plan(), one, Told({}, frozenset()), True)) == []
    (silent,) = differing(plan(), one, Told({}, frozenset()), False)
    assert "never asked" in silent
    got = Told({"new_ip_address": "10.0.0.9"}, frozenset({"BOUND"}))
    (given,) = differing(plan(), one, got, True)
    assert given == "was lent 10.0.0.9, and was to get nothing"
    (six,) = differing(plan(), one, Told({}, frozenset({"INFORM6"})), True)
    assert six == "was lent something, and was to get nothing"


def test_an_address_out_of_the_pool_and_a_lease_that_is_not_renewed_are_told() -> None:
    found = list(
        differing(plan(), client("other"), Told({"new_ip_address": "10.0.0.9"}, frozenset()), True)
    )
    assert "was lent 10.0.0.9, which is not in the pool of " in found[0]
    assert "could not renew its lease" in found
    assert list(differing(plan(), client("other"), Told({}, frozenset()), True)) == [
        "got no address"
    ]


def test_nobody_gets_an_address_in_two_areas_and_nobody_asks_where_nothing_is_lent() -> None:
    away = Station("office/till-1", "office", 0x020000AA0003, ())
    there = [one for one in clients(plan(), (away, *stations(plan())))]
    assert away not in [one.station for one in there]
    charter = plan().charter
    areas = {**charter.areas, "barn": replace(charter.areas["barn"], lease=None)}
    other = replace(plan(), charter=replace(charter, areas=areas))
    assert {one.area.name for one in clients(other, stations(other))} == {
        "office",
        "bunkrooms",
        "tills",
    }


def test_where_a_program_is_missing_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    site: Site = None  # type: ignore[assignment]
    for program, told in ((PROGRAM, NO_CLIENT), (advertised.PROGRAM, advertised.MISSING)):
        monkeypatch.setattr(
            tools, "path_of", lambda name, gone=program: None if name == gone else name
        )
        found = lent(plan(), kit(plan()), site, stations(plan()))
        assert found == Lent(told) and found.ok
    assert lent(plan(), {}, site, stations(plan())).skipped and asking.PACKAGE in NO_CLIENT


def test_where_the_gateway_is_no_way_out_nobody_asks_by_dhcpv6() -> None:
    lines = tuple(replace(line, next_hop6=None) for line in plan().lines)
    bare = replace(plan(), lines=lines)
    assert any(one.six and one.by6 for one in clients(plan(), stations(plan())))
    asking = list(clients(bare, stations(bare)))
    assert not [one for one in asking if one.by6]
    # Who asks all the same is given what the plan says, and nobody else's.
    one = next(one for one in asking if one.six)
    name = "new_dhcp6_ia_na1_ia_addr1"
    for values, wrong in (({}, False), ({name: min(one.six)}, False), ({name: "fd00::9"}, True)):
        found = list(
            differing(bare, one, Told(values | {"new_ip_address": "10.0.0.9"}, frozenset()), True)
        )
        assert any("by DHCPv6" in told for told in found) == wrong
