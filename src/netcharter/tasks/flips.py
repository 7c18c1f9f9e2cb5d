"""`show --hours`: every instant of a year at which hours begin or end."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from netcharter.diagnostics.escape import terminal
from netcharter.plan.hours import clock_changes, flips, is_open
from netcharter.plan.shapes import Hours, Plan
from netcharter.tasks.judged_from import judged_from
from netcharter.tasks.show import term_shown, term_words
from netcharter.tasks.sources import Source, usable_plan
from netcharter.tasks.zones import data_in_use

YEAR = timedelta(days=366)


@dataclass(frozen=True, slots=True)
class Flips:
    """One name of the hours: whether they are open at first, and each change with its instant."""

    hours: Hours
    open: bool
    changes: tuple[tuple[datetime, bool], ...]

    @property
    def name(self) -> str:
        return self.hours.name


@dataclass(frozen=True, slots=True)
class HoursShown:
    """From `begin`, before `end` (UTC). clock: the zone's offset at first, and each other one."""

    site: str
    zone: ZoneInfo
    data: str
    begin: datetime
    end: datetime
    clock: tuple[tuple[datetime, timedelta], ...]
    hours: tuple[Flips, ...]

    def as_json(self) -> dict[str, Any]:
        """As the page on JSON says under `show`."""
        return {
            "ok": True,
            "site": self.site,
            "timezone": self.zone.key,
            "zone_data": self.data,
            "from": _utc(self.begin),
            "until": _utc(self.end),
            "clock_changes": [_utc(instant) for instant, _ in self.clock[1:]],
            "hours": [
                {
                    "name": one.name,
                    "open": one.open,
                    "terms": [term_shown(term) for term in one.hours.terms],
                    "outside": [term_shown(term) for term in one.hours.outside],
                    "flips": [
                        {"at": _utc(at), "local": self._local(at), "open": state}
                        for at, state in one.changes
                    ],
                }
                for one in self.hours
            ],
        }

    def text(self) -> str:
        """For a terminal."""
        return "".join(f"{terminal(line)}\n" for line in self._lines())

    def _lines(self) -> Iterator[str]:
        yield f"{self.site}: hours from {self._told(self.begin)} for a year"
        yield f"time zone {self.zone.key}, by the time zone data {self.data}"
        yield from (f"the clocks change: {self._told(at)}" for at, _ in self.clock[1:])
        for one in self.hours:
            yield ""
            yield f"{one.name}: {'open' if one.open else 'closed'} at first"
            yield from (f"  {words}" for words in term_words(one.hours))
            for at, state in one.changes:
                yield f"  {self._told(at)}  {_utc(at)}  {'opens' if state else 'closes'}"
            if not one.changes:
                yield "  no change within the year"
        if not self.hours:
            yield "the charter has no hours"

    def _told(self, at: datetime) -> str:
        """With the offset: in autumn a reading comes twice."""
        return at.astimezone(self.zone).strftime("%a %d %b %Y %H:%M %z")

    def _local(self, at: datetime) -> str:
        return at.astimezone(self.zone).isoformat(timespec="seconds")


def show_hours(source: Source, now: datetime, as_of: str | None = None) -> HoursShown:
    """From now (aware) on, or as of another date or moment. Raises Unusable."""
    plan = usable_plan(source).plan
    return flips_of(plan, judged_from(now, as_of, plan.timezone))


def flips_of(plan: Plan, begin: datetime) -> HoursShown:
    """The changes of a year from `begin` (aware)."""
    begin = begin.astimezone(UTC)
    zone, end = ZoneInfo(plan.timezone), begin + YEAR
    found = tuple(
        Flips(one, is_open(one, zone, begin), tuple(flips(one, zone, begin + _INSTANT, end)))
        for one in plan.hours.values()
    )
    clock = clock_changes(zone, begin, end)
    return HoursShown(plan.site, zone, data_in_use(), begin, end, clock, found)


_INSTANT = timedelta(microseconds=1)  # what changes at the first instant is how it is at first


def _utc(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
