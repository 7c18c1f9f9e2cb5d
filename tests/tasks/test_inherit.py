"""A gateway without a charter from its files to the answers: the old gateway of Tarn Hollow, whose
faults are known, and the gateway that a charter made, which should have none."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from ipaddress import ip_interface
from pathlib import Path
from typing import Any

import pytest

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.render import render
from netcharter.tasks.inherit import (
    Charted,
    File,
    Given,
    Inherited,
    ask_gateway,
    chart,
    compare_gateway,
    explain_gateway,
    inherit,
)
from netcharter.tasks.sources import Source, Unusable
from tests.lab.rehearsing import small

pytestmark = pytest.mark.kernel

FOLDER = Path(__file__).parents[2] / "examples" / "tarn-hollow" / "old-gateway"
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
LINES = ("copper=eth0", "mast=eth1")


def file(name: str) -> File:
    return File(name, (FOLDER / name).read_bytes())


def old(text: str | None = None) -> Given:
    """The old gateway, or another ruleset in its place."""
    ruleset = file("old.nft") if text is None else File("other.nft", text.encode())
    return Given(
        ruleset,
        file("addresses.json"),
        (file("routes.json"), file("routes6.json")),
        (file("dnsmasq.conf"), file("leases"), file("equipment.csv")),
        LINES,
    )


@cache
def judged() -> Inherited:
    return inherit(old(), NOW)


@cache
def charted() -> Charted:
    found = chart(judged(), site="Tarn Hollow", timezone="Europe/London", entropy=bytes(range(16)))
    assert found.charted is not None
    return found.charted


def text() -> str:
    return (FOLDER / "old.nft").read_text("utf-8")


def line_of(words: str) -> int:
    return next(n for n, line in enumerate(text().splitlines(), 1) if words in line)


FAULTS = [  # planted when the example was written
    ("management-open", "error", "ct status dnat accept"),
    ("management-open", "warning", "Easter 2019"),
    ("comment-date-passed", "warning", "Easter 2019"),
    ("comment-date-passed", "warning", "summer 2021"),
    ("listed-rule-never-decides", "warning", "duty laptop"),
    ("listed-rule-never-decides", "warning", "office browses"),
    ("listed-rule-never-decides", "warning", "{ 465, 993 }"),
    ("listed-rule-never-decides", "warning", "voucher printer"),
    ("listed-rule-never-decides", "warning", "old acquirer"),
    ("listed-rule-never-decides", "warning", "deposits"),
    ("network-device-absent", "note", "eth9"),
    ("comment-temporary", "note", "tidy up later"),
]


@pytest.mark.parametrize(("ident", "severity", "words"), FAULTS)
def test_the_faults_of_the_old_gateway_are_found_at_their_lines(
    ident: str, severity: str, words: str
) -> None:
    places = {(one.id, one.severity, one.span.file, one.span.line) for one in judged().findings}
    assert (ident, severity, "old.nft", line_of(words)) in places


def test_rules_that_decide_are_not_said_to_be_dead() -> None:
    dead = {one.span.line for one in judged().findings if one.id == "listed-rule-never-decides"}
    assert dead == {line_of(words) for ident, _, words in FAULTS if "never" in ident}
    assert not judged().ok


def test_everything_counted_is_there() -> None:
    counts = judged().counts()
    lines = [line.strip() for line in text().splitlines()]
    assert counts["chains"] == sum(line.startswith("chain ") for line in lines)
    assert counts["sets"] == sum(line.startswith("set ") for line in lines)
    assert counts["errors"] == 1 and counts["tables"] == 1


DNAT, BOOKING, CARDS = (
    "ct status dnat accept",
    "booking server",
    "@card_company tcp dport 443 accept",
)
QUESTIONS = [
    ("who can reach 10.20.70.10 with https", [DNAT, BOOKING, None], "delivered to 10.20.70.10"),
    ("who can reach 10.20.10.21 with tcp/3389", [DNAT, None], "tcp/33890"),
    ("can tills reach internet with https", [CARDS, CARDS], "198.51.100.64/28"),
    ("can bunkrooms reach office", [], ""),
    ("can copper reach gateway with ssh", ["Easter 2019"], "from 198.51.100.200"),
]


@pytest.mark.parametrize(
    ("question", "deciders", "words"), QUESTIONS, ids=[q[0] for q in QUESTIONS]
)
def test_questions(question: str, deciders: Sequence[str | None], words: str) -> None:
    """Each row is decided where the text says; None: by nothing but the kernel."""
    answer = ask_gateway(old(), question).answer
    assert answer.complete
    assert words in " ".join(f"{row.starter} {row.to} {row.service}" for row in answer.rows)
    places = [row.span.line if row.span is not None else None for row in answer.rows]
    assert places == [None if one is None else line_of(one) for one in deciders]


def outcomes(*connection: str) -> set[tuple[str, bool]]:
    found = explain_gateway(old(), *connection)
    return {(story.outcome, story.may) for story in found.stories}


@pytest.mark.parametrize(
    ("connection", "outcome"),
    [
        (("bunkrooms", "10.20.60.20", "tcp/9100"), "refused"),
        (("office", "198.51.100.9", "https"), "let"),
        (("10.20.10.10", "gateway", "ssh"), "let"),
        (("bunkrooms", "gateway", "ssh"), "refused"),
        (("cameras", "10.20.10.30", "tcp/554"), "let"),
        (("eth0", "203.0.113.10", "https"), "let"),
        (("eth0", "203.0.113.10", "http"), "refused"),
    ],
)
def test_single_connections(connection: tuple[str, str, str], outcome: str) -> None:
    assert outcomes(*connection) == {(outcome, False)}


def test_a_way_tells_each_rule_and_the_translation() -> None:
    (story,) = explain_gateway(old(), "eth0", "203.0.113.10", "tcp/33890").stories
    lines = [step.span.line for step in story.steps if step.span is not None]
    assert lines == [line_of("33890"), line_of("ct status dnat accept")]
    assert "10.20.10.21" in story.steps[-1].text and "3389" in story.steps[-1].text


@pytest.mark.parametrize(
    ("question", "instead"),
    [
        ("who can reach offise", "office"),
        ("who can reach 10.20.10.1/24", "10.20.10.0/24"),
        ("can office reach internet with htps", "https"),
        ("where is the exit", "who can reach"),
    ],
)
def test_questions_that_are_not_understood_are_answered_with_one_that_is(
    question: str, instead: str
) -> None:
    with pytest.raises(Unusable) as caught:
        ask_gateway(old(), question)
    (wrong,) = caught.value.diagnostics
    assert wrong.id == "question-not-understood" and instead in str(wrong.help)


# ---- compared ----


def compared(other: str) -> Any:
    source = Source("other.nft", other.encode())
    return compare_gateway(old(), File("other.nft", other.encode()), source)


def test_the_same_rules_in_other_words_are_the_same() -> None:
    other = text().replace("tcp dport @web", "tcp dport { 80, 443 }").replace("# It works", "#")
    told = compared(other)
    assert told.ok and told.as_json()["same"] is True
    assert "proven" in " ".join(told.lines(90))


def test_rules_that_never_decide_can_go() -> None:
    """What the audit said of them, shown by comparing the rulesets with and without."""
    dead = {one.span.line for one in judged().findings if one.id == "listed-rule-never-decides"}
    kept = [line for n, line in enumerate(text().splitlines(), 1) if n not in dead]
    assert compared("\n".join(kept)).ok


def test_a_rule_more_and_a_rule_less() -> None:
    more = text().replace(
        "\t\tip daddr 10.20.0.0/16 drop",
        "\t\tip daddr 10.20.60.20 tcp dport 9100 accept\n\t\tip daddr 10.20.0.0/16 drop",
    )
    told = compared(more)
    found = told.beside.difference
    assert not told.ok and found.totals["closed"] == 0 == found.totals["altered"]
    # every source of the family that comes in by that device, to one address and port
    assert found.totals["opened"] > 2**31
    (row,) = found.of("opened")
    assert row.service == "printing" and "10.20.60.20" in row.witness.sentence
    less = text().replace('\t\tip daddr 10.20.10.30 tcp dport 554 accept comment "recorder"\n', "")
    found = compared(less).beside.difference
    assert found.totals["opened"] == 0 and {row.service for row in found.rows} == {"rtsp"}


# ---- the first charter ----


def test_the_first_charter_is_one_and_loads() -> None:
    reading = read(charted().written.text.encode(), "charter.yaml")
    assert reading.charter is not None
    plan = make_plan(reading.charter)
    assert not [note for note in plan.notes if note.severity == "error"]
    assert {area.device for area in plan.areas} >= {"eth2", "eth4", "eth5", "eth3.30"}
    assert "because: inherited" in charted().written.text


@pytest.mark.parametrize("name", ["eth0@x", "a#b", "-rf", "x,y"])
def test_devices_that_a_charter_cannot_name_are_told_where_they_stand(name: str) -> None:
    """Linux takes more names than a charter does (dev_valid_name in net/core/dev.c, from memory)."""
    given = old()
    said = (FOLDER / "addresses.json").read_bytes().replace(b'"eth2"', json.dumps(name).encode())
    assert given.addresses is not None and said != given.addresses.data
    found = inherit(replace(given, addresses=File("addresses.json", said)), NOW)
    with pytest.raises(Unusable) as refused:
        chart(found, site="Tarn Hollow", timezone="Europe/London", entropy=bytes(16))
    assert [one.id for one in refused.value.diagnostics] == ["bad-interface"]
    (told,) = refused.value.diagnostics
    assert name in told.message and told.span.file == "addresses.json"


def test_what_the_charter_does_otherwise_is_told_row_by_row() -> None:
    """Nothing is opened by it; and the same comparison by way of its file says the same."""
    beside = charted().beside
    assert beside is not None and beside.difference.complete and beside.difference.read
    rows = beside.difference.rows
    assert 0 < len(rows) < 20
    assert not [row for row in rows if row.change == "opened" and "internet" in row.starter]
    source = Source("charter.yaml", charted().written.text.encode())
    again = compare_gateway(old(), File("charter.yaml", source.text), source).beside.difference
    assert again.totals == beside.difference.totals
    assert [row.as_json() for row in again.rows] == [row.as_json() for row in rows]


def test_the_rules_of_the_charter_are_those_of_the_gateway_in_their_order() -> None:
    reading = read(charted().written.text.encode(), "charter.yaml")
    assert reading.charter is not None
    told = [line.split("[old.nft:")[1] for line in charted().written.text.splitlines()
            if "[old.nft:" in line and line.startswith("  #")]  # fmt: skip
    numbers = [int(one.split("]")[0]) for one in told]
    dead = {one.span.line for one in judged().findings if one.id == "listed-rule-never-decides"}
    assert not dead & set(numbers)
    for words in ("barred_hardware drop", "booking server", "guests stay out", "admin from"):
        assert line_of(words) in numbers
    guests, browsing = line_of("guests stay out"), line_of("calls home")
    assert numbers.index(guests) < numbers.index(browsing)


def test_the_run_sheet_names_what_has_to_be_done() -> None:
    found = chart(judged(), site="Tarn Hollow", timezone="Europe/London", entropy=bytes(16))
    sheet = found.run_sheet()
    assert sheet.count("[ ]") > 5 or sheet.count("- ") > 5
    assert "10.20.60.254" in sheet


# ---- a kit, inherited ----


def addresses(plan: Plan) -> File:
    """What `ip -j address` would print on the gateway of a plan."""

    def entry(device: str, *interfaces: Any) -> dict[str, Any]:
        said = [
            {
                "family": "inet6" if one.version == 6 else "inet",
                "local": str(one.ip),
                "prefixlen": one.network.prefixlen,
                "scope": "global",
            }
            for one in interfaces
        ]
        return {"ifname": device, "operstate": "UP", "addr_info": said}

    areas = [
        entry(area.device, ip_interface(f"{area.gateway4}/{area.v4.prefixlen}"))
        for area in plan.areas
    ]
    lines = [
        entry("eth0", ip_interface("203.0.113.10/29"), ip_interface("2001:db8:7aff::2/64")),
        entry("eth1", ip_interface("198.51.100.18/28")),
    ]
    return File("addresses.json", json.dumps([*lines, *areas]).encode())


def routes(plan: Plan) -> Sequence[File]:
    four = [
        {"dst": "default", "gateway": "203.0.113.9", "dev": "eth0"},
        {"dst": "203.0.113.8/29", "dev": "eth0", "scope": "link"},
        {"dst": "198.51.100.16/28", "dev": "eth1", "scope": "link"},
        *({"dst": str(area.v4), "dev": area.device, "scope": "link"} for area in plan.areas),
    ]
    six = [{"dst": "default", "gateway": "2001:db8:7aff::1", "dev": "eth0"}]
    return [File(f"r{n}.json", json.dumps(one).encode()) for n, one in enumerate((four, six))]


@cache
def kit() -> Inherited:
    """The gateway that a charter made, judged as if nobody had the charter."""
    plan = small()
    given = Given(
        File("kit.nft", render(plan).files["nftables.nft"]),
        addresses(plan),
        tuple(routes(plan)),
        (),
        LINES,
        ("office=eth2", "bunkrooms=eth3", "tills=eth4", "barn=eth5"),
    )
    return inherit(given, NOW)


def test_a_kit_gives_no_error_and_no_warning() -> None:
    assert [one.message for one in kit().findings if one.severity != "note"] == []


def test_from_a_kit_comes_a_charter_with_its_rules() -> None:
    """What hangs on sign-in, hours and hardware is named; the rest is there, in its order."""
    found = chart(kit(), site="Hut", timezone="Europe/London", entropy=bytes(range(16)))
    assert found.charted is not None
    reading = read(found.charted.written.text.encode(), "charter.yaml")
    assert reading.charter is not None
    written = [
        ("let" if rule.let else "refuse", list(rule.who), list(rule.reach))
        for rule in reading.charter.rules
    ]
    for one in (
        ("let", ["tills"], ["net-192-0-2-64-28"]),
        ("let", ["office"], ["internet"]),
        ("let", ["office"], ["tills", "barn"]),
    ):
        assert one in written
    unsaid = " ".join(one.words for one in found.unsaid)
    assert "nc_who4_rowan" in unsaid and "hardware addresses" in unsaid
    beside = found.charted.beside
    assert beside is not None and beside.difference.complete
    closed = beside.difference.of("closed")
    assert not [row for row in closed if "office" in row.starter and "internet" in row.to]
