"""The clock is set by a day or by years, forward or back: hours are kept by what it says then,
nothing lasts longer for it, and no alarm is lost.

Time is the tests' own. A machine without a clock that runs on wakes in some other year.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from netcharter.rollout.reading import fields, written
from netcharter.steward import alarms, nft, outbox
from netcharter.steward.alarms import Book, Message, Silence
from netcharter.steward.duties import hours
from netcharter.steward.loop.service import Steward
from netcharter.steward.loop.world import Handed, RealWorld
from netcharter.steward.schedule import schedule
from netcharter.steward.settings import Settings
from netcharter.steward.shapes import Clock, DecideAgain, Facts, Fill, Hold, Report
from netcharter.tasks.sources import Source, usable_plan
from tests.steward.apart import finished
from tests.steward.charters import DAY as CHARTER
from tests.steward.kernel import at
from tests.steward.world import Counting, FakeWorld

PATIENCE = 30
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
NOW = at("2026-11-26 12:00")
LEAPS = [DAY, -DAY, 3 * DAY, -3 * DAY, 4000 * DAY, -4000 * DAY]
OPEN = "nc_open_day"


# --- hours ---------------------------------------------------------------------------------------


def filled(state: hours.State, now: datetime) -> tuple[hours.State, dict[str, Fill], list[str]]:
    """A turn at an instant: the fills by set, and why conversations are decided again."""
    plan = schedule(usable_plan(Source("charter.yaml", CHARTER)).plan)
    decision = hours.decide(state, Facts(Clock(True), schedule=plan), now)
    fills = {f.set: f for e in decision.effects if isinstance(e, Hold) for f in e.fills}
    again = [effect.why for effect in decision.effects if isinstance(effect, DecideAgain)]
    assert now < decision.wake <= now + hours.RENEWED
    return decision.state, fills, again


@pytest.mark.parametrize("leap", LEAPS)
@pytest.mark.parametrize("further", [timedelta(), 8 * HOUR, -8 * HOUR])
def test_hours_are_kept_by_what_the_clock_says_after_it_was_set(
    leap: timedelta, further: timedelta
) -> None:
    """From noon, when hours are open, to the same time of another day, to its evening (20:00) and to
    its night (04:00)."""
    state, fills, _ = filled(hours.State(), NOW)
    assert fills[OPEN].devices
    then = NOW + leap + further
    state, fills, again = filled(state, then)
    is_open = not further  # 08:00-16:00
    assert bool(fills[OPEN].devices) is is_open
    assert all(fill.until <= then + hours.LASTING for fill in fills.values())
    assert [OPEN in why for why in again] == ([] if is_open else [True])
    state, fills, again = filled(state, NOW)  # and set right again
    assert fills[OPEN].devices


@pytest.mark.parametrize("leap", [DAY, 4000 * DAY])
def test_no_element_lasts_longer_though_the_clock_is_put_back_before_it_is_loaded(
    leap: timedelta,
) -> None:
    fill = Fill(OPEN, ("eth0",), NOW + hours.LASTING)
    assert "timeout 300000ms" in nft.filled((fill,), NOW)
    assert "timeout 300000ms" in nft.filled((fill,), NOW - leap)
    assert "timeout" not in nft.filled((fill,), NOW + leap)


# --- what waits ----------------------------------------------------------------------------------


def test_real_waiting_never_lasts_longer_though_the_clock_is_put_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    world: Any = RealWorld(tmp_path, Settings(), Handed(lambda: None, str))
    passed, people = [0.0], [NOW]
    real = "netcharter.steward.loop.world"
    monkeypatch.setattr(f"{real}.SLICE", 0.01)
    monkeypatch.setattr(f"{real}.time.clock_gettime", lambda clock: passed[0])
    world.now = lambda: people[0]

    async def told() -> None:
        task = asyncio.create_task(world.wait(NOW + HOUR, asyncio.Event()))
        await asyncio.sleep(0.03)
        people[0] -= DAY
        passed[0] += 3599.0
        await asyncio.sleep(0.03)
        assert not task.done()
        passed[0] += 2.0
        await task

    finished(asyncio.wait_for(told(), PATIENCE))


@dataclass
class Leaping(FakeWorld):
    """Its clock can be set: what waits then, waits as long as it was to, as in the real world."""

    def set_by(self, leap: timedelta, steward: Steward) -> None:
        self.clock += leap
        steward.clock_was_set()


def with_steward(work: Callable[[Leaping, Steward, Counting], Any], **world: Any) -> None:
    """A steward with one duty whose alarm lasts, for a while."""

    async def told() -> None:
        site, duty = Leaping(clock=NOW, **world), Counting(bad=True)
        steward = Steward(site, [duty.duty], ("email",))
        stop = asyncio.Event()
        task = asyncio.create_task(steward.run(stop))
        await site.for_(minutes=5)
        await work(site, steward, duty)
        stop.set()
        await task

    finished(asyncio.wait_for(told(), PATIENCE))


@pytest.mark.parametrize("leap", LEAPS)
def test_turns_and_messages_go_on_at_once(leap: timedelta) -> None:
    """The mail server does not answer when the clock is set, and does an hour later."""

    async def work(site: Leaping, steward: Steward, duty: Counting) -> None:
        site.set_by(leap, steward)
        before = site.clock
        await site.for_(minutes=30)
        assert len([when for when, _ in duty.seen if when >= before]) >= 30
        assert site.sent == []
        site.refuse.clear()
        await site.for_(minutes=31)
        assert site.sent[0][2] == "begins counting/matter"

    with_steward(work, refuse={"email"})


@pytest.mark.parametrize("leap", LEAPS)
def test_a_turn_that_goes_on_is_not_taken_for_stuck(leap: timedelta) -> None:
    async def told() -> None:
        world = Leaping(clock=NOW)
        steward = Steward(world, [Counting().duty], ())
        keeper = steward.keepers["counting"]
        keeper.begun = NOW
        world.set_by(leap, steward)
        assert steward.stuck() == ()
        world.clock += HOUR
        assert steward.stuck() == ("counting",)

    finished(told())


# --- alarms --------------------------------------------------------------------------------------


def report(bad: bool = True) -> Report:
    return Report("health/memory", bad, "words", "warning")


@pytest.mark.parametrize("back", [HOUR, DAY, 4000 * DAY])
def test_an_alarm_from_before_the_clock_was_put_back_is_told_a_day_later(back: timedelta) -> None:
    book, _ = alarms.reported(Book(), "health", [report()], NOW)
    then = NOW - back
    book, messages = alarms.reported(book, "health", [report()], then)
    assert messages == ()
    assert alarms.wakes(book) == then + DAY
    book, messages = alarms.looked(book, then + DAY)
    assert [message.kind for message in messages] == ["lasts"]


@pytest.mark.parametrize("since", [None, NOW])
@pytest.mark.parametrize("back", [HOUR, DAY, 4000 * DAY])
def test_a_silence_lasts_as_long_as_was_asked_for(back: timedelta, since: datetime | None) -> None:
    """One of an earlier version, which does not tell since when, 31 days at most."""
    silence = Silence("all", NOW + 8 * HOUR, "keeper", since=since)
    book = alarms.silenced(Book(), silence, NOW)
    book, messages = alarms.reported(book, "health", [report()], NOW)
    book, _ = alarms.looked(book, NOW - back)
    end = alarms.wakes(book)
    assert messages == () and end is not None
    assert end - (NOW - back) <= (alarms.LONGEST_SILENCE if since is None else 8 * HOUR)
    book, messages = alarms.looked(book, end)
    assert [message.kind for message in messages] == ["begins"]
    assert alarms.read(fields("alarms.json", written(alarms.written(book)))) == book


def test_what_was_unsteady_in_another_year_is_told_in_this_one() -> None:
    book = Book()
    for turn in range(20):
        book, _ = alarms.reported(book, "health", [report(turn % 2 == 0)], NOW + turn * HOUR)
    then = NOW - 4000 * DAY
    book, messages = alarms.reported(book, "health", [report()], then)
    assert [message.kind for message in messages] == ["begins"]


@pytest.mark.parametrize("leap", LEAPS)
def test_a_message_is_not_too_old_since_the_clock_was_set(leap: timedelta) -> None:
    """It was written while the machine thought it was another day; the line comes up much later."""
    box = outbox.posted((), [Message("begins", "a/b", "urgent", "w", NOW, NOW)], ["email"])
    box = outbox.failed(box, box[0], NOW)
    then = NOW + leap
    ready = outbox.ready(box, then)
    assert len(ready) == 1
    box = outbox.failed(box, ready[0], then)
    assert len(box) == 1 and box[0].due - then <= outbox.LONGEST_WAIT
    soon = replace(box[0], due=then + timedelta(minutes=5))
    assert outbox.ready((soon,), then) == ()


def test_zones_do_not_make_it_leap() -> None:
    """The clock that is looked at is UTC; the site's own may be another."""
    plan = schedule(usable_plan(Source("charter.yaml", CHARTER)).plan)
    there = replace(plan, zone=ZoneInfo("Europe/London"))
    for month in (3, 10):  # where summer time begins and ends in 2026: 29 March, 25 October
        day = 29 if month == 3 else 25
        now = at(f"2026-{month:02}-{day} 00:59")
        for _ in range(3):
            decision = hours.decide(hours.State(), Facts(Clock(True), schedule=there), now)
            assert timedelta() < decision.wake - now <= hours.RENEWED
            now = decision.wake
