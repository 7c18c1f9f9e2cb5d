"""Conversations: those that are open are decided again when that was asked for.

Whoever asks writes it down, with a number; what was done is written down as well. So a request that
comes while another is at work, or before the steward is killed, is not forgotten, and many of them
are one piece of work.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from netcharter.rollout.reading import Fields
from netcharter.steward.shapes import Cut, Decision, Duty, Effect, Facts

NAME = "conversations"
EVERY = timedelta(minutes=10)  # to look whether a request was missed
TOLD = timedelta(seconds=1)  # after which what was done is read for the status
LIMIT = 60.0  # seconds that deciding may take


@dataclass(frozen=True, slots=True)
class State:
    """Nothing: what counts is what was asked for and what was done."""


def decide(state: State, facts: Facts, now: datetime) -> Decision[State]:
    """Have them decided again where a request waits."""
    found = facts.conversations
    effects: tuple[Effect, ...] = (Cut(found.asked),) if found.waits else ()
    return Decision(state, effects, now + (TOLD if effects else EVERY))


def duty() -> Duty[State]:
    """Its turn may have to wait for one that a restart of the duty has left at work."""
    return Duty(
        name=NAME,
        about="has open conversations decided again when hours close",
        needs=frozenset({"conversations"}),
        begin=State(),
        decide=decide,
        written=_written,
        read=_read,
        limit=2 * LIMIT + 30,
    )


def _written(state: State) -> Mapping[str, object]:
    return {}


def _read(found: Fields) -> State:
    return State()
