"""Hours against the calendar, minute by minute, in zones whose clocks change in awkward ways."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcharter.charter.model import Hours, Term
from netcharter.plan.hours import TimeClass, flips, holds, is_open, passed, time_classes
from netcharter.plan.shapes import When
from tests.plan.building import hours, term

LONG = os.environ.get("NETCHARTER_LONG") == "1"
MINUTE = timedelta(minutes=1)
DAY = timedelta(days=1)
WORK = hours(
    {0: "08:30-17:00", 1: "08:30-12:00 13:00-17:00", 2: "08:30-17:00", 3: "00:00-24:00",
     4: "22:00-02:30", 5: "00:00-00:00", 6: "23:30-00:45 12:00-12:01"}
)  # fmt: skip
NIGHTS = hours("23:45-00:15 01:15-01:45 02:10-02:20")
AUTUMN = term(
    (date(2011, 9, 5), date(2011, 12, 30)),
    (date(2026, 9, 3), date(2026, 10, 23)),
    (date(2026, 11, 2), date(2026, 12, 18)),
)
SPRING = term(
    (date(2012, 1, 9), date(2012, 3, 30)),
    (date(2026, 1, 5), date(2026, 3, 29)),
    date(2026, 4, 5),
    date(2026, 10, 25),
)
SCHOOL = hours(
    {0: "08:30-15:00", 1: "08:30-15:00", 4: "22:00-02:30", 6: "22:15-03:15"},
    {date(2026, 10, 23): "20:00-03:00", date(2026, 12, 24): "09:00-10:00", date(2026, 9, 7): ""},
    terms=(AUTUMN, SPRING),
)
FREE = hours("10:00-12:00 23:30-01:45", {date(2026, 12, 25): ""}, outside=(AUTUMN, SPRING))
HALVES = hours("21:00-06:00", {}, terms=(AUTUMN,), outside=(term(date(2026, 9, 30)),))
ZONES = {  # a year that has what is awkward about the zone
    "Europe/London": date(2026, 1, 1),
    "Australia/Lord_Howe": date(2026, 1, 1),  # half an hour
    "America/Santiago": date(2026, 1, 1),  # at midnight
    "Africa/Cairo": date(2026, 1, 1),  # at midnight
    "Pacific/Apia": date(2011, 7, 1),  # without a 30 December
}
if LONG:
    ZONES |= dict.fromkeys(
        ("Europe/Berlin", "America/New_York", "America/Winnipeg"), date(2026, 1, 1)
    )


@cache
def days_of(one: Term) -> frozenset[date]:
    """Every single day of a term."""
    return frozenset(
        first + n * DAY for first, last in one.stretches for n in range((last - first).days + 1)
    )


def painted(kept: Hours, first: date, last: date) -> dict[date, bytearray]:
    """The open minutes of a calendar on which every window has been painted, a day at a time."""
    calendar = {first + n * DAY: bytearray(1440) for n in range(-2, (last - first).days + 3)}
    for day in calendar:
        weekly = kept.weekly[day.weekday()]
        if kept.terms and not any(day in days_of(one) for one in kept.terms):
            weekly = ()
        if any(day in days_of(one) for one in kept.outside):
            weekly = ()
        for window in kept.dates.get(day, weekly):
            start = window.start.hour * 60 + window.start.minute
            end = 1440 if window.end is None else window.end.hour * 60 + window.end.minute
            end += 1440 if end <= start else 0
            for minute in range(start, end):
                target = day + minute // 1440 * DAY
                if target in calendar:
                    calendar[target][minute % 1440] = 1
    return calendar


@cache
def readings(zone: str, first: date, days: int) -> tuple[tuple[datetime, date, int], ...]:
    """Every minute of a period: the instant, and the local date and minute of the day."""
    start = datetime(first.year, first.month, first.day, tzinfo=UTC)
    out = []
    for n in range(days * 1440):
        local = (start + n * MINUTE).astimezone(ZoneInfo(zone))
        out.append((start + n * MINUTE, local.date(), local.hour * 60 + local.minute))
    return tuple(out)


def truth(kept: Hours, zone: str, first: date, days: int) -> Iterator[tuple[datetime, bool]]:
    calendar = painted(kept, first, first + days * DAY)
    for instant, day, minute in readings(zone, first, days):
        yield instant, bool(calendar[day][minute])


EVERY_KIND = {"work": WORK, "nights": NIGHTS, "school": SCHOOL, "free": FREE, "halves": HALVES}
# The dates at which clocks change are those of the tz database, computed for each zone (IANA tz
# 2026f); the whole is tried by NETCHARTER_LONG, as a rule every zone with one or two kinds.
PAIRS = [
    (zone, kind)
    for n, zone in enumerate(ZONES)
    for m, kind in enumerate(EVERY_KIND)
    if LONG or (n + m) % len(EVERY_KIND) in (0, 2)
]


@pytest.mark.parametrize(("zone", "kind"), PAIRS)
def test_every_change_of_a_year_is_found_and_no_other(kind: str, zone: str) -> None:
    kept = EVERY_KIND[kind]
    expected = []
    before: bool | None = None
    for instant, opened in truth(kept, zone, ZONES[zone], 366):
        if before is not None and opened != before:
            expected.append((instant, opened))
        before = opened
    start = readings(zone, ZONES[zone], 366)[0][0]
    found = list(flips(kept, ZoneInfo(zone), start + MINUTE, start + 366 * DAY))
    assert found == expected
    assert len(expected) > (100 if kept.terms else 500)


@pytest.mark.parametrize("zone", ZONES)
def test_what_is_open_is_right_on_every_minute_around_each_clock_change(zone: str) -> None:
    whole = readings(zone, ZONES[zone], 366)
    where = ZoneInfo(zone)
    changing = {
        whole[n][0].date() + back * DAY
        for n in range(0, len(whole) - 1440, 1440)
        for back in (-1, 0, 1, 2)
        if whole[n][0].astimezone(where).utcoffset()
        != whole[n + 1440][0].astimezone(where).utcoffset()
    }
    assert len(changing) >= 4
    for kept in (WORK, SCHOOL, FREE) if not LONG else EVERY_KIND.values():
        for instant, opened in truth(kept, zone, ZONES[zone], 366):
            if LONG or instant.date() in changing or instant.minute % 41 == 0:
                assert is_open(kept, where, instant) == opened


@pytest.mark.parametrize(
    ("zone", "gap"),
    [
        ("Europe/London", "2026-03-29 01:30"),
        ("Europe/Berlin", "2026-03-29 02:30"),
        ("America/New_York", "2026-03-08 02:30"),
        ("Australia/Lord_Howe", "2026-10-04 02:15"),
        ("America/Santiago", "2026-09-06 00:30"),
        ("Africa/Cairo", "2026-04-24 00:30"),
        ("Pacific/Apia", "2011-12-30 12:00"),
    ],
)
def test_a_reading_that_is_skipped_is_never_within_hours(zone: str, gap: str) -> None:
    """The gaps, computed with the time zone database of 2026."""
    at = datetime.fromisoformat(gap)
    end = at + 5 * MINUTE
    only = hours({}, {at.date(): f"{at:%H:%M}-{end:%H:%M}"})
    around = datetime(at.year, at.month, at.day, tzinfo=UTC)
    assert list(flips(only, ZoneInfo(zone), around - 3 * DAY, around + 3 * DAY)) == []
    classes = time_classes({"h": (only, ZoneInfo(zone))}, [], around - 9 * DAY)
    assert [c.open for c in classes] == [frozenset()]


@pytest.mark.parametrize(
    ("zone", "fold"),
    [
        ("Europe/London", "2026-10-25 01:30"),
        ("Europe/Berlin", "2026-10-25 02:30"),
        ("America/New_York", "2026-11-01 01:30"),
        ("Australia/Lord_Howe", "2026-04-05 01:45"),
        ("America/Santiago", "2026-04-04 23:30"),
    ],
)
def test_a_reading_that_is_repeated_is_within_hours_both_times(zone: str, fold: str) -> None:
    """The repeated readings, computed with the time zone database of 2026."""
    at = datetime.fromisoformat(fold)
    only = hours({}, {at.date(): f"{at:%H:%M}-{at + 5 * MINUTE:%H:%M}"})
    around = datetime(at.year, at.month, at.day, tzinfo=UTC)
    found = list(flips(only, ZoneInfo(zone), around - 3 * DAY, around + 3 * DAY))
    assert [opened for _, opened in found] == [True, False, True, False]
    between = found[2][0] - found[0][0]
    assert between == timedelta(minutes=30 if "Lord_Howe" in zone else 60)


@pytest.mark.parametrize(
    ("day", "length"), [("2026-03-29", 23), ("2026-10-25", 25), ("2026-10-24", 24)]
)
def test_a_whole_day_lasts_as_long_as_it_does(day: str, length: int) -> None:
    """London's days of 23 and 25 hours in 2026."""
    at = date.fromisoformat(day)
    only = hours({}, {at: "00:00-24:00"})
    start = datetime(at.year, at.month, at.day, tzinfo=UTC) - 2 * DAY
    opened, closed = (t for t, _ in flips(only, ZoneInfo("Europe/London"), start, start + 5 * DAY))
    assert closed - opened == timedelta(hours=length)


def test_a_window_over_midnight_belongs_to_the_day_it_starts() -> None:
    friday = hours({4: "22:00-02:00"}, {date(2026, 7, 10): ""})
    london = ZoneInfo("Europe/London")
    assert is_open(friday, london, datetime(2026, 7, 4, 0, 30, tzinfo=UTC))  # Saturday 01:30
    assert not is_open(friday, london, datetime(2026, 7, 4, 1, 0, tzinfo=UTC))
    assert not is_open(friday, london, datetime(2026, 7, 11, 0, 30, tzinfo=UTC))
    saturday = hours({4: "22:00-02:00"}, {date(2026, 7, 11): "12:00-13:00"})
    assert is_open(saturday, london, datetime(2026, 7, 11, 0, 30, tzinfo=UTC))


def test_until_includes_its_whole_day_in_site_time() -> None:
    day, kathmandu = date(2026, 7, 4), ZoneInfo("Asia/Kathmandu")  # UTC+05:45
    last = datetime(2026, 7, 4, 18, 14, 59, tzinfo=UTC)
    assert not passed(day, kathmandu, last)
    assert passed(day, kathmandu, last + timedelta(seconds=1))
    assert not passed(date.max, kathmandu, last)


def test_a_change_on_the_last_instant_belongs_to_the_next_period() -> None:
    noon = hours("12:00-13:00")
    at = datetime(2026, 7, 4, 12, tzinfo=UTC)
    utc = ZoneInfo("UTC")
    assert list(flips(noon, utc, at - MINUTE, at)) == []
    assert list(flips(noon, utc, at, at + MINUTE)) == [(at, True)]
    assert list(flips(noon, utc, at + timedelta(microseconds=1), at + MINUTE)) == []
    assert list(flips(noon, utc, at, at)) == []


# Every combination that ever occurs


Vector = tuple[frozenset[str], frozenset[tuple[date, ZoneInfo]]]


def brute_classes(
    kept: Mapping[str, tuple[Hours, str]],
    untils: list[tuple[date, str]],
    first: date,
    days: int,
    skip: int = 0,
) -> dict[Vector, datetime]:
    """Each combination of a period with its earliest instant, from minute `skip` on.

    All windows and clock changes here fall on minutes that five divides.
    """
    calendars = {n: painted(h, first, first + days * DAY) for n, (h, _) in kept.items()}
    zones = dict.fromkeys([z for _, z in kept.values()] + [z for _, z in untils])
    rows = {z: readings(z, first, days) for z in zones}
    out: dict[Vector, datetime] = {}
    for n in (skip, *range(-(-skip // 5) * 5, days * 1440, 5)):
        opened = [k for k, (_, z) in kept.items() if calendars[k][rows[z][n][1]][rows[z][n][2]]]
        gone = [(u, ZoneInfo(z)) for u, z in untils if rows[z][n][1] > u]
        instant = next(iter(rows.values()))[n][0]
        out.setdefault((frozenset(opened), frozenset(gone)), instant)
    return out


def as_dict(classes: tuple[TimeClass, ...]) -> dict[Vector, datetime]:
    assert [c.number for c in classes] == list(range(len(classes)))
    return {(c.open, c.passed): c.earliest for c in classes}


def our_classes(
    kept: Mapping[str, tuple[Hours, str]], untils: list[tuple[date, str]], now: datetime
) -> dict[Vector, datetime]:
    return as_dict(
        time_classes(
            {n: (h, ZoneInfo(z)) for n, (h, z) in kept.items()},
            [(u, ZoneInfo(z)) for u, z in untils],
            now,
        )
    )


SEVERAL = {
    "work": hours(
        {0: "08:30-17:00", 4: "22:00-02:30", 6: "01:10-01:20"},
        {date(2026, 3, 29): "00:30-01:30", date(2026, 4, 24): "00:10-00:40 23:00-00:30"},
    ),
    "nights": hours(
        "23:45-00:15 02:10-02:20", {date(2026, 3, 28): "", date(2026, 10, 24): "20:00-03:00"}
    ),
    "late": hours({2: "16:00-24:00"}, {date(2026, 8, 12): "", date(2026, 8, 19): "00:00-24:00"}),
    "school": SCHOOL,
    "free": FREE,
}


@pytest.mark.parametrize(
    "zone", ["Europe/London", "Australia/Lord_Howe", "America/Santiago", "Africa/Cairo"]
)
@pytest.mark.parametrize("skip", [0, 86 * 1440 + 17])
def test_the_time_classes_of_a_site_are_those_of_its_next_year(zone: str, skip: int) -> None:
    """All exceptions and ends lie in the year that is tried out minute by minute."""
    kept = {name: (h, zone) for name, h in SEVERAL.items()}
    untils = [(date(2026, 4, 23), zone), (date(2026, 10, 25), zone), (date(2025, 12, 24), zone)]
    now = datetime(2026, 1, 1, tzinfo=UTC) + skip * MINUTE
    ours = our_classes(kept, untils, now)
    assert ours == brute_classes(kept, untils, date(2026, 1, 1), 366, skip)
    assert next(iter(ours.values())) == now
    assert list(ours.values()) == sorted(ours.values())


def test_the_time_classes_over_a_day_that_does_not_exist() -> None:
    kept = {
        "gone": (hours({}, {date(2011, 12, 30): "10:00-11:00 23:00-01:00"}), "Pacific/Apia"),
        "fridays": (hours({4: "09:00-10:00", 3: "23:30-00:30"}), "Pacific/Apia"),
    }
    untils = [(date(2011, 12, 29), "Pacific/Apia"), (date(2011, 12, 30), "Pacific/Apia")]
    ours = our_classes(kept, untils, datetime(2011, 12, 20, tzinfo=UTC))
    assert ours == brute_classes(kept, untils, date(2011, 12, 20), 60)
    assert not any(
        len(gone) == 1 for _, gone in ours
    )  # both days end together, since there is no 30 December


def test_two_charters_in_different_zones_meet_in_every_difference_of_their_clocks() -> None:
    """London and New York are five hours apart, and four for some weeks a year."""
    kept = {
        "early": (hours("07:00-08:00"), "America/New_York"),
        "noon": (hours("11:20-11:40"), "Europe/London"),
        "mine": (hours({0: "12:10-12:30"}), "Europe/London"),
    }
    untils = [(date(2026, 2, 1), "Europe/London"), (date(2026, 2, 1), "America/New_York")]
    ours = our_classes(kept, untils, datetime(2026, 1, 1, tzinfo=UTC))
    assert ours == brute_classes(kept, untils, date(2026, 1, 1), 366)
    together = {o for o, _ in ours}
    assert {frozenset({"early", "noon"}), frozenset({"early", "mine"})} <= together


def test_the_horizon_for_several_zones_holds_a_year_of_every_kind() -> None:
    """Rules that name a weekday repeat with the weekday of 1 January and the leap day."""
    kinds = {
        (date(y, 1, 1).weekday(), date(y, 12, 31).timetuple().tm_yday) for y in range(2088, 2128)
    }
    assert len(kinds) == 14


DAYS = st.dates(date(2026, 3, 20), date(2026, 4, 12))
TIMES = st.builds(
    lambda a, b: f"{a // 60:02}:{a % 60:02}-{b // 60:02}:{b % 60:02}",
    st.integers(0, 143).map(lambda n: 10 * n),
    st.integers(0, 143).map(lambda n: 10 * n),
)
WINDOWS = st.lists(TIMES, max_size=2).map(" ".join)
STRETCHES = st.tuples(DAYS, st.integers(0, 9)).map(lambda d: term((d[0], d[0] + d[1] * DAY)))
ANY_HOURS = st.builds(
    hours,
    st.dictionaries(st.integers(0, 6), WINDOWS, max_size=4),
    st.dictionaries(DAYS, WINDOWS, max_size=3),
    terms=st.lists(STRETCHES, max_size=2),
    outside=st.lists(STRETCHES, max_size=1),
)


@settings(max_examples=60)
@given(
    st.lists(ANY_HOURS, min_size=1, max_size=3),
    st.lists(DAYS, max_size=2),
    st.sampled_from(["Europe/London", "Australia/Lord_Howe", "Africa/Casablanca", "UTC"]),
    st.integers(0, 30 * 1440),
)
def test_random_hours_around_a_clock_change(
    several: list[Hours], ends: list[date], zone: str, skip: int
) -> None:
    kept = {f"h{n}": (h, zone) for n, h in enumerate(several)}
    untils = [(day, zone) for day in ends]
    first = date(2026, 3, 10)
    now = datetime(2026, 3, 10, tzinfo=UTC) + skip * MINUTE
    ours = our_classes(kept, untils, now)
    assert ours == brute_classes(kept, untils, first, 62, skip)


def test_an_exception_years_ahead_is_met_on_its_day() -> None:
    london = ZoneInfo("Europe/London")
    far = hours({}, {date(2061, 7, 1): "09:00-10:00", date(9999, 12, 31): "09:00-10:00"})
    classes = time_classes(
        {"h": (far, london)},
        [(date(2040, 2, 29), london), (date.max, london)],
        datetime(2026, 11, 25, 8, 0, 30, tzinfo=UTC),
    )
    assert [(c.earliest, len(c.open), len(c.passed)) for c in classes] == [
        (datetime(2026, 11, 25, 8, 0, 30, tzinfo=UTC), 0, 0),
        (datetime(2040, 3, 1, tzinfo=UTC), 0, 1),
        (datetime(2061, 7, 1, 8, tzinfo=UTC), 1, 1),
    ]


def test_what_is_over_before_the_present_moment_makes_no_class() -> None:
    london = ZoneInfo("Europe/London")
    past = hours({}, {date(2020, 7, 1): "09:00-10:00", date.min: "09:00-10:00"})
    (only,) = time_classes(
        {"h": (past, london)}, [(date(2020, 1, 1), london)], datetime(2026, 1, 1, tzinfo=UTC)
    )
    assert (only.open, only.passed) == (frozenset(), frozenset({(date(2020, 1, 1), london)}))


def test_a_clock_change_within_a_week_of_an_end_hides_no_later_weekday() -> None:
    """Five days after the end the clock skips; what happens on Mondays is still to come."""
    london = ZoneInfo("Europe/London")
    monday = hours({0: "10:00-11:00"})
    classes = time_classes(
        {"h": (monday, london)}, [(date(2026, 3, 21), london)], datetime(2026, 3, 20, tzinfo=UTC)
    )
    assert [(c.earliest, len(c.open), len(c.passed)) for c in classes] == [
        (datetime(2026, 3, 20, tzinfo=UTC), 0, 0),
        (datetime(2026, 3, 22, tzinfo=UTC), 0, 1),
        (datetime(2026, 3, 23, 10, tzinfo=UTC), 1, 1),
    ]
    tuesday = hours({1: "10:00-11:00"})
    last = time_classes(
        {"h": (tuesday, london)}, [(date(2026, 3, 22), london)], datetime(2026, 3, 20, tzinfo=UTC)
    )[-1]
    assert (last.earliest, len(last.open)) == (datetime(2026, 3, 24, 10, tzinfo=UTC), 1)
    wednesday = hours({2: "10:00-11:00"})
    for until in range(15, 28):
        end = date(2026, 3, until)
        kept = {"h": (monday, "Europe/London"), "g": (wednesday, "Europe/London")}
        ours = our_classes(kept, [(end, "Europe/London")], datetime(2026, 3, 10, tzinfo=UTC))
        assert ours == brute_classes(kept, [(end, "Europe/London")], date(2026, 3, 10), 40)


def test_without_hours_there_is_one_class_that_satisfies_every_condition() -> None:
    now = datetime(2026, 1, 1, tzinfo=UTC)
    (only,) = time_classes({}, [], now)
    assert (only.number, only.earliest) == (0, now)
    assert holds(When(), only, ZoneInfo("UTC"))


def test_a_condition_holds_while_its_hours_are_open_and_its_day_has_not_passed() -> None:
    london, paris = ZoneInfo("Europe/London"), ZoneInfo("Europe/Paris")
    day = date(2026, 7, 1)
    at = TimeClass(
        0, datetime(2026, 7, 2, tzinfo=UTC), frozenset({"work"}), frozenset({(day, london)})
    )
    assert holds(When("work"), at, london)
    assert not holds(When("nights"), at, london)
    assert not holds(When("work", day), at, london)
    assert holds(When("work", day), at, paris)
    assert holds(When(until=date(2026, 7, 2)), at, london)
