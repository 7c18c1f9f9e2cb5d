"""Differences are exact: the counts equal those of a search through all there is."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

import pytest

from netcharter.plan.fate import fate
from netcharter.proofs.compare import KINDS, changes, compare
from tests.proofs.brute import Brute
from tests.proofs.sites import NOW, charter, planned

SITE = (
    '{name: Hut, timezone: Europe/London, managed-from: desk, local-prefix: "fd5c:7a11:b0e::/48"}'
)
LINES = "\n  dsl: {device: eth0, address: 203.0.113.10/30, next-hop: 203.0.113.9}\n"
AREAS = """
  home: {device: eth1, prefix: 10.1.0.0/30}
  yard: {device: eth2, prefix: 10.1.0.4/30}
"""
DEVICES = """
  desk: {area: home, hardware: 02:00:00:aa:00:01}
  shop: {area: yard, hardware: 02:00:00:aa:00:03, address: lasting}
"""
TWO = "  mill: {area: home, hardware: 02:00:00:aa:00:04, address: lasting}\n"
PLAIN = {"site": SITE, "lines": LINES, "areas": AREAS, "devices": DEVICES,
         "people": "", "groups": "", "places": "", "hours": ""}  # fmt: skip
WEB = "  - {let: home, reach: internet, with: https}\n"
MAIL = "  - {let: [home, yard], reach: internet, with: smtp}\n"
NOT_SHOP = "  - {refuse: home, reach: shop, with: ssh}\n"
SHOP = "  - {let: home, reach: yard, with: ssh}\n"
OFFER = "  - {offer: https, on: dsl, to: shop}\n"
DAY = '\n  day: {weekly: {daily: "08:00-16:00"}}\n'
CLUB = {
    "areas": AREAS.replace("10.1.0.0/30}", "10.1.0.0/30, sign-in: required}"),
    "people": "\n  rowan: {groups: wardens}\n",
    "groups": "[wardens]",
    "rules": "\n  - {let: rowan, reach: internet, with: ssh}\n" + WEB,
}


@dataclass(frozen=True)
class Edit:
    """Two charters, and which kinds of change there are between them."""

    title: str
    old: dict[str, str]
    new: dict[str, str]
    kinds: str  # of "opened closed altered"


def rules(*lines: str, **other: str) -> dict[str, str]:
    return {"rules": "\n" + "".join(lines), **other}


EDITS = (
    Edit("a rule removed", rules(WEB, MAIL), rules(WEB), "closed"),
    Edit("a rule added", rules(WEB), rules(WEB, MAIL), "opened"),
    Edit("a refusal added at the end", rules(WEB), rules(WEB, NOT_SHOP), ""),
    Edit("rules swapped", rules(NOT_SHOP, SHOP), rules(SHOP, NOT_SHOP), "opened"),
    Edit("rules swapped that never meet", rules(WEB, SHOP), rules(SHOP, WEB), ""),
    Edit(
        "hours said",
        rules(WEB, SHOP, hours=DAY),
        rules(WEB.replace("https", "https, during: day"), SHOP, hours=DAY),
        "closed",
    ),
    Edit(
        "hours moved",
        rules(WEB.replace("https", "https, during: day"), hours=DAY),
        rules(WEB.replace("https", "https, during: day"), hours=DAY.replace("08", "10")),
        "closed",
    ),
    Edit(
        "a last day moved",
        rules(WEB.replace("https", "https, until: 2026-11-30")),
        rules(WEB.replace("https", "https, until: 2026-12-31")),
        "opened",
    ),
    Edit(
        "an area renumbered",
        rules(WEB, SHOP),
        rules(WEB, SHOP, areas=AREAS.replace("10.1.0.4", "10.1.0.8")),
        "opened closed altered",
    ),
    Edit(
        "a device with other hardware",
        rules(WEB, SHOP.replace("home", "desk")),
        rules(WEB, SHOP.replace("home", "desk"), devices=DEVICES.replace("00:01", "00:09")),
        "opened closed",
    ),
    Edit(
        "a lasting address bound to other hardware",
        rules(WEB.replace("home", "yard")),
        rules(WEB.replace("home", "yard"), devices=DEVICES.replace("00:03", "00:09")),
        "opened closed altered",
    ),
    Edit(
        "an offer moved to another device",
        rules(WEB, devices=DEVICES + TWO, offers="\n" + OFFER.replace("shop", "mill")),
        rules(WEB, devices=DEVICES + TWO, offers="\n" + OFFER),
        "altered",
    ),
    Edit(
        "an offer moved to another port",
        rules(WEB, offers="\n" + OFFER),
        rules(WEB, offers="\n" + OFFER.replace("https,", "https, at: 8443,")),
        "opened closed",
    ),
    Edit(
        "an offer whose port is written out",
        rules(WEB, offers="\n" + OFFER),
        rules(WEB, offers="\n" + OFFER.replace("https,", "https, at: 443,")),
        "",
    ),
    Edit(
        "an offer withdrawn",
        rules(WEB, offers="\n" + OFFER),
        rules(WEB),
        "closed",
    ),
    Edit("sign-in switched on", {**CLUB, "areas": AREAS}, CLUB, "opened closed"),
    Edit("sign-in switched off", CLUB, {**CLUB, "areas": AREAS}, "opened closed"),
    Edit("a person more", CLUB, {**CLUB, "people": "\n  rowan: {}\n  skye: {}\n"}, ""),
    Edit(
        "strangers refused",
        rules(WEB),
        rules(WEB, areas=AREAS.replace("10.1.0.0/30}", "10.1.0.0/30, strangers: refused}")),
        "closed altered",
    ),
    Edit(
        "an area that refuses quietly",
        rules(WEB),
        rules(WEB, areas=AREAS.replace("10.1.0.0/30}", "10.1.0.0/30, manner: quietly}")),
        "altered",
    ),
    Edit(
        "a line added",
        rules(WEB, SHOP),
        rules(WEB, SHOP, lines=LINES + "  mast: {device: eth5, address: automatic}\n"),
        "opened altered",
    ),
    Edit(
        "a line removed",
        rules(WEB, SHOP, lines=LINES + "  mast: {device: eth5, address: 198.51.100.2/30,"
              " next-hop: 198.51.100.1}\n"),
        rules(WEB, SHOP),
        "closed altered",
    ),
    Edit(
        "another time zone",
        rules(WEB.replace("https", "https, during: day"), hours=DAY),
        rules(WEB.replace("https", "https, during: day"), hours=DAY,
              site=SITE.replace("Europe/London", "Asia/Kathmandu")),
        "opened closed",
    ),
    Edit(
        "an area renamed",
        rules(WEB, SHOP),
        rules(
            WEB.replace("home", "house"), SHOP.replace("home", "house"),
            areas=AREAS.replace("home", "house"), devices=DEVICES.replace("home", "house"),
        ),
        "opened closed",
    ),
)  # fmt: skip
IDS = [edit.title for edit in EDITS]


def both(edit: Edit) -> tuple[str, str]:
    return charter(**{**PLAIN, **edit.old}), charter(**{**PLAIN, **edit.new})


@pytest.mark.parametrize("edit", EDITS, ids=IDS)
def test_the_counts_of_an_edit_are_those_of_a_search_through_everything(edit: Edit) -> None:
    old, new = map(planned, both(edit))
    found = changes(old, new, NOW, 4000)
    assert found.complete
    expected = Brute(old, new, found.universe.times).totals()
    assert dict(found.totals) == expected
    assert [kind for kind in KINDS if expected[kind]] == [k for k in KINDS if k in edit.kinds]
    assert found.same == (edit.kinds == "")


@pytest.mark.parametrize("edit", EDITS, ids=IDS)
def test_the_rows_of_an_edit_add_up_to_its_totals_and_show_what_they_say(edit: Edit) -> None:
    old, new = map(planned, both(edit))
    found = compare(old, new, NOW)
    assert found.complete
    for change, rows in zip(KINDS, (found.opened, found.closed, found.altered), strict=True):
        assert bool(rows) == bool(found.totals[change])
        assert all(row.count > 0 and row.change == change for row in rows)
        total, told = found.totals[change], sum(row.count for row in rows)
        assert all(row.count <= total <= told for row in rows)
        if not any("up" in row.when or "line states" in row.when for row in rows):
            assert told == total
        for row in rows:
            assert (row.before == row.after) is False
            assert row.witness.sentence.endswith(".")


@pytest.mark.parametrize("edit", EDITS, ids=IDS)
def test_turned_round_what_was_opened_is_closed(edit: Edit) -> None:
    old, new = map(planned, both(edit))
    there, back = changes(old, new, NOW, 1).totals, changes(new, old, NOW, 1).totals
    assert (there["opened"], there["closed"]) == (back["closed"], back["opened"])
    assert there["altered"] == back["altered"]


@pytest.mark.parametrize("edit", EDITS, ids=IDS)
def test_a_charter_compared_with_itself_is_the_same(edit: Edit) -> None:
    for text in both(edit):
        found = compare(planned(text), planned(text), NOW)
        assert found.same and found.complete
        assert not found.opened and not found.closed and not found.altered
        assert set(found.totals.values()) == {0}


@pytest.mark.parametrize("edit", EDITS[::4], ids=IDS[::4])
def test_the_search_decides_as_the_plan_does(edit: Edit) -> None:
    old, new = map(planned, both(edit))
    rng = Random(edit.title)
    brute = Brute(old, new, changes(old, new, NOW, 1).universe.times)
    for _ in range(300):
        attempt, environment, masks = brute.draw(rng)
        for one, mask in zip(brute.sides, masks, strict=True):
            names = [area.name for area in one.plan.areas] + [x.name for x in one.plan.lines]
            if attempt.entrance in [*names, "gateway"]:
                assert one.row(mask) is fate(one.plan, attempt, environment).row
            else:
                assert one.row(mask) is None
