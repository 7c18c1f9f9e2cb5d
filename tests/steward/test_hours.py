"""Hours: minute by minute over a year, over clock changes, exceptions and last days.

Compared with `plan.hours`, and with calendars painted from zoneinfo's local readings, which share
nothing with it (tests/plan/test_hours.py).
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from netcharter.plan.hours import is_open, passed
from netcharter.render import render
from netcharter.steward.duties import hours
from netcharter.steward.schedule import schedule
from netcharter.steward.shapes import Clock, DecideAgain, Facts, Hold, Schedule, Timed
from netcharter.tasks.sources import Source, usable_plan
from tests.cli.running import CHARTER
from tests.plan.building import hours as windows
from tests.plan.test_hours import truth
from tests.steward.kernel import SYNCHRONISED, Kernel, at, kept

DAY, HOUR, MINUTE = timedelta(days=1), timedelta(hours=1), timedelta(minutes=1)
WORK = windows(
    {0: "08:30-17:00", 1: "08:30-12:00 13:00-17:00", 2: "08:30-17:00", 3: "00:00-24:00",
     4: "22:00-02:30", 5: "00:00-00:00", 6: "23:30-00:45 12:00-12:01"},
    {date(2026, 3, 29): "00:30-03:30", date(2026, 12, 25): "", date(2026, 10, 25): "01:15-01:45"},
    "work",
)  # fmt: skip
NIGHTS = windows("22:00-07:00 12:00-12:10", {date(2026, 12, 31): ""}, "nights")


def site(zone: str, *timed: Timed) -> Schedule:
    named = {"work": WORK, "nights": NIGHTS}
    return Schedule("Tarn Hollow", ZoneInfo(zone), named, timed, ("eth0", "eth1", "lo"))


OPEN = Timed("nc_open_work", True, "work", None)
REST = Timed("nc_rest_nights", False, "nights", None)
LAST = Timed("nc_open_2026-10-25", True, None, date(2026, 10, 25))
BOTH = Timed("nc_rest_work.2026-06-30", False, "work", date(2026, 6, 30))
ALL = (OPEN, REST, LAST, BOTH)
ZONES = ["Europe/London", "America/Santiago", "Australia/Lord_Howe", "Africa/Cairo"]


def wanted(one: Timed, zone: ZoneInfo, instant: datetime) -> bool:
    """By plan.hours: presence means open, whether let or not refused."""
    named = {"work": WORK, "nights": NIGHTS}
    open_ = one.during is None or is_open(named[one.during], zone, instant)
    gone = one.until is not None and passed(one.until, zone, instant)
    return (open_ and not gone) if one.let else not (open_ and not gone)


def presence(kernel: Kernel, name: str, start: datetime, minutes: int) -> bytearray:
    """For each minute, whether the set held elements at its beginning."""
    found = bytearray(minutes)
    for begin, end in kernel.present[name]:
        first, last = (-((start - edge) // MINUTE) for edge in (begin, end))
        found[max(first, 0) : min(last, minutes)] = b"\1" * (min(last, minutes) - max(first, 0))
    return found


@pytest.mark.parametrize("zone", ["Europe/London", "Australia/Lord_Howe"])
def test_a_year_minute_by_minute(zone: str) -> None:
    """Elements last some hours here, so that a year has few turns; the edges are what is tried."""
    first, days = date(2026, 1, 1), 365
    start = at("2026-01-01 00:00")
    kernel, turns = kept(
        site(zone, OPEN, REST), start, start + days * DAY, lasting=6 * HOUR, renewed=2 * HOUR
    )
    assert turns < 12_000
    for one, calendar in ((OPEN, WORK), (REST, NIGHTS)):
        painted = bytearray(opened == one.let for _, opened in truth(calendar, zone, first, days))
        assert presence(kernel, one.set, start, days * 1440) == painted
        assert 50_000 < sum(painted) < 475_000  # neither always nor never


@pytest.mark.parametrize("zone", ZONES)
def test_a_year_agrees_with_the_hours_of_the_plan(zone: str) -> None:
    start, minutes = at("2026-01-01 00:00"), 365 * 1440
    plan = site(zone, *ALL)
    kernel, _ = kept(plan, start, start + 365 * DAY, lasting=6 * HOUR, renewed=2 * HOUR)
    for one in ALL:
        found = presence(kernel, one.set, start, minutes)
        for minute in range(0, minutes, 29):  # prime to an hour, so that no reading is left out
            assert found[minute] == wanted(one, plan.zone, start + minute * MINUTE)


@pytest.mark.parametrize("day", ["2026-03-28", "2026-10-24"])
def test_at_the_real_pace_around_both_clock_changes(day: str) -> None:
    """Dates of the changes in London: Directive 2000/84/EC's last Sundays of March and October."""
    start = at(f"{day} 00:00")
    plan = site("Europe/London", *ALL)
    kernel, _ = kept(plan, start, start + 3 * DAY)
    for second in range(0, 3 * 86_400, 20):
        instant = start + timedelta(seconds=second)
        for one in ALL:
            assert kernel.holds(one.set, instant) == wanted(one, plan.zone, instant), instant


def test_the_edges_are_exact_in_both_directions() -> None:
    plan = site("Europe/London", OPEN)
    kernel, _ = kept(plan, at("2026-06-01 00:00"), at("2026-06-02 00:00"))  # a Monday in summer
    assert kernel.present[OPEN.set] == [(at("2026-06-01 07:30"), at("2026-06-01 16:00"))]
    assert kernel.again == [at("2026-06-01 16:00")]


def test_an_hour_that_is_skipped_is_not_open_and_one_that_comes_twice_is_open_twice() -> None:
    """Readings computed by hand: London skips 01:00 to 02:00 on 29 March 2026, and has it twice on
    25 October 2026."""
    plan = site("Europe/London", OPEN)
    spring, _ = kept(plan, at("2026-03-29 00:00"), at("2026-03-29 12:00"))
    # 00:30 to 03:30 by the clock is two hours long; before it Saturday's day-long window ends.
    assert spring.present[OPEN.set] == [(at("2026-03-29 00:30"), at("2026-03-29 02:30"))]
    autumn, _ = kept(plan, at("2026-10-24 23:00"), at("2026-10-25 12:00"))
    assert autumn.present[OPEN.set] == [
        (at("2026-10-25 00:15"), at("2026-10-25 00:45")),
        (at("2026-10-25 01:15"), at("2026-10-25 01:45")),
    ]


@pytest.mark.parametrize("zone", [*ZONES, "Pacific/Apia", "Asia/Kathmandu"])
def test_a_last_day_is_whole_by_the_clocks_of_the_site(zone: str) -> None:
    for day in (date(2026, 4, 23), date(2026, 9, 5), date(2026, 10, 24), date(2026, 12, 31)):
        one = Timed("nc_open_x", True, None, day)
        plan = site(zone, one)
        start = datetime(day.year, day.month, day.day, 6, tzinfo=UTC)
        kernel, _ = kept(plan, start, start + 2 * DAY)
        ((_, end),) = kernel.present["nc_open_x"]
        readings = [(end + step).astimezone(plan.zone).date() for step in (-MINUTE, 0 * MINUTE)]
        assert readings[0] <= day < readings[1]


def test_an_element_never_outlives_its_hours_nor_its_steward() -> None:
    plan = site("Europe/London", *ALL)
    instant = at("2026-06-01 00:00")
    for step in range(3 * 1440):
        now = instant + step * MINUTE + timedelta(seconds=7)
        decision = hours.decide(hours.State(), Facts(SYNCHRONISED, schedule=plan), now)
        (hold,) = [effect for effect in decision.effects if isinstance(effect, Hold)]
        assert now < decision.wake <= now + hours.RENEWED
        for one, fill in zip(ALL, hold.fills, strict=True):
            if fill.devices:
                assert now < fill.until <= now + hours.LASTING
                last = fill.until - timedelta(microseconds=1)
                assert wanted(one, plan.zone, now) and wanted(one, plan.zone, last)
                assert fill.devices == ("eth0", "eth1", "lo")


def test_a_clock_that_is_not_synchronised_closes_everything_and_says_so() -> None:
    plan = site("Europe/London", *ALL)
    before = hours.State(frozenset({OPEN.set, REST.set}))
    facts = Facts(Clock(False), schedule=plan)
    decision = hours.decide(before, facts, at("2026-06-01 10:00"))
    hold, again = decision.effects
    assert isinstance(hold, Hold) and [f.devices for f in hold.fills] == [()] * 4
    assert isinstance(again, DecideAgain) and OPEN.set in again.why
    (report,) = decision.reports
    assert report.bad and report.severity == "urgent" and "not synchronised" in report.text
    trusted = hours.decide(before, facts, at("2026-06-01 10:00"), trust_clock=True)
    assert isinstance(trusted.effects[0], Hold) and any(f.devices for f in trusted.effects[0].fills)
    assert not trusted.reports[0].bad


def test_what_closed_while_the_steward_was_away_is_decided_again_when_it_is_back() -> None:
    duty = hours.duty()
    plan = site("Europe/London", OPEN)
    state = duty.decide(
        duty.begin, Facts(SYNCHRONISED, schedule=plan), at("2026-06-01 15:59")
    ).state
    assert state.filled == {OPEN.set}
    later = duty.decide(state, Facts(SYNCHRONISED, schedule=plan), at("2026-06-01 18:00"))
    assert [type(effect) for effect in later.effects] == [Hold, DecideAgain]
    assert (
        duty.decide(later.state, Facts(SYNCHRONISED, schedule=plan), later.wake).effects[1:] == ()
    )


def test_without_a_kit_in_place_nothing_is_done() -> None:
    decision = hours.decide(hours.State(), Facts(SYNCHRONISED), at("2026-06-01 10:00"))
    assert decision.effects == () and decision.reports == ()


def test_the_schedule_of_the_demo_names_what_its_kit_asks_for() -> None:
    plan = usable_plan(Source("charter.yaml", CHARTER.read_bytes())).plan
    found = schedule(plan, 3)
    manifest = render(plan).manifest
    assert [one.set for one in found.timed] == [one["set"] for one in manifest["hours"]]
    assert [one.let for one in found.timed] == [
        one["filled_while"] == "in force" for one in manifest["hours"]
    ]
    assert found.devices[-1] == "lo" and len(found.devices) == len(set(found.devices))
    assert set(found.devices) >= {area.device for area in plan.areas}
    assert found.version == 3 and {line.name for line in found.lines} == {"copper", "mast"}
