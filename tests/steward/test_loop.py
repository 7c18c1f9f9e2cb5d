"""The loop with a clock of the tests' own: duties fail and others go on, and nothing is forgotten."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Coroutine
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

from netcharter.steward.duties import hours
from netcharter.steward.loop.service import Steward
from netcharter.steward.protocol import BeginAnew, BeSilent, Status, Wake
from netcharter.steward.schedule import schedule
from netcharter.steward.shapes import Clock, Facts, Mend
from netcharter.tasks.sources import Source, usable_plan
from netcharter.tasks.steward import Answer
from tests.cli.running import CHARTER
from tests.docs.shapes import breaches, shapes
from tests.steward.apart import finished
from tests.steward.world import MINUTE, START, Counting, FakeWorld

PATIENCE = 30


def run(work: Coroutine[Any, Any, None]) -> None:
    """A test in a loop of its own, ended after a while whatever it does."""
    finished(asyncio.wait_for(work, PATIENCE))


@asynccontextmanager
async def at_work(
    world: FakeWorld, *duties: Counting, channels: tuple[str, ...] = ("email",)
) -> AsyncIterator[Steward]:
    steward = Steward(world, [one.duty for one in duties], channels)
    stop = asyncio.Event()
    task = asyncio.create_task(steward.run(stop))
    await world.settle()
    try:
        yield steward
    finally:
        stop.set()
        await task


def test_each_duty_has_its_turns_when_it_wants_them() -> None:
    async def told() -> None:
        world, quick, slow = FakeWorld(), Counting("quick"), Counting("slow", 7 * MINUTE)
        async with at_work(world, quick, slow):
            await world.for_(minutes=20.5)
        assert [when for when, _ in quick.seen] == [START + n * MINUTE for n in range(21)]
        assert [when for when, _ in slow.seen] == [START + n * 7 * MINUTE for n in range(3)]

    run(told())


def test_a_duty_that_fails_waits_longer_each_time_is_told_and_the_others_go_on() -> None:
    async def told() -> None:
        world, bad, good = FakeWorld(), Counting("bad", raises=True), Counting("good")
        async with at_work(world, bad, good) as steward:
            await world.for_(minutes=15)
            waits = [(b - a).total_seconds() for (a, _), (b, _) in pairwise(bad.seen)]
            assert waits == [1, 2, 4, 8, 16, 32, 64, 128, 256, 300]
            assert len(good.seen) == 16
            status = await steward.answer(Status(), "keeper")
            assert [(d["name"], d["state"]) for d in status["duties"]] == [
                ("bad", "failing"), ("good", "well")
            ]  # fmt: skip
            assert not status["ok"] and status["duties"][0]["fault"] == "planted fault of a duty"
            bad.raises = False
            await world.for_(minutes=6)
            assert (await steward.answer(Status(), "keeper"))["ok"]
        assert [what for _, _, what in world.sent] == ["begins steward/bad", "ends steward/bad"]
        assert any("planted fault" in line for line in world.said)

    run(told())


def test_a_killed_steward_goes_on_where_it_was() -> None:
    async def told() -> None:
        world, before = FakeWorld(), Counting(bad=True)
        async with at_work(world, before):
            await world.for_(minutes=3)
        again = FakeWorld(clock=world.clock, files=dict(world.files))
        after = Counting(bad=True)
        async with at_work(again, after):
            await again.for_(minutes=1)
        assert after.seen[0] == (world.clock, 4)
        assert again.sent == []  # the alarm was told by the one before
        assert json.loads(again.files["counting.json"]) == {"turns": 6}

    run(told())


def test_a_state_that_cannot_be_used_is_told_and_begun_anew() -> None:
    async def told() -> None:
        world, duty = (
            FakeWorld(files={"counting.json": b'{"turns": ', "alarms.json": b"[]"}),
            Counting(),
        )
        async with at_work(world, duty):
            pass
        assert duty.seen == [(START, 0)]
        assert sum("begun anew" in line for line in world.said) == 2

    run(told())


def test_a_state_counts_once_its_effects_are_done() -> None:
    async def told() -> None:
        world, duty = FakeWorld(breaks={Mend}), Counting(effects=(Mend("why"),))
        async with at_work(world, duty):
            await world.for_(seconds=2)
            assert {count for _, count in duty.seen} == {0} and world.done == []
            world.breaks.clear()
            await world.for_(seconds=2)
            assert [count for _, count in duty.seen][-1] == 0 and len(world.done) == 1
            await world.for_(minutes=1)
        assert duty.seen[-1][1] == 1

    run(told())


def test_an_intent_is_on_the_disk_before_anything_is_done_and_gone_after() -> None:
    async def told() -> None:
        world, duty = FakeWorld(breaks={Mend}), Counting(effects=(Mend("why"),), intends=70)
        async with at_work(world, duty):
            await world.for_(seconds=2)
            assert json.loads(world.files["counting.json"]) == {"turns": 70}
            assert {count for _, count in duty.seen} == {0}  # what counts is what was before
            world.breaks.clear()
            await world.for_(seconds=3)
            assert json.loads(world.files["counting.json"]) == {"turns": 1} and world.done
            # A disk that is full keeps the duty from nothing, not even from its rhythm.
            world.full = {"counting.json"}
            begun = len(world.done)
            await world.for_(minutes=10)
            assert len(world.done) >= begun + 10
            world.full, duty.intends = set(), None
            await world.for_(minutes=2)
            assert json.loads(world.files["counting.json"]) == {"turns": duty.seen[-1][1] + 1}

    run(told())


def test_what_cannot_be_saved_is_told_done_and_saved_later() -> None:
    """The disk is full. A letter that was not saved is saved before its alarm stands as told."""

    async def told() -> None:
        world = FakeWorld(full={"alarms.json", "outbox.json"}, refuse={"email"})
        duty = Counting(bad=True, effects=(Mend("why"),))
        async with at_work(world, duty) as steward:
            await world.for_(seconds=0.5)
            assert [effect for _, effect in world.done] == [Mend("why")]
            assert json.loads(world.files["counting.json"]) == {"turns": 1}
            status = await steward.answer(Status(), "keeper")
            assert status["duties"][0]["fault"] == "no space left"
            assert (await steward.answer(BeSilent("all", 9, ""), "keeper"))["ok"] is False
            world.full = {"outbox.json"}
            await world.for_(minutes=3)
            assert "alarms.json" not in world.files
            world.full, world.refuse = set(), set()
            await world.for_(minutes=3)
            assert "counting/matter" in json.loads(world.files["alarms.json"])["alarms"]
            assert not json.loads(world.files["outbox.json"])["letters"]
        assert "begins counting/matter" in [what for _, _, what in world.sent]
        assert [count for _, count in duty.seen][:3] == [0, 1, 2]

    run(told())


def test_what_is_told_outlives_one_who_is_killed_while_it_is_done() -> None:
    """What is mended would else be told by nobody."""

    async def told() -> None:
        world, never = FakeWorld(refuse={"email"}), asyncio.Event()
        world.perform = lambda effect: never.wait()  # type: ignore[assignment,return-value]
        steward = Steward(world, [Counting(bad=True, effects=(Mend("why"),)).duty], ("email",))
        task = asyncio.create_task(steward.run(asyncio.Event()))
        await world.settle()
        task.cancel()
        again = FakeWorld(clock=world.clock, files=dict(world.files))
        duty = Counting()  # by now all is well
        async with at_work(again, duty):
            await again.for_(minutes=1)
        whole = ["begins counting/matter", "ends counting/matter"]
        assert [what for _, _, what in again.sent] == whole
        assert duty.seen[0][1] == 0

    run(told())


def test_restart_and_wake_touch_just_the_duty_that_is_named() -> None:
    async def told() -> None:
        world, one, two = FakeWorld(), Counting("one", 50 * MINUTE), Counting("two", 50 * MINUTE)
        async with at_work(world, one, two) as steward:
            await world.for_(minutes=10)
            assert await steward.answer(BeginAnew("one"), "keeper") == {"ok": True}
            await world.settle()
            assert [count for _, count in one.seen] == [0, 1] and len(two.seen) == 1
            await steward.answer(Wake("two"), "keeper")
            await world.settle()
            assert len(one.seen) == 2 and len(two.seen) == 2
            await steward.answer(Wake(None), "keeper")
            await world.settle()
            assert len(one.seen) == 3 and len(two.seen) == 3
            for wrong in (BeginAnew("three"), Wake("three")):
                answer = await steward.answer(wrong, "keeper")
                assert not answer["ok"] and "one, two" in answer["fault"]

    run(told())


def test_a_silence_by_the_socket_holds_back_what_begins_and_is_told_when_it_is_over() -> None:
    async def told() -> None:
        world, duty = FakeWorld(), Counting()
        async with at_work(world, duty) as steward:
            answer = await steward.answer(BeSilent("counting", 3600, "tests"), "keeper")
            assert answer["ok"] and answer["until"].startswith("2026-11-26T04:00")
            assert not (await steward.answer(BeSilent("nonsense", 60, ""), "keeper"))["ok"]
            assert not (await steward.answer(BeSilent("all", 10**9, ""), "keeper"))["ok"]
            duty.bad = True
            await world.for_(minutes=30)
            assert world.sent == []
            status = await steward.answer(Status(), "keeper")
            assert status["silences"][0]["who"] == "keeper" and status["alarms"][0]["silent_until"]
            await world.for_(minutes=40)
        assert [(when, what) for when, _, what in world.sent] == [
            (START + timedelta(hours=1), "begins counting/matter")
        ]

    run(told())


def test_letters_wait_for_a_channel_that_is_away_and_for_no_other() -> None:
    async def told() -> None:
        world, duty = FakeWorld(refuse={"email"}), Counting(bad=True)
        async with at_work(world, duty, channels=("email", "syslog")) as steward:
            await world.for_(minutes=10)
            assert [(channel, what) for _, channel, what in world.sent] == [
                ("syslog", "begins counting/matter")
            ]
            assert (await steward.answer(Status(), "k"))["waiting"] == [
                {"channel": "email", "letters": 1}
            ]
        again = FakeWorld(clock=world.clock, files=dict(world.files))
        async with at_work(again, Counting(bad=True), channels=("email", "syslog")):
            await again.for_(minutes=40)
        assert [(channel, what) for _, channel, what in again.sent] == [
            ("email", "begins counting/matter")
        ]

    run(told())


def test_an_alarm_leaves_though_nothing_can_be_saved() -> None:
    """A full disk is what one has to hear of most."""

    async def full(name: str, data: bytes) -> None:
        raise OSError("no space left on device")

    async def told() -> None:
        world, duty = FakeWorld(), Counting(bad=True)
        world.save = full  # type: ignore[method-assign]
        async with at_work(world, duty, channels=("email", "syslog")):
            await world.for_(minutes=2)
        for channel in ("email", "syslog"):
            mine = [what for _, by, what in world.sent if by == channel]
            assert mine.count("begins counting/matter") == 1, world.sent
            assert "begins steward/counting" in mine

    run(told())


def test_two_who_restart_a_duty_at_once_begin_it_once() -> None:
    async def told() -> None:
        world, duty = FakeWorld(), Counting()
        async with at_work(world, duty) as steward:
            await asyncio.gather(steward.restart("counting"), steward.restart("counting"))
            await world.settle()
            seen = len(duty.seen)
            await world.for_(minutes=5)
            assert len(duty.seen) == seen + 5

    run(told())


def test_a_duty_that_hangs_is_ended_and_told() -> None:
    async def told() -> None:
        world, duty = FakeWorld(), Counting()

        async def forever(needs: object) -> Any:
            await asyncio.Event().wait()

        world.facts = forever  # type: ignore[method-assign]
        async with at_work(world, duty) as patient:
            await world.settle()
            assert patient.stuck() == ()
            world.clock += timedelta(minutes=10)
            assert patient.stuck() == ("counting",)
        hurried = Steward(world, [_with_limit(duty, 0.01)], ())
        stop = asyncio.Event()
        task = asyncio.create_task(hurried.run(stop))
        while not hurried.keepers["counting"].turns.failures:
            await asyncio.sleep(0.005)
        assert hurried.keepers["counting"].turns.fault == "it took too long"
        stop.set()
        await task

    run(told())


def _with_limit(duty: Counting, limit: float) -> Any:
    return replace(duty.duty, limit=limit)


def test_the_status_has_the_shape_that_the_page_tells(repository: Path) -> None:
    known = shapes((repository / "docs" / "reference" / "json.md").read_text("utf-8"))

    async def told() -> None:
        plan = schedule(usable_plan(Source("charter.yaml", CHARTER.read_bytes())).plan, 7)
        world = FakeWorld(known=Facts(Clock(True), schedule=plan), refuse={"email"})
        bad, failing = Counting(bad=True), Counting("failing", raises=True)
        steward = Steward(world, [bad.duty, failing.duty, hours.duty()], ("email",))
        empty = steward.status()
        assert list(breaches(empty, "steward", known)) == [] and empty["sets"] == []
        stop = asyncio.Event()
        task = asyncio.create_task(steward.run(stop))
        await world.settle()
        await steward.answer(BeSilent("all", 3600, "tests"), "keeper")
        found = steward.status()
        stop.set()
        await task
        assert list(breaches(found, "steward", known)) == []
        assert all(found[key] for key in ("duties", "alarms", "silences", "sets", "waiting"))
        assert {one["state"] for one in found["duties"]} == {"well", "failing"}
        lines = "\n".join(Answer(found).lines(100))
        assert "version 7" in lines and "FAILS (1 times" in lines and "for email" in lines

    run(told())


def test_the_disk_is_not_written_for_a_new_percentage() -> None:
    async def told() -> None:
        world, duty = FakeWorld(), Counting(bad=True)
        async with at_work(world, duty, channels=()):
            await world.for_(minutes=1)
            saved = world.saves
            await world.for_(minutes=10)
            assert world.saves == saved + 10  # the duty's own state, and nothing else

    run(told())
