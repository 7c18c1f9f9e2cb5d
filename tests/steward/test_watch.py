"""What is looked at besides all duties: the clock, what is in place, and whether a duty is stuck."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from netcharter.steward.loop import process
from netcharter.steward.loop.service import Steward
from netcharter.steward.loop.world import Handed, RealWorld
from netcharter.steward.settings import Settings
from tests.steward.apart import finished
from tests.steward.world import Counting, FakeWorld

PATIENCE = 20


@dataclass
class Watched:
    """A world whose clock and kit change when the test says so."""

    ahead: float = 0.0
    kit: str = "1"
    said: list[str] = field(default_factory=list)

    def lead(self) -> float:
        return self.ahead

    def stamp(self) -> str:
        return self.kit

    def say(self, text: str) -> None:
        self.said.append(text)


@dataclass
class Heard:
    """A service manager that wants a sign of life often."""

    watchdog: float = 0.01
    told: list[str] = field(default_factory=list)

    def notify(self, *assignments: str) -> None:
        self.told += assignments


def watched(change: Callable[[Watched], None]) -> tuple[list[set[str] | None], Watched]:
    """Whom the change wakes. None: all."""
    world, manager = Watched(), Heard()
    steward = Steward(FakeWorld(), [Counting("hours").duty, Counting("health").duty], ())
    woken: list[set[str] | None] = []
    came = asyncio.Event()

    def wake(names: Iterable[str] | None = None) -> None:
        woken.append(None if names is None else set(names))
        came.set()

    async def told() -> None:
        steward.wake = wake  # type: ignore[method-assign]
        task = asyncio.create_task(process._watch(world, steward, manager))  # type: ignore[arg-type]
        while manager.told.count("WATCHDOG=1") < 3:
            await asyncio.sleep(0)
        assert woken == []
        change(world)
        await came.wait()
        task.cancel()

    finished(asyncio.wait_for(told(), PATIENCE))
    return woken, world


@pytest.mark.parametrize("jump", [3600.0, -3600.0, 0.7])
def test_when_the_clock_is_set_all_is_decided_anew(jump: float) -> None:
    def change(world: Watched) -> None:
        world.ahead += jump

    woken, world = watched(change)
    assert woken == [None] and "clock was set" in world.said[0]


def test_when_another_kit_is_in_place_what_depends_on_it_is_decided_anew() -> None:
    def change(world: Watched) -> None:
        world.kit = "2"

    assert watched(change)[0] == [{"hours"}]


def test_there_is_no_sign_of_life_while_a_duty_is_stuck() -> None:
    async def told() -> None:
        world, manager = FakeWorld(), Heard()
        steward = Steward(world, [Counting().duty], ())
        steward.keepers["counting"].begun = world.clock
        task = asyncio.create_task(process._watch(Watched(), steward, manager))  # type: ignore[arg-type]
        while "WATCHDOG=1" not in manager.told:
            await asyncio.sleep(0)
        world.clock = world.clock.replace(hour=23)
        assert steward.stuck() == ("counting",)
        await asyncio.sleep(0.02)  # what is on its way
        manager.told.clear()
        for _ in range(20):
            await asyncio.sleep(0.005)
        assert "WATCHDOG=1" not in manager.told
        task.cancel()

    finished(asyncio.wait_for(told(), PATIENCE))


def test_files_saved_at_once_do_not_meet_and_the_last_one_stays(tmp_path: Path) -> None:
    world = RealWorld(tmp_path, Settings(), Handed(lambda: None, str))
    world.folder.mkdir()

    async def told() -> None:
        await asyncio.gather(*(world.save("alarms.json", b"%d" % n) for n in range(200)))
        assert await world.load("alarms.json") == b"199"
        assert [path.name for path in world.folder.iterdir()] == ["alarms.json"]

    finished(asyncio.wait_for(told(), PATIENCE))


def test_real_waiting_follows_the_clock_wherever_it_is_set(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody waits for an instant an hour ahead; the clock is put forward beyond it."""
    monkeypatch.setattr("netcharter.steward.loop.world.SLICE", 0.01)
    world: Any = RealWorld(tmp_path, Settings(), Handed(lambda: None, str))
    start = FakeWorld().clock
    now = [start]
    world.now = lambda: now[0]

    async def told() -> None:
        until = start.replace(hour=start.hour + 1)
        task = asyncio.create_task(world.wait(until, asyncio.Event()))
        await asyncio.sleep(0.05)
        assert not task.done()
        now[0] = until
        await task
        woken = asyncio.Event()
        woken.set()
        await world.wait(None, woken)

    finished(asyncio.wait_for(told(), PATIENCE))
