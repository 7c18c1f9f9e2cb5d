"""Which network devices are lines, which areas, and what cannot be said of them.

What counts as private or shared: RFC 1918, RFC 4193, RFC 6598.
"""

from __future__ import annotations

from collections.abc import Sequence
from ipaddress import IPv4Address, IPv4Network, ip_address, ip_interface, ip_network
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcharter.diagnostics import Span
from netcharter.tasks.inheriting.naming import Names, named, proper
from netcharter.tasks.inheriting.recognise import recognise
from netcharter.tasks.inheriting.shapes import (
    Delivering,
    Facts,
    Held,
    Hiding,
    HostFacts,
    Lease,
    Named,
    NetDevice,
    OldRoute,
    Pool,
    Recognised,
    Reservation,
)
from netcharter.tasks.inheriting.where import Where
from netcharter.tasks.sources import Unusable
from tests.tasks.inheriting.old_gateway import AREAS, found

HERE = Span("x", 1, 1, 1, 2)


def device(name: str, *addresses: str, **more: object) -> NetDevice:
    return NetDevice(name, None, tuple(map(ip_interface, addresses)), HERE, **more)  # type: ignore[arg-type]


def default(device: str, hop: str | None, metric: int = 0, **more: object) -> OldRoute:
    there = ip_address(hop) if hop else None
    zero = ip_network("::/0" if there and there.version == 6 else "0.0.0.0/0")
    return OldRoute(zero, there, device, HERE, metric, **more)  # type: ignore[arg-type]


def lease(address: str, number: int, active: bool = True) -> Lease:
    return Lease(ip_address(address), number, "", HERE, active=active)


def fixed(name: str, number: int | None, *addresses: str, area: str = "") -> Reservation:
    hardware = () if number is None else (number,)
    return Reservation(name, hardware, tuple(map(ip_address, addresses)), HERE, area)


def see(
    devices: Sequence[NetDevice],
    ways: Sequence[OldRoute] = (),
    held: Held | None = None,
    facts: Facts | None = None,
    names: Named | None = None,
) -> Recognised:
    host = HostFacts(tuple(devices), tuple(ways))
    return recognise(host, facts or Facts(), held or Held(), names or Named())


def told(seen: Recognised) -> str:
    return " | ".join(f"{one.words} ({one.instead})" for one in seen.unsaid)


def test_the_old_gateway_of_the_example() -> None:
    seen = found()
    assert [(line.name, line.device, line.role) for line in seen.lines] == [
        ("copper", "eth0", "main"), ("mast", "eth1", "standby")
    ]  # fmt: skip
    assert {area.name for area in seen.areas} == set(AREAS)
    assert not any(part.unsure for part in seen.parts)
    by_name = {area.name: area for area in seen.areas}
    assert (by_name["bunkrooms"].parent, by_name["bunkrooms"].vlan) == ("eth3", 30)
    assert by_name["bunkrooms"].hosts == 38
    assert by_name["phones"].hosts == 2
    assert by_name["tills"].prefixes == (ip_network("10.20.60.0/24"),)
    assert seen.by_device["eth3.50"] == "cameras"
    assert seen.aside.keys() == {"eth3", "eth6"}
    words = told(seen)
    assert "in tills the old gateway is 10.20.60.254; the new one is 10.20.60.1" in words
    assert "attic" in words and "spare-laptop" in words
    assert len(seen.unsaid) == 3


def test_devices_of_several_files_are_put_together() -> None:
    devices = {device.name: device for device in found().devices}
    till = devices["till-1"]
    assert (till.area, till.note) == ("tills", "on the counter, bought 2019")
    assert devices["camera-pier"].area == "cameras"
    assert len(devices["bursar"].hardware) == 2
    assert devices["weather-mast"].hardware == ()
    assert "spare-laptop" not in devices and "attic" not in devices


def test_every_line_and_area_has_its_reasons() -> None:
    for part in found().parts:
        assert part.reasons
    copper, mast = found().lines
    assert copper.reasons[0] == "you say so"
    assert any("learnt" in reason for reason in mast.reasons)


@pytest.mark.parametrize("address", ["203.0.113.10/29", "100.64.1.2/10", "192.168.1.2/24"])
def test_the_default_route_makes_a_line_whatever_its_address(address: str) -> None:
    """The last is a gateway behind another one: translated twice."""
    hop = str(ip_interface(address).network[1])
    seen = see([device("eth0", address), device("eth1", "10.1.0.1/24")], [default("eth0", hop)],
               facts=Facts((Hiding(("eth0",), (), None, HERE),)))  # fmt: skip
    assert [line.device for line in seen.lines] == ["eth0"]
    assert [area.device for area in seen.areas] == ["eth1"]
    assert not seen.lines[0].unsure
    shared = any("RFC 6598" in reason for reason in seen.lines[0].reasons)
    assert shared == address.startswith("100.64")


def test_a_dhcp_line_that_is_down_is_told_by_its_masquerade() -> None:
    facts = Facts((Hiding(("eth0", "eth1"), (ip_network("10.1.0.0/24"),), None, HERE),))
    seen = see([device("eth0", "203.0.113.10/29"), device("eth1"), device("eth2", "10.1.0.1/24")],
               [default("eth0", "203.0.113.9")], facts=facts)  # fmt: skip
    assert [line.device for line in seen.lines] == ["eth0", "eth1"]
    assert seen.lines[1].addresses == () and seen.lines[1].role == "standby"


def test_what_speaks_for_both_is_unsure_until_you_say_so() -> None:
    both = [device("eth0", "203.0.113.10/29"), device("eth1", "192.168.1.2/24", learnt=True)]
    ways = [default("eth0", "203.0.113.9"), default("eth1", "192.168.1.1", 9)]
    held = Held(leases=(lease("192.168.1.30", 1), lease("192.168.1.31", 2)))
    seen = see(both, ways, held)
    assert [(p.device, p.unsure) for p in seen.parts] == [("eth0", False), ("eth1", True)]
    assert any(reason.startswith("but ") for reason in seen.parts[1].reasons)
    for names in (Named({"mast": "eth1"}, {}), Named({}, {"yard": "eth1"})):
        seen = see(both, ways, held, names=names)
        (settled,) = [part for part in seen.parts if part.device == "eth1"]
        assert not settled.unsure and settled.reasons[0] == "you say so"
        assert settled in (seen.lines if names.lines else seen.areas)


def test_nothing_known_but_addresses_is_unsure() -> None:
    seen = see([device("eth1", "10.1.0.1/24")])
    assert seen.areas[0].unsure


def test_roles_come_from_metrics_and_shared_routes() -> None:
    three = [device("eth0", "203.0.113.10/29"), device("eth1", "192.0.2.2/24"),
             device("eth2", "198.51.100.2/24")]  # fmt: skip
    seen = see(three, [default("eth1", "192.0.2.1", 5), default("eth0", "203.0.113.9", 50)])
    assert [(line.device, line.role) for line in seen.lines] == [
        ("eth1", "main"), ("eth0", "standby"), ("eth2", "standby")
    ]  # fmt: skip
    shared = [default("eth0", "203.0.113.9", shared=True, weight=3),
              default("eth1", "192.0.2.1", shared=True)]  # fmt: skip
    seen = see(three, shared)
    assert [(line.role, line.weight) for line in seen.lines] == [
        ("balanced", 3), ("balanced", 1), ("standby", 1)
    ]  # fmt: skip


def test_only_a_next_hop_in_the_network_of_the_line_is_kept() -> None:
    seen = see([device("eth0", "203.0.113.10/32", "2001:db8::2/64")],
               [default("eth0", "192.0.2.1"), default("eth0", "fe80::1")])  # fmt: skip
    assert seen.lines[0].next_hops == (ip_address("fe80::1"),)
    assert "192.0.2.1" in told(seen)


def test_more_lines_than_a_charter_has_are_told() -> None:
    many = [device(f"eth{n}", f"203.0.113.{8 * n + 1}/29") for n in range(8)]
    ways = [default(f"eth{n}", f"203.0.113.{8 * n + 2}", n) for n in range(8)]
    seen = see(many, ways)
    assert len(seen.lines) == 6
    assert told(seen).count("one line more than a charter can have") == 2


def test_tunnels_bridges_and_their_parts() -> None:
    seen = see([
        device("wg0", "10.9.0.1/24", kind="wireguard"), device("br0", "10.1.0.1/24", kind="bridge"),
        device("eth1", within="br0"), device("eth2", within="br0"), device("eth3"),
        device("ppp0", "203.0.113.7/32", kind="ppp", learnt=True),
    ], [default("ppp0", None)])  # fmt: skip
    assert [area.device for area in seen.areas] == ["br0"]
    assert [line.device for line in seen.lines] == ["ppp0"]
    assert seen.aside == {
        "wg0": "a tunnel", "eth1": "a part of br0", "eth2": "a part of br0",
        "eth3": "it has no address",
    }  # fmt: skip
    assert "wg0 (10.9.0.1/24) is a tunnel" in told(seen)
    assert "br0 (area-br0) is a bridge" in told(seen)


def test_vlans_are_told_from_parents_or_from_names() -> None:
    seen = see([
        device("office", "10.1.0.1/24", parent="eth3", vlan=20, kind="vlan"),
        device("eth3.30", "10.2.0.1/24"), device("eth3.5000", "10.3.0.1/24"),
    ])  # fmt: skip
    assert [(area.parent, area.vlan) for area in seen.areas] == [
        ("eth3", 20), ("eth3", 30), ("eth3.5000", None)
    ]  # fmt: skip
    assert [area.name for area in seen.areas] == ["vlan-20", "vlan-30", "area-eth3.5000"]
    assert "office will be called eth3.20" in told(seen)


def test_areas_are_called_as_their_pools_or_tables_call_them() -> None:
    held = Held(
        (fixed("a", 1, "10.2.0.5", area="Yard & barn"), fixed("b", 2, "10.2.0.6", area="99")),
        pools=(Pool(ip_address("10.1.0.50"), ip_address("10.1.0.60"), HERE, tag="staff"),),
    )
    areas = [device(f"eth{n}", f"10.{n}.0.1/24") for n in (1, 2, 3)]
    assert [area.name for area in see(areas, held=held).areas] == [
        "staff",
        "Yard-barn",
        "area-eth3",
    ]


def test_prefixes_that_an_area_can_not_have_are_told() -> None:
    seen = see([
        device("eth1", "10.1.0.1/24", "10.2.0.1/24", "fd12:3456:789a:1::1/64"),
        device("eth2", "10.1.0.65/26", "2001:db8:1::1/64"),
        device("eth3", "10.3.0.1/32", "fd12:3456:789a:2::1/48"),
    ])  # fmt: skip
    assert [area.prefixes for area in seen.areas] == [
        (ip_network("10.1.0.0/24"), ip_network("fd12:3456:789a:1::/64")), (), ()
    ]  # fmt: skip
    for words in ("10.2.0.0/24 is another prefix", "10.1.0.64/26 of area-eth2 overlaps",
                  "2001:db8:1::/64 of area-eth2 is a part", "10.3.0.1/32 can't be the prefix"):  # fmt: skip
        assert words in told(seen)


def test_inside_routes_and_other_tables_can_not_be_said() -> None:
    seen = see([device("eth1", "10.1.0.1/24")], [
        OldRoute(ip_network("10.99.0.0/16"), ip_address("10.1.0.9"), "eth1", HERE),
        OldRoute(ip_network("10.1.0.0/24"), None, "eth1", HERE),
        OldRoute(ip_network("0.0.0.0/0"), None, "wg0", HERE, table="51"),
    ])  # fmt: skip
    assert [one.words for one in seen.unsaid] == [
        "10.99.0.0/16 is reached by 10.1.0.9 on eth1, another router",
        "the route to 0.0.0.0/0 by wg0 stands in table 51",
    ]


def test_a_router_that_is_another_machine_is_told() -> None:
    first = ip_address("10.1.0.50")
    pools = (Pool(first, first, HERE, routers=(ip_address("10.1.0.9"),)),
             Pool(first, first, HERE, routers=(ip_address("10.1.0.1"), ip_address("10.1.0.2"))),
             Pool(first, first, HERE, routers=(ip_address("10.7.0.1"),)))  # fmt: skip
    seen = see([device("eth1", "10.1.0.1/24")], held=Held(pools=pools))
    assert [one.words for one in seen.unsaid] == [
        "hosts of area-eth1 are told the router 10.1.0.9, which is not this gateway"
    ]


def test_hosts_are_counted_once() -> None:
    held = Held(
        (fixed("a", 1, "10.1.0.5"), fixed("b", 2)),
        (lease("10.1.0.5", 1), lease("10.1.0.7", 3), lease("10.1.0.8", 3), lease("10.1.0.9", 2),
         lease("10.1.0.10", 4, active=False)),
    )  # fmt: skip
    seen = see([device("eth1", "10.1.0.1/24")], held=held)
    assert seen.areas[0].hosts == 3
    assert [(one.name, one.area) for one in seen.devices] == [
        ("a", "area-eth1"),
        ("b", "area-eth1"),
    ]


def test_reservations_that_share_something_become_one_device() -> None:
    held = Held((
        Reservation("a", (1, 2), (ip_address("10.1.0.5"),), HERE),
        fixed("other", 3, "10.1.0.6"), fixed("", 2, "10.1.0.7"), fixed("c", None, "10.1.0.6"),
        fixed("d", 3), fixed("e", 4, "10.1.0.6"),
    ))  # fmt: skip
    seen = see([device("eth1", "10.1.0.1/24")], held=held)
    assert [(one.name, one.hardware, [str(a) for a in one.addresses]) for one in seen.devices] == [
        ("a", (1, 2), ["10.1.0.5", "10.1.0.7"]), ("other", (3,), ["10.1.0.6"]), ("e", (4,), []),
    ]  # fmt: skip
    assert "in pairs" in told(seen)
    assert "e (00:00:00:00:00:04 and 10.1.0.6) can't keep 10.1.0.6: other has it" in told(seen)


@pytest.mark.parametrize(
    ("address", "why"),
    [("10.1.0.1", "the gateway's own"), ("10.1.0.0", "no host's"), ("10.1.0.255", "no host's")],
)
def test_addresses_that_no_host_can_have_are_told(address: str, why: str) -> None:
    seen = see([device("eth1", "10.1.0.254/24")], held=Held((fixed("a", 1, address),)))
    assert why in told(seen)
    assert [one.addresses for one in seen.devices] == [()]


def test_without_the_host_only_what_is_named_is_known() -> None:
    facts = Facts(
        (Hiding(("eth0",), (), None, HERE),),
        (Delivering(("eth0",), (), ip_address("10.1.0.5"), HERE),),
        ("eth0", "eth1", "lo"),
    )
    held = Held(pools=(Pool(None, None, HERE, ip_network("10.1.0.0/24"), "eth1"),),
                devices=("eth1",))  # fmt: skip
    seen = see([], held=held, facts=facts)
    assert [line.device for line in seen.lines] == ["eth0"]
    assert [(area.device, area.prefixes) for area in seen.areas] == [
        ("eth1", (ip_network("10.1.0.0/24"),))
    ]


def test_a_name_for_a_device_that_is_not_there_is_refused() -> None:
    with pytest.raises(Unusable) as fault:
        see([device("eth1", "10.1.0.1/24")], names=named([], ["office=eth9"]))
    (problem,) = fault.value.diagnostics
    assert problem.id == "no-such-network-device" and "eth1" in (problem.help or "")


@pytest.mark.parametrize(
    ("lines", "areas"),
    [
        (["copper"], []), (["copper="], []), (["=eth0"], []), (["gateway=eth0"], []),
        (["a b=eth0"], []), (["copper=eth0", "copper=eth1"], []), (["copper=eth0"], ["Copper=eth1"]),
        (["copper=eth0"], ["office=eth0"]), ([], ["office=eth 0"]), ([], ["office=" + "e" * 16]),
    ],
)  # fmt: skip
def test_names_that_are_none_are_refused(lines: list[str], areas: list[str]) -> None:
    with pytest.raises(Unusable) as fault:
        named(lines, areas)
    assert [d.id for d in fault.value.diagnostics] == ["name-not-understood"]


@pytest.mark.parametrize(
    ("wanted", "name"),
    [
        ("front desk", "front-desk"), ("2nd floor", "nd-floor"), ("Küche", "Küche"), ("", ""),
        ("<b>x</b>", "b-x-b"), ("a\u202eb", "a-b"), ("--", ""), ("x" * 500, "x" * 60),
    ],
)  # fmt: skip
def test_names_are_made_of_whatever_was_written(wanted: str, name: str) -> None:
    assert proper(wanted) == name


@given(st.lists(st.integers(0, 2**32 - 1).flatmap(
    lambda n: st.integers(16, 32).map(lambda length: (n, length))), max_size=12), st.randoms())  # fmt: skip
def test_the_narrowest_network_that_holds_an_address_is_found(
    drawn: list[tuple[int, int]], random: Random
) -> None:
    networks = [IPv4Network((number, length), strict=False) for number, length in drawn]
    networks += [one.supernet(prefixlen_diff=3) for one in networks]
    where = Where((network, str(network)) for network in networks)
    for network in networks:
        address = IPv4Address(random.randint(int(network[0]), int(network[-1])))
        holding = [one for one in networks if address in one]
        assert where.of(address) == str(max(holding, key=lambda one: one.prefixlen))
    outside = ip_address("2001:db8::1")
    assert where.of(outside) is None


def test_names_are_new_and_never_the_charters_own_words() -> None:
    names = Names(["Office"])
    assert names.take("office", "x") == "office-2"
    assert names.take("OFFICE", "x") == "OFFICE-3"
    assert names.take("gateway", "x") == "gateway-2"
    assert names.take("!", "area-eth1") == "area-eth1"
    assert names.take("y" * 80, "x") != names.take("y" * 80, "x")
