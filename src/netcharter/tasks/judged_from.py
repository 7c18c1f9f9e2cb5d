"""The instant from which a charter is judged: now, or what `--as-of` says."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from netcharter.proofs.moments import FIRST_YEAR, LAST_YEAR
from netcharter.tasks.sources import unusable


def judged_from(now: datetime, as_of: str | None, timezone: str) -> datetime:
    """`now` (aware), or a date or moment by the clocks of the site's time zone.

    A date means the first instant of that day there; of a reading that the clocks repeat, the
    first is meant, and one that they skip counts on from the hour before. Raises Unusable.
    """
    if as_of is None:
        return now
    try:
        given = datetime.fromisoformat(as_of.strip())
    except ValueError:
        raise unusable(
            "moment-not-understood",
            f"'{as_of}' is neither a date nor a moment",
            "--as-of",
            as_of,
            "write '2026-12-01' or '2026-12-01 21:30'",
        ) from None
    if not FIRST_YEAR <= given.year <= LAST_YEAR:
        raise unusable(
            "moment-not-understood",
            f"'{as_of}' lies beyond what can be judged",
            "--as-of",
            as_of,
            f"write a year from {FIRST_YEAR} to {LAST_YEAR}",
        )
    return (given if given.tzinfo else given.replace(tzinfo=ZoneInfo(timezone))).astimezone(UTC)
