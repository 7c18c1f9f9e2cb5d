"""`show`: the plan in words and as JSON, and three views that say the same."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache
from ipaddress import ip_address, ip_interface, ip_network
from itertools import product
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from netcharter.charter.read import read
from netcharter.diagnostics.escape import HIDDEN
from netcharter.plan import coding, make_plan
from netcharter.plan.listed import Listed
from netcharter.plan.shapes import Plan, Region
from netcharter.space.ranges import Ranges, has, ranges
from netcharter.tasks.around import show_around
from netcharter.tasks.flips import flips_of
from netcharter.tasks.show import VIEWS, By, Decision, ShowResult, show, show_charter
from netcharter.tasks.show_text import show_text
from netcharter.tasks.show_words import Words
from netcharter.tasks.sources import Source, Unusable
from tests.oracle.random_charters import random_charter

ROOT = Path(__file__).parents[2]
TARN_HOLLOW = ROOT / "examples" / "tarn-hollow" / "charter.yaml"
ANSI = re.compile(r"\x1b\[[0-9;]*m")
SMALL = """
charter: 1
site: {name: %s, timezone: Europe/London, managed-from: [desk]}
lines: {copper: {device: eth0}}
areas: {%s: {device: eth1, hosts: 5}}
devices: {desk: {area: %s, hardware: 02:00:00:aa:00:01, address: lasting}}
rules:
  - {let: %s, reach: internet, with: https, name: %s, because: %s}
"""


@lru_cache
def tarn_hollow() -> Plan:
    reading = read(TARN_HOLLOW.read_bytes(), "charter.yaml")
    assert reading.charter is not None
    return make_plan(reading.charter)


@lru_cache
def shown(by: By | None = None) -> ShowResult:
    return show(tarn_hollow(), by)


def plain(result: ShowResult, width: int = 200) -> str:
    return show_text(result, width, False)


def said(decision: Decision) -> list[str]:
    return [f"{c.starter} -> {c.to} with {c.service}, {c.when}" for c in decision.clauses]


def labelled(label: str) -> Decision:
    return next(d for d in shown().decisions if d.label == label)


# What there is


def test_lines_areas_and_devices_are_those_of_the_charter() -> None:
    plan, found = tarn_hollow(), shown()
    assert [line["name"] for line in found.lines] == list(plan.charter.lines)
    assert [area["name"] for area in found.areas] == list(plan.charter.areas)
    assert [device["name"] for device in found.devices] == list(plan.charter.devices)
    assert found.lines[0]["addresses"] == ["203.0.113.10/29", "2001:db8:7aff::2/64"]
    assert found.lines[0]["rate"] == {"down": 40_000_000, "up": 8_000_000}
    assert found.lines[1]["automatic"] and found.lines[1]["role"] == "standby"
    assert found.areas[1]["device"] == "eth3.20"
    marks = {area["name"]: area["marks"] for area in found.areas}
    assert marks["bunkrooms"] == ["sign-in required", "apart"]
    assert marks["tills"] == ["strangers refused"]
    lost = next(d for d in found.devices if d["name"] == "spare-laptop")
    assert lost["marks"] == ["barred"] and lost["addresses"] == []


def test_every_address_lies_in_the_prefix_of_its_area() -> None:
    found = shown()
    prefixes = {
        area["name"]: [ip_network(n) for n in (area["ipv4"]["prefix"], *_sixes(area))]
        for area in found.areas
    }
    assert {len(found) for found in prefixes.values()} == {3}
    for device in found.devices:
        for address in map(ip_address, device["addresses"]):
            assert any(
                address in n for n in prefixes[device["area"]] if n.version == address.version
            )
    for area in found.areas:
        assert ip_address(area["ipv4"]["gateway"]) in ip_network(area["ipv4"]["prefix"])


def _sixes(area: dict[str, Any]) -> list[str]:
    return [six["prefix"] for six in area["ipv6"]]


# Usable hosts of a prefix: RFC 1878, the table of section 3; one of them is the gateway's.
RFC_1878 = {30: 2, 29: 6, 28: 14, 27: 30, 26: 62, 25: 126, 24: 254}


def test_the_room_of_an_area_is_what_rfc_1878_says_less_the_gateway() -> None:
    for area in shown().areas:
        room = area["room"]
        assert room["usable"] == RFC_1878[ip_network(area["ipv4"]["prefix"]).prefixlen] - 1
        assert room["hosts"] <= room["wanted"] <= room["usable"]
    office = shown().areas[0]["room"]
    assert office == {"hosts": 12, "growth": 0.5, "wanted": 18, "usable": 29}


def test_what_an_area_lends_is_told_with_the_times_of_rfc_2131() -> None:
    """Section 4.4.5: renewed at half of a lease, from anybody at seven eighths of it."""
    lent = shown().areas[0]["lends"]
    assert (lent["lease"], lent["renewed_after"], lent["rebound_after"]) == (43200, 21600, 37800)
    assert lent["pool"] + lent["lasting"] == 29 and lent["held"] == 18 - lent["lasting"]
    assert (lent["left"], lent["full_after"], lent["fitting_lease"]) == (0, None, None)


def test_hours_are_told_in_words_and_as_windows() -> None:
    evening, lights_out = shown().hours
    assert evening["words"] == ["every day 17:00 to 22:00"]
    assert lights_out["words"] == [
        "mon to thu 22:00 to 07:00 on the next day",
        "fri to sat 23:00 to 07:30 on the next day",
        "sun 22:00 to 07:00 on the next day",
        "31 December 2026: closed",
    ]
    assert lights_out["weekly"][0]["days"] == ["mon", "tue", "wed", "thu"]
    assert lights_out["weekly"][0]["windows"] == [
        {"start": "22:00", "end": "07:00", "next_day": True}
    ]
    assert lights_out["dates"] == [{"from": "2026-12-31", "to": "2026-12-31", "windows": []}]


def test_dates_in_a_row_and_windows_to_midnight_are_told_together() -> None:
    hours = """terms: {autumn: [2026-09-03 to 2026-12-18, 2026-12-21], camp: 2026-10-05}
hours:
  open:
    weekly: {mon-tue: ["08:00-12:00", "13:00-24:00"]}
    terms: autumn
    outside: camp
    dates: {2026-12-24 to 2026-12-26: closed, 2026-12-28: "10:00-11:00"}
"""
    reading = read(SMALL % ("s", "a", "a", "a", "r", "x") + hours, "c.yaml")
    assert reading.charter is not None
    (found,) = show(make_plan(reading.charter)).hours
    assert found["words"] == [
        "mon to tue 08:00 to 12:00, 13:00 to 24:00",
        "wed to sun closed",
        "that in autumn: 03 September 2026 to 18 December 2026, 21 December 2026",
        "not in camp: 05 October 2026",
        "24 December 2026 to 26 December 2026: closed",
        "28 December 2026: 10:00 to 11:00",
    ]
    assert [w["next_day"] for w in found["weekly"][0]["windows"]] == [False, False]


def test_what_may_finish_is_told_of_its_decision() -> None:
    text = SMALL % ("s", "a", "a", "a", "r", "x")
    text = text.replace("with: https,", "with: https, during: open, let-finish: true,")
    reading = read(text + "hours: {open: {weekly: {daily: 08:00-16:00}}}\n", "c.yaml")
    assert reading.charter is not None
    found = show(make_plan(reading.charter)).decisions
    assert [one.label for one in found if one.let_finish] == ["r"]


# Decisions in words


def test_decisions_stand_in_their_order_with_label_and_place() -> None:
    rows = tarn_hollow().rows
    assert [(d.number, d.label, d.kind, d.let) for d in shown().decisions] == [
        (row.index + 1, row.label, row.kind, row.let) for row in rows
    ]
    lines = TARN_HOLLOW.read_text("utf-8").splitlines()
    for decision in shown().decisions:
        if decision.kind in ("rule", "emergency", "offer"):
            assert decision.span is not None
            assert re.match(r"  - (let|refuse|offer): ", lines[decision.span.line - 1])
        else:
            assert decision.span is None
            assert decision.because


TOLD = """
barred: spare-laptop in every area -> anywhere with anything, always
strangers: any device but till-1 or till-2 in tills -> anywhere with anything, always
strangers: any device but camera-yard or camera-pier in cameras -> anywhere with anything, always
forged: every area, internet and the gateway itself, from an address that does not belong there\
 -> anywhere with anything, always
multicast: every area, internet and the gateway itself -> multicast and broadcast with anything,\
 always
unroutable: every area, internet and the gateway itself -> anywhere but internet, the gateway,\
 all of every area and multicast and broadcast with anything, always
names: every area -> the gateway's inside addresses with dns, always
management: duty-laptop in office -> the gateway with ssh, always
rule 1: phones -> telephony with rtp, sip and sips, always
rule 2: tills -> payments with https, always
rule 3: bunkrooms -> internet with anything, during lights-out
rule 7: instructors and bunkrooms, signed in as rowan, skye or fern -> internet with https, http,\
 imaps and submissions, always
rule 10: instructors -> printer with ipp, always
rule 12: duty-laptop in office -> phones and cameras with https, always
rule 15: office -> booking with ssh, until 31 March 2027
sign-in: instructors and bunkrooms, not signed in -> anywhere with anything, always
default: every area, internet and the gateway itself -> anywhere with anything, always
"""


@pytest.mark.parametrize("label", dict.fromkeys(re.findall(r"(?m)^([\w -]+): ", TOLD)))
def test_a_decision_is_told_by_the_names_of_the_charter(label: str) -> None:
    assert said(labelled(label)) == re.findall(rf"(?m)^{label}: (.*)$", TOLD)


def test_the_states_of_the_lines_are_told_where_they_decide() -> None:
    told = said(labelled("no-line"))
    assert told[0] == (
        "every area and the gateway itself, IPv4 -> internet with anything,"
        " while copper and mast are down"
    )
    assert any("from the prefix of copper" in t and "while copper is down" in t for t in told)


def test_an_offer_says_where_it_is_delivered() -> None:
    offer = labelled("offer 1")
    booking = next(d for d in shown().devices if d["name"] == "booking")
    assert offer.delivered == f"booking ({booking['addresses'][0]})"
    assert said(offer) == [
        "every area and copper, IPv4 -> the gateway on copper with https, always"
    ]


def test_housekeeping_names_its_published_source() -> None:
    for decision in shown().decisions:
        if decision.kind == "housekeeping" and decision.label not in ("barred", "strangers"):
            assert decision.basis


# Views: the same decisions, exactly


@lru_cache
def random_plan(number: int) -> Plan:
    random = Random(f"show {number}")
    for _ in range(50):
        reading = read(random_charter(random), "charter.yaml")
        if reading.charter is not None:
            return make_plan(reading.charter)
    raise AssertionError("no valid charter in 50 draws")


def _points(plan: Plan, random: Random) -> Iterator[dict[str, Any]]:
    """Points in and around every region, so that each border of each decision is tried."""
    names = [*(a.name for a in plan.areas), *(line.name for line in plan.lines), "gateway"]
    for region in {region for row in plan.rows for region in row.regions}:
        yield {
            "entrance": random.choice([*region.entrances, random.choice(names)]),
            "source": _near(region.source, random, coding.ADDRESS_SIZE),
            "destination": _near(region.destination, random, coding.ADDRESS_SIZE),
            "service": _near(region.service, random, coding.SERVICE_SIZE),
            "hardware": _near(region.hardware, random, coding.HARDWARE_SIZE),
        }


def _near(found: Ranges, random: Random, size: int) -> int:
    low, high = random.choice(found)
    value = random.choice([low, high, random.randint(low, high), low - 1, high + 1])
    return min(max(value, 0), size - 1)


def _conditions(regions: Iterable[Region], point: dict[str, Any]) -> set[object]:
    """What else must be true for the point to be within the regions: identity, time, lines."""
    return {
        (region.who, region.when, region.lines)
        for region in regions
        if point["entrance"] in region.entrances
        and has(region.source, point["source"])
        and has(region.destination, point["destination"])
        and has(region.service, point["service"])
        and has(region.hardware, point["hardware"])
    }


def _exists(point: dict[str, Any]) -> bool:
    """One family throughout, and a service that an attempt can have."""
    same = has(coding.ANY4, point["source"]) == has(coding.ANY4, point["destination"])
    return same and has(coding.REAL_SERVICES, point["service"])


def _regions(decisions: Iterable[Decision]) -> dict[int, list[Region]]:
    found: dict[int, list[Region]] = {}
    for decision in decisions:
        mine = found.setdefault(decision.number, [])
        mine += [region for clause in decision.clauses for region in clause.regions]
    return found


@pytest.mark.parametrize("number", range(-1, 8))
def test_words_and_every_view_stand_for_exactly_the_decisions(number: int) -> None:
    plan = tarn_hollow() if number < 0 else random_plan(number)
    told = {"all": _regions(show(plan).decisions)}
    for by in VIEWS:
        view = show(plan, by).view
        assert view is not None
        told[by] = _regions(d for section in view.sections for d in section.decisions)
        assert set(told[by]) == {row.index + 1 for row in plan.rows if row.regions}
    random = Random(number)
    tried = 0
    for point in (p for _ in range(3) for p in _points(plan, random) if _exists(p)):
        for row in plan.rows:
            expected = _conditions(row.regions, point)
            tried += bool(expected)
            for where, found in told.items():
                assert _conditions(found.get(row.index + 1, ()), point) == expected, (where, row)
    assert tried > 100


def _tiny(family: int) -> st.SearchStrategy[Region]:
    """Regions of one family over addresses 1 to 4, all alike but for source and destination."""
    first = 1 if family == 4 else coding.V6 + 1
    some = st.sets(st.integers(first, first + 3), min_size=1).map(
        lambda numbers: ranges(*((n, n) for n in numbers))
    )
    entrances = st.sampled_from([frozenset({"office"}), frozenset({"tills"})])
    return st.builds(Region, entrances, some, some, st.just(((0, 0),)), st.just(((0, 0),)))


@given(st.lists(_tiny(4) | _tiny(6), min_size=1, max_size=6))
def test_joining_regions_into_clauses_neither_adds_nor_loses(regions: list[Region]) -> None:
    joined = [r for clause in Words(tarn_hollow()).clauses(regions) for r in clause.regions]
    for first in (1, coding.V6 + 1):
        for source, to in product(range(first, first + 4), repeat=2):
            for name in ("office", "tills"):
                point = {"entrance": name, "source": source, "destination": to}
                point |= {"service": 0, "hardware": 0}
                assert _conditions(joined, point) == _conditions(regions, point)


def test_a_section_speaks_of_nothing_else() -> None:
    plan = tarn_hollow()
    office, booking = plan.areas[0], next(d for d in plan.devices if d.name == "booking")
    by_who, by_to, by_service = (show(plan, by).view for by in VIEWS)
    assert by_who and by_to and by_service
    for view, name in ((by_who, "office"), (by_to, "office"), (by_service, "https")):
        section = next(s for s in view.sections if s.name == name)
        regions = [r for found in _regions(section.decisions).values() for r in found]
        assert regions
        for region in regions:
            if view is by_who:
                assert region.entrances == {"office"}
            elif view is by_to:
                assert all(has(office.hosts, low) and has(office.hosts, high)
                           for low, high in region.destination)  # fmt: skip
            else:
                assert region.service == (coding.service(coding.TCP, 443),)
    barn = next(s for s in by_to.sections if s.name == booking.area)
    assert [d.label for d in barn.delivered] == ["offer 1"]


def test_views_name_their_sections_once() -> None:
    for by in VIEWS:
        view = shown(by).view
        assert view is not None
        names = [section.name for section in view.sections]
        assert len(set(names)) == len(names)
    view = shown("who").view
    assert view is not None
    assert [s.name for s in view.sections][-3:] == ["copper", "mast", "the gateway itself"]


# JSON

NOW = datetime(2026, 12, 1, tzinfo=UTC)


def _keys(value: object) -> set[str]:
    if isinstance(value, dict):
        return set(value).union(*map(_keys, value.values()))
    return set().union(*map(_keys, value)) if isinstance(value, list) else set()


def test_the_json_has_the_keys_that_its_page_tells() -> None:
    page = (ROOT / "docs" / "reference" / "json.md").read_text("utf-8")
    head, _, rest = page.partition("\n## show\n")
    section = rest.partition("\n## ")[0]
    told = set(re.findall(r"`([a-z0-9_]+)`", head + section))
    found: dict[str, Any] = json.loads(json.dumps(shown("to").as_json()))
    assert found["ok"] is True
    assert _keys(found) <= told
    tables = re.findall(r"^\| (`.*?) \|", section, re.MULTILINE)
    promised = {key for cell in tables for key in re.findall(r"`([a-z0-9_]+)`", cell)}
    exits = "exits: [{from: hut, by: copper, because: its contract}]\n"
    exits += "lists: {ours: {entries: [games.example], topic: play}}\n"
    exits += "names: [{withhold: ours, for: hut}]\nresolvers: [93.184.218.53]\n"
    exits += "terms: {fair: 2026-12-01}\nhours: {stall: {weekly: {mon: 08:00-09:00}, terms: fair}}"
    more = show_charter(Source("c", (SMALL % ("Hut", *["hut"] * 5) + exits).encode())).as_json()
    hours = flips_of(tarn_hollow(), NOW).as_json()
    example = (ROOT / "examples" / "tarn-hollow" / "charter.yaml").read_bytes()
    around = show_around(Source("charter.yaml", example), NOW).as_json()
    others = (json.loads(json.dumps(one)) for one in (more, hours, around))
    assert promised <= _keys(found).union(*map(_keys, others))
    assert "view" not in shown().as_json()


def test_the_json_says_what_the_words_say() -> None:
    found = shown("service").as_json()
    assert [d["label"] for d in found["decisions"]] == [d.label for d in shown().decisions]
    rule = next(d for d in found["decisions"] if d["label"] == "rule 3")
    assert rule["outcome"] == "refused"
    assert rule["clauses"] == [
        {
            "from": "bunkrooms",
            "to": "internet",
            "service": "anything",
            "when": "during lights-out",
        }
    ]
    assert rule["span"]["file"] == "charter.yaml"
    assert found["view"]["by"] == "service"


# Text


@pytest.mark.parametrize("by", [None, *VIEWS])
@pytest.mark.parametrize("width", [40, 60, 80, 200])
def test_no_line_is_wider_than_the_terminal(by: By | None, width: int) -> None:
    lines = plain(shown(by), width).splitlines()
    assert max(map(cell_len, lines)) <= width
    assert all(line == line.rstrip() for line in lines)


@pytest.mark.parametrize("width", [60, 200])
def test_everything_that_has_a_name_is_told(width: int) -> None:
    text, plan = plain(shown(), width), tarn_hollow()
    names = [*plan.charter.lines, *plan.charter.areas, *plan.charter.devices, *plan.charter.hours]
    for name in names:
        assert re.search(rf"(?m)^ *{re.escape(name)}\b", text), name
    for decision in shown().decisions:
        verb = "let" if decision.let else "refuse"
        title = rf"{decision.number}\. {verb:<6} {re.escape(decision.label)}"
        assert re.search(rf"(?m)^ *{title}(?!\w)", text)
    for area in shown().areas:
        assert area["ipv4"]["prefix"] in text
    for line in shown().lines:
        assert all(str(ip_interface(a)) in text for a in line["addresses"])


def test_a_wide_terminal_gets_tables_and_a_narrow_one_lists() -> None:
    wide, narrow = plain(shown(), 200), plain(shown(), 60)
    assert re.search(r"area +no\. +device +IPv4 +gateway +room +lends +IPv6 +marks", wide)
    assert "40 Mbit/s, 8 Mbit/s" in wide
    assert "18 of 29" in wide and "room: 18 of 29" in narrow
    assert "duty-laptop" in narrow and "addresses: " in narrow


def test_a_view_is_shown_alone_with_housekeeping_in_one_line() -> None:
    text = plain(shown("to"))
    assert text.startswith("Tarn Hollow Outdoor Centre: decisions by what is reached\n")
    assert "10.73." not in text.partition("barn")[0]
    office = text.split("\n\n")[1]
    assert office.splitlines()[0] == "office"
    assert "housekeeping first: barred, strangers" in office
    assert "cameras -> recorder with ntp and rtsp" in office
    assert "sent to the gateway, delivered here:" in text


def test_colour_changes_nothing_but_the_colour() -> None:
    coloured = show_text(shown(), 100, True)
    assert "\x1b[32m" in coloured and "\x1b[31m" in coloured
    without = [line.rstrip() for line in ANSI.sub("", coloured).splitlines()]
    assert without == plain(shown(), 100).splitlines()
    assert "\x1b" not in plain(shown(), 100)


@pytest.mark.parametrize("width", [60, 200])
@pytest.mark.parametrize("colour", [False, True])
def test_hostile_names_reach_no_terminal(width: int, colour: bool) -> None:
    site = '"[bold]x[/bold] :smile: $(reboot) \U0001f3aa; `id`"'
    area = "משרד"
    text = SMALL % (site, area, area, area, '"]rule[ [red]"', "'[link=x]y'")
    evil = "\x1b[2J\x1b]0;owned\x07\u202eevil\n\r\x9b"
    reading = read(text, f"c{evil}.yaml")
    assert reading.charter is not None
    plan = make_plan(reading.charter)
    rows = tuple(replace(r, label=r.label + evil, because=r.because + evil) for r in plan.rows)
    devices = tuple(replace(d, name=d.name + evil) for d in plan.devices)
    listed = [replace(r, because=r.because + evil) for r in plan.names.rows]
    names = replace(plan.names, rows=tuple(listed), domain=plan.names.domain + evil)
    plan = replace(plan, site=plan.site + evil, rows=rows, devices=devices, names=names)
    for by in (None, *VIEWS):
        told = ANSI.sub("", show_text(show(plan, by), width, colour))
        assert not HIDDEN.search(told.replace("\n", ""))
        flat = re.sub(r"\s+", "", told)
        assert "[bold]x[/bold]:smile:$(reboot)\U0001f3aa;`id`<U+001B>[2J" in flat
        assert "]rule[[red]" in flat
        assert area in flat


def test_long_names_fold_and_stay_whole() -> None:
    name = "a" * 60
    reading = read(SMALL % ("s", name, name, name, "r", "x" * 300), "c.yaml")
    assert reading.charter is not None
    told = plain(show(make_plan(reading.charter)), 60)
    assert max(map(cell_len, told.splitlines())) <= 60
    assert name in re.sub(r"\s+", "", told)


NAMED = """
charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: [desk]}
lines: {copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}}
areas: {home: {device: eth1, hosts: 12}, yard: {device: eth2, hosts: 12}}
devices: {desk: {area: home, hardware: '02:00:00:aa:00:01', address: lasting}}
hours: {school: {weekly: {mon-fri: "08:00-16:00"}}}
resolvers: [{address: 93.184.218.53, tls: dns.example.net}]
lists:
  games: {from: 'https://lists.example.org/games', topic: play}
  dice: {entries: [dice.example, time.example.net], topic: play}
  idle: {entries: [dice.example]}
  seen: {of: addresses, entries: [198.51.100.9]}
hostile: {lists: [seen]}
names:
  - {answer: www.dice.example, for: desk}
  - {withhold: [play, bad.example.org], for: [home, yard], during: school, because: lessons}
  - {rewrite: www.search.example, to: strict.search.example, for: yard, until: 2027-01-31}
"""


def test_names_rules_lists_and_resolvers_are_told_as_the_charter_has_them() -> None:
    text = b"# one\ngames.example\nno name here\n"
    learnt = {"games": Listed(text, NOW)}
    found = show_charter(Source("hut.yaml", NAMED.encode(), lists=learnt))
    rules = [one for one in found.names["decisions"] if one["kind"] == "rule"]
    assert [(r["outcome"], r["for"], r["during"], r["until"], r["to"]) for r in rules] == [
        ("answered", ["desk"], None, None, None),
        ("withheld", ["home", "yard"], "school", None, None),
        ("rewritten", ["yard"], None, "2027-01-31", "strict.search.example"),
    ]
    play, bad = rules[1]["names"]
    assert (play["topic"], play["lists"], play["name"]) == ("play", ["games", "dice"], None)
    assert (bad["name"], bad["below"], rules[2]["names"][0]["below"]) == (
        "bad.example.org",
        True,
        False,
    )
    games, dice, idle, seen = found.lists
    assert (games["host"], games["entries"], games["fetched"]) == (
        "lists.example.org",
        1,
        "2026-12-01T00:00:00Z",
    )
    assert games["refused"] == [{"reason": "holds more than one word", "count": 1, "first": 3}]
    assert (dice["entries"], dice["used_by"]) == (2, ["names rule 2"])
    assert (idle["entries"], idle["used_by"]) == (None, [])
    assert (seen["entries"], seen["used_by"], seen["of"]) == (1, ["hostile"], "addresses")
    told = " ".join(plain(found).split())
    assert "asks 93.184.218.53 over TLS as dns.example.net" in told
    assert (
        "play (games, dice), bad.example.org with all below it for home, yard, during school"
        in told
    )
    assert "www.search.example for yard, as strict.search.example, until 2027-01-31" in told
    unknown = show_charter(Source("hut.yaml", NAMED.encode())).lists[0]
    assert unknown["entries"] is None and unknown["fetched"] is None


def test_the_smallest_charter_can_be_shown() -> None:
    text = "charter: 1\nsite: {name: s, timezone: UTC}\nlines: {l: {device: eth0}}\n"
    found = show_charter(Source("c.yaml", (text + "areas: {a: {device: eth1, hosts: 1}}").encode()))
    told = plain(found)
    assert "Devices" not in told and "Hours" not in told
    assert found.as_json()["devices"] == []


def test_what_is_no_charter_is_told_as_such() -> None:
    with pytest.raises(Unusable):
        show_charter(Source("c.yaml", b"charter: 2"))


def test_the_terminal_library_is_loaded_only_to_print() -> None:
    code = "import sys, netcharter.tasks.show_text; print('rich' in sys.modules)"
    answer = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert answer.stdout.strip() == "False"
