"""A world for the loop that has its own clock: time passes only when everybody waits."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from netcharter.rollout.reading import Fields
from netcharter.steward.outbox import Letter
from netcharter.steward.shapes import Clock, Decision, Duty, Effect, Facts, Need, Report
from tests.steward.kernel import at

START = at("2026-11-26 03:00")
MINUTE = timedelta(minutes=1)
KNOWN = Facts(Clock(True))
SETTLING = 60  # rounds of the loop in which all that can go on does
MOST_STEPS = 20_000


@dataclass
class FakeWorld:
    """files: the disk; done: effects with their instant; sent: letters; refuse: channels; breaks:
    effects that fail; full: files that can't be saved."""

    clock: datetime = START
    known: Facts = KNOWN
    files: dict[str, bytes] = field(default_factory=dict)
    done: list[tuple[datetime, Effect]] = field(default_factory=list)
    sent: list[tuple[datetime, str, str]] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    refuse: set[str] = field(default_factory=set)
    breaks: set[type] = field(default_factory=set)
    full: set[str] = field(default_factory=set)
    saves: int = 0
    _waiting: dict[asyncio.Future[None], datetime | None] = field(default_factory=dict)

    def now(self) -> datetime:
        return self.clock

    async def facts(self, needs: frozenset[Need]) -> Facts:
        return self.known

    async def perform(self, effect: Effect) -> None:
        if type(effect) in self.breaks:
            raise OSError("the kernel says no")
        self.done.append((self.clock, effect))

    async def deliver(self, letter: Letter) -> None:
        if letter.channel in self.refuse:
            raise OSError("nobody there")
        self.sent.append(
            (self.clock, letter.channel, f"{letter.message.kind} {letter.message.key}")
        )

    async def wait(self, until: datetime | None, woken: asyncio.Event) -> None:
        if woken.is_set() or (until is not None and until <= self.clock):
            await asyncio.sleep(0)
            return
        reached = asyncio.get_running_loop().create_future()
        self._waiting[reached] = until
        event = asyncio.ensure_future(woken.wait())
        try:
            await asyncio.wait({reached, event}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            event.cancel()
            del self._waiting[reached]

    async def load(self, name: str) -> bytes | None:
        return self.files.get(name)

    async def save(self, name: str, data: bytes) -> None:
        if name in self.full:
            raise OSError("no space left")
        self.saves += 1
        self.files[name] = data

    def say(self, text: str) -> None:
        self.said.append(text)

    async def settle(self) -> None:
        for _ in range(SETTLING):
            await asyncio.sleep(0)

    async def until(self, end: datetime) -> None:
        """Let time pass to an instant, from one that somebody waits for to the next."""
        for _ in range(MOST_STEPS):
            await self.settle()
            ahead = [when for when in self._waiting.values() if when is not None]
            following = min(ahead, default=end)
            if following > end:
                break
            self.clock = max(self.clock, following)
            for reached, when in list(self._waiting.items()):
                if when is not None and when <= self.clock and not reached.done():
                    reached.set_result(None)
            if following == end and not ahead:
                break
        else:
            raise AssertionError("somebody wakes without end")
        self.clock = end
        await self.settle()

    async def for_(self, **length: float) -> None:
        await self.until(self.clock + timedelta(**length))


@dataclass(frozen=True)
class Counted:
    """The state of a duty that counts its turns."""

    turns: int = 0


@dataclass
class Counting:
    """A duty of the tests. raises: while true, its turns fail; bad: what it reports; intends: turns of
    the state that is written down first."""

    name: str = "counting"
    every: timedelta = MINUTE
    raises: bool = False
    bad: bool = False
    effects: tuple[Effect, ...] = ()
    intends: int | None = None
    seen: list[tuple[datetime, int]] = field(default_factory=list)

    def decide(self, state: Counted, facts: Facts, now: datetime) -> Decision[Counted]:
        self.seen.append((now, state.turns))
        if self.raises:
            raise RuntimeError("planted fault\nof a duty")
        after = replace(state, turns=state.turns + 1)
        report = Report(f"{self.name}/matter", self.bad, "it is so")
        intent = None if self.intends is None else Counted(self.intends)
        return Decision(after, self.effects, now + self.every, (report,), intent=intent)

    @property
    def duty(self) -> Duty[Counted]:
        return Duty(
            self.name, "counts", frozenset(), Counted(), self.decide, _written, _read, limit=5.0
        )


def _written(state: Counted) -> Mapping[str, object]:
    return {"turns": state.turns}


def _read(found: Fields) -> Counted:
    return Counted(found.whole("turns"))


def names(status: Mapping[str, Any], key: str, name: str) -> list[Any]:
    return [one[name] for one in status[key]]
