"""A moment as a person says it: ``Tue 21:30``, ``2026-12-01 08:00``, ``21:30``, ``now``."""

from __future__ import annotations

import re
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})$")


class UnknownMoment(ValueError):
    """The text is no moment; the message says what to write."""


def parse_moment(text: str, zone: ZoneInfo, now: datetime) -> datetime:
    """The next such moment from `now` on (aware), read as wall-clock time in `zone`."""
    words = text.strip().lower().split()
    local = now.astimezone(zone)
    if words in ([], ["now"]):
        return now
    try:
        given = datetime.fromisoformat(text.strip())
    except ValueError:
        return _spoken(words, text, zone, local)
    return given if given.tzinfo else given.replace(tzinfo=zone)


def _spoken(words: list[str], text: str, zone: ZoneInfo, local: datetime) -> datetime:
    clock = _CLOCK.match(words[-1])
    day = words[0][:3] if len(words) == 2 else None
    known = day is None or (day in DAYS and _DAY_NAMES[day].startswith(words[0]))
    if clock is None or len(words) > 2 or not known:
        raise UnknownMoment(
            f"'{text}' is no moment I know: write 'Tue 21:30' or '2026-12-01 21:30'"
        )
    hour, minute = int(clock[1]), int(clock[2])
    if hour > 23 or minute > 59:
        raise UnknownMoment(f"'{words[-1]}' is no time of day: write 00:00 to 23:59")
    ahead = 0 if day is None else (DAYS.index(day) - local.weekday()) % 7
    for days in (ahead, ahead + (1 if day is None else 7)):
        date = local.date() + timedelta(days=days)
        moment = datetime.combine(date, time(hour, minute), zone)
        if moment >= local:
            return moment
    return moment


_DAY_NAMES = {
    "mon": "monday",
    "tue": "tuesday",
    "wed": "wednesday",
    "thu": "thursday",
    "fri": "friday",
    "sat": "saturday",
    "sun": "sunday",
}
