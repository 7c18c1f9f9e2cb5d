"""Holds: told once per change, mended only where that is wished for. Updates: what a restart means."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal, get_args
from zoneinfo import ZoneInfo

import pytest

from netcharter.rollout.reading import fields, written
from netcharter.steward.duties import holds, updates
from netcharter.steward.shapes import Agreement, Facts, Mend, Restart, Schedule
from tests.steward.kernel import SYNCHRONISED, at

NOW = at("2026-11-26 03:00")
MEASURED = updates.State("b", 41.0)
KIT = Schedule("Tarn Hollow", ZoneInfo("UTC"), {}, (), ("lo",))
State = Literal["as planned", "otherwise", "nothing of ours", "not known"]


def asked(state: State, digest: str = "", summary: str = "", kit: Schedule | None = KIT) -> Facts:
    return Facts(SYNCHRONISED, schedule=kit, holds=Agreement(state, digest, summary))


def test_an_answer_is_one_matter_and_another_difference_another_alarm() -> None:
    turns: list[tuple[State, str]] = [
        ("as planned", ""),
        ("otherwise", "a"),
        ("otherwise", "a"),
        ("otherwise", "b"),
    ]
    state, marks = holds.State(), []
    for said, digest in turns:
        decision = holds.decide(state, asked(said, digest, "tills are open"), NOW)
        (report,) = decision.reports
        marks.append((report.bad, report.mark))
        state = decision.state
    assert [bad for bad, _ in marks] == [False, True, True, True]
    assert marks[1] == marks[2] != marks[3]


def test_while_nobody_is_asked_nothing_is_alarming() -> None:
    decision = holds.decide(holds.State(2), Facts(SYNCHRONISED, schedule=KIT), NOW, mend=True)
    assert decision.effects == () and decision.state == holds.State(2)
    assert [report.bad for report in decision.reports] == [False]


def test_nothing_is_mended_unless_it_is_wished_for() -> None:
    for said in get_args(State):
        assert holds.decide(holds.State(), asked(said), NOW).effects == ()


def test_mending_is_tried_three_times_and_then_left_alone_until_it_holds_again() -> None:
    state, tried, marks = holds.State(), [], []
    for _ in range(5):
        decision = holds.decide(state, asked("otherwise", "a", "x"), NOW, mend=True)
        tried.append(bool(decision.effects))
        marks.append(decision.reports[0].mark)
        state = decision.state
    assert tried == [True, True, True, False, False]
    assert marks[2] != marks[3] and "left alone" in marks[3]
    state = holds.decide(state, asked("not known"), NOW, mend=True).state
    assert state.mends == 3  # what is not known makes nothing better
    state = holds.decide(state, asked("as planned"), NOW, mend=True).state
    assert holds.decide(state, asked("otherwise"), NOW, mend=True).effects == (
        Mend("the kernel does not do what the plan says"),
    )


def test_a_kernel_without_our_table_is_mended_only_where_a_kit_is_to_be_in_place() -> None:
    facts = asked("nothing of ours")
    assert holds.decide(holds.State(), facts, NOW, mend=True).effects
    assert holds.decide(holds.State(), facts, NOW).reports[0].bad
    bare = asked("nothing of ours", kit=None)
    decision = holds.decide(holds.State(), bare, NOW, mend=True)
    assert decision.effects == () and not decision.reports[0].bad


def test_the_state_of_both_survives_the_disk() -> None:
    first, second = holds.duty(), updates.duty()
    here = holds.State(2)
    assert first.read(fields("x", written(first.written(here)))) == here
    for there in (updates.State(), updates.State("boot", 41.5)):
        assert second.read(fields("x", written(second.written(there)))) == there


def restart(facts: Restart, state: updates.State = MEASURED) -> dict[str, object]:
    told = updates.decide(state, Facts(SYNCHRONISED, "b", 900.0, updates=facts), NOW).reports
    return {report.key: report.text if report.bad else None for report in told}


def test_a_restart_that_waits_is_told_with_what_stops_and_for_how_long() -> None:
    text = str(restart(Restart(True, ("linux-image", "libc6")))["updates/restart"])
    assert "linux-image, libc6" in text and "about 2 min" in text and "took 41 s" in text
    assert "calls, also none for help" in text
    unmeasured = restart(Restart(True), updates.State("b"))["updates/restart"]
    assert "not been measured" in str(unmeasured)
    many = Restart(True, tuple(f"package{n}" for n in range(9)))
    assert "package5, 3 more" in str(restart(many)["updates/restart"])
    assert restart(Restart(False)) == {"updates/restart": None}


@pytest.mark.parametrize("missing", ["whole", "boot_unit", "steward_unit"])
def test_what_would_not_come_back_is_told_also_while_no_restart_waits(missing: str) -> None:
    whole = Restart(False, kept=7, whole=True, boot_unit=True, steward_unit=True)
    assert not any(restart(whole).values())
    lacking = {
        "whole": replace(whole, whole=False),
        "boot_unit": replace(whole, boot_unit=False),
        "steward_unit": replace(whole, steward_unit=False),
    }
    found = restart(lacking[missing])
    keys = {"whole": "kept", "boot_unit": "boot", "steward_unit": "steward"}
    assert [key for key, text in found.items() if text] == [f"updates/{keys[missing]}"]


def test_a_start_is_measured_at_the_first_turn_of_a_boot_and_not_later() -> None:
    state = updates.decide(updates.State(), Facts(SYNCHRONISED, "b1", 41.0), NOW).state
    assert state == updates.State("b1", 41.0)
    assert updates.decide(state, Facts(SYNCHRONISED, "b1", 600.0), NOW).state == state
    assert updates.decide(state, Facts(SYNCHRONISED, "b2", 38.0), NOW).state.start == 38.0
    late = updates.decide(state, Facts(SYNCHRONISED, "b2", 7200.0), NOW).state
    assert late == updates.State("b2", 41.0)  # begun by hand, two hours after the boot
