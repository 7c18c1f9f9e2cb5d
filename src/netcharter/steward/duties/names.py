"""Hours of names rules: the program that answers names is told which of them hold, and for how long
that is to be believed.

As with the timed sets (`duties/hours.py`) nothing is told beyond the instant at which it turns, or
`LASTING`. So a steward that died is believed for five minutes at most, and then the stricter of the
two holds: what is withheld or rewritten during some hours is so at all hours, and what is answered
during some hours is not. A clock that is not synchronised tells no hours, and so nothing is told.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import partial

from netcharter.render.withholding_rules import FIRST, LAST
from netcharter.rollout.reading import Fields
from netcharter.steward.duties.hours import LASTING, RENEWED, due, turns
from netcharter.steward.shapes import Decision, Duty, Facts, NameTime, TellNames


@dataclass(frozen=True, slots=True)
class State:
    """Nothing has to be remembered."""


def decide(
    state: State, facts: Facts, now: datetime, *, trust_clock: bool = False
) -> Decision[State]:
    """Tell all times of names rules, and be asked again when the first of them turns."""
    schedule = facts.schedule
    if schedule is None or not schedule.names:
        return Decision(state, (), now + RENEWED)
    if not (trust_clock or facts.clock.synchronised):
        return Decision(state, (TellNames(()),), now + RENEWED)
    end, told, wake = now + LASTING, [], now + RENEWED
    for one in schedule.names:
        turn = turns(one, schedule, now, end)
        told.append(NameTime(one.set, due(one, schedule, now), turn or end))
        wake = min(wake, turn or end)
    return Decision(state, (TellNames(tuple(told)),), wake)


def text(told: TellNames) -> bytes:
    """The file (`render/withholding_rules.py`)."""
    lines = (
        f"{one.key} {'yes' if one.holds else 'no'} {int(one.until.timestamp())}"
        for one in told.times
    )
    return ("\n".join([FIRST, *lines, LAST]) + "\n").encode("ascii")


def duty(trust_clock: bool = False) -> Duty[State]:
    """trust_clock: hours are kept though the kernel does not hold its clock for synchronised."""
    return Duty(
        name="names",
        about="tells which hours of names rules hold",
        needs=frozenset({"schedule"}),
        begin=State(),
        decide=partial(decide, trust_clock=trust_clock),
        written=_written,
        read=_read,
    )


def _written(state: State) -> Mapping[str, object]:
    return {}


def _read(found: Fields) -> State:
    return State()
