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
    day = instant.astimezone(UTC).strftime("%a %d %b %Y %H:%M")
    return (
        Diagnostic(
            "zone-data-old",
            "warning",
            f"this machine's own time zone data ({version}) set the clocks of {plan.timezone} to"
            f" UTC{_signed(wrong)} where {shipped()}, by which this is judged, says"
            f" UTC{_signed(right)}; from {day} UTC",
            plan.charter.where("site", "timezone"),
            help="bring its package tzdata up to date, and that of the gateway: other programs there"
            " go by it",
        ),
    )


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
