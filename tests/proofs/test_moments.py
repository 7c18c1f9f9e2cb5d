"""Moments as people say them: the next one from now on, by the clocks of the site."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcharter.proofs.moments import DAYS, UnknownMoment, parse_moment

LONDON = ZoneInfo("Europe/London")
NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)  # a Monday; London keeps UTC in winter
ZONES = [
    ZoneInfo(name)
    for name in (
        "UTC",
        "Europe/London",
        "America/New_York",
        "Australia/Lord_Howe",  # half an hour
        "Asia/Kathmandu",
        "Africa/Casablanca",
        "America/Santiago",  # changes at midnight
        "Pacific/Apia",
    )
]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("now", "2026-11-02T09:00+00:00"),
        ("", "2026-11-02T09:00+00:00"),
        ("09:00", "2026-11-02T09:00+00:00"),
        ("08:59", "2026-11-03T08:59+00:00"),
        ("9:01", "2026-11-02T09:01+00:00"),
        ("Tue 21:30", "2026-11-03T21:30+00:00"),
        ("tuesday 21:30", "2026-11-03T21:30+00:00"),
        ("tues 21:30", "2026-11-03T21:30+00:00"),
        ("Mon 09:00", "2026-11-02T09:00+00:00"),
        ("Mon 08:59", "2026-11-09T08:59+00:00"),
        ("Sun 23:59", "2026-11-08T23:59+00:00"),
        ("  Tue   21:30 ", "2026-11-03T21:30+00:00"),
        ("2026-12-01 08:00", "2026-12-01T08:00+00:00"),
        ("2026-12-01T08:00", "2026-12-01T08:00+00:00"),
        ("2027-07-01 08:00", "2027-07-01T07:00+00:00"),
        ("2026-12-01", "2026-12-01T00:00+00:00"),
        ("2026-12-01 08:00+05:45", "2026-12-01T02:15+00:00"),
    ],
)
def test_a_moment_is_the_next_one_from_now_on(text: str, expected: str) -> None:
    assert parse_moment(text, LONDON, NOW) == datetime.fromisoformat(expected)


@pytest.mark.parametrize(
    "text",
    [
        "soon", "Blursday 21:30", "Tue", "Tue 24:00", "Tue 21:60", "25:00", "Tue 21:30 sharp",
        "t 21:30x", "2026-13-01", "21.30", "Tuesdays 21:30", "-1:30", "Tu\x1b[2J 21:30",
    ],
)  # fmt: skip
def test_what_is_no_moment_is_told_with_what_to_write(text: str) -> None:
    with pytest.raises(UnknownMoment) as wrong:
        parse_moment(text, LONDON, NOW)
    assert wrong.value.instead.startswith("write ")


# The clocks of London: forward on 28 March 2027 at 01:00 UTC, back on 25 October 2026 at 01:00 UTC
# (Summer Time Order 2002, last Sundays; and the time zone database).
SPRING = datetime(2027, 3, 27, 12, tzinfo=UTC)  # the Saturday before
AUTUMN = datetime(2026, 10, 24, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "now", "expected"),
    [
        ("Sun 00:59", SPRING, "2027-03-28T00:59+00:00"),
        ("Sun 02:00", SPRING, "2027-03-28T01:00+00:00"),
        ("Sun 01:30", SPRING, "2027-04-04T00:30+00:00"),  # skipped this week
        ("01:30", SPRING, "2027-03-29T00:30+00:00"),
        ("Sun 01:30", AUTUMN, "2026-10-25T00:30+00:00"),  # the first of two
        ("2026-10-25 01:30", AUTUMN, "2026-10-25T00:30+00:00"),
        ("01:30", datetime(2026, 10, 25, 0, 45, tzinfo=UTC), "2026-10-25T01:30+00:00"),
        ("01:50", datetime(2026, 10, 25, 1, 45, tzinfo=UTC), "2026-10-25T01:50+00:00"),
        ("2026-10-25 01:30", datetime(2026, 10, 25, 0, 45, tzinfo=UTC), "2026-10-25T01:30+00:00"),
        ("01:30", datetime(2026, 10, 25, 1, 45, tzinfo=UTC), "2026-10-26T01:30+00:00"),
    ],
)
def test_when_the_clocks_change_a_moment_is_one_that_is(
    text: str, now: datetime, expected: str
) -> None:
    assert parse_moment(text, LONDON, now) == datetime.fromisoformat(expected)


def test_a_date_and_hour_that_the_clocks_skip_is_told() -> None:
    with pytest.raises(UnknownMoment, match="the clocks skip it"):
        parse_moment("2027-03-28 01:30", LONDON, SPRING)


@pytest.mark.parametrize(
    "text", ["0001-01-01 00:00", "9999-12-31 23:59", "1900-01-01", "2200-01-01"]
)
@pytest.mark.parametrize("zone", ZONES, ids=str)
def test_a_moment_that_no_calendar_here_reaches_is_told(text: str, zone: ZoneInfo) -> None:
    with pytest.raises(UnknownMoment, match="beyond"):
        parse_moment(text, zone, NOW)


@given(
    zone=st.sampled_from(ZONES),
    now=st.datetimes(datetime(2026, 1, 1), datetime(2029, 12, 31)),
    day=st.none() | st.sampled_from(DAYS),
    minutes=st.integers(0, 24 * 60 - 1),
)
def test_a_spoken_moment_is_ahead_and_shows_what_was_said(
    zone: ZoneInfo, now: datetime, day: str | None, minutes: int
) -> None:
    present = now.replace(tzinfo=UTC)
    said = f"{minutes // 60:02d}:{minutes % 60:02d}"
    found = parse_moment(f"{day} {said}" if day else said, zone, present)
    shown = found.astimezone(zone)
    assert found >= present
    assert f"{shown:%H:%M}" == said
    assert shown.second == shown.microsecond == 0
    assert day is None or shown.weekday() == DAYS.index(day)
    longest = timedelta(days=2 if day is None else 15)
    assert found - present < longest


@given(
    zone=st.sampled_from(ZONES), now=st.datetimes(datetime(2026, 1, 1), datetime(2029, 12, 31)),
    step=st.integers(1, 60 * 24),
)  # fmt: skip
def test_no_earlier_moment_shows_the_same(zone: ZoneInfo, now: datetime, step: int) -> None:
    present = now.replace(tzinfo=UTC, second=0, microsecond=0)
    target = (present + timedelta(minutes=step)).astimezone(zone)
    found = parse_moment(f"{target:%H:%M}", zone, present)
    assert present <= found <= target


@given(text=st.text(max_size=20), now=st.datetimes(datetime(2026, 1, 1), datetime(2029, 12, 31)))
def test_any_text_is_a_moment_or_is_told(text: str, now: datetime) -> None:
    try:
        found = parse_moment(text, LONDON, now.replace(tzinfo=UTC))
    except UnknownMoment as wrong:
        assert str(wrong) and wrong.instead
    else:
        assert found.tzinfo is not None
