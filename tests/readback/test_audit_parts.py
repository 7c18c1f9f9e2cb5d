"""What a listing shows by itself: rot planted into a sound house, and near misses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date

import pytest

from netcharter.readback.audit import MOST_OF_A_KIND
from netcharter.readback.audit_parts import days
from tests.readback.auditing import (
    ESTABLISHED,
    FORGED,
    INVALID,
    JUMP,
    House,
    by,
    out,
    source,
    tcp,
    to,
)
from tests.readback.made import ACCEPT, DROP, Item, match, meta, named, payload

SOUND = House()
LAN = (by("lan0"), tcp(22, 53), ACCEPT)
COUNTED: Item = {"counter": {"packets": 7, "bytes": 700}}
STILL: Item = {"counter": {"packets": 0, "bytes": 0}}
LIMIT: Item = {"limit": {"rate": 10, "burst": 5, "per": "second"}}
ADDED: Item = {"set": {"op": "add", "elem": payload("ip", "saddr"), "set": "@some"}}
IN_SOME = match(payload("ip", "saddr"), "@some")


def incoming(*rules: tuple[Item, ...], **more: object) -> House:
    return replace(SOUND, input=rules, **more)  # type: ignore[arg-type]


def sets(*elements: str, **more: object) -> tuple[Item, ...]:
    return (named("some", "ipv4_addr", list(elements), **more),)


PLANTED = {
    "a chain that nothing leads to": (
        [("chain-unused", "note")], replace(SOUND, more=((tcp(80), ACCEPT),))),
    "an empty one": ([("chain-unused", "note")], replace(SOUND, more=())),
    "a chain that something leads to": (
        [], replace(SOUND, more=((tcp(80), ACCEPT),),
                    input=(*SOUND.input, (by("lan1"), JUMP)))),
    "a set that no rule asks": ([("set-unused", "note")], replace(SOUND, extra=sets("10.1.0.9"))),
    "an empty set": (
        [("set-empty", "warning")],
        replace(SOUND, extra=sets(), input=(*SOUND.input, (by("lan1"), IN_SOME, ACCEPT)))),
    "an empty set that rules fill": (
        [("answers-may", "note")],
        replace(SOUND, extra=sets(flags=["dynamic"]),
                input=(*SOUND.input, (by("lan1"), tcp(9), ADDED),
                       (by("lan1"), IN_SOME, ACCEPT)))),
    "a set with elements": (
        [], replace(SOUND, extra=sets("10.2.0.9"),
                    input=(*SOUND.input, (by("lan1"), IN_SOME, ACCEPT)))),
    "no rule for replies": (
        [("replies-not-let", "warning")], incoming(INVALID, *FORGED, LAN)),
    "no rule for replies where all is let": (
        [("policy-accept", "warning")],
        incoming((by("lan0"), ACCEPT), (by("up0"), ACCEPT), policies={"input": "accept"})),
    "replies late": (
        [("replies-let-late", "note")],
        incoming(INVALID, *FORGED, LAN, *((by("lan1"), tcp(n), ACCEPT) for n in (7, 9, 11)),
                 ESTABLISHED)),
    "replies not so late": (
        [], incoming(INVALID, *FORGED, LAN, (by("lan1"), tcp(7), ACCEPT), ESTABLISHED)),
    "replies in a chain of their own": (
        [], replace(SOUND, input=((JUMP,), *FORGED, LAN), more=(ESTABLISHED, INVALID))),
    "invalid ones": (
        [("invalid-not-dropped", "note")], incoming(ESTABLISHED, *FORGED, LAN)),
    "a day that has passed": (
        [("comment-date-passed", "warning")],
        replace(SOUND, comments={("input", 5): "for Rowan until 2026-11-24"})),
    "today": (
        [("comment-temporary", "note")],
        replace(SOUND, comments={("input", 5): "for Rowan until 2026-11-25"})),
    "a word that sounds temporary": (
        [("comment-temporary", "note")],
        replace(SOUND, comments={("input", 5): "TEMP, ask Rowan"})),
    "a word that only looks like it": (
        [], replace(SOUND, comments={("input", 5): "template printer, attested, the golden one"})),
    "counters": (
        [("counter-still", "note")],
        incoming(ESTABLISHED, INVALID, *FORGED, (by("lan0"), tcp(22), COUNTED, ACCEPT),
                 (by("lan0"), tcp(53), STILL, ACCEPT))),
    "counters that all stand still": (
        [], incoming(ESTABLISHED, INVALID, *FORGED, (by("lan0"), tcp(22), STILL, ACCEPT))),
    "a limit": (
        [("answers-may", "note")],
        incoming(ESTABLISHED, INVALID, *FORGED, (by("lan0"), tcp(22), LIMIT, ACCEPT))),
    "a device that is not there": (
        [("network-device-absent", "note")], incoming(*SOUND.input, (by("wlan7"), ACCEPT))),
    "a pattern of devices": ([], incoming(*SOUND.input, (by("wlan*"), tcp(80), ACCEPT))),
}  # fmt: skip


@pytest.mark.parametrize(("expected", "house"), PLANTED.values(), ids=PLANTED)
def test_planted_rot_and_near_misses(expected: list[tuple[str, str]], house: House) -> None:
    found = [(one.id, one.severity) for one in house.findings()]
    more = {"open-to-line", "forged-let", "listed-rule-redundant"}  # what follows from open doors
    assert [one for one in found if one[0] not in more] == expected


def test_what_is_told_underlines_what_it_is_about() -> None:
    house = PLANTED["counters"][1]
    rules = house.listing().chains["inet", "t", "input"].rules
    (found,) = house.findings()
    assert found.span == rules[-1].span
    house = PLANTED["an empty set"][1]
    listing = house.listing()
    (found,) = house.findings()
    assert found.span == listing.sets["inet", "t", "some"].span
    assert [span for span, _ in found.related] == [
        listing.chains["inet", "t", "input"].rules[-1].span
    ]


def test_a_set_that_is_asked_by_a_map_of_verdicts() -> None:
    vmap: Item = {"vmap": {"key": meta("iifname"), "data": "@ways"}}
    ways = named("ways", "ifname", [["lan1", {"accept": None}]], data="verdict")
    found = replace(SOUND, extra=(ways,), input=(*SOUND.input, (vmap,))).findings()
    assert [one.id for one in found] == []


def test_many_findings_of_a_kind_are_cut_and_the_rest_is_counted() -> None:
    rules = [(by("lan1"), tcp(1000 + n), ACCEPT) for n in range(MOST_OF_A_KIND + 5)]
    comments = {("input", 6 + n): "test" for n in range(len(rules))}
    house = replace(SOUND, input=(*SOUND.input, *rules), comments=comments)
    found = [one for one in house.findings() if one.id != "listed-rule-redundant"]
    assert [one.id for one in found].count("comment-temporary") == MOST_OF_A_KIND
    (more,) = [one for one in found if one.id == "findings-of-this-kind"]
    assert more.message.startswith("5 more findings are of the kind comment-temporary")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("until 2024-02-29", ["2024-02-29"]),
        ("until 2023-02-29", []),  # there was none
        ("31.12.2023", ["2023-12-31"]),
        ("3/4/2023", ["2023-04-03"]),  # may be March: the later reading
        ("12/31/2023", ["2023-12-31"]),
        ("gone by March 2024", ["2024-03-31"]),
        ("Dec 2023", ["2023-12-31"]),
        ("Feb. 2024", ["2024-02-29"]),
        ("end of September 2023", ["2023-09-30"]),
        ("sept 2023", ["2023-09-30"]),
        ("may 2020 and july of 2021", ["2020-05-31", "2021-07-31"]),
        ("summer 2021", ["2021-12-31"]),
        ("port 2019", []),
        ("10.1.2024.7", []),
        ("RFC 2021", []),
        ("mayor 2020", []),
        ("", []),
    ],
)
def test_days_in_comments(text: str, expected: list[str]) -> None:
    assert list(days(text)) == [date.fromisoformat(day) for day in expected]


def test_order_of_findings() -> None:
    """The worst first; of one weight as they stand in the listing."""
    weights: Mapping[str, int] = {"error": 0, "warning": 1, "note": 2}
    house = incoming((by("up0"), ACCEPT), (source("10.1.0.9"), to("10.2.0.1"), DROP),
                     (out("lan1"), ACCEPT), more=())  # fmt: skip
    found = [(weights[one.severity], one.span) for one in house.findings()]
    assert found == sorted(found) and len({weight for weight, _ in found}) == len(weights)
