"""Prefixes: taken over when there is something new, tried again when it failed, refused ones told once."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from netcharter.rollout.reading import fields, written
from netcharter.steward import learnt
from netcharter.steward.duties import prefixes
from netcharter.steward.shapes import Delegated, Facts, Renumber, Renumbering
from netcharter.tasks import steward as tasks
from netcharter.tasks.steward import delegated
from netcharter.tasks.steward_asks import renumbered_by, renumbering
from tests.steward.kernel import SYNCHRONISED, at

NOW = at("2026-11-26 03:00")
MINE = Renumbering("as before", mark="1 a=b", at=NOW)


def facts(mark: str, done: Renumbering | None = None) -> Facts:
    return Facts(SYNCHRONISED, prefixes=Delegated(mark, done))


def test_where_nobody_asks_nothing_is_done_or_told() -> None:
    found = prefixes.decide(prefixes.State(), facts(""), NOW)
    assert found.effects == () and not any(one.bad for one in found.reports)


def test_what_is_new_is_taken_over_and_what_is_not_is_left() -> None:
    assert prefixes.decide(prefixes.State(), facts("1 a=b"), NOW).effects == (Renumber("1 a=b"),)
    assert prefixes.decide(prefixes.State(), facts("1 a=b", MINE), NOW).effects == ()
    other = prefixes.decide(prefixes.State(5), facts("1 a=c", MINE), NOW)
    assert other.effects == (Renumber("1 a=c"),) and other.state.tries == 0


@pytest.mark.parametrize("state", ["busy", "undone", "not known"])
def test_what_did_not_come_off_is_tried_again_ever_less_often(state: str) -> None:
    done, kept, now, pauses = replace(MINE, state=state), prefixes.State(), NOW, []
    while now < NOW + timedelta(hours=2):
        now += prefixes.EVERY
        found = prefixes.decide(kept, facts("1 a=b", done), now)
        kept = found.state
        if found.effects:
            pauses.append((now - done.at).total_seconds())
            done = replace(done, at=now)
    assert pauses[:4] == [30, 60, 120, 240] and set(pauses[5:]) == {900}


def test_a_provider_that_changes_his_mind_all_the_time_fills_no_disk() -> None:
    """A version for each change stays on the disk; so in a day there are not 8640 of them."""
    done, kept, times = MINE, prefixes.State(), list[timedelta]()
    told, day = list[bool](), timedelta(days=1)
    for second in range(0, int(day.total_seconds()), 10):
        now = NOW + timedelta(seconds=second)
        found = prefixes.decide(kept, facts(f"{second} a=b", done), now)
        kept = found.state
        told.append(any(one.bad and "again and again" in one.text for one in found.reports))
        if found.effects:
            times.append(now - NOW)
            done = replace(MINE, state="renumbered", mark=f"{second} a=b", at=now)
    assert len(times) <= 6 + day // timedelta(minutes=10)
    assert times[5] < timedelta(minutes=2) and times[-1] > day - timedelta(minutes=11)
    assert not any(told[:6]) and all(told[7:])
    quiet = prefixes.decide(kept, facts(done.mark, done), NOW + day + prefixes.WITHIN)
    assert not any(one.bad for one in quiet.reports) and quiet.effects == ()
    # A clock that is put back holds nothing up.
    before = prefixes.decide(kept, facts("new a=b", done), NOW - day)
    assert before.effects == (Renumber("new a=b"),)


def test_that_somebody_else_is_at_work_is_told_where_it_goes_on() -> None:
    """Nobody is told of a trial of five minutes; a state folder that can't be used is busy for good."""
    done, kept, told = replace(MINE, state="busy", text="kept can't be used"), prefixes.State(), []
    for second in range(0, 900, 3):
        now = NOW + timedelta(seconds=second)
        found = prefixes.decide(kept, facts("1 a=b", done), now)
        kept = found.state
        told.append(any("kept can't be used" in one.text for one in found.reports if one.bad))
        done = replace(done, at=now) if found.effects else done
    assert told == [second >= 30 + 60 + 120 + 240 for second in range(0, 900, 3)]


def test_what_is_refused_waits_for_something_new() -> None:
    done = replace(MINE, state="refused", text="a promise is broken")
    found = prefixes.decide(prefixes.State(), facts("1 a=b", done), NOW + timedelta(days=1))
    assert found.effects == ()
    (alarm,) = [one for one in found.reports if one.bad]
    assert alarm.key == "prefixes/exchange" and "a promise is broken" in alarm.text


def test_a_prefix_that_is_not_used_is_one_matter_as_long_as_it_is_that() -> None:
    done = replace(MINE, refused=("2001:db8::/56, delegated over copper, overlaps it",))
    marks = {
        report.mark
        for minutes in range(5)
        for report in prefixes.decide(
            prefixes.State(), facts("1 a=b", done), NOW + timedelta(minutes=minutes)
        ).reports
        if report.bad
    }
    assert len(marks) == 1


def test_a_line_without_prefix_is_told_after_a_minute() -> None:
    done, kept = replace(MINE, without=("copper",)), prefixes.State()
    told = []
    for second in range(0, 90, 3):
        found = prefixes.decide(kept, facts("1 a=", done), NOW + timedelta(seconds=second))
        kept = found.state
        told.append(any(one.bad and "copper" in one.text for one in found.reports))
    assert told == [second >= 60 for second in range(0, 90, 3)]


def test_the_state_survives_the_disk() -> None:
    duty = prefixes.duty()
    assert duty.read(fields("x", written(duty.written(prefixes.State(3))))) == prefixes.State(3)


def test_the_mark_stays_while_only_times_go_on() -> None:
    first = learnt.read(b"2001:db8:a00::/56 8 12 100 e\n2001:db8:b00::/56 8 12 100 e\n")
    later = learnt.read(b"2001:db8:b00::/56 9 13 200 e\n2001:db8:a00::/56 9 13 200 e\n")
    fading = learnt.read(b"2001:db8:b00::/56 9 13 200 e\n2001:db8:a00::/56 0 13 200 e\n")
    marks = [learnt.mark({"copper": one}) for one in (first, later, fading, ())]
    assert marks[0] == marks[1] and len(set(marks)) == 3


def test_what_stands_in_the_state_folder_is_the_mark(tmp_path: Path) -> None:
    assert delegated(tmp_path) == ""
    kit = tmp_path / "versions" / "0003" / "kit"
    kit.mkdir(parents=True)
    (tmp_path / "kept").symlink_to("versions/0003")
    manifest = {"lines": {"copper": 1, "mast": 2}, "delegated": {}}
    (kit / "manifest.json").write_text(json.dumps(manifest))
    assert delegated(tmp_path) == ""
    (kit / "manifest.json").write_text(json.dumps({**manifest, "delegated": {"mast": None}}))
    assert delegated(tmp_path) == "3 mast="
    (tmp_path / "learnt").mkdir()
    (tmp_path / "learnt" / "2").write_text("2001:db8:a00::/56 8 12 100 eth9\n\x1b[31m\n")
    assert delegated(tmp_path) == "3 mast=eth9:2001:db8:a00::/56:True"
    (kit / "manifest.json").write_text("[]")
    assert delegated(tmp_path) == ""


def test_what_a_program_says_is_understood_or_not_known() -> None:
    said = {"ok": True, "state": "renumbered", "text": "x\x1b[31m", "version": 2,
            "refused": [{"line": "copper", "reason": "y"}], "without": ["mast"]}  # fmt: skip
    found = renumbering(said)
    assert (found.state, found.refused, found.without) == ("renumbered", ("y",), ("mast",))
    assert "\x1b" not in found.text
    busy = renumbering({"ok": False, "state": "refused", "reason": "version 3 is on trial"})
    assert (busy.state, busy.text) == ("busy", "version 3 is on trial")
    broken = renumbering({"ok": False, "diagnostics": [{"message": "no charter"}]})
    assert (broken.state, broken.text) == ("not known", "no charter")


@pytest.mark.parametrize(("invocation", "beside"), [("", False), ("8f2c", True)])
def test_where_systemd_runs_the_steward_it_is_done_beside_its_unit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, invocation: str, beside: bool
) -> None:
    """By its unit the steward may not do what a new version takes (systemd.exec(5): INVOCATION_ID)."""
    commands: list[tuple[str, ...]] = []
    monkeypatch.setattr(tasks, "renumbered_by", commands.append)
    monkeypatch.setenv("INVOCATION_ID", invocation)
    tasks.handed(tmp_path)
    ((first, *_, last),) = commands
    assert (first == "systemd-run") == beside and last == str(tmp_path)
    assert "renumber" in commands[0]


def test_what_a_program_said_that_gave_no_answer_is_told() -> None:
    script = "import sys; print('first', file=sys.stderr); sys.exit('no bus\\x1b[31m here')"
    told = renumbered_by((sys.executable, "-c", script))()
    assert told.state == "not known"
    assert told.text.startswith("it ended with 1: no bus<U+001B>") and "first" not in told.text
    assert renumbered_by((sys.executable, "-c", "print()"))().text == "it ended with 0"
