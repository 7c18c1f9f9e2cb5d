"""A moment as a person says it: ``Tue 21:30``, ``2026-12-01 08:00``, ``21:30``, ``now``."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
FIRST_YEAR, LAST_YEAR = 1971, 2199  # time zones are not known much further
LONGEST = 15  # days; a weekday's reading that is skipped once is there the week after
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})$")


class UnknownMoment(ValueError):
    """The text is no moment; `instead` says what to write."""

    def __init__(self, message: str, instead: str) -> None:
        super().__init__(message)
        self.instead = instead


def parse_moment(text: str, zone: ZoneInfo, now: datetime) -> datetime:
    """The next such moment from `now` on (UTC unless the text says otherwise), in `zone`'s clocks.

    A reading that the clocks skip in spring is no moment; of one that they repeat in autumn, the
    first that is not past is meant.
    """
    words = text.strip().lower().split()
    if words in ([], ["now"]):
        return now
    try:
        given = datetime.fromisoformat(text.strip())
    except ValueError:
        return _spoken(words, text, zone, now)
    if not FIRST_YEAR <= given.year <= LAST_YEAR:
        raise UnknownMoment(
            f"'{text.strip()}' lies beyond what can be judged",
            f"write a year from {FIRST_YEAR} to {LAST_YEAR}",
        )
    if given.tzinfo:
        return given
    found = list(_readings(given, zone))
    if not found:
        raise UnknownMoment(f"'{text}' never is, the clocks skip it", "write an hour later")
    return next((moment for moment in found if moment >= now), found[0])


def _readings(wall: datetime, zone: ZoneInfo) -> Iterator[datetime]:
    """The instants (UTC) at which the clocks of a zone show `wall`: one, two, or none."""
    for fold in (0, 1):
        instant = wall.replace(tzinfo=zone, fold=fold).astimezone(UTC)
        shown = instant.astimezone(zone)
        if shown.replace(tzinfo=None, fold=0) == wall.replace(fold=0) and shown.fold == fold:
            yield instant


def _spoken(words: list[str], text: str, zone: ZoneInfo, now: datetime) -> datetime:
    clock = _CLOCK.match(words[-1])
    day = words[0][:3] if len(words) == 2 else None
    known = day is None or (day in DAYS and _DAY_NAMES[day].startswith(words[0]))
    if clock is None or len(words) > 2 or not known:
        raise UnknownMoment(
            f"'{text}' is no moment I know", "write 'Tue 21:30' or '2026-12-01 21:30'"
        )
    hour, minute = int(clock[1]), int(clock[2])
    if hour > 23 or minute > 59:
        raise UnknownMoment(f"'{words[-1]}' is no time of day", "write 00:00 to 23:59")
    today = now.astimezone(zone).date()
    for days in range(LONGEST):
        date = today + timedelta(days=days)
        if day is None or date.weekday() == DAYS.index(day):
            for moment in _readings(datetime.combine(date, time(hour, minute)), zone):
                if moment >= now:
                    return moment
    raise UnknownMoment(
        f"'{text}' does not come in the next {LONGEST} days", "write the date with it"
    )


_DAY_NAMES = {
    "mon": "monday",
    "tue": "tuesday",
    "wed": "wednesday",
    "thu": "thursday",
    "fri": "friday",
    "sat": "saturday",
    "sun": "sunday",
}
