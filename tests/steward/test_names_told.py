"""Hours of names rules as dnsdist hears of them: by the minute, over clock changes, without a steward.

Compared with calendars painted from zoneinfo's local readings, which share nothing with the steward
(tests/plan/test_hours.py).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from netcharter.plan.names.times import key_of
from netcharter.render.withholding_rules import LONGEST
from netcharter.rollout.reading import fields
from netcharter.steward.alarms import Book
from netcharter.steward.duties import names
from netcharter.steward.duties.hours import LASTING
from netcharter.steward.loop.world import Handed, RealWorld
from netcharter.steward.outbox import Outbox
from netcharter.steward.schedule import schedule
from netcharter.steward.settings import Settings
from netcharter.steward.shapes import Clock, Facts, NameTime, Schedule, TellNames, Timed
from netcharter.steward.telling import status
from netcharter.tasks.sources import Source, usable_plan
from netcharter.tasks.steward import Answer
from tests.docs.shapes import breaches, shapes
from tests.plan.test_hours import truth
from tests.steward.apart import finished
from tests.steward.kernel import SYNCHRONISED, at
from tests.steward.test_hours import WORK

DAY, MINUTE = timedelta(days=1), timedelta(minutes=1)
LINE = re.compile(r"([0-9a-f]+) (yes|no) ([0-9]+)")
UNTIL = date(2026, 3, 30)
BOTH = (Timed("aa", True, "work", None), Timed("bb", True, None, UNTIL))


def site(*timed: Timed, zone: str = "Europe/London") -> Schedule:
    return Schedule("Tarn Hollow", ZoneInfo(zone), {"work": WORK}, (), (), names=timed)


def heard(told: TellNames) -> dict[str, tuple[bool, int]]:
    """The file as its reader takes it (render/withholding_rules.py), with another one's eyes."""
    first, *lines, last, end = names.text(told).decode().split("\n")
    assert (first, last, end) == ("netcharter names 1", "end", "")
    found = [LINE.fullmatch(line) for line in lines]
    return {one[1]: (one[2] == "yes", int(one[3])) for one in found if one}


def turned(
    schedule: Schedule, start: datetime, end: datetime
) -> Iterator[tuple[datetime, TellNames]]:
    """Every turn of the duty, waking just when it wants to."""
    now = start
    while now < end:
        decision = names.decide(names.State(), Facts(SYNCHRONISED, schedule=schedule), now)
        (told,) = decision.effects
        assert isinstance(told, TellNames) and now < decision.wake <= now + LASTING
        yield now, told
        now = decision.wake


@pytest.mark.parametrize("zone", ["Europe/London", "Australia/Lord_Howe"])
def test_ten_days_around_a_clock_change_minute_by_minute(zone: str) -> None:
    first, days = date(2026, 3, 27) if "/London" in zone else date(2026, 4, 1), 10
    start = at(f"{first} 00:00")
    wanted = [opened for _, opened in truth(WORK, zone, first, days)]
    believed: dict[str, tuple[bool, int]] = {}
    turns = turned(site(*BOTH, zone=zone), start, start + days * DAY)
    ahead = next(turns, None)
    for minute in range(days * 1440):
        now = start + minute * MINUTE
        while ahead is not None and ahead[0] <= now:
            believed, ahead = heard(ahead[1]), next(turns, None)
        holds, till = believed["aa"]
        assert now.timestamp() < till <= now.timestamp() + LONGEST
        assert holds == wanted[minute], now
        last = now.astimezone(ZoneInfo(zone)).date() <= UNTIL
        assert believed["bb"][0] == last, now
    assert {True, False} == set(wanted)


def test_nothing_is_to_be_believed_beyond_the_bell_or_five_minutes() -> None:
    """08:30 of a Monday in January is 08:30 UTC."""

    def till(now: str) -> tuple[bool, datetime]:
        (told,) = names.decide(
            names.State(), Facts(SYNCHRONISED, schedule=site(BOTH[0])), at(now)
        ).effects
        assert isinstance(told, TellNames)
        return told.times[0].holds, told.times[0].until

    assert till("2026-01-05 08:28") == (False, at("2026-01-05 08:30"))
    assert till("2026-01-05 08:30") == (True, at("2026-01-05 08:35"))
    assert till("2026-01-05 16:58") == (True, at("2026-01-05 17:00"))


def test_a_clock_that_is_not_known_tells_nothing_and_one_that_is_trusted_does() -> None:
    facts = Facts(Clock(False), schedule=site(*BOTH))
    now = at("2026-01-05 09:00")
    assert names.decide(names.State(), facts, now).effects == (TellNames(()),)
    (told,) = names.decide(names.State(), facts, now, trust_clock=True).effects
    assert isinstance(told, TellNames) and len(told.times) == 2
    assert names.text(TellNames(())) == b"netcharter names 1\nend\n"
    for without in (None, site()):
        assert names.decide(names.State(), Facts(SYNCHRONISED, schedule=without), now).effects == ()


def test_the_steward_and_the_kit_mean_the_same_times() -> None:
    text = b"""
charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: desk}
lines: {copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}}
areas: {home: {device: eth1, prefix: 10.9.0.0/27}}
devices: {desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}}
hours: {lessons: {weekly: {mon-fri: ['08:30-15:30']}}}
names:
  - {withhold: play.example, for: home, during: lessons}
  - {answer: chess.example, for: home, during: lessons, until: 2027-01-01}
"""
    plan = usable_plan(Source("hut.yaml", text)).plan
    found = schedule(plan)
    told = {one.set: (one.during, one.until) for one in found.names}
    assert told == {
        key_of("lessons", None): ("lessons", None),
        key_of("lessons", date(2027, 1, 1)): ("lessons", date(2027, 1, 1)),
    }
    assert set(found.hours) == {"lessons"}


def test_the_status_tells_which_hold_and_until_when(repository: Path) -> None:
    known = shapes((repository / "docs" / "reference" / "json.md").read_text("utf-8"))
    facts, now = Facts(SYNCHRONISED, schedule=site(*BOTH)), at("2026-01-05 09:00")
    found = status(facts, {}, Book(), Outbox(()), now, now)
    assert list(breaches(found, "steward", known)) == []
    lines = [*Answer(found).lines(100)]
    begin = lines.index("hours of names rules:")
    assert lines[begin + 1 : begin + 3] == [
        "  - what holds during work: holds, until 2026-01-05 17:00 UTC",
        "  - what holds until 2026-03-30: holds",
    ]


def test_the_file_is_written_whole_and_readable(tmp_path: Path) -> None:
    hands, told = (
        Handed(lambda: None, str),
        TellNames((NameTime("aa", True, at("2026-01-05 09:00")),)),
    )
    world = RealWorld(tmp_path, Settings(), hands, str(tmp_path / "names-hours"))
    finished(world.perform(told))
    file = tmp_path / "names-hours"
    assert file.read_bytes() == names.text(told) and file.stat().st_mode & 0o777 == 0o644
    finished(RealWorld(tmp_path / "none", Settings(), hands).perform(told))
    assert [one.name for one in tmp_path.iterdir()] == ["names-hours"]


def test_its_state_survives_a_restart() -> None:
    duty = names.duty()
    assert duty.read(fields("names", b"{}")) == duty.begin and duty.written(duty.begin) == {}
