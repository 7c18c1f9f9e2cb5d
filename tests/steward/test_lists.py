"""Lists: called for when they may be due, tried again when it failed, and what stays as it was is told."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from netcharter.plan.listed import OLD
from netcharter.rollout.reading import fields, written
from netcharter.rollout.trouble import StateBroken
from netcharter.steward.duties import lists
from netcharter.steward.lists import Counted, record, record_of, record_text, wrong
from netcharter.steward.loop import fetching
from netcharter.steward.shapes import Facts, Published, Refresh, Refreshing
from netcharter.tasks.enacting import refreshing as enacting
from netcharter.tasks.steward import published
from netcharter.tasks.steward_asks import refreshing
from tests.steward.kernel import SYNCHRONISED, at

NOW = at("2026-11-26 03:00")
DONE = Refreshing("as before", mark="1", at=NOW)
SOME = Counted(100, {"is no address": (2, 7)})


def facts(mark: str, done: Refreshing | None = None) -> Facts:
    return Facts(SYNCHRONISED, lists=Published(mark, done))


def test_a_refresh_has_the_time_that_its_parts_may_take() -> None:
    """The last list may be asked for just before FETCHING ends, and then takes its whole time."""
    assert lists.LIMIT > enacting.FETCHING + fetching.DEADLINE + enacting.SECONDS


def test_where_nothing_is_fetched_nothing_is_done_or_told() -> None:
    found = lists.decide(lists.State(), facts(""), NOW)
    assert found.effects == () and not any(one.bad for one in found.reports)


def test_it_is_done_where_something_else_is_kept_and_every_half_hour() -> None:
    assert lists.decide(lists.State(), facts("1"), NOW).effects == (Refresh("1"),)
    assert lists.decide(lists.State(), facts("2", DONE), NOW).effects == (Refresh("2"),)
    soon, late = NOW + timedelta(minutes=29), NOW + timedelta(minutes=30)
    assert lists.decide(lists.State(), facts("1", DONE), soon).effects == ()
    assert lists.decide(lists.State(), facts("1", DONE), late).effects == (Refresh("1"),)
    assert lists.decide(lists.State(), facts("1", DONE), NOW - timedelta(days=1)).effects


@pytest.mark.parametrize(
    "change", [{"state": "busy"}, {"state": "undone"}, {"faults": ("seen (404)",)}]
)
def test_what_did_not_come_off_is_tried_again_ever_less_often(change: dict[str, object]) -> None:
    done, state, now, pauses = replace(DONE, **change), lists.State(), NOW, []  # type: ignore[arg-type]
    while now < NOW + timedelta(hours=4):
        now += lists.EVERY
        found = lists.decide(state, facts("1", done), now)
        state = found.state
        if found.effects:
            pauses.append((now - done.at).total_seconds() / 60)
            done = replace(done, at=now)
    assert pauses[:5] == [2, 4, 8, 16, 30] and set(pauses[5:]) == {30}


def test_what_stays_as_it_was_what_is_old_and_what_could_not_be_used_are_told() -> None:
    done = replace(DONE, state="refused", text="a promise", faults=("seen (404)",), old=("seen",))
    told = {one.key: one for one in lists.decide(lists.State(), facts("1", done), NOW).reports}
    assert all(one.bad for one in told.values())
    assert "seen (404)" in told[lists.FETCH].text and "seen" in told[lists.OLD].text
    assert told[lists.EXCHANGE].severity == "urgent" and "a promise" in told[lists.EXCHANGE].text


def test_what_a_program_says_is_weighed() -> None:
    one = {"name": "seen", "fate": "kept as it was", "why": "it\x1b[2J\nis empty", "old": True}
    said = {"state": "as before", "text": "in place", "lists": [one, {**one, "fate": "not due"}]}
    found = refreshing(said)
    assert found.old == ("seen", "seen") and len(found.faults) == 1
    assert "\x1b" not in found.faults[0] and "\n" not in found.faults[0]
    assert refreshing({"ok": False, "state": "refused", "reason": "a trial"}).state == "busy"
    assert refreshing({"ok": False, "diagnostics": [{"message": "no"}]}).state == "not known"


def test_the_steward_knows_from_the_manifest_whether_anything_is_fetched(tmp_path: Path) -> None:
    kit = tmp_path / "versions" / "0001" / "kit"
    kit.mkdir(parents=True)
    assert published(tmp_path) == ""
    (tmp_path / "kept").symlink_to("versions/0001")
    for text, mark in (('{"fetched": {}}', ""), ('{"fetched": {"seen": 86400}}', "1"), ("x", "")):
        (kit / "manifest.json").write_text(text)
        assert published(tmp_path) == mark


def test_its_state_is_written_and_read() -> None:
    duty = lists.duty()
    assert duty.read(fields("x", written(duty.written(lists.State(3))))) == lists.State(3)


@pytest.mark.parametrize(
    ("entries", "change", "why"),
    [
        (0, 0.5, "it holds no entry (2 lines refused)"),
        (100, 0.5, ""),
        (150, 0.5, ""),
        (151, 0.5, "it has 151 entries, 51 % more than the 100 before"),
        (49, 0.5, "it has 49 entries, 51 % fewer than the 100 before"),
        (80, 0.0, ""),  # few come and go all the time
        (79, 0.0, "it has 79 entries, 21 % fewer than the 100 before"),
    ],
)
def test_what_is_not_plausible_is_not_taken(entries: int, change: float, why: str) -> None:
    before = record(b"x", SOME, "lists.example", NOW, None)
    assert wrong(replace(SOME, entries=entries), before, change) == why
    assert bool(wrong(replace(SOME, entries=entries), None, change)) == (entries == 0)


def test_a_record_is_written_and_read_and_knows_its_age() -> None:
    before = record(b"x", SOME, "lists.example", NOW, None)
    assert record_of("seen.json", record_text(before), b"x") == before
    later = record(b"x", SOME, "lists.example", NOW + timedelta(days=1), before)
    assert (later.fetched, later.changed) == (NOW + timedelta(days=1), NOW)
    assert not before.old(NOW + OLD) and before.old(NOW + OLD + timedelta(seconds=1))
    for broken in (b"", b"{}", b"[]", record_text(before)[:-20]):
        with pytest.raises(StateBroken):
            record_of("seen.json", broken, b"x")


def test_a_text_whose_address_is_another_now_is_known_and_one_of_an_earlier_version_counts() -> (
    None
):
    """The address stands in no record, since it may hold a secret."""
    address = "https://lists.example/seen?secret"
    known = record(b"x", SOME, "lists.example", NOW, None, address)
    again = record_of("seen.json", record_text(known), b"x")
    assert again is not None and b"secret" not in record_text(known)
    assert again.is_from(address) and not again.is_from("https://lists.example/seen")
    earlier = record_of("seen.json", record_text(replace(known, source=None)), b"x")
    assert earlier is not None and earlier.is_from(address)


def test_whichever_text_lies_there_the_record_beside_it_tells_of_that() -> None:
    """Killed between the two writes, the text before is there with what was known of it."""
    before = record(b"x", SOME, "lists.example", NOW, None)
    after = record(b"y", SOME, "lists.example", NOW + timedelta(days=1), before)
    beside = record_text(after, before)
    assert record_of("seen.json", beside, b"x") == before
    assert record_of("seen.json", beside, b"y") == after
    assert record_of("seen.json", beside, b"z") is None
    again = record_text(record(b"y", SOME, "lists.example", NOW + timedelta(days=2), after), after)
    assert b'"before"' not in again


def test_a_whole_that_can_not_be_used_is_told_with_its_reason() -> None:
    assert wrong(Counted(0, {}, "it is compressed"), None, 0.5) == "it is compressed"
    empty = Counted(0, {"is an address": (3, 1)}, "it holds no name")
    assert wrong(empty, None, 0.5) == "it holds no name (3 lines refused)"
