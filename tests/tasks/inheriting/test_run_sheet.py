"""The run sheet of the evening: whole, right about the plan, and safe to print.

Markdown is judged by markdown-it-py, a CommonMark reader of others; what a connection's fate is,
by the plan itself once more, from the commands as they are printed.
"""

from __future__ import annotations

import re
import shlex
import subprocess
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from ipaddress import IPv6Network, ip_address, ip_interface

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from markdown_it.token import Token

from netcharter.charter.read import read
from netcharter.diagnostics import Span
from netcharter.diagnostics.escape import terminal
from netcharter.plan import coding, make_plan
from netcharter.plan.fate import Attempt, Environment, fate
from netcharter.plan.shapes import Plan
from netcharter.tasks.inheriting.charter import first_charter
from netcharter.tasks.inheriting.commands import FOLDER, backup, leftovers, renames, way_back
from netcharter.tasks.inheriting.markdown import block, code, table, words
from netcharter.tasks.inheriting.run_sheet import run_sheet
from netcharter.tasks.inheriting.shapes import HostFacts, Recognised, Unsaid, Written
from netcharter.tasks.inheriting.tried import ANSWERS, Trials
from tests.tasks.inheriting.old_gateway import AREAS, found, host, offers, rules

NOW = datetime(2026, 11, 2, 19, tzinfo=UTC)
HERE = Span("x", 1, 1, 1, 2)
COMMONMARK = MarkdownIt("commonmark").enable("table")


@cache
def written() -> Written:
    return first_charter(
        found(), rules(), offers(), site="Tarn Hollow Outdoor Centre", timezone="Europe/London",
        local_prefix=IPv6Network("fd5c:7a11:b0e::/48"), now=NOW,
    )  # fmt: skip


def planned(text: str | None = None) -> Plan:
    reading = read(text or written().text, "charter.yaml")
    assert reading.charter is not None
    return make_plan(reading.charter)


def sheet(plan: Plan | None = None, seen: Recognised | None = None) -> str:
    return run_sheet(plan or planned(), seen or found(), host(), now=NOW, unsaid=written().unsaid)


def inline(text: str) -> list[Token]:
    return [token for one in COMMONMARK.parse(text) if one.children for token in one.children]


def test_it_has_everything_that_an_evening_needs() -> None:
    text = sheet()
    headings = [line[3:] for line in text.splitlines() if line.startswith("## ")]
    assert headings == [
        "Read this first", "Before you start", "What is plugged where",
        "The steps, in this order", "Check the lines", "Check the areas", "A call for help",
        "Card payments", "The way back", "Who is told",
    ]  # fmt: skip
    for said in ("Screen and keyboard", "window of 90 minutes", "Telephone numbers", "Lock-out",
                 "Medical", "as the provider lets it", "60 minutes", "Local law"):  # fmt: skip
        assert said in text
    for one in written().unsaid:
        assert words(one.words) in text
    assert "nft -f nftables.nft" in text and f"sh {FOLDER}/back.sh" in text


def test_every_line_and_area_has_its_socket() -> None:
    rows = [line for line in sheet().splitlines() if line.startswith("| **")]
    assert len(rows) == 2 + len(AREAS)
    (bunkrooms,) = [row for row in rows if "bunkrooms" in row]
    assert [cell.strip() for cell in bunkrooms.split("|")[2:7]] == [
        "area", "`eth3`", "30", "same", "`02:00:00:aa:fe:05`"
    ]  # fmt: skip
    assert "`eth6` is left alone" in sheet() and "`eth3` is left alone" not in sheet()


def test_areas_are_checked_in_the_order_of_what_hurts_most() -> None:
    """Where it is looked after from, where telephones call from, then the others."""
    order = [line[4:] for line in sheet().splitlines() if line.startswith("### ")]
    assert order[:2] == ["office", "phones"] and set(order) == set(AREAS)


def test_every_area_has_one_concrete_answer_for_each_check() -> None:
    for part in sheet().partition("## Check the areas")[2].split("\n### ")[1 : len(AREAS) + 1]:
        cells = [line.split(" | ") for line in part.splitlines() if line.startswith("| a machine")]
        assert len(cells) == 5, part
        commands = [cell[1].strip("`") for cell in cells]
        assert commands[:2] == ["ip -4 -brief address", "ip route show default"]
        assert commands[2].startswith("nslookup example.org 10.20.")
        assert all(cell[2] for cell in cells)


@pytest.mark.parametrize("area", AREAS)
def test_what_must_work_and_what_must_not_is_what_the_plan_decides(area: str) -> None:
    plan = planned()
    trials = Trials.of(plan, NOW)
    (mine,) = [one for one in plan.areas if one.name == area]
    let, refused = trials.let(mine), trials.refused(mine)
    assert let is not None and refused is not None
    for trial, expected in ((let, True), (refused, False)):
        match = re.fullmatch(r"nc -v -z -w 3 (\S+) (\d+)", trial.command)
        if match is None:
            assert trial.command.endswith("https://example.org/") and expected
            match = re.fullmatch(r"(.*) (\d+)", "8.8.4.4 443")
        assert match is not None
        device = next((d for d in plan.devices if d.name == trial.starter), None)
        source = device.addresses4[0] if device else mine.v4[77]
        hardware = device.hardware[0] if device else 0x02_00_00_CC_00_01
        sent = Attempt(
            area, coding.address(source), hardware, coding.address(ip_address(match[1])),
            coding.service(coding.TCP, int(match[2]))[0],
        )  # fmt: skip
        outcome = fate(plan, sent, Environment(frozenset(("copper", "mast")), "", NOW))
        assert outcome.let == expected
        if outcome.manner is not None:
            assert trial.answer == ANSWERS[outcome.manner]


def test_an_area_that_may_nothing_says_so() -> None:
    text = re.sub(r"\nrules:\n.*?\n\n#", "\n\n#", written().text, flags=re.DOTALL)
    assert "nothing from here is let that a laptop could try" in sheet(planned(text))


def test_a_router_that_changes_is_said_where_it_matters() -> None:
    text = sheet()
    assert text.count("The router changes here") == 1
    assert "it was 10.20.60.254, it will be `10.20.60.1`" in text


def test_what_is_in_the_way_is_taken_away() -> None:
    assert leftovers(planned(), found(), host()) == [
        "ip address del 10.20.60.254/24 dev eth4",
        "ip route del default via 203.0.113.9 dev eth0",
    ]
    assert renames(planned(), found()) == []


def test_a_vlan_that_is_called_otherwise_gets_its_name_and_gets_it_back() -> None:
    """The area hangs on `cams`, a VLAN device that the kit calls eth3.50."""
    seen = replace(
        found(),
        areas=tuple(replace(a, device="cams") if a.name == "cameras" else a for a in found().areas),
    )
    old = HostFacts(
        tuple(replace(d, name="cams") if d.name == "eth3.50" else d for d in host().devices),
        host().ways,
    )
    assert renames(planned(), seen) == [("cams", "eth3.50")]
    first, *_ = leftovers(planned(), seen, old)
    assert first == (
        "ip link set dev cams down; ip link set dev cams name eth3.50; ip link set dev eth3.50 up"
    )
    assert any("name cams" in line for line in way_back([("cams", "eth3.50")]))
    assert "old name" in sheet(None, seen) and "`cams`" in sheet(None, seen)


def test_contacts_are_asked_and_areas_without_one_get_a_space() -> None:
    text = written().text.replace(
        "    device: eth4\n", "    device: eth4\n    contact: bursar (ext. 12)\n"
    )
    told = sheet(planned(text)).partition("## Who is told")[2]
    assert "- [ ] bursar (ext. 12): ________" in told
    assert "whoever speaks for tills" not in told and "whoever speaks for barn" in told


def test_the_commands_are_proper_shell() -> None:
    lines = [*backup([("a b", "c;d")]), *leftovers(planned(), found(), host())]
    script = "\n".join(lines)
    assert subprocess.run(["sh", "-n"], input=script, text=True, check=False).returncode == 0
    assert "'a b'" in script and "'c;d'" in script


# Markdown

alphabet = st.text(
    st.characters(codec="utf-8") | st.sampled_from("*_`[]()<>#!|\\~&-+.:=\n$@{}'\""), max_size=40
)


def plain(text: str) -> str:
    return terminal(" ".join(text.split()))


def rendered(tokens: list[Token]) -> str:
    return "".join(" " if token.type == "softbreak" else token.content for token in tokens)


@given(alphabet)
def test_foreign_words_are_nothing_but_words(text: str) -> None:
    for around in ("- [ ] {}: ____", "# {}", "see {}"):
        tokens = COMMONMARK.parse(around.format(words(text)))
        kinds = {token.type for token in tokens} - {"inline"}
        assert kinds <= {
            "paragraph_open", "paragraph_close", "heading_open", "heading_close",
            "bullet_list_open", "bullet_list_close", "list_item_open", "list_item_close",
        }, kinds  # fmt: skip
        pieces = [piece for token in tokens if token.children for piece in token.children]
        assert {piece.type for piece in pieces} <= {"text", "text_special"}
        expected = " ".join(
            around.format(plain(text)).removeprefix("- ").removeprefix("# ").split()
        )
        assert " ".join(rendered(pieces).split()) == expected


@given(alphabet)
def test_foreign_code_is_one_piece_of_code(text: str) -> None:
    (piece,) = inline(f"see {code(text)}")[1:]
    assert piece.type == "code_inline"
    assert piece.content.replace("\\|", "|").strip() == plain(text).strip()


@given(alphabet, alphabet)
def test_foreign_cells_do_not_make_columns(a: str, b: str) -> None:
    tokens = COMMONMARK.parse("\n".join(table(("x", "y"), [(words(a), code(b))])))
    cells = [token for token in tokens if token.type == "td_open"]
    assert len(cells) == 2


@given(
    st.lists(st.text(alphabet="`a\n# ", max_size=12).map(lambda t: t.replace("\n", "")), max_size=4)
)
def test_a_block_ends_where_it_should(lines: list[str]) -> None:
    tokens = COMMONMARK.parse("\n".join([*block(lines), "after"]))
    assert [token.type for token in tokens][:2] == ["fence", "paragraph_open"]
    assert tokens[0].content.split("\n")[:-1] == lines


def test_hostile_names_do_no_harm_to_the_sheet() -> None:
    bad = "x](http://evil.example) `|` <script> **b** \u202e"
    device = replace(host().devices[2], name="e`|$(id)", addresses=(ip_interface("10.20.10.7/24"),))
    seen = replace(found(), aside={"e`|$(id)": bad})
    text = run_sheet(
        planned(), seen, HostFacts((*host().devices, device), ()), now=NOW,
        unsaid=(Unsaid(bad, bad, HERE),),
    )  # fmt: skip
    tokens = inline(text)
    assert not [t for t in tokens if t.type in ("link_open", "html_inline", "image")]
    assert "\u202e" not in text
    assert shlex.quote("e`|$(id)") == "'e`|$(id)'"
