"""Conversations: those that are open are decided again when that was asked for.

Whoever asks writes it down, with a number; what was done is written down as well. So a request that
comes while another is at work, or before the steward is killed, is not forgotten, and many of them
are one piece of work. That another version stands than the one by which they were decided is a
reason to ask: so it is where the undo timer has undone a trial, or a boot. Who enacts, undoes or
goes back by a command has it done at once, sparing a session; nobody is to come before that.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial

from netcharter.rollout.reading import Fields
from netcharter.steward.shapes import CutRefused, DecideAgain, Decision, Duty, Effect, Facts

NAME = "conversations"
EVERY = timedelta(minutes=10)  # to look whether a request was missed
TOLD = timedelta(seconds=1)  # after which what was done is read for the status
LIMIT = 60.0  # seconds that deciding may take


@dataclass(frozen=True, slots=True)
class State:
    """Nothing: what counts is what was asked for, what was done, and what stands."""


def decide(
    state: State, facts: Facts, now: datetime, *, trust_clock: bool = False
) -> Decision[State]:
    """Have them decided again where a request waits; ask for it where another version stands."""
    found = facts.conversations
    effects: tuple[Effect, ...] = ()
    if found.waits:
        effects = (CutRefused(found.asked),)
    elif found.stands.undecided:
        known = trust_clock or facts.clock.synchronised
        effects = (DecideAgain(f"version {found.stands.version} stands again", known),)
    return Decision(state, effects, now + (TOLD if effects or found.stands.busy else EVERY))


def duty(trust_clock: bool = False) -> Duty[State]:
    """trust_clock: as for hours. Its turn may have to wait for one that a restart of the duty has
    left at work."""
    return Duty(
        name=NAME,
        about="has open conversations decided again when hours close or another version stands",
        needs=frozenset({"conversations"}),
        begin=State(),
        decide=partial(decide, trust_clock=trust_clock),
        written=_written,
        read=_read,
        limit=2 * LIMIT + 30,
    )


def _written(state: State) -> Mapping[str, object]:
    return {}


def _read(found: Fields) -> State:
    return State()
