"""Hours: the timed sets are filled while they are due, and never an instant longer.

Presence in a set always means *open*, and every element ends by itself: at the instant at which
its condition turns, or after `LASTING`, whichever comes first. So closing needs no steward, and a
steward that died closes within `LASTING`. See docs/explanation/kit.md, "People and hours".

A clock that the kernel does not hold for synchronised tells no hours: every timed set stays empty
until it is, so that what hours open stays closed, and no refusal rests. `trust_clock` says that
the clock is right without that.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from functools import partial

from netcharter.plan.hours import flips, is_open, passed
from netcharter.rollout.reading import Fields
from netcharter.steward.shapes import (
    DecideAgain,
    Decision,
    Duty,
    Effect,
    Facts,
    Fill,
    Hold,
    Report,
    Schedule,
    Timed,
)

LASTING = timedelta(minutes=5)  # of an element that nobody renews
RENEWED = timedelta(minutes=2)  # so that one renewal may fail
_TICK = timedelta(microseconds=1)
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class State:
    """filled: the sets that were filled when last asked."""

    filled: frozenset[str] = frozenset()


def due(one: Timed, schedule: Schedule, instant: datetime) -> bool:
    """Is a set to be filled at an instant?"""
    hours = None if one.during is None else schedule.hours[one.during]
    in_force = (hours is None or is_open(hours, schedule.zone, instant)) and (
        one.until is None or not passed(one.until, schedule.zone, instant)
    )
    return in_force == one.let


def turns(one: Timed, schedule: Schedule, instant: datetime, before: datetime) -> datetime | None:
    """The first instant after this one, and before `before`, at which `due` turns."""
    now = due(one, schedule, instant)
    for candidate in sorted(_candidates(one, schedule, instant, before)):
        if due(one, schedule, candidate) != now:
            return candidate
    return None


def _candidates(
    one: Timed, schedule: Schedule, instant: datetime, before: datetime
) -> Iterator[datetime]:
    if one.during is not None:
        hours = schedule.hours[one.during]
        for at, _ in flips(hours, schedule.zone, instant + _TICK, before):
            yield at
    if one.until is not None:
        midnight = datetime.combine(one.until + _DAY, time(), schedule.zone).astimezone(UTC)
        if instant < midnight < before:
            yield midnight


def decide(
    state: State,
    facts: Facts,
    now: datetime,
    *,
    trust_clock: bool = False,
    lasting: timedelta = LASTING,
    renewed: timedelta = RENEWED,
) -> Decision[State]:
    """Fill what is due, empty the rest, and say what has closed since last time."""
    schedule = facts.schedule
    if schedule is None:
        return Decision(State(), (), now + renewed)
    known = trust_clock or facts.clock.synchronised
    fills = tuple(_fill(one, schedule, now, lasting, known) for one in schedule.timed)
    filled = frozenset(fill.set for fill in fills if fill.devices)
    effects: list[Effect] = [Hold(fills)] if fills else []
    if closed := state.filled - filled:
        effects.append(DecideAgain(_why(closed), known))
    ahead = (turns(one, schedule, now, now + renewed) for one in schedule.timed)
    wake = min((at for at in ahead if at is not None), default=now + renewed)
    reports = (_clock(known, facts),) if fills else ()
    return Decision(State(filled), tuple(effects), wake, reports)


def _fill(one: Timed, schedule: Schedule, now: datetime, lasting: timedelta, known: bool) -> Fill:
    if not known or not due(one, schedule, now):
        return Fill(one.set, (), now)
    end = now + lasting
    return Fill(one.set, schedule.devices, turns(one, schedule, now, end) or end)


def _why(closed: frozenset[str]) -> str:
    return f"no longer open: {', '.join(sorted(closed))}"


def _clock(known: bool, facts: Facts) -> Report:
    text = (
        "hours are kept again: the clock is synchronised"
        if known
        else "the clock is not synchronised, so the hours are not known: what hours open stays "
        "closed and no refusal rests until it is"
    )
    return Report("hours/clock", not known, text, "urgent")


def duty(trust_clock: bool = False) -> Duty[State]:
    """trust_clock: hours are kept though the kernel does not hold its clock for synchronised."""
    return Duty(
        name="hours",
        about="fills the timed sets while their hours are due",
        needs=frozenset({"schedule"}),
        begin=State(),
        decide=partial(decide, trust_clock=trust_clock),
        written=_written,
        read=_read,
    )


def _written(state: State) -> Mapping[str, object]:
    return {"filled": sorted(state.filled)}


def _read(found: Fields) -> State:
    return State(frozenset(found.texts("filled")))
