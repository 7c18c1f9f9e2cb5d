"""`show --hours`, against the site's own clock read minute by minute, and published clock changes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from netcharter.tasks.flips import show_hours
from netcharter.tasks.sources import Source
from tests.cli.running import CHARTER, run

CHARTER_TEXT = """charter: 1
site: {{name: Hut, timezone: {zone}, managed-from: pc}}
lines: {{dsl: {{device: eth0}}}}
areas: {{home: {{device: eth1, hosts: 5}}}}
devices: {{pc: {{area: home, hardware: "02:00:00:aa:00:01", address: lasting}}}}
hours:
  evening: {{weekly: {{mon-fri: "18:00-22:00"}}}}
  night: {{weekly: {{sun: "00:30-02:30"}}, dates: {{2027-01-01 to 2027-01-03: closed}}}}
rules: [{{let: home, reach: internet, with: https, during: evening, because: work}}]
"""
MINUTE = timedelta(minutes=1)
START = datetime(2026, 1, 1, tzinfo=UTC)


def shown(zone: str, begin: str = "2026-01-01") -> dict[str, object]:
    source = Source("hut.yaml", CHARTER_TEXT.format(zone=zone).encode())
    return show_hours(source, START, begin).as_json()


def read_off(name: str, local: datetime) -> bool:
    """Whether a reading of the clock lies within the hours above."""
    at = local.hour * 60 + local.minute
    if name == "evening":
        return local.weekday() < 5 and 18 * 60 <= at < 22 * 60
    off = (local.year, local.month) == (2027, 1) and local.day <= 3
    return local.weekday() == 6 and not off and 30 <= at < 150


@pytest.mark.parametrize("zone", ["Europe/London", "America/Winnipeg", "Asia/Kathmandu"])
def test_every_minute_of_the_year_is_as_the_clock_on_the_wall_says(zone: str) -> None:
    found = shown(zone)
    clock = ZoneInfo(zone)
    begin, end = (datetime.fromisoformat(str(found[key])) for key in ("from", "until"))
    for hours in found["hours"]:  # type: ignore[attr-defined]
        flips = {datetime.fromisoformat(one["at"]): one["open"] for one in hours["flips"]}
        state, at = hours["open"], begin
        while at < end:
            state = flips.pop(at, state)
            assert state == read_off(hours["name"], at.astimezone(clock)), (hours["name"], at)
            at += MINUTE
        assert flips == {}, "on no whole minute"


def test_the_clocks_of_london_change_when_they_were_published_to() -> None:
    """tz database 2026f: 29 March and 25 October 2026, at 01:00 UTC."""
    found = shown("Europe/London")
    assert found["clock_changes"] == ["2026-03-29T01:00:00Z", "2026-10-25T01:00:00Z"]
    night = found["hours"][1]["flips"]  # type: ignore[index]
    skipped = [one for one in night if one["at"].startswith("2026-03-29")]
    assert [one["local"] for one in skipped] == [
        "2026-03-29T00:30:00+00:00",
        "2026-03-29T02:30:00+01:00",
    ]


def test_the_command_prints_both_clocks_and_refuses_what_makes_no_sense() -> None:
    printed = run("show", CHARTER, "--hours", "--as-of", "2026-12-01").out
    assert "Tue 01 Dec 2026 17:00 +0000  2026-12-01T17:00:00Z  opens" in printed
    assert "the clocks change: Sun 28 Mar 2027 02:00 +0100" in printed
    assert run("show", CHARTER, "--hours", "--by", "who").code == 2
    assert run("show", CHARTER, "--as-of", "2026-12-01").code == 2
