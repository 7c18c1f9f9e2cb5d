"""How everything is, as a document and in the steward's log."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from netcharter.steward import messages
from netcharter.steward.alarms import Book, Message, stamp
from netcharter.steward.duties.hours import due
from netcharter.steward.duties.hours import turns as turning
from netcharter.steward.escape import one_line
from netcharter.steward.outbox import Outbox
from netcharter.steward.settings import CHANNELS
from netcharter.steward.shapes import Clock, Conversations, Facts, Need, Schedule, Timed
from netcharter.steward.turns import Turns

NO_CLOCK = Clock(False)
AHEAD = timedelta(days=8)  # in which it is told when a set turns next


def newest(known: Facts, found: Facts, needs: frozenset[Need]) -> Facts:
    """What is known with what was just found; facts that were not asked for stay."""
    fresh = replace(known, clock=found.clock, boot_id=found.boot_id)
    for need in needs:
        fresh = replace(fresh, **{need: getattr(found, need)})
    return fresh


def logged(message: Message) -> str:
    """A line of the log for a message."""
    return f"{message.severity}: {message.key}: {messages.sentence(message)}"


def essence(book: Book) -> object:
    """What of a book is worth a place on the disk: not each new percentage."""
    return (
        {key: (alarm.mark, alarm.began, alarm.told) for key, alarm in book.alarms.items()},
        book.silences,
        book.lately,
    )


def status(
    facts: Facts,
    duties: Mapping[str, tuple[str, Turns]],
    book: Book,
    box: Outbox,
    began: datetime,
    now: datetime,
    lines: Sequence[Mapping[str, object]] = (),
) -> dict[str, Any]:
    """The status document; `ok` where no alarm lasts but notes, and no duty fails."""
    schedule = facts.schedule
    serious = any(alarm.severity != "note" for alarm in book.alarms.values())
    return {
        "ok": not serious and not any(turns.failures for _, turns in duties.values()),
        "site": schedule.site if schedule is not None else None,
        "version": schedule.version if schedule is not None else None,
        "at": stamp(now),
        "since": stamp(began),
        "synchronised": facts.clock.synchronised,
        "duties": [_duty(name, about, turns) for name, (about, turns) in duties.items()],
        "alarms": [_alarm(book, key) for key in sorted(book.alarms)],
        "silences": [
            {
                "what": silence.what,
                "until": stamp(silence.until),
                "who": one_line(silence.who),
                "why": one_line(silence.why),
            }
            for silence in book.silences
            if silence.until > now
        ],
        "sets": [] if schedule is None else [_set(schedule, one, now) for one in schedule.timed],
        "names": [] if schedule is None else [_time(schedule, one, now) for one in schedule.names],
        "lines": list(lines),
        "cutting": _cutting(facts.conversations),
        "waiting": [
            {"channel": name, "letters": sum(letter.channel == name for letter in box)}
            for name in CHANNELS
            if any(letter.channel == name for letter in box)
        ],
    }


def _cutting(found: Conversations) -> dict[str, Any]:
    """When open conversations were decided again last, and what came of it."""
    done = found.done
    return {
        "waits": found.waits,
        "at": None if done.at is None else stamp(done.at),
        "why": one_line(found.asked.why),
        "after": None if done.at is None else round(done.after * 1000),
        "cut": done.counted.cut,
        "doubtful": done.counted.doubtful,
        "kept": done.counted.kept,
    }


def _duty(name: str, about: str, turns: Turns) -> dict[str, Any]:
    return {
        "name": name,
        "about": about,
        "state": "failing" if turns.failures else "well" if turns.ran else "waiting",
        "ran": None if turns.ran is None else stamp(turns.ran),
        "due": stamp(turns.due),
        "failures": turns.failures,
        "fault": turns.fault or None,
    }


def _alarm(book: Book, key: str) -> dict[str, Any]:
    alarm, silence = book.alarms[key], book.silent(key)
    return {
        "matter": key,
        "severity": alarm.severity,
        "text": one_line(alarm.text),
        "began": stamp(alarm.began),
        "told": None if alarm.told is None else stamp(alarm.told),
        "silent_until": None if silence is None else stamp(silence.until),
    }


def _set(schedule: Schedule, one: Timed, now: datetime) -> dict[str, Any]:
    """A timed set by the plan's hours; whether the clock can be believed is said elsewhere."""
    found = _time(schedule, one, now)
    due = found.pop("holds")
    return {"set": one.set, "for": "let" if one.let else "refuse", **found, "due": due}


def _time(schedule: Schedule, one: Timed, now: datetime) -> dict[str, Any]:
    """A time by the plan's hours, as of names rules."""
    turn = turning(one, schedule, now, now + AHEAD)
    return {
        "during": one.during,
        "until": None if one.until is None else one.until.isoformat(),
        "holds": due(one, schedule, now),
        "turns": None if turn is None else stamp(turn),
    }
