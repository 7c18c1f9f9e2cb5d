"""What a programme is made of: stations that hold what is used, probes in a lasting order."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from ipaddress import IPv4Address, IPv4Interface, IPv4Network, IPv6Address, IPv6Network, ip_address
from itertools import groupby
from pathlib import Path
from typing import Any

import pytest

from netcharter.charter.model import Charter
from netcharter.charter.read import read
from netcharter.lab.world import world
from netcharter.plan import coding, labels, make_plan
from netcharter.plan.fate import Attempt, Environment
from netcharter.plan.shapes import Plan
from netcharter.probes import pacing
from netcharter.probes.programme import MOST, chosen, programme
from netcharter.probes.shapes import GATEWAY, Probe, Programme, World
from netcharter.probes.stage import Stage
from netcharter.probes.trials import Trial
from netcharter.space.ranges import has
from tests.oracle.compared import NOW, pair
from tests.render.plans import area, line, small_charter

AT = datetime(2026, 11, 25, 12, tzinfo=UTC)
LINK_LOCAL = IPv6Network("fe80::/10")


@cache
def demo_plan(repository: Path) -> Plan:
    text = (repository / "examples" / "tarn-hollow" / "charter.yaml").read_text(encoding="utf-8")
    charter = read(text, "charter.yaml").charter
    assert charter is not None
    return make_plan(charter)


@cache
def demo(repository: Path) -> Programme:
    plan = demo_plan(repository)
    return programme(plan, world(plan), AT)


def made(charter: Charter, **said: Any) -> tuple[Plan, Programme]:
    plan = make_plan(charter)
    return plan, programme(plan, said.pop("where", world(plan)), AT, **said)


@cache
def small() -> tuple[Plan, Programme]:
    return made(small_charter())


# --- the demo -------------------------------------------------------------------------------------


def test_the_demo_has_probes_of_every_kind_and_few_that_cannot_be_tried(repository: Path) -> None:
    found = demo(repository)
    assert 3000 < len(found.probes) < MOST
    assert len(found.unprobed) < 70
    assert len(found.stations) < 40
    shapes = Counter(probe.shape for probe in found.probes)
    assert set(shapes) == {
        "plain",
        "talk",
        "fragments",
        "extension",
        "source-routed",
        "no-start",
        "no-question",
    }
    assert shapes["talk"] > 80
    answers = Counter(probe.expected.answer for probe in found.probes)
    assert set(answers) == {"answered", "reset", "prohibited", "unreachable", "silent"} - (
        {"unreachable"} if not answers["unreachable"] else set()
    )


def test_every_decision_of_the_demo_that_filters_is_counted_by_some_probe(repository: Path) -> None:
    counted = {name for probe in demo(repository).probes for name in probe.expected.counters}
    rows = [row.label for row in demo_plan(repository).rows if not row.routed]
    # The gateway of a lab is in no group of multicast DNS before its relay is begun, and where people
    # sign in the gate has the page's port already.
    wanted = {
        labels.row_name(name) for name in rows if name not in ("found-services", "withheld-page")
    }
    assert wanted | {"nc_invalid"} == counted


def test_offers_are_tried_from_outside_and_back_into_and_across_areas(repository: Path) -> None:
    told = " ".join(probe.purpose for probe in demo(repository).probes)
    for way in (
        "offer 1: copper to barn, IPv4, delivered",
        "offer 1: barn to barn, IPv4, back into the same area",
        "offer 1: office to barn, IPv4, across areas by the public name",
        "offer 1 (IPv6): copper to barn, IPv6",
        "a neighbour on copper addresses what offer 1 offers directly",
        "forged: an inside address from copper",
        "forged: another's address from office",
    ):
        assert way in told


def test_a_neighbour_who_addresses_the_inside_host_directly_is_refused(repository: Path) -> None:
    found = [
        probe
        for probe in demo(repository).probes
        if "a neighbour on copper addresses what offer 1 offers" in probe.purpose
    ]
    assert found
    for probe in found:
        assert probe.packet.source in IPv4Network("203.0.113.8/29")
        assert probe.packet.number == 443 and not probe.expected.arrives
        assert probe.expected.answer == "silent"


def test_the_main_line_carries_until_it_is_down_and_then_the_standby_one(repository: Path) -> None:
    probes = [probe for probe in demo(repository).probes if probe.packet.source.version == 4]
    down = "office to the internet with copper down"
    packet = next(probe.packet for probe in probes if down in probe.purpose)
    exits = {
        (tuple(sorted(probe.setting.up)), tuple(sorted(probe.expected.arrives)))
        for probe in probes
        if replace(probe.packet, port=packet.port) == packet and probe.shape == "plain"
    }
    assert exits == {
        (("copper", "mast"), ("copper",)),
        (("copper",), ("copper",)),
        (("mast",), ("mast",)),
        ((), ()),
    }


def test_a_source_is_hidden_behind_the_address_of_the_line_it_leaves_by(repository: Path) -> None:
    plan = demo_plan(repository)
    own = {"copper": IPv4Address("203.0.113.10"), "mast": world(plan).lines4["mast"][0].ip}
    inside = [a.v4 for a in plan.areas]
    hidden = 0
    for probe in demo(repository).probes:
        for station, shown in probe.expected.sources.items():
            if station in own and any(probe.packet.source in network for network in inside):
                assert shown == own[station]
                hidden += 1
    assert hidden > 100


# --- stations -------------------------------------------------------------------------------------


def programmes(repository: Path) -> list[tuple[Plan, Programme]]:
    found = [(demo_plan(repository), demo(repository)), small()]
    for number in range(3):
        plan = pair(number).plan
        found.append((plan, programme(plan, world(plan), NOW, limit=1500)))
    return found


def test_stations_hold_every_address_that_is_used(repository: Path) -> None:
    for plan, found in programmes(repository):
        areas = {each.name: each for each in plan.areas}
        stations = {station.name: station for station in found.stations}
        assert len(stations) == len(found.stations)
        held = Counter(
            (station.entrance, address)
            for station in found.stations
            for address in station.addresses
        )
        assert max(held.values()) == 1, "two machines with one address"
        for probe in found.probes:
            if probe.station != GATEWAY:
                entrance = stations[probe.station].entrance
                source = probe.packet.source
                if entrance in areas and has(areas[entrance].hosts, coding.address(source)):
                    assert held[entrance, source] == 1, probe
            for name in probe.expected.arrives - {GATEWAY}:
                if stations[name].entrance in areas:
                    assert probe.expected.destination in stations[name].addresses, probe


def test_there_is_one_station_per_area_and_hardware_address_and_one_per_line(
    repository: Path,
) -> None:
    for plan, found in programmes(repository):
        places = Counter((station.entrance, station.hardware) for station in found.stations)
        assert max(places.values()) == 1
        for each in plan.lines:
            assert sum(station.entrance == each.name for station in found.stations) == 1
        known = {h for device in plan.devices for h in device.hardware}
        for station in found.stations:
            if station.hardware not in known:
                assert station.hardware >> 40 == 0x02, "invented addresses are local ones"
        numbers = {station.name: station.hardware for station in found.stations}
        for probe in found.probes:
            if probe.station == GATEWAY:
                assert probe.packet.hardware is None
            else:
                assert probe.packet.hardware == numbers[probe.station]


def test_next_hops_stand_behind_their_lines(repository: Path) -> None:
    stations = {station.name: station for station in demo(repository).stations}
    hops = {IPv4Address("203.0.113.9"), IPv6Address("2001:db8:7aff::1")}
    assert hops <= set(stations["copper"].addresses)
    where = world(demo_plan(repository))
    assert where.lines4["mast"][1] in stations["mast"].addresses
    for address in stations["copper"].addresses:
        near = address in IPv4Network("203.0.113.8/29") or address in IPv6Network(
            "2001:db8:7aff::/64"
        )
        assert near or address in LINK_LOCAL


def test_stations_have_names_a_keeper_knows(repository: Path) -> None:
    names = {station.name for station in demo(repository).stations}
    assert {"copper", "mast", "office/duty-laptop", "bunkrooms/visitor-1", "barn/booking"} <= names


# --- order and limits -----------------------------------------------------------------------------


def test_probes_are_numbered_in_order_and_settings_stand_together(repository: Path) -> None:
    found = demo(repository)
    assert [probe.number for probe in found.probes] == list(range(1, len(found.probes) + 1))
    groups = [key for key, _ in groupby(found.probes, key=lambda probe: probe.setting)]
    assert len(groups) == len(set(groups))
    counted = [
        key for key, _ in groupby(found.probes, key=lambda p: (p.setting, p.expected.counters))
    ]
    assert len(counted) == len(set(counted))
    states = [key for key, _ in groupby(found.probes, key=lambda probe: probe.setting.up)]
    assert len(states) == len(set(states)) and states[0] == frozenset({"copper", "mast"})


def test_no_two_probes_send_the_same_in_the_same_setting(repository: Path) -> None:
    for _, found in programmes(repository):
        keys = Counter(
            (p.station, replace(p.packet, port=0), p.shape, p.setting) for p in found.probes
        )
        assert max(keys.values()) == 1
        ports = {probe.packet.port for probe in found.probes}
        assert len(ports) == len(found.probes)


def test_two_that_have_asked_often_enough_are_not_both_asked_for_by_one_third() -> None:
    """A kernel refuses one source for want of a route so often only (`pacing`)."""
    plan, _ = small()
    where = world(plan)
    environment = Environment(frozenset(), coding.NOBODY, AT)
    hardware = Stage(plan, where).seats.visitor("office").hardware
    trials = [
        Trial(
            Attempt(
                "office",
                coding.address(IPv4Address(f"10.7.0.{last}")),
                hardware,
                coding.address(IPv4Address(f"11.22.33.{far}")),
                (6 << 16) + 443,
            ),
            environment,
        )
        for far in range(1, pacing.BURST + 2)
        for last in (2, 3)
    ]
    found = chosen(plan, where, [(trial, f"number {n}") for n, trial in enumerate(trials)])
    sent = [(probe.packet.source, probe.packet.destination) for probe in found.probes]
    assert len(set(sent)) == len(sent) == len(trials) - 1
    purposes = {part for probe in found.probes for part in probe.purpose.split("; ")}
    assert purposes == {f"number {n}" for n in range(len(trials))}


def test_the_same_plan_gives_the_same_programme() -> None:
    plan, found = small()
    assert programme(make_plan(small_charter()), world(plan), AT) == found


def test_a_limit_cuts_boundaries_first_and_says_how_many() -> None:
    _, found = made(small_charter(), limit=900)
    assert 898 <= len(found.probes) <= 900
    assert any("a rehearsal has at most 900 probes" in one.why for one in found.unprobed)
    _, whole = small()
    kinds = {p.purpose.split("; ")[0] for p in whole.probes if p.purpose.startswith("decided")}
    kept = {p.purpose.split("; ")[0] for p in found.probes if p.purpose.startswith("decided")}
    assert kept == kinds
    _, none = made(small_charter(), limit=0)
    assert not none.probes and none.unprobed


def test_many_prefixes_of_one_place_leave_room_for_everything_else() -> None:
    charter = small_charter()
    many = tuple(IPv4Network((0xC0000000 + 512 * n + 3, 32)) for n in range(2000))
    place = replace(charter.places["payments"], prefixes=many)
    _, found = made(replace(charter, places={"payments": place}), limit=3000)
    assert 2998 <= len(found.probes) <= 3000
    _, plain = small()
    fields = {word for word in _fields(plain) if word[0] != "rule 1"}
    assert {row for row, _ in fields} <= {row for row, _ in _fields(found)} | {"rule 'calls first'"}
    assert any("more edges of rule 1 by destination" in one.what for one in found.unprobed)


def _fields(found: Programme) -> set[tuple[str, str]]:
    """Which decisions have boundaries in which fields."""
    out = set()
    for probe in found.probes:
        for purpose in probe.purpose.split("; "):
            if purpose.startswith("just inside "):
                name, _, rest = purpose.removeprefix("just inside ").partition(": ")
                out.add((name, rest.split(" ")[0]))
    return out


# --- settings -------------------------------------------------------------------------------------


def test_whoever_is_signed_in_is_in_the_sets_of_the_probes_own_family() -> None:
    plan, found = small()
    people = [person.name for person in plan.people]
    seen = set()
    for probe in found.probes:
        family = probe.packet.source.version
        joins, identity = probe.setting.joins, probe.setting.identity
        assert bool(joins) == (identity is not None)
        if identity is not None:
            assert labels.signed_set(family) in joins
            assert not any(name.startswith(f"nc_who{10 - family}") for name in joins)
            seen.add(identity)
    assert seen == {labels.identity_class(who, people) for who in (coding.GUEST, "rowan", "skye")}
    rowan = [p for p in found.probes if p.setting.identity == labels.CLASS_FIRST]
    team = frozenset({"rowan"})
    assert all(labels.who_set(team, p.packet.source.version) in p.setting.joins for p in rowan)


def test_a_probe_by_a_line_needs_that_line_up(repository: Path) -> None:
    for plan, found in programmes(repository):
        lines = {each.name for each in plan.lines}
        where = {station.name: station.entrance for station in found.stations}
        for probe in found.probes:
            entrance = where.get(probe.station, GATEWAY)
            assert entrance not in lines or entrance in probe.setting.up


# --- odd sites ------------------------------------------------------------------------------------


def odd_sites() -> dict[str, Charter]:
    charter = small_charter()
    hop = ip_address("198.51.100.1")
    fibre = line(
        "fibre",
        "eth9",
        addresses=(IPv4Interface("198.51.100.2/29"),),
        automatic=False,
        next_hops=(hop,),
        role="balanced",
    )
    copper = replace(charter.lines["copper"], role="balanced", weight=3)
    return {
        "no lines": replace(charter, lines={}, offers=()),
        "one host": replace(
            charter, areas={**charter.areas, "tills": area("tills", "eth4", "10.7.2.0/31")}
        ),
        "balanced": replace(charter, lines={**charter.lines, "copper": copper, "fibre": fibre}),
        "no rules": replace(charter, rules=(), offers=()),
        "no devices": replace(
            charter,
            devices={},
            offers=(),
            site=replace(charter.site, managed_from=()),
            rules=tuple(r for r in charter.rules if "booking" not in r.reach),
        ),
        "no hop": replace(charter, lines={"copper": replace(copper, next_hops=(hop,))}, offers=()),
    }


@pytest.mark.parametrize("name", odd_sites())
def test_odd_sites_have_programmes_too(name: str) -> None:
    plan, found = made(odd_sites()[name], limit=1500)
    assert found.probes and all(one.what and one.why for one in found.unprobed)
    assert {s.entrance for s in found.stations} >= {each.name for each in plan.lines}


def test_balanced_lines_share_what_goes_out() -> None:
    _, found = made(odd_sites()["balanced"], limit=1500)
    shared = [p for p in found.probes if p.expected.arrives == frozenset({"copper", "fibre"})]
    assert shared
    for probe in shared:
        assert {"copper", "fibre"} <= probe.setting.up and len(probe.expected.sources) == 2


def test_an_unknown_world_is_listed_not_guessed() -> None:
    _, found = made(small_charter(), where=World())
    assert any("no such address" in one.why for one in found.unprobed)
    assert all("mast" not in probe.expected.arrives for probe in found.probes)


def test_a_line_that_lacks_a_next_hop_is_listed() -> None:
    charter = odd_sites()["no hop"]
    lines = {"copper": replace(charter.lines["copper"], next_hops=(ip_address("203.0.113.9"),))}
    _, found = made(replace(charter, lines=lines), limit=1500)
    assert any("no IPv6 next hop of copper" in one.why for one in found.unprobed)


@pytest.mark.parametrize("number", range(12))
def test_random_charters_have_programmes(number: int) -> None:
    plan = pair(100 + number).plan
    found = programme(plan, world(plan), NOW, limit=700)
    assert found.probes
    assert all(isinstance(probe, Probe) and probe.told and probe.purpose for probe in found.probes)
