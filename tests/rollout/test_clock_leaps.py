"""The clock of people is set while something is on trial: the undo timer counts by another one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import pytest

from netcharter.rollout.run import timer
from netcharter.rollout.run.timer import watch
from netcharter.rollout.work import enact, keep
from tests.rollout.pretended import STOCK, Pretended, making, work

TRIAL = 60.0
NEW = {"address": "new", "filter": "new", "forwarding": "1"}
LEAPS = [timedelta(days=1), -timedelta(days=1), timedelta(days=20_000), -timedelta(days=10_000)]


@dataclass
class Leaping(Pretended):
    """Its clock of people leaps a while after the trial began. keeps: it is kept then."""

    leap: timedelta = timedelta()
    at: float = 1e9
    keeps: bool = False

    def utc(self) -> datetime:
        return super().utc() + (self.leap if self.seconds >= self.at else timedelta())

    def wait(self, seconds: float) -> None:
        super().wait(seconds)
        assert self.seconds < 20_000, "the timer does not end"
        if self.keeps and self.seconds >= self.at:
            self.keeps = False
            keep(work(self))


@pytest.mark.parametrize("leap", LEAPS)
def test_the_undo_timer_undoes_when_its_time_is_over_and_not_before(leap: timedelta) -> None:
    host = Leaping(leap=leap, at=120.0)
    enact(work(host), making(**NEW), TRIAL, lambda: ())
    began = host.seconds
    assert watch(work(host), 1) == 0
    assert TRIAL <= host.seconds - began <= TRIAL + 2 * timer.LOOK
    assert host.settings == STOCK


@pytest.mark.parametrize("leap", LEAPS)
def test_it_can_be_kept_whatever_the_clock_says(leap: timedelta) -> None:
    host = Leaping(leap=leap, at=120.0, keeps=True)
    enact(work(host), making(**NEW), TRIAL, lambda: ())
    assert watch(work(host), 1) == 0
    assert host.settings == NEW and host.seconds < 125.0
