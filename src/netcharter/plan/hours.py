"""When hours are open, when they change, and every combination of them that ever occurs.

Hours are local wall-clock time (`docs/explanation/model.md`, section 7), so what is true at an
instant depends on nothing but the local reading of the clock. Between two changes of the zone's
offset from UTC the reading runs evenly; everything here works on such stretches and shifts them,
so that skipped and repeated hours need no cases of their own.

Instants are aware datetimes in UTC.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cached_property, lru_cache
from itertools import groupby, pairwise
from operator import itemgetter
from zoneinfo import ZoneInfo

from netcharter.charter.model import Hours, Window
from netcharter.plan.shapes import When

_DAY = timedelta(days=1)
_WEEK = timedelta(days=7)
_TICK = timedelta(microseconds=1)
_SECOND = timedelta(seconds=1)
_NONE = timedelta(0)
_MIDNIGHT = time()
_MOST = 8  # days that a stretch lasts at most: a little more than a week
_LAST = datetime(9999, 12, 1, tzinfo=UTC)  # arithmetic with dates ends soon after
_TABLES_END = datetime(2088, 1, 1, tzinfo=UTC)  # the last year that tz data lists one by one
_YEARS_OF_EVERY_KIND = 40 * 366 * _DAY  # each weekday as its first day, leap year or not

Span = tuple[datetime, datetime]  # from, before
Stretch = tuple[datetime, datetime, tuple[timedelta, ...]]  # and the offset of each zone


def is_open(hours: Hours, zone: ZoneInfo, instant: datetime) -> bool:
    """Is the local reading at `instant` within a window?"""
    local = instant.astimezone(zone).replace(tzinfo=None)
    midnight = datetime.combine(local.date(), _MIDNIGHT)
    return any(
        first <= local - day < last
        for day in (midnight, midnight - _DAY)
        for first, last in _spans(hours, day.date())
    )


def passed(until: date, zone: ZoneInfo, instant: datetime) -> bool:
    """Is the whole day `until` over in site time?"""
    return instant.astimezone(zone).date() > until


def flips(
    hours: Hours, zone: ZoneInfo, start: datetime, end: datetime
) -> Iterator[tuple[datetime, bool]]:
    """Every change in [start, end): the instant, and whether it is open from then on."""
    readings = _Readings({"": hours}, (), zone)
    before = is_open(hours, zone, start - _TICK)
    for first, last, (offset,) in _stretches((zone,), start, end):
        for instant, state in readings.during(first, last, offset):
            if bool(state.open) != before:
                before = bool(state.open)
                yield instant, before


def clock_changes(
    zone: ZoneInfo, start: datetime, end: datetime
) -> tuple[tuple[datetime, timedelta], ...]:
    """The offset from UTC at `start`, and every other one from the instant it holds, before `end`."""
    found: list[tuple[datetime, timedelta]] = []
    for first, _, (offset,) in _stretches((zone,), start, end):
        if not found or found[-1][1] != offset:
            found.append((first, offset))
    return tuple(found)


def clocks_part(
    one: Sequence[tuple[datetime, timedelta]], other: Sequence[tuple[datetime, timedelta]]
) -> tuple[datetime, timedelta, timedelta] | None:
    """The first instant at which two clocks, as `clock_changes` tells them from the same `start`,
    show different times, with the offset of each; None where they never do."""
    for instant in sorted({at for at, _ in (*one, *other)}):
        mine, theirs = (
            next(offset for at, offset in reversed(told) if at <= instant) for told in (one, other)
        )
        if mine != theirs:
            return instant, mine, theirs
    return None


@dataclass(frozen=True, slots=True)
class TimeClass:
    """All instants at which the same hours are open and the same `until` days have passed."""

    number: int  # from 0, the class of the present moment, in the order of `earliest`
    earliest: datetime
    open: frozenset[str]
    passed: frozenset[tuple[date, ZoneInfo]]


def time_classes(
    hours: Mapping[str, tuple[Hours, ZoneInfo]],
    untils: Iterable[tuple[date, ZoneInfo]],
    now: datetime,
) -> tuple[TimeClass, ...]:
    """Every combination of open hours and passed days that occurs from `now` on.

    Complete because only these instants can bring a combination that was not there before:

    * those near a special day, which is one with a dated exception, the day after it (a window
      may reach into it), the first day of a term, the day after its last, and the day after an
      `until` date. They are all visited;
    * between special days everything is weekly. A week in which no clock changes shows all that
      can occur while the clocks of the zones differ by as much as they do in that week. (With
      one zone that is one week, and a clock change then shows nothing new: it skips or repeats
      readings.) With several zones, each difference is visited when it first occurs, up to a
      horizon beyond which their rules and the calendar only repeat.
    """
    ending = tuple(dict.fromkeys(untils))
    zones = tuple(dict.fromkeys([z for _, z in hours.values()] + [z for _, z in ending]))
    zones = zones or (ZoneInfo("UTC"),)
    readings = [
        _Readings(
            {name: h for name, (h, z) in hours.items() if z == zone},
            tuple(day for day, z in ending if z == zone),
            zone,
        )
        for zone in zones
    ]
    found: dict[tuple[_State, ...], datetime] = {}
    for first, last, offsets in _telling(zones, _special_spans(readings, now), now):
        for instant, states in _joined(readings, first, last, offsets):
            found.setdefault(states, instant)
    return _classes(found)


def holds(when: When, at: TimeClass, zone: ZoneInfo) -> bool:
    """Is a condition of a charter in `zone` true throughout a time class?

    The class must know the hours and `until` days that the condition names.
    """
    during = when.during is None or when.during in at.open
    return during and (when.until is None or (when.until, zone) not in at.passed)


# Windows and local readings


def _spans(hours: Hours, day: date) -> Iterator[tuple[timedelta, timedelta]]:
    """The windows that start on a day, as times since its midnight."""
    for window in hours.windows(day):
        yield _span(window)


@lru_cache(maxsize=1024)
def _span(window: Window) -> tuple[timedelta, timedelta]:
    first = _since_midnight(window.start)
    last = _DAY if window.end is None else _since_midnight(window.end)
    return first, last if last > first else last + _DAY


def _since_midnight(at: time) -> timedelta:
    return timedelta(
        hours=at.hour, minutes=at.minute, seconds=at.second, microseconds=at.microsecond
    )


@dataclass(frozen=True, slots=True)
class _State:
    """What is true in one zone: its open hours, its passed days."""

    open: frozenset[str]
    passed: frozenset[tuple[date, ZoneInfo]]


_Day = tuple[tuple[timedelta, _State], ...]  # from when since midnight; the first from 0
_Gone = frozenset[tuple[date, ZoneInfo]]


class _Readings:
    """What the local readings of one zone say, day by day."""

    def __init__(
        self, hours: Mapping[str, Hours], untils: tuple[date, ...], zone: ZoneInfo
    ) -> None:
        self.hours = hours
        self.untils = untils
        self.zone = zone
        self._days: dict[tuple[date | tuple[int, tuple[bool, ...]], _Gone], _Day] = {}
        self._termed = [h for h in hours.values() if h.terms or h.outside]

    @cached_property
    def special(self) -> frozenset[date]:
        """The days that are not like every week's: see `time_classes`."""
        ends = date.max - _DAY
        dates = {d for h in self.hours.values() for d in h.dates if d < ends}
        stretches = [s for h in self._termed for t in (*h.terms, *h.outside) for s in t.stretches]
        turning = {first for first, _ in stretches if first < ends}
        turning |= {last + _DAY for _, last in stretches if last < ends}
        ending = {d + _DAY for d in self.untils if d < ends}
        return frozenset(dates | {d + _DAY for d in dates} | ending | turning)

    def day(self, day: date) -> _Day:
        gone = frozenset((until, self.zone) for until in self.untils if day > until)
        weekly = day.weekday(), tuple(h.in_term(day) for h in self._termed)
        key = (day if day in self.special else weekly, gone)
        if key not in self._days:
            self._days[key] = self._day(day, gone)
        return self._days[key]

    def _day(self, day: date, gone: _Gone) -> _Day:
        spans = [
            (name, max(first, _NONE), last)
            for name, hours in self.hours.items()
            for back, start in ((_NONE, day), (_DAY, day - _DAY))
            for first, last in ((f - back, l - back) for f, l in _spans(hours, start))
        ]
        edges = {edge for _, *ends in spans for edge in ends}
        points = sorted({_NONE} | {edge for edge in edges if _NONE < edge < _DAY})
        opened: list[list[str]] = [[] for _ in points]
        for name, first, last in spans:
            for names in opened[bisect_left(points, first) : bisect_left(points, last)]:
                names.append(name)
        out: list[tuple[timedelta, _State]] = []
        for at, names in zip(points, opened, strict=True):
            state = _State(frozenset(names), gone)
            if not out or out[-1][1] != state:
                out.append((at, state))
        return tuple(out)

    def during(
        self, first: datetime, last: datetime, offset: timedelta
    ) -> Iterator[tuple[datetime, _State]]:
        """The states of [first, last), all at one offset, each with its first instant."""
        local, end = first + offset, last + offset  # readings, as if they were in UTC
        midnight = datetime.combine(local.date(), _MIDNIGHT, UTC)
        while midnight < end:
            states = self.day(midnight.date())
            for (since, state), (ending, _) in pairwise((*states, (_DAY, None))):
                begins = max(midnight + since, local)
                if begins < min(midnight + ending, end) and state is not None:
                    yield begins - offset, state
            midnight += _DAY


# Which instants tell everything


def _special_spans(readings: Iterable[_Readings], now: datetime) -> list[Span]:
    """The instants that can belong to a special day somewhere, as disjoint spans in order."""
    days = sorted({day for one in readings for day in one.special})
    out: list[Span] = []
    for day in days:
        if not now.date() - 3 * _DAY < day < _LAST.date():
            continue
        midnight = datetime.combine(day, _MIDNIGHT, UTC)
        first, last = max(now, midnight - _DAY), midnight + 2 * _DAY  # no offset reaches a day
        if last <= now:
            continue
        if out and first <= out[-1][1]:
            out[-1] = out[-1][0], last
        else:
            out.append((first, last))
    return out


def _telling(zones: tuple[ZoneInfo, ...], special: list[Span], now: datetime) -> Iterator[Stretch]:
    at = now
    for first, last in special:
        yield from _weekly(zones, at, first)
        yield from _stretches(zones, first, last)
        at = last
    yield from _weekly(zones, at, min(_LAST, max(at, _TABLES_END) + _YEARS_OF_EVERY_KIND))


def _weekly(zones: tuple[ZoneInfo, ...], start: datetime, end: datetime) -> Iterator[Stretch]:
    """From a time without special days, enough to show all that occurs in it."""
    shown: set[tuple[timedelta, ...]] = set()
    for first, last, offsets in _stretches(zones, start, end):
        differences = tuple(offset - offsets[0] for offset in offsets)
        if differences not in shown:
            yield first, min(last, first + _WEEK), offsets
            if last - first >= _WEEK:
                shown.add(differences)
        if shown and len(zones) == 1:
            return


def _stretches(zones: tuple[ZoneInfo, ...], start: datetime, end: datetime) -> Iterator[Stretch]:
    """[start, end) in pieces of at most some days in which no clock changes, in order."""
    while start < end:
        offsets = _offsets(zones, start)
        last = start
        while last < end and last - start < _MOST * _DAY:
            ahead = min(last + _DAY, end)
            if _offsets(zones, ahead) != offsets:
                last = _change(zones, last, ahead)
                break
            last = ahead
        yield start, last, offsets
        start = last


def _offsets(zones: tuple[ZoneInfo, ...], instant: datetime) -> tuple[timedelta, ...]:
    return tuple(instant.astimezone(zone).utcoffset() or _NONE for zone in zones)


def _change(zones: tuple[ZoneInfo, ...], low: datetime, high: datetime) -> datetime:
    """The instant in (low, high] at which a clock changes: always a whole second."""
    before = _offsets(zones, low)
    base = low.replace(microsecond=0)
    same, changed = 0, -((base - high) // _SECOND)
    while changed - same > 1:
        middle = (same + changed) // 2
        if _offsets(zones, base + middle * _SECOND) == before:
            same = middle
        else:
            changed = middle
    return base + changed * _SECOND


def _joined(
    readings: list[_Readings], first: datetime, last: datetime, offsets: tuple[timedelta, ...]
) -> Iterator[tuple[datetime, tuple[_State, ...]]]:
    """The states of all zones together over a stretch, each with its first instant."""
    if len(readings) == 1:
        for instant, state in readings[0].during(first, last, offsets[0]):
            yield instant, (state,)
        return
    events = [
        (instant, index, state)
        for index, (one, offset) in enumerate(zip(readings, offsets, strict=True))
        for instant, state in one.during(first, last, offset)
    ]
    events.sort(key=itemgetter(0, 1))
    current: dict[int, _State] = {}
    for instant, together in groupby(events, key=itemgetter(0)):
        current.update({index: state for _, index, state in together})
        yield instant, tuple(current[index] for index in range(len(readings)))


def _classes(found: Mapping[tuple[_State, ...], datetime]) -> tuple[TimeClass, ...]:
    return tuple(
        TimeClass(
            number,
            earliest,
            frozenset().union(*(state.open for state in states)),
            frozenset().union(*(state.passed for state in states)),
        )
        for number, (states, earliest) in enumerate(found.items())
    )
