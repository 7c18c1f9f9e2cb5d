"""Differences about names: every look-up that fares otherwise is in one of their boxes, and no other.

The oracle decides look-ups one by one (`plan.names.deciding`, itself held to a naive interpreter in
tests/oracle); that one listing follows from the other is no published fact.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import combinations, product

import pytest

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.fate import in_force
from netcharter.plan.listed import Listed
from netcharter.plan.names.deciding import Asker, decide
from netcharter.plan.names.finding import Finder
from netcharter.plan.shapes import Plan, When
from netcharter.plan.terms import device_addresses
from netcharter.proofs.names_compare import compare_names, differences, number_of
from netcharter.proofs.names_space import FEW, NamesSpace
from netcharter.space.ranges import has

NOW = datetime(2026, 11, 26, 12, tzinfo=UTC)  # a Thursday
BASE = """
charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: [desk]}
lines: {dsl: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}}
areas:
  home: {device: eth1, hosts: 12}
  yard: {device: eth2, hosts: 12}
devices:
  desk: {area: home, hardware: '02:00:00:aa:00:01', address: lasting}
  spare: {area: home, hardware: '02:00:00:aa:00:02', address: lasting, roams: true}
hours:
  school: {weekly: {mon-fri: "08:00-16:00"}}
lists:
  games: {from: 'https://lists.example.org/games', topic: play}
  dice: {entries: [dice.example, time.example.net], topic: play}
"""
NONE = ""
ALL = "names:\n  - {withhold: play, for: home, because: lessons}\n"
SOME = """names:
  - {answer: www.dice.example, for: desk}
  - {withhold: [play, bad.example.org], for: [home, yard], during: school}
  - {rewrite: www.search.example, to: strict.search.example, for: spare}
"""
LATER = SOME.replace("during: school", "until: 2026-12-24")
OTHER_HOURS = (BASE.replace("08:00-16:00", "08:00-15:00"), SOME)
NEW_DEVICE = (BASE.replace("  spare: {area: home", "  spare: {area: yard"), SOME)
PAIRS = [((BASE, one), (BASE, two)) for one, two in combinations((NONE, ALL, SOME, LATER), 2)]
PAIRS += [((BASE, SOME), OTHER_HOURS), ((BASE, SOME), NEW_DEVICE), (NEW_DEVICE, (BASE, ALL))]
ASKED = (
    "www.dice.example", "dice.example", "x.dice.example", "time.example.net", "bad.example.org",
    "a.bad.example.org", "www.search.example", "x.www.search.example", "use-application-dns.net",
    "chess.example", "www.example.org", "printer.local", "desk.home.arpa", "net", "",
)  # fmt: skip
KNOWN = Listed(b"chess.example\nbad.example.org\n")
LARGE = Listed(b"".join(b"g%d.example\n" % n for n in range(FEW + 1)) + KNOWN.text)


@cache
def plan(text: tuple[str, str], games: Listed | None = None) -> Plan:
    charter = read("".join(text).encode(), "hut.yaml").charter
    assert charter is not None
    return make_plan(charter, lists={"games": games} if games else {})


def fares(one: Plan, finder: Finder, area: str, device: str, name: str, at: datetime) -> object:
    known = [d for d in one.devices if d.name == device]
    source = device_addresses(known[0])[0][0] if known else None
    found = decide(one.names, Asker(area, source), name, "A",
                   lambda during, until: in_force(one, When(during, until), at), finder)  # fmt: skip
    return found.met.row.action, found.met.row.to


def looked_up() -> list[tuple[str, str]]:
    return [("home", ""), ("yard", ""), ("home", "desk"), ("home", "spare"), ("yard", "spare")]


@pytest.mark.parametrize("games", [None, KNOWN, LARGE], ids=["unknown", "few", "many"])
def test_all_that_differs_is_listed_and_nothing_else(games: Listed | None) -> None:
    for before, after in PAIRS:
        plans = plan(before, games), plan(after, games)
        space = NamesSpace(plans, NOW)
        boxes, complete = differences(space)
        assert complete
        finders = Finder(plans[0].names), Finder(plans[1].names)
        listed = {name: any(find("games", name) for find in finders) for name in ASKED}
        for (area, device), name, time in product(looked_up(), ASKED, space.times):
            point = (
                space.areas.index(area),
                space.askers.index(device),
                time.number,
                number_of(space.tree.root, name),
                *(int(listed[name]) for _ in space.opaque),
            )
            one, other = (
                fares(p, f, area, device, name, time.earliest)
                for p, f in zip(plans, finders, strict=True)
            )
            inside = [key for box, key in boxes if all(map(has, box, point))]
            assert len(inside) == (one != other), (before[1], after[1], area, device, name, time)
            if inside:
                assert (inside[0][1], inside[0][3]) == (one, other)


def test_a_difference_is_told_in_words_with_a_look_up_that_shows_it() -> None:
    found = compare_names(plan((BASE, NONE)), plan((BASE, SOME)), NOW)
    told = {(row.change, row.who, row.name, row.when): row for row in found.rows if row.written}
    assert found.complete
    play = told["withheld", "anyone", "what the list games names", "during school"]
    assert play.witness.endswith("answered before, withheld after.")
    assert (play.decided_before, play.decided_after) == ("the default", "names rule 2")
    dice = next(row for row in found.rows if row.who == "desk")
    assert dice.name.startswith("dice.example with all below it but for www.dice.example, ")
    assert any(row.who == "home but for desk and yard" for row in found.rows)
    strict = next(row for row in found.rows if row.to_after)
    assert strict.who == "spare (in home) and spare (in yard)" and strict.change == "altered"
    assert strict.name == "www.search.example, if the list games does not name it"
    assert "spare in home asks for www.search.example on Thu 26 Nov 2026 12:00" in strict.witness


def test_a_list_with_other_contents_is_a_difference_of_what_it_names() -> None:
    first, second = (
        plan((BASE, ALL), LARGE),
        plan((BASE, ALL), Listed(b"new.example\n" + LARGE.text)),
    )
    rows = [row for row in compare_names(first, second, NOW).rows if row.written]
    assert {row.change for row in rows} == {"answered", "withheld"}
    closed = next(row for row in rows if row.change == "withheld" and row.name.startswith("what"))
    assert closed.name == "what the list games does not name and the list games (new) names"
    assert "a host in home asks for new.example " in closed.witness
    assert not compare_names(first, plan((BASE, ALL), LARGE), NOW).rows


@pytest.mark.parametrize("games", [KNOWN, LARGE], ids=["few", "many"])
def test_a_list_of_which_one_was_told_holds_the_same_for_both(games: Listed) -> None:
    """As where a version that is kept is compared with what is enacted: a gateway has one text."""
    untold, told = plan((BASE, ALL)), plan((BASE, ALL), games)
    assert not compare_names(untold, told, NOW).rows and not compare_names(told, untold, NOW).rows
    elsewhere = BASE.replace("/games", "/others")
    assert compare_names(untold, plan((elsewhere, ALL), games), NOW).rows


def test_an_area_that_only_one_has_and_other_addresses_are_no_difference() -> None:
    more = BASE.replace("  yard: {device: eth2, hosts: 12}\n", "")
    shop = BASE.replace("  home: {", "  home: {prefix: 10.9.0.0/27, ")
    for other in (more, shop):
        rows = compare_names(plan((BASE, ALL)), plan((other, ALL)), NOW).rows
        assert not [row for row in rows if row.written]


def test_hours_that_are_others_are_told_with_a_moment_between() -> None:
    rows = compare_names(plan((BASE, SOME)), plan(OTHER_HOURS), NOW).rows
    assert {row.change for row in rows if row.written} == {"answered"}
    assert all("on Thu 26 Nov 2026 15:00" in row.witness for row in rows)
    east = (BASE.replace("Europe/London", "Europe/Athens"), SOME)  # two hours before London
    rows = compare_names(plan((BASE, SOME)), plan(east), NOW).rows
    assert {row.change for row in rows if row.written} == {"answered", "withheld"}
    assert any("on Thu 26 Nov 2026 16:00" in row.witness for row in rows)  # 14:00 in London


@pytest.mark.parametrize("days", [0, 28, 40])
def test_what_ends_is_told_until_it_has(days: int) -> None:
    rows = compare_names(plan((BASE, NONE)), plan((BASE, LATER)), NOW + timedelta(days=days)).rows
    whens = {row.when for row in rows if row.decided_after == "names rule 2"}
    assert whens == ({"until 24 December 2026"} if days < 29 else set())
