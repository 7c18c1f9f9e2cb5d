"""Messages on their way: each stays until its channel took it, or it is of no use any more."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from typing import get_args

from netcharter.rollout.reading import Fields
from netcharter.steward.alarms import Kind, Message, instant, stamp
from netcharter.steward.shapes import Severity

MOST = 500  # letters; beyond them the oldest goes
FIRST_WAIT = timedelta(seconds=30)
LONGEST_WAIT = timedelta(minutes=30)
MOST_TRIES = 102  # two days of waits; by a clock that is set, a message would be old at once


@dataclass(frozen=True, slots=True)
class Letter:
    """A message for one channel. tries: in vain so far; due: when it is tried next; taken: those of
    its addresses that have it already."""

    channel: str
    message: Message
    tries: int
    due: datetime
    taken: tuple[str, ...] = ()


Outbox = tuple[Letter, ...]


def posted(box: Outbox, messages: Iterable[Message], channels: Iterable[str]) -> Outbox:
    """One letter for each channel and message; the oldest go where there are too many."""
    names = tuple(channels)
    added = [Letter(name, one, 0, one.at) for one in messages for name in names]
    return (*box, *added)[-MOST:]


def ready(box: Outbox, now: datetime) -> tuple[Letter, ...]:
    """What is to be tried now, in order; for each channel the first only, so that order stays."""
    first: dict[str, Letter] = {}
    for letter in box:
        first.setdefault(letter.channel, letter)
    return tuple(letter for letter in first.values() if _reached(letter, now))


def _reached(letter: Letter, now: datetime) -> bool:
    """Due, or due later than any wait lasts: then the clock was put back meanwhile."""
    return letter.due <= now or letter.due - now > LONGEST_WAIT


def sent(box: Outbox, letter: Letter) -> Outbox:
    """Without the letter that was taken."""
    return tuple(one for one in box if one is not letter)


def failed(box: Outbox, letter: Letter, now: datetime, taken: Iterable[str] = ()) -> Outbox:
    """The letter waits longer each time, for those addresses that have not taken it; one that was
    tried for two days is of no use any more, and goes."""
    if letter.tries + 1 >= MOST_TRIES:
        return sent(box, letter)
    wait = min(FIRST_WAIT * 2 ** min(letter.tries, 10), LONGEST_WAIT)
    have = tuple(dict.fromkeys((*letter.taken, *taken)))
    later = replace(letter, tries=letter.tries + 1, due=now + wait, taken=have)
    return tuple(later if one is letter else one for one in box)


def without(box: Outbox, channels: Iterable[str]) -> Outbox:
    """What is for channels that there still are."""
    names = frozenset(channels)
    return tuple(letter for letter in box if letter.channel in names)


def wakes(box: Outbox) -> datetime | None:
    """When something is to be tried next."""
    first: dict[str, datetime] = {}
    for letter in box:
        first.setdefault(letter.channel, letter.due)
    return min(first.values(), default=None)


def written(box: Outbox) -> Mapping[str, object]:
    """The outbox as a JSON object."""
    return {
        "letters": [
            {
                "channel": one.channel,
                "tries": one.tries,
                "due": stamp(one.due),
                "taken": list(one.taken),
                **asdict(one.message),
                "began": stamp(one.message.began),
                "at": stamp(one.message.at),
            }
            for one in box
        ]
    }


def read(found: Fields) -> Outbox:
    """Raises StateBroken."""
    return tuple(map(_letter, found.objects("letters")))


def _letter(found: Fields) -> Letter:
    due = instant(found, "due")
    taken = found.maybe("taken", found.texts) or ()
    return Letter(found.text("channel"), _message(found), found.whole("tries"), due, taken)


def _message(found: Fields) -> Message:
    return Message(
        found.one_of("kind", get_args(Kind)),
        found.text("key"),
        found.one_of("severity", get_args(Severity)),
        found.text("text"),
        instant(found, "began"),
        instant(found, "at"),
    )
