"""What a question about look-ups is answered with is what each look-up by itself meets.

The oracle decides look-ups one by one (`plan.names.deciding`, itself held to a naive interpreter).
"""

from __future__ import annotations

from datetime import timedelta
from itertools import product

import pytest

from netcharter.plan.listed import Listed
from netcharter.plan.names.finding import Finder
from netcharter.proofs.ask import NotUnderstood
from netcharter.proofs.ask_names import (
    NamesInquiry,
    ask_names,
    is_about_names,
    parse_names_question,
)
from netcharter.proofs.names_space import NamesSpace
from netcharter.proofs.why_name import OUTCOMES
from netcharter.tasks.questions import ask_charter
from netcharter.tasks.sources import Source, Unusable
from tests.proofs.test_names_compare import (
    ASKED,
    BASE,
    KNOWN,
    LARGE,
    LATER,
    NOW,
    SOME,
    fares,
    looked_up,
    plan,
)


@pytest.mark.parametrize("games", [None, KNOWN, LARGE], ids=["unknown", "few", "many"])
def test_every_look_up_is_answered_as_it_fares(games: Listed | None) -> None:
    site = plan((BASE, SOME if games else LATER), games)
    find = Finder(site.names)
    for time, name in product(NamesSpace((site,), NOW).times, ASKED):
        for area, device in looked_up():
            inquiry = NamesInquiry((device or area,), (name,), time.earliest)
            found = ask_names(site, inquiry, NOW)
            assert found.complete and {row.when for row in found.rows} == {"then"}
            rows = [row for row in found.rows if is_of(row.who, area, device)]
            told = [(row.outcome, row.to) for row in rows]
            assert wording(fares(site, find, area, device, name, time.earliest)) in told
            assert len(told) == 1 or games is None


def is_of(who: str, area: str, device: str) -> bool:
    """Whether a row about a device, or about an area, speaks of it there, or of those in it that are
    no device."""
    if device:
        return who == device or f"{device} (in {area})" in who
    return who == area or who.startswith(f"{area} but for ")


def wording(verdict: object) -> tuple[str, object]:
    assert isinstance(verdict, tuple)
    action, to = verdict
    return OUTCOMES[action], to


def test_the_entry_that_says_so_is_told() -> None:
    site = plan((BASE, SOME), Listed(b"# games\nchess.example\n"))
    found = ask_names(site, NamesInquiry(("yard",), ("www.chess.example",)), NOW)
    told = {row.when: row for row in found.rows}
    row = told["during school"]
    assert (row.who, row.outcome, row.list, row.line) == ("yard", "withheld", "games", 2)
    assert told["outside school"].outcome == "answered" and told["outside school"].line is None


QUESTIONS = (
    ("who can look up games.example?", (), NamesInquiry((), ("games.example",))),
    ("can home, yard look up Games.Example. and x.org", (), NamesInquiry(("home", "yard"), ("games.example", "x.org"))),
    ("what can desk look up", (), NamesInquiry(("desk",), ())),
    ("what can anyone look up", (), NamesInquiry()),
    ("who can look up bücher.example", ("desk",), NamesInquiry(("desk",), ("xn--bcher-kva.example",))),
)  # fmt: skip


@pytest.mark.parametrize(("text", "said", "expected"), QUESTIONS)
def test_a_question_is_read_as_it_is_meant(
    text: str, said: tuple[str, ...], expected: NamesInquiry
) -> None:
    assert is_about_names(text)
    assert parse_names_question(text, plan((BASE, SOME)), said) == expected


@pytest.mark.parametrize(
    ("text", "instead"),
    [
        ("can hom look up x.org", "did you mean 'home'?"),
        ("can internet look up x.org", "known are anyone, desk, home, spare, yard"),
        ("who can look up a..b", "www.example.org"),
        ("who can look up 192.0.2.1", "www.example.org"),
        ("look up", "ask for instance"),
    ],
)
def test_what_is_no_question_says_what_to_write(text: str, instead: str) -> None:
    assert is_about_names(text) and not is_about_names("who can reach booking")
    with pytest.raises(NotUnderstood) as found:
        parse_names_question(text, plan((BASE, SOME)))
    assert instead in (found.value.instead or "")


def test_a_question_about_a_look_up_says_nothing_of_a_connection() -> None:
    source = Source("hut.yaml", (BASE + SOME).encode())
    with pytest.raises(Unusable, match="about a connection"):
        ask_charter(source, "who can look up x.org", NOW, services=["https"])
    ended = Source("hut.yaml", (BASE + LATER).encode())
    with pytest.raises(Unusable, match="that moment is past"):
        ask_charter(ended, "who can look up x.org", NOW + timedelta(days=40), at="2026-12-01 12:00")
    asked = ask_charter(source, "can yard look up dice.example", NOW, at="Thu 12:30")
    assert list(asked.lines())[:2] == [
        "withheld by names rule 2  [hut.yaml:18]",
        "    yard: dice.example, line 1 of the list dice",
    ]
    assert asked.as_json()["names"][0]["outcome"] == "withheld"
    assert asked.at is not None and asked.at - NOW == timedelta(minutes=30)
    everything = list(ask_charter(source, "what can home look up", NOW).lines())
    assert everything[-2].startswith("(Besides, as at every site: housekeeping 'local-names'")
