"""Findings about hours: terms that are over or will be, after which nobody chose what holds; dated
windows that never come, since the clock skips them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from netcharter.diagnostics import Diagnostic, Span
from netcharter.plan.hours import clock_changes, flips
from netcharter.plan.shapes import Hours
from netcharter.proofs.rules_audit import Audit
from netcharter.proofs.site_audit import SOON

LAST = date.max - timedelta(days=8)  # arithmetic with days ends soon after


def terms_end(audit: Audit) -> Iterator[Diagnostic]:
    """Hours whose terms are all over, or will be within thirty days."""
    today = audit.prover.universe.local_now().date()
    for hours in audit.plan.hours.values():
        for key, terms in (("terms", hours.terms), ("outside", hours.outside)):
            days = [last for term in terms for _, last in term.stretches]
            if not days or (key == "outside" and hours.terms):
                continue
            last = max(days)
            if last < today:
                told = f"the last of the terms of {hours.name} ended on {last:%d %B %Y}"
            elif last - today <= SOON:
                told = f"the last of the terms of {hours.name} ends on {last:%d %B %Y}"
            else:
                continue
            yield Diagnostic(
                "terms-over" if last < today else "terms-end-soon",
                "warning",
                f"{told}, and {_then(hours, key, last)}",
                audit.plan.charter.where("hours", hours.name, key),
                help="write the next term, or leave out what nobody needs any more",
            )


def _then(hours: Hours, key: str, last: date) -> str:
    """What holds once all terms are over."""
    if key == "outside":
        return "from then on its weekly windows begin on every day"
    if any(day > last for day in hours.dates):
        return "from then on only its dates are left"
    return "from then on it is never open again"


def windows_skipped(audit: Audit) -> Iterator[Diagnostic]:
    """Dated windows of days to come that lie wholly within the time that a clock skips."""
    zone = ZoneInfo(audit.plan.timezone)
    today = audit.prover.universe.local_now().date()
    for hours in audit.plan.hours.values():
        for day, windows in sorted(hours.dates.items()):
            change = _forward(zone, day) if today <= day < LAST else None
            if change is None:
                continue
            for window in windows:
                if _comes(replace(hours, dates={day: (window,)}), zone, day):
                    continue
                ends = "24:00" if window.end is None else f"{window.end:%H:%M}"
                skipped = " to ".join(f"{one:%H:%M}" for one in change)
                yield Diagnostic(
                    "window-skipped",
                    "warning",
                    f"the window {window.start:%H:%M}-{ends} of {hours.name} on {day} never comes: the clock goes"
                    f" from {skipped} then",
                    _dated(audit, hours, day),
                    help=f"write a window that begins before {change[0]:%H:%M} or ends after"
                    f" {change[1]:%H:%M}",
                )


def _forward(zone: ZoneInfo, day: date) -> tuple[datetime, datetime] | None:
    """From what to what a clock goes forward on a day, or in the night after it; None if it doesn't."""
    begin, end = (_around(zone, day, days) for days in (0, 2))
    offsets = clock_changes(zone, begin, end)
    for (_, before), (instant, after) in pairwise(offsets):
        if after > before:
            reading = instant.replace(tzinfo=None)
            return reading + before, reading + after
    return None


def _comes(hours: Hours, zone: ZoneInfo, day: date) -> bool:
    """Whether hours are ever open on a day, or in the night after it, by what is dated."""
    weekly = ((),) * len(hours.weekly)
    found = flips(replace(hours, weekly=weekly), zone, _around(zone, day, 0), _around(zone, day, 3))
    return any(opened for _, opened in found)


def _around(zone: ZoneInfo, day: date, days: int) -> datetime:
    """The instant at which a day begins so many days later."""
    return datetime.combine(day + timedelta(days=days), time(), zone).astimezone(UTC)


def _dated(audit: Audit, hours: Hours, day: date) -> Span:
    """The windows of a day, or of the stretch of days that it is in."""
    charter, said = audit.plan.charter, str(day)
    path = ("hours", hours.name, "dates")
    for key in charter.spans:
        if len(key) == len(path) + 1 and key[:-1] == path:
            first, _, last = str(key[-1]).partition(" to ")
            if first <= said <= (last or first):
                return charter.where(*key)
    return charter.where(*path)


EVERY_HOURS = (terms_end, windows_skipped)
