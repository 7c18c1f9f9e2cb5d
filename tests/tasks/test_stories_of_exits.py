"""Stories of connections whose line the charter chooses (`exits`)."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from netcharter.tasks.compare import compare_charters
from netcharter.tasks.questions import Explained, explain
from netcharter.tasks.show import show_charter
from netcharter.tasks.show_text import show_text
from netcharter.tasks.sources import Source

NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)
HUT = b"""charter: 1
site: {name: Hut, timezone: Europe/London}
lines:
  dsl: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
  mast: {device: eth1, address: 198.51.100.10/29, next-hop: 198.51.100.9}
areas:
  home: {device: eth2, hosts: 12}
  phones: {device: eth3, hosts: 4}
places:
  exchange: {prefixes: 192.0.2.0/24}
rules:
  - {let: [home, phones], reach: internet, with: [https, sip], because: work}
exits:
  - {from: phones, with: sip, by: mast, because: calls}
  - {from: home, reach: exchange, by: mast, or-else: refused, because: its contract}
"""


def story(starter: str, target: str, service: str, down: tuple[str, ...] = ()) -> Explained:
    return explain(Source("hut.yaml", HUT), starter, target, service, NOW, down=list(down))


@pytest.mark.parametrize(
    ("asked", "down", "said", "line"),
    [
        (("phones", "internet", "sip"), (), "it leaves by mast as exit 1 says", 14),
        (("phones", "internet", "https"), (), "it leaves by dsl, which is up", None),
        (("phones", "internet", "sip"), ("mast",), "it leaves by dsl, which is up", 14),
        (("home", "exchange", "https"), (), "it leaves by mast as exit 2 says", 15),
    ],
)
def test_the_line_is_the_one_that_the_exit_says_while_it_is_up(
    asked: tuple[str, str, str], down: tuple[str, ...], said: str, line: int | None
) -> None:
    told = story(*asked, down=down)
    step = next(one for one in told.stories[0].steps if said in one.text)
    assert (step.span.line if step.span else None) == line


def test_an_exit_that_refuses_other_lines_leads_to_their_neighbours_by_its_own() -> None:
    hut = HUT.replace(b"reach: exchange, by", b"by")
    assert hut != HUT
    near = explain(Source("hut.yaml", hut), "home", "203.0.113.12", "https", NOW)
    assert any(
        step.text.startswith("it leaves by mast as exit 2") for step in near.stories[0].steps
    )
    own = explain(Source("hut.yaml", hut), "home", "198.51.100.12", "https", NOW)
    said = "it leaves by mast, to whose own network it is sent"
    assert any(step.text.startswith(said) for step in own.stories[0].steps)
    gone = explain(Source("hut.yaml", hut), "home", "203.0.113.12", "https", NOW, down=["mast"])
    assert gone.as_json()["decided_by"] == "housekeeping 'no-exit'"


@pytest.mark.parametrize("starter", ["home", "phones"])
def test_what_a_line_reaches_itself_goes_by_that_line(starter: str) -> None:
    """A route to a network of one's own is narrower than any default (RFC 1812 section 5.2.4.3), and
    is asked before exits are that do not refuse (docs/explanation/kit.md, ways out)."""
    told = story(starter, "198.51.100.12", "sip")
    said = "it leaves by mast, to whose own network it is sent"
    assert any(step.text.startswith(said) for step in told.stories[0].steps)
    assert any(
        step.text.startswith("it leaves by dsl")
        for step in story("home", "203.0.113.12", "sip").stories[0].steps
    )


def test_what_may_leave_by_no_other_line_is_refused_and_the_exit_is_named() -> None:
    told = story("home", "exchange", "https", down=("mast",))
    assert told.as_json()["decided_by"] == "housekeeping 'no-exit'"
    last = told.stories[0].steps[-1]
    assert last.text == "exit 2 allows mast and no other line"
    assert last.span is not None and last.span.line == 15


SHARED = HUT.replace(b"next-hop: 203.0.113.9}", b"next-hop: 203.0.113.9, role: balanced}").replace(
    b"next-hop: 198.51.100.9}", b"next-hop: 198.51.100.9, role: balanced, weight: 2}"
)


@pytest.mark.parametrize(
    ("asked", "down", "said"),
    [
        (("home", "internet", "https"), [],
         "it leaves by dsl or mast, which share what leaves by 1 to 2, with the address of that line"),
        (("home", "internet", "https"), ["dsl"],
         "it leaves by mast, which is up, with 198.51.100.10 as its source"),
        (("phones", "internet", "sip"), [], "it leaves by mast as exit 1 says"),
        (("phones", "internet", "sip"), ["mast"], "it leaves by dsl, which is up"),
    ],
)  # fmt: skip
def test_lines_that_share_are_all_named(
    asked: tuple[str, str, str], down: list[str], said: str
) -> None:
    told = explain(Source("hut.yaml", SHARED), *asked, NOW, down=down)
    assert any(step.text.startswith(said) for step in told.stories[0].steps), told.stories[0].steps


def test_exits_are_shown_with_their_lines_in_order() -> None:
    shown = show_charter(Source("hut.yaml", HUT.replace(b"by: mast, because: calls", b"by: [mast, dsl], together: true, because: calls")))  # fmt: skip
    first, second = shown.as_json()["exits"]
    assert (first["name"], first["by"], first["or_else"], first["together"]) == (
        "exit 1", ["mast", "dsl"], "others", True,
    )  # fmt: skip
    assert first["clauses"] == [
        {"from": "phones", "to": "internet", "service": "sip", "when": "always"}
    ]
    assert (second["or_else"], second["because"]) == ("refused", "its contract")
    text = " ".join(show_text(shown, 100, False).split())
    assert (
        "1. exit 1 hut.yaml:14 phones -> internet with sip by mast, then dsl, then by others; a"
        " device with open conversations stays on its line because: calls" in text
    )
    assert "home -> exchange with anything by mast, or else refused because: its contract" in text


def test_a_comparison_tells_other_limits_of_the_same_offer() -> None:
    offers = b"""devices:
  shop: {area: home, hardware: 02:00:00:aa:00:09, address: lasting}
offers:
  - {offer: https, on: dsl, to: shop, per-source: {new: 30 per minute}}
  - {offer: http, on: dsl, to: shop}
"""
    old = HUT + offers
    new = HUT + offers.replace(b"new: 30", b"at-once: 40, new: 60").replace(b"http,", b"ssh,")
    found = compare_charters(Source("hut.yaml", old), Source("new.yaml", new), NOW)
    assert [dict(one.as_json()) for one in found.comparison.moved] == [
        {
            "what": "offer 1: limit per source",
            "before": "30 new per minute per source",
            "after": "60 new per minute and 40 at once per source",
        }
    ]
    alone = HUT + offers.replace(b", per-source: {new: 30 per minute}", b"")
    less = compare_charters(Source("hut.yaml", old), Source("new.yaml", alone), NOW)
    assert less.comparison.same and not less.ok
    assert less.as_json()["moved"][0]["after"] == "none"


@pytest.mark.parametrize(
    ("where", "before", "after"),
    [
        ("rule 1", "is cut", "goes on"),
        ("rule 2", "is cut", "goes on"),
        ("evening", "is cut", "goes on, until 2027-03-31"),
        ("offer 1", "is cut", "goes on"),
    ],
)
def test_a_comparison_tells_what_open_conversations_may_do(
    where: str, before: str, after: str
) -> None:
    """Though no new one fares otherwise; by the hours, and by the sentences themselves."""
    text = """
devices:
  shop: {area: home, hardware: 02:00:00:aa:00:09, address: lasting}
hours:
  evening: {weekly: {daily: "16:00-22:00"}EVENING}
rules:
  - {let: home, reach: phones, with: ssh, during: evening, name: odd oneRULE 1}
  - {refuse: home, reach: phones, with: http, during: eveningRULE 2}
  - {let: home, reach: phones, with: https, during: evening, until: 2027-03-31}
offers:
  - {offer: https, on: dsl, to: shop, during: eveningOFFER 1}
"""
    head = HUT.decode().partition("rules:")[0].partition("exits:")[0]

    def source(change: str) -> Source:
        said = head + text
        for key in ("RULE 1", "RULE 2", "EVENING", "OFFER 1"):
            said = said.replace(key, ", let-finish: true" if key == change else "")
        return Source("hut.yaml", said.encode())

    found = compare_charters(source(""), source(where.upper()), NOW)
    assert found.comparison.same and not found.ok
    moved = {one.what: (one.before, one.after) for one in found.comparison.moved}
    names = {"rule 1": "odd one", "evening": "rule 3"}
    assert moved[f"{names.get(where, where)}: what is open at the bell"] == (before, after)
    assert len(moved) == (4 if where == "evening" else 1)
    assert not compare_charters(source(where.upper()), source(where.upper()), NOW).comparison.moved


def test_a_comparison_says_which_exits_and_which_first_addresses_are_others() -> None:
    other = HUT.replace(b"with: sip, by: mast", b"with: sip, by: [dsl, mast]").replace(
        b"203.0.113.10/29,", b"[203.0.113.11/29, 203.0.113.10/29],"
    )
    found = compare_charters(Source("hut.yaml", HUT), Source("other.yaml", other), NOW).as_json()
    moved = {one["what"]: (one["before"], one["after"]) for one in found["moved"]}
    assert moved["dsl: IPv4 addresses"] == ("203.0.113.10/29", "203.0.113.11/29, 203.0.113.10/29")
    before, after = moved["exit 1"]
    assert before.endswith("with sip, by mast, or-else others")
    assert after.endswith("with sip, by dsl, mast, or-else others")
    assert not found["same"] or found["moved"]
