"""The undo timer on a pretended host: when it looks, what it waits for, and how it ends."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from netcharter.rollout.looks import look
from netcharter.rollout.run import timer
from netcharter.rollout.run.timer import GRACE, PAUSES, watch
from netcharter.rollout.store import events_of
from netcharter.rollout.units import GIVEN_UP, REFUSED
from netcharter.rollout.work import enact, keep
from tests.rollout.pretended import STATE, STOCK, Died, Pretended, making, work

TRIAL = 60.0
NEW = {"address": "new", "filter": "new", "forwarding": "1"}


@dataclass
class Waiting(Pretended):
    """Things happen to it while the timer waits. at: when, in seconds of its clock."""

    at: float = 1e9
    what: str = ""
    jump: float = 0.0

    def wait(self, seconds: float) -> None:
        super().wait(seconds)
        assert self.seconds < 20_000, "the timer does not end"
        if self.seconds < self.at:
            return
        self.at = 1e9
        if self.what == "keep":
            keep(work(self))
        elif self.what == "sleep":
            self.seconds += self.jump
        elif self.what == "hold":
            self.held = True
        elif self.what == "release":
            self.held = False
        elif self.what == "mend":
            self.fails = frozenset()
        elif self.what == "spoil":
            self.files_[f"{STATE}/trial/trial.json"] = b"{"


def on_trial(at: float = 1e9, what: str = "", jump: float = 0.0) -> Waiting:
    host = Waiting(at=at, what=what, jump=jump)
    enact(work(host), making(**NEW), TRIAL, lambda: ())
    return host


def fates(host: Pretended) -> list[str]:
    return [event.what for event in events_of(host.files_[f"{STATE}/history.jsonl"])]


def test_it_undoes_at_the_deadline_and_not_before() -> None:
    host = on_trial()
    began = host.seconds
    assert watch(work(host), 1) == 0
    assert TRIAL <= host.seconds - began <= TRIAL + 2 * timer.LOOK
    assert host.settings == STOCK
    assert fates(host) == ["enacted", "undone"]


def test_it_ends_when_the_trial_is_kept() -> None:
    host = on_trial(at=130.0, what="keep")
    assert watch(work(host), 1) == 0
    assert host.settings == NEW
    assert host.seconds < 135.0
    assert fates(host) == ["enacted", "kept"]


def test_a_machine_that_slept_past_the_deadline_undoes_when_it_wakes() -> None:
    host = on_trial(at=110.0, what="sleep", jump=3600.0)
    assert watch(work(host), 1) == 0
    assert host.seconds < 110.0 + 3600.0 + 2 * timer.LOOK
    assert host.settings == STOCK


def test_one_who_is_stuck_with_the_lock_after_the_deadline_is_ended() -> None:
    host = on_trial(at=110.0, what="hold")
    assert watch(work(host), 1) == 0
    assert host.ended == 1
    assert host.settings == STOCK


def test_one_who_is_at_work_before_the_deadline_is_let_and_undone_when_found_dead() -> None:
    host = Waiting(at=120.0, what="release")
    host.dies = (effects() - 3, "before")
    with pytest.raises(Died):
        enact(work(host), making(**NEW), TRIAL, lambda: ())
    host.revived()
    assert host.settings not in (STOCK, NEW)
    host.held = True  # as far as the timer can see, it lives
    assert watch(work(host), 1) == 0
    assert 120.0 <= host.seconds < 125.0
    assert (host.ended, host.settings) == (0, STOCK)


def effects() -> int:
    return on_trial().count


def test_it_tries_again_where_the_host_does_not_become_as_before() -> None:
    host = on_trial()
    host.fails = frozenset(range(host.count + 1, host.count + 10_000))
    host.at, host.what = host.seconds + TRIAL + 3, "mend"
    assert watch(work(host), 1) == 0
    assert host.settings == STOCK


def test_it_gives_up_after_some_tries_and_leaves_the_trial_to_be_seen() -> None:
    host = on_trial()
    host.fails = frozenset(range(host.count + 1, host.count + 10_000))
    assert watch(work(host), 1) == GIVEN_UP
    assert look(work(host)).situation == "open"
    host.fails = frozenset()
    assert watch(work(host), 1) == 0, "started again, it does it"
    assert host.settings == STOCK


def test_where_the_trial_can_not_be_read_any_more_it_is_undone() -> None:
    host = on_trial(at=110.0, what="spoil")
    assert watch(work(host), 1) == 0
    assert host.seconds < 110.0 + sum(PAUSES) + GRACE
    assert host.settings == STOCK
    assert fates(host) == ["enacted", "undone"]


def test_moments_without_a_look_that_are_far_apart_do_not_end_a_trial_early() -> None:
    """Each is made good by the next look; only so many in a row are despair."""
    host, long = Waiting(), 900.0
    enact(work(host), making(**NEW), long, lambda: ())
    began, trial = host.seconds, f"{STATE}/trial/trial.json"
    waits, good = host.wait, host.files_[trial]

    def wait(seconds: float) -> None:
        waits(seconds)
        hidden = int(host.seconds) % 10 == 0 and host.files_.get(trial) == good
        if trial in host.files_ and host.seconds - began < long:
            host.files_[trial] = b"{" if hidden else good

    host.wait = wait  # type: ignore[method-assign]
    assert watch(work(host), 1) == 0
    assert host.seconds - began >= long
    assert host.settings == STOCK


def test_where_it_can_not_be_read_but_was_kept_it_stays() -> None:
    host = on_trial(at=110.0, what="spoil")
    host.links[f"{STATE}/kept"] = "versions/0001"
    assert watch(work(host), 1) == 0
    assert host.settings == NEW


def test_it_arms_for_its_own_trial_only() -> None:
    host = on_trial()
    before = dict(host.files_)
    assert watch(work(host), 2) == 0
    assert host.files_ == before
    host.full = True
    assert watch(work(host), 1) == REFUSED


def test_called_without_what_it_needs_it_says_so() -> None:
    assert timer.main([]) == REFUSED
    assert timer.main(["/state", "seven"]) == REFUSED
