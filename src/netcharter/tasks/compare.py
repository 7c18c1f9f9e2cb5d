"""`compare`: what changes between two charters, as connections and look-ups."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from textwrap import wrap
from typing import Any

from netcharter.proofs.compare import Change, ChangeRow, Comparison, compare
from netcharter.proofs.names_compare import KINDS, NamesChange, NamesComparison
from netcharter.proofs.names_words import ALWAYS
from netcharter.report.limits import WHERE
from netcharter.tasks.judged_from import judged_from
from netcharter.tasks.sources import Source, answerable, usable_plan

NAMES_TITLES: Mapping[str, str] = {
    "answered": "names that are answered now:",
    "withheld": "names that are not answered any more:",
    "altered": "names that are answered otherwise:",
}


@dataclass(frozen=True, slots=True)
class Compared:
    """A comparison with its JSON shape."""

    comparison: Comparison

    @property
    def ok(self) -> bool:
        """Nothing differs: no connection, no look-up, and nothing to be plugged or set elsewhere."""
        found = self.comparison
        return found.same and not found.moved and not found.names.rows

    def as_json(self) -> dict[str, Any]:
        """`ok` and `same`; rows under `opened`, `closed` and `altered`; exact `totals`; `moved`
        names what differs of the site itself; `names` has rows of look-ups.
        """
        found = self.comparison
        return {
            "ok": self.ok,
            "same": found.same,
            "opened": [dict(row.as_json()) for row in found.opened],
            "closed": [dict(row.as_json()) for row in found.closed],
            "altered": [dict(row.as_json()) for row in found.altered],
            "totals": {name: str(count) for name, count in found.totals.items()},
            "complete": found.complete,
            "moved": [dict(moved.as_json()) for moved in found.moved],
            "names": [dict(row.as_json()) for row in found.names.rows],
            "names_complete": found.names.complete,
        }

    def lines(self, width: int) -> Iterator[str]:
        """The differences for people: opened, closed, altered, each row with a witness."""
        yield from self._differences(width)
        yield from wrap(WHERE, width)

    def _differences(self, width: int) -> Iterator[str]:
        found = self.comparison
        for moved in found.moved:
            yield f"moved: {moved.what}, from {moved.before} to {moved.after}"
        if found.same:
            otherwise = found.moved or found.names.rows
            what = "No connection changes its fate" if otherwise else "Nothing changes"
            yield f"{what}: proven for every connection, hour, line state and sign-in."
        else:
            yield from self._connections(width)
        yield from _names_lines(found.names, width)

    def _connections(self, width: int) -> Iterator[str]:
        found = self.comparison
        groups: tuple[tuple[Change, tuple[ChangeRow, ...]], ...] = (
            ("opened", found.opened),
            ("closed", found.closed),
            ("altered", found.altered),
        )
        for title, rows in groups:
            if rows:
                yield f"{title}: {found.totals[title]:,} connections"
            for row in rows:
                if row.written:
                    yield from _row_lines(row, width)
            kept = sum(not row.written for row in rows)
            if kept:
                alone = "1 row is" if kept == 1 else f"{kept} rows are"
                yield f"  (besides, {alone} about housekeeping and the default alone; see --json)"
        if not found.complete:
            yield "The totals are exact; the listing is cut."


def _names_lines(found: NamesComparison, width: int) -> Iterator[str]:
    """Look-ups that change, by what becomes of them."""
    for change in KINDS:
        rows = [row for row in found.rows if row.change == change]
        if rows:
            yield NAMES_TITLES[change]
        for row in rows:
            if row.written:
                yield from _name_lines(row, width)
        kept = sum(not row.written for row in rows)
        if kept:
            alone = "1 row is" if kept == 1 else f"{kept} rows are"
            yield f"  (besides, {alone} about housekeeping and the default alone; see --json)"
    if not found.complete:
        yield "More look-ups change: this listing is cut."


def _name_lines(row: NamesChange, width: int) -> Iterator[str]:
    when = "" if row.when == ALWAYS else f" ({row.when})"
    before, after = (
        f"{outcome}{f' as {to}' if to else ''} by {who}"
        for outcome, to, who in (
            (row.before, row.to_before, row.decided_before),
            (row.after, row.to_after, row.decided_after),
        )
    )
    told = (f"{row.who}: {row.name}{when}", f"before: {before}; after: {after}", row.witness)
    for indent, text in zip(("  ", "      ", "      "), told, strict=True):
        yield from wrap(
            text, width, initial_indent=indent, subsequent_indent="      ",
            break_on_hyphens=False, break_long_words=False,
        )  # fmt: skip


def _row_lines(row: ChangeRow, width: int) -> Iterator[str]:
    when = "" if row.when == "always" else f" ({row.when})"
    texts = (
        f"{row.starter} -> {row.to} with {row.service}{when}: {row.count:,}",
        f"before: {row.before} by {row.decided_before}; after: {row.after} by {row.decided_after}",
        f"for instance: {row.witness.sentence}",
    )
    for indent, text in zip(("  ", "      ", "      "), texts, strict=True):
        yield from wrap(
            text,
            width,
            initial_indent=indent,
            subsequent_indent="      ",
            break_on_hyphens=False,
            break_long_words=False,
        )


def compare_charters(old: Source, new: Source, now: datetime, as_of: str | None = None) -> Compared:
    """Which connections change their fate, from now on or as of another moment, by the clocks of
    the new charter's site. Raises Unusable for either text.
    """
    before, after = usable_plan(old), usable_plan(new)
    since = judged_from(now, as_of, after.plan.timezone)
    with answerable(after):
        return Compared(compare(before.plan, after.plan, since))
