"""The steward as a process: signals, the service manager, the socket, one steward at a time."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Mapping, Sequence
from typing import Any

from netcharter.rollout.run import files
from netcharter.rollout.shapes import Folder
from netcharter.rollout.trouble import RolloutRefused
from netcharter.steward import escape
from netcharter.steward.loop.alone import alone
from netcharter.steward.loop.door import Door
from netcharter.steward.loop.manager import Manager
from netcharter.steward.loop.service import Steward
from netcharter.steward.loop.world import RealWorld
from netcharter.steward.shapes import Duty

LOOKED = 2.0  # seconds between two looks at the clock and at what is in place
JUMP = 0.5  # seconds by which the clock is set, from which on all is decided anew
OF_THE_KIT = ("hours", "holds", "conversations")


def serve(
    world: RealWorld,
    duties: Sequence[Duty[Any]],
    channels: Sequence[str],
    path: str,
    group: str,
    environment: Mapping[str, str],
) -> None:
    """Be the steward until SIGTERM or SIGINT. Raises RolloutRefused where there is one already."""
    files.folder(Folder(str(world.folder)))
    with alone(world.folder):
        asyncio.run(_serve(world, duties, channels, path, group, Manager(environment)))


async def _serve(
    world: RealWorld,
    duties: Sequence[Duty[Any]],
    channels: Sequence[str],
    path: str,
    group: str,
    manager: Manager,
) -> None:
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    steward = Steward(world, duties, channels)
    entrance = Door(path, group, steward.answer)
    try:
        await entrance.open()
    except OSError as fault:
        raise RolloutRefused(
            f"the socket {path} can't be had: {fault.strerror or fault}",
            "name another with --socket, or end who listens there",
        ) from None
    watching = steward.again("watching", lambda: _watch(world, steward, manager))
    watch = asyncio.create_task(watching)
    try:
        await steward.run(stop, lambda: manager.notify("READY=1", "STATUS=at work"))
    finally:
        manager.notify("STOPPING=1", "STATUS=ending")
        watch.cancel()
        await entrance.close()


async def _watch(world: RealWorld, steward: Steward, manager: Manager) -> None:
    """Signs of life while no duty is stuck, and a turn for all where the clock was set or another
    kit is in place."""
    lead, stamp, told = world.lead(), await asyncio.to_thread(world.stamp), ""
    pause = min(LOOKED, manager.watchdog / 3) if manager.watchdog else LOOKED
    while True:
        await asyncio.sleep(pause)
        if abs(world.lead() - lead) > JUMP:
            lead = world.lead()
            world.say("the clock was set; all is decided anew")
            steward.clock_was_set()
        fresh = await asyncio.to_thread(world.stamp)
        if fresh != stamp:
            stamp = fresh
            steward.wake(name for name in OF_THE_KIT if name in steward.keepers)
        if not steward.stuck():
            manager.notify("WATCHDOG=1")
        words = _words(steward)
        if words != told:
            told = words
            manager.notify(f"STATUS={escape.status(words)}")


def _words(steward: Steward) -> str:
    failing = [name for name, keeper in steward.keepers.items() if keeper.turns.failures]
    said = f"{len(steward.keepers)} duties, {len(steward.book.alarms)} alarms"
    return said + (f"; failing: {', '.join(failing)}" if failing else "")
