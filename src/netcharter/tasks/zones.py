"""Which time zone data everything is judged by: the newer of two, this machine's own and Netcharter's.

Governments change their clocks at short notice, and a gateway with old data runs every schedule an
hour off. Debian updates its own with the package tzdata, Netcharter brings another with it, so
either can be the older one. Other programs of this machine go by its own: where the two differ for
the site, `check` says so. Versions are a year and a letter, as those who keep the data name them.
"""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib import import_module
from pathlib import Path
from zoneinfo import ZoneInfo

from netcharter.diagnostics import Diagnostic
from netcharter.plan.hours import clock_changes, clocks_part
from netcharter.plan.shapes import Plan

AHEAD = timedelta(days=731)  # how far two versions are compared: two years
_SECOND = timedelta(seconds=1)
_LAST = datetime(9990, 1, 1, tzinfo=UTC)  # arithmetic with dates ends soon after
_VERSION = re.compile(r"(?:# version )?(\d{4}[a-z]{1,2})\s*")


@cache
def machine_folders() -> tuple[str, ...]:
    """Where this machine's own data lies, before anything else was chosen (PEP 615)."""
    return tuple(zoneinfo.TZPATH)


@cache
def shipped() -> str:
    """The version of what comes with Netcharter, the package tzdata of PyPI."""
    return str(import_module("tzdata").IANA_VERSION)


def use_newest() -> str:
    """From now on time zones are those of the newer data; their version."""
    folders = machine_folders()  # before they are forgotten
    if data_in_use() != machine_version(folders):
        zoneinfo.reset_tzpath(())
        ZoneInfo.clear_cache()
    return data_in_use()


def data_in_use() -> str:
    """The newer of the two versions; where this machine does not tell its own, the other."""
    own = machine_version(machine_folders())
    return own if own is not None and own >= shipped() else shipped()


def machine_version(folders: Iterable[str]) -> str | None:
    """The version of a machine's own data; None where there is none or nothing says which."""
    for folder in folders:
        for name in ("tzdata.zi", "+VERSION"):
            try:
                with (Path(folder) / name).open(encoding="ascii", errors="replace") as file:
                    found = _VERSION.fullmatch(file.readline(40))
            except OSError:
                continue
            if found:
                return found[1]
    return None


def stale(
    plan: Plan, now: datetime, folders: Iterable[str] | None = None
) -> tuple[Diagnostic, ...]:
    """The finding where this machine's own clock data are older and differ for the site's zone.

    now: aware, in UTC; folders: where this machine's own data lie.
    """
    folders = machine_folders() if folders is None else tuple(folders)
    version, own = machine_version(folders), _machine_zone(plan.timezone, folders)
    if version is None or own is None or version >= shipped():
        return ()
    until = min(now, _LAST) + AHEAD
    changes = (clock_changes(zone, now, until) for zone in (ZoneInfo(plan.timezone), own))
    parts = clocks_part(*changes)
    if parts is None:
        return ()
    instant, right, wrong = parts
    return (
        Diagnostic(
            "zone-data-old",
            "warning",
            f"this machine's own time zone data ({version}) set the clocks of {plan.timezone} to"
            f" UTC{_signed(wrong)} where {shipped()}, by which this is judged, says"
            f" UTC{_signed(right)}; from {_moment(instant)} on",
            plan.charter.where("site", "timezone"),
            help="bring its package tzdata up to date, and that of the gateway: other programs there"
            " go by it",
        ),
    )


def told_to_others(timezone: str, now: datetime) -> str:
    """The clock changes ahead in one line, for Netcharter on another machine (`unlike`): version,
    then instants with the seconds east of UTC from then on. now: aware, in UTC."""
    changes = clock_changes(ZoneInfo(timezone), now, min(now, _LAST) + AHEAD)
    parts = (f"{at:%Y-%m-%dT%H:%M:%SZ}={offset // _SECOND}" for at, offset in changes)
    return " ".join((data_in_use(), *parts))


def unlike(timezone: str, told: str) -> str | None:
    """In words, where the clocks of a zone change otherwise here than where a charter was planned,
    which told so by `told_to_others`. Raises ValueError where that is not understood."""
    version, *parts = told.split(" ")
    theirs = tuple(_heard(part) for part in parts)
    if not _VERSION.fullmatch(version) or not theirs:
        raise ValueError(told)
    start = theirs[0][0]
    ours = clock_changes(ZoneInfo(timezone), start, min(start, _LAST) + AHEAD)
    parts_at = clocks_part(ours, theirs)
    if parts_at is None:
        return None
    instant, here, there = parts_at
    return (
        f"from {_moment(instant)} on the clocks of {timezone} show UTC{_signed(here)} here, by the"
        f" time zone data {data_in_use()}, and UTC{_signed(there)} where this was planned, by"
        f" {version}: hours begin and end at other instants; bring the older data up to date"
    )


def _heard(part: str) -> tuple[datetime, timedelta]:
    at, _, seconds = part.partition("=")
    instant = datetime.strptime(at, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)
    return instant, timedelta(seconds=int(seconds))


def _moment(instant: datetime) -> str:
    return instant.astimezone(UTC).strftime("%a %d %b %Y %H:%M UTC")


def _machine_zone(key: str, folders: Iterable[str]) -> ZoneInfo | None:
    for folder in folders:
        try:
            with (Path(folder) / key).open("rb") as file:
                return ZoneInfo.from_file(file, key)
        except (OSError, ValueError):
            continue
    return None


def _signed(offset: timedelta) -> str:
    """As clocks are written: +05:45 (RFC 3339 section 5.6)."""
    sign, minutes = "-" if offset < timedelta() else "+", abs(offset) // timedelta(minutes=1)
    return f"{sign}{minutes // 60:02d}:{minutes % 60:02d}"
