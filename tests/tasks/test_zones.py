"""Which time zone data counts, against what two releases of the tz database say of one day.

Release 2025b of the tz database has Winnipeg at -06:00 on 1 December 2026, release 2026f at -05:00.
"""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.hours import clock_changes, clocks_part
from netcharter.plan.shapes import Plan
from netcharter.tasks.zones import machine_version, shipped, stale, told_to_others, unlike

NOW = datetime(2026, 11, 26, tzinfo=UTC)
HUT = """charter: 1
site: {{name: Hut, timezone: {zone}, managed-from: pc}}
lines: {{dsl: {{device: eth0}}}}
areas: {{home: {{device: eth1, hosts: 5}}}}
devices: {{pc: {{area: home, hardware: "02:00:00:aa:00:01", address: lasting}}}}
"""
# A zone file of one kind of time for ever, as RFC 9636 lays it out: central standard time.
TYPE = (-21600).to_bytes(4, "big", signed=True) + b"\0\0" + b"CST\0"


def plan(zone: str) -> Plan:
    charter = read(HUT.format(zone=zone), "hut.yaml").charter
    assert charter is not None
    return make_plan(charter)


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    """A machine whose data are those of 2025b, where Winnipeg goes back to -06:00."""
    (tmp_path / "tzdata.zi").write_text("# version 2025b\n# This zic input file ...\n")
    block = b"TZif2" + bytes(15) + b"".join(n.to_bytes(4, "big") for n in (0, 0, 0, 0, 1, 4)) + TYPE
    (tmp_path / "America").mkdir()
    (tmp_path / "America" / "Winnipeg").write_bytes(block * 2 + b"\nCST6\n")
    return tmp_path


def test_old_data_of_a_machine_are_found_where_they_matter(machine: Path) -> None:
    (found,) = stale(plan("America/Winnipeg"), NOW, (str(machine),))
    assert (found.id, found.severity) == ("zone-data-old", "warning")
    assert "data (2025b) set the clocks of America/Winnipeg to UTC-06:00" in found.message
    assert f"where {shipped()}" in found.message and "UTC-05:00" in found.message
    assert found.span.line == 2


def test_where_they_do_not_matter_nothing_is_said(machine: Path) -> None:
    assert stale(plan("Europe/London"), NOW, (str(machine),)) == ()  # it has no such zone
    (machine / "tzdata.zi").write_text("# version 2099a\n")
    assert stale(plan("America/Winnipeg"), NOW, (str(machine),)) == ()  # newer ones are used


@pytest.mark.parametrize(
    ("name", "text", "version"),
    [
        ("tzdata.zi", "# version 2025b\n# more\n", "2025b"),
        ("+VERSION", "2026f\n", "2026f"),
        ("tzdata.zi", "# version unknown\n", None),
        ("tzdata.zi", "", None),
        ("other", "2026f", None),
    ],
)
def test_a_machine_tells_its_version(
    name: str, text: str, version: str | None, tmp_path: Path
) -> None:
    (tmp_path / name).write_text(text)
    assert machine_version([str(tmp_path / "none"), str(tmp_path)]) == version


def test_the_newer_data_are_used_whatever_the_machine_has() -> None:
    """In a process of its own, since the choice holds for all of it."""
    script = (
        "from netcharter.tasks.zones import use_newest\n"
        "from zoneinfo import ZoneInfo\nfrom datetime import datetime, UTC\n"
        "used = use_newest()\n"
        "at = datetime(2026, 12, 1, 12, tzinfo=UTC).astimezone(ZoneInfo('America/Winnipeg'))\n"
        "print(used, at.utcoffset())"
    )
    found = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, env=os.environ
    )
    used, offset = found.stdout.strip().split(" ", 1)
    assert used >= shipped() >= "2026f"
    assert offset == "-1 day, 19:00:00"  # -05:00


def test_two_clocks_part_at_the_first_instant_at_which_they_differ() -> None:
    hour = timedelta(hours=1)
    later = NOW + 100 * hour
    one = ((NOW, hour), (later, 2 * hour))
    assert clocks_part(one, one) is None
    assert clocks_part(one, ((NOW, hour),)) == (later, 2 * hour, hour)
    assert clocks_part(one, ((NOW, hour), (later + hour, 2 * hour))) == (later, 2 * hour, hour)
    assert clocks_part(((NOW, hour),), ((NOW, 2 * hour),)) == (NOW, hour, 2 * hour)


def test_every_change_of_a_clock_is_told_with_its_offset() -> None:
    """tz database: summer time of London 2026, 29 March to 25 October, 01:00 UTC."""
    from zoneinfo import ZoneInfo

    start, end = datetime(2026, 1, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC)
    assert clock_changes(ZoneInfo("Europe/London"), start, end) == (
        (start, timedelta()),
        (datetime(2026, 3, 29, 1, tzinfo=UTC), timedelta(hours=1)),
        (datetime(2026, 10, 25, 1, tzinfo=UTC), timedelta()),
    )


def test_clocks_that_change_otherwise_where_it_was_planned_are_told() -> None:
    """London has summer time from 28 March 2027 at 01:00 UTC (tz database 2026f)."""
    told = told_to_others("Europe/London", NOW)
    assert unlike("Europe/London", told) is None
    rest = told.split(" ")[1:]
    assert rest[:2] == ["2026-11-26T00:00:00Z=0", "2027-03-28T01:00:00Z=3600"]
    winter = " ".join(("2025b", rest[0]))
    found = unlike("Europe/London", winter)
    assert found is not None and found.startswith("from Sun 28 Mar 2027 01:00 UTC on the clocks of")
    assert "show UTC+01:00 here" in found and "UTC+00:00 where this was planned, by 2025b" in found


@pytest.mark.parametrize(
    "said", ["", "2026f", "2026f now=0", "x 2026-11-26T00:00:00Z=0", "2026f 2026-11-26T00:00:00Z=",
             "2026f 2026-11-26T00:00:00Z=9999999999999999999"],
)  # fmt: skip
def test_clocks_that_are_not_understood_are_an_error(said: str) -> None:
    with pytest.raises((ValueError, OverflowError)):
        unlike("Europe/London", said)
