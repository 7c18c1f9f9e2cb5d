"""The book of alarms: what is told, once when it begins, once when it ends, daily in between.

A silence keeps a matter from being told until it expires. What began in the meantime, and still
lasts, is told then; what ended in the meantime is not.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Literal, get_args

from netcharter.rollout.reading import Fields
from netcharter.steward.shapes import Report, Severity

REPEATED = timedelta(days=1)
LONGEST_SILENCE = timedelta(days=31)
MOST_ALARMS = 200
UNSTEADY = 5  # beginnings told within a day; what begins oftener is told once a day
MOST_SILENCES = 50
EVERYTHING = "all"
UNSTEADY_TEXT = (
    f"; it has begun {UNSTEADY} times within a day, and is told less often until it is steady again"
)

Kind = Literal["begins", "lasts", "ends"]


@dataclass(frozen=True, slots=True)
class Message:
    """One thing to tell. key: the matter; began: when its alarm did; at: when this was written."""

    kind: Kind
    key: str
    severity: Severity
    text: str
    began: datetime
    at: datetime


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alarm that lasts. told: when it was last told; None: not yet."""

    severity: Severity
    text: str
    mark: str
    began: datetime
    told: datetime | None


@dataclass(frozen=True, slots=True)
class Silence:
    """what: a matter, a duty (all its matters), or `all`. since: when it was asked for, where that
    is known."""

    what: str
    until: datetime
    who: str
    why: str = ""
    since: datetime | None = None

    def covers(self, key: str) -> bool:
        return self.what in (EVERYTHING, key, key.partition("/")[0])


@dataclass(frozen=True, slots=True)
class Book:
    """Alarms by matter, and silences. lately: when beginnings were told within the last day, so that
    what begins and ends again and again is not told each time."""

    alarms: Mapping[str, Alarm] = field(default_factory=dict)
    silences: tuple[Silence, ...] = ()
    lately: Mapping[str, tuple[datetime, ...]] = field(default_factory=dict)

    def silent(self, key: str) -> Silence | None:
        """The silence that covers a matter and lasts longest."""
        found = [silence for silence in self.silences if silence.covers(key)]
        return max(found, key=lambda silence: silence.until, default=None)


Turn = tuple[Book, tuple[Message, ...]]


def reported(book: Book, duty: str, reports: Iterable[Report], now: datetime) -> Turn:
    """What a duty says of all its matters; those it no longer speaks of are over."""
    said = {report.key: report for report in reports}
    alarms = dict(book.alarms)
    messages: list[Message] = []
    for key in [k for k in alarms if k.partition("/")[0] == duty and k not in said]:
        messages += _ended(book, key, alarms.pop(key), "this is no longer looked at", now)
    for key, report in said.items():
        was = alarms.get(key)
        if not report.bad:
            if was is not None:
                messages += _ended(book, key, alarms.pop(key), report.text, now)
        elif was is None or was.mark != report.mark:
            if was is not None or len(alarms) < MOST_ALARMS:
                alarms[key] = Alarm(report.severity, report.text, report.mark, now, None)
        else:
            alarms[key] = replace(was, severity=report.severity, text=report.text)
    after, told = looked(replace(book, alarms=alarms), now)
    return after, (*messages, *told)


def _ended(book: Book, key: str, alarm: Alarm, text: str, now: datetime) -> list[Message]:
    """Told if its beginning was, and nobody wants silence about it."""
    if alarm.told is None or book.silent(key) is not None:
        return []
    return [Message("ends", key, alarm.severity, text, alarm.began, now)]


def looked(book: Book, now: datetime) -> Turn:
    """What is to be told by now: what was not told yet, and what lasts since a day."""
    book = _as_of(book, now)
    alarms, lately = dict(book.alarms), dict(book.lately)
    messages = []
    for key, alarm in book.alarms.items():
        if _due(book, key, alarm) <= now:
            kind: Kind = "begins" if alarm.told is None else "lasts"
            text = alarm.text
            if kind == "begins":
                lately[key] = (*lately.get(key, ()), now)
                text += UNSTEADY_TEXT if len(lately[key]) == UNSTEADY else ""
            messages.append(Message(kind, key, alarm.severity, text, alarm.began, now))
            alarms[key] = replace(alarm, told=now)
    return replace(book, alarms=alarms, lately=lately), tuple(messages)


def _as_of(book: Book, now: datetime) -> Book:
    """Without what is over. What is later than now was written before the clock was put back; else
    an alarm would be told no more, and a silence last, until the clock is there again."""
    recent = {
        key: times
        for key, found in book.lately.items()
        if (times := tuple(when for when in found if now - REPEATED < when <= now))
    }
    alarms = {
        key: replace(
            alarm,
            began=min(alarm.began, now),
            told=None if alarm.told is None else min(alarm.told, now),
        )
        for key, alarm in book.alarms.items()
    }
    silences = (_silence_as_of(silence, now) for silence in book.silences)
    return Book(alarms, tuple(one for one in silences if one.until > now), recent)


def _silence_as_of(silence: Silence, now: datetime) -> Silence:
    """It lasts as long as was asked for."""
    if silence.since is not None and silence.since > now:
        return replace(silence, until=silence.until - (silence.since - now), since=now)
    return replace(silence, until=min(silence.until, now + LONGEST_SILENCE))


def _due(book: Book, key: str, alarm: Alarm) -> datetime:
    due = alarm.began if alarm.told is None else alarm.told + REPEATED
    often = book.lately.get(key, ())
    if alarm.told is None and len(often) >= UNSTEADY:
        due = max(due, often[-UNSTEADY] + REPEATED)
    silence = book.silent(key)
    return due if silence is None else max(due, silence.until)


def wakes(book: Book) -> datetime | None:
    """When there is something to tell next, if nothing changes."""
    return min((_due(book, key, alarm) for key, alarm in book.alarms.items()), default=None)


def silenced(book: Book, silence: Silence, now: datetime) -> Book:
    """The book with one more silence in place of one for the same matter; one that is over already
    takes it away. Raises ValueError, in words, for one that can't be."""
    if not silence.what or len(silence.what) > 200:
        raise ValueError("what is to be silent is a matter of the status, a duty, or `all`")
    if silence.until > now + LONGEST_SILENCE:
        raise ValueError(f"a silence lasts {LONGEST_SILENCE.days} days at most")
    kept = tuple(s for s in book.silences if s.what != silence.what and s.until > now)
    if silence.until <= now:
        return replace(book, silences=kept)
    if len(kept) >= MOST_SILENCES:
        raise ValueError(f"there are {MOST_SILENCES} silences already")
    return replace(book, silences=(*kept, silence))


# --- on the disk ---------------------------------------------------------------------------------


def stamp(instant: datetime) -> str:
    """An instant with its fractions, as `read` takes it back (RFC 3339)."""
    return instant.astimezone(UTC).isoformat()


def instant(found: Fields, name: str) -> datetime:
    """Raises StateBroken."""
    return _parsed(found, name, found.text(name))


def _parsed(found: Fields, name: str, text: str) -> datetime:
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise found.broken(name, "an instant") from None
    if when.tzinfo is None:
        raise found.broken(name, "an instant with its offset from UTC")
    return when.astimezone(UTC)


def written(book: Book) -> Mapping[str, object]:
    """The book as a JSON object."""
    return {
        "alarms": {
            key: {
                **asdict(alarm),
                "began": stamp(alarm.began),
                "told": None if alarm.told is None else stamp(alarm.told),
            }
            for key, alarm in book.alarms.items()
        },
        "lately": [
            {"key": key, "when": [stamp(when) for when in times]}
            for key, times in book.lately.items()
        ],
        "silences": [
            {
                **asdict(one),
                "until": stamp(one.until),
                "since": None if one.since is None else stamp(one.since),
            }
            for one in book.silences
        ],
    }


def read(found: Fields) -> Book:
    """Raises StateBroken."""
    alarms = {key: _alarm(one) for key, one in found.inside("alarms").items()}
    silences = tuple(
        Silence(
            one.text("what"),
            instant(one, "until"),
            one.text("who"),
            one.text("why"),
            one.maybe("since", partial(instant, one)),
        )
        for one in found.objects("silences")
    )
    lately = {
        one.text("key"): tuple(_parsed(one, "when", text) for text in one.texts("when"))
        for one in found.objects("lately")
    }
    return Book(alarms, silences, lately)


def _alarm(found: Fields) -> Alarm:
    return Alarm(
        found.one_of("severity", get_args(Severity)),
        found.text("text"),
        found.text("mark"),
        instant(found, "began"),
        found.maybe("told", lambda name: instant(found, name)),
    )
