"""A kernel's timed sets as the tests imagine them: elements that end by themselves."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial

from netcharter.steward.duties import hours
from netcharter.steward.shapes import Clock, DecideAgain, Facts, Hold, Schedule

SYNCHRONISED = Clock(True, 0.01)


@dataclass
class Kernel:
    """present: for each set the stretches [from, before) in which it held elements."""

    present: dict[str, list[tuple[datetime, datetime]]] = field(default_factory=dict)
    again: list[datetime] = field(default_factory=list)

    def take(self, effects: Iterable[object], now: datetime) -> None:
        for effect in effects:
            if isinstance(effect, DecideAgain):
                self.again.append(now)
                continue
            assert isinstance(effect, Hold)
            for fill in effect.fills:
                stretches = self.present.setdefault(fill.set, [])
                if stretches and stretches[-1][1] > now:  # what is there is replaced
                    begin, _ = stretches.pop()
                    if begin < now:
                        stretches.append((begin, now))
                if fill.devices and fill.until > now:
                    if stretches and stretches[-1][1] == now:
                        stretches[-1] = (stretches[-1][0], fill.until)
                    else:
                        stretches.append((now, fill.until))

    def holds(self, name: str, instant: datetime) -> bool:
        return any(begin <= instant < end for begin, end in self.present.get(name, ()))


def kept(
    schedule: Schedule,
    start: datetime,
    end: datetime,
    lasting: timedelta = hours.LASTING,
    renewed: timedelta = hours.RENEWED,
    clock: Clock = SYNCHRONISED,
) -> tuple[Kernel, int]:
    """A steward with this schedule from `start` to `end`, waking exactly when it wants to; and how
    often it woke."""
    kernel, state, now, turns = Kernel(), hours.State(), start, 0
    decide = partial(hours.decide, lasting=lasting, renewed=renewed)
    while now < end:
        decision = decide(state, Facts(clock, schedule=schedule), now)
        kernel.take(decision.effects, now)
        assert decision.wake > now
        state, now, turns = decision.state, decision.wake, turns + 1
    return kernel, turns


def at(text: str) -> datetime:
    """An instant of UTC: `at("2026-03-29 01:00")`."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)
