"""Weekly windows, dated exceptions and terms: the shapes of `hours` and `terms`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Any

from netcharter.charter import nodes, values
from netcharter.charter.model import Window
from netcharter.charter.shapes import (
    MISSING,
    MOST_DATES,
    Path,
    Schema,
    Several,
    Shape,
    Value,
    Walk,
    WordOr,
    pairs_of,
)
from netcharter.diagnostics import Span

WEEKDAYS = Value(
    "days such as `mon`, `mon-fri` or `daily`",
    values.weekdays,
    pattern="^(daily|(mon|tue|wed|thu|fri|sat|sun)(-(mon|tue|wed|thu|fri|sat|sun))?)$",
    spelling=True,
)
DATES = Value(
    "a date, or two with `to` between them",
    values.days,
    pattern=r"^\s*\d{4}-\d{2}-\d{2}(\s+to\s+\d{4}-\d{2}-\d{2})?\s*$",
    spelling=True,
)
WINDOW = Value(
    "a window such as `08:00-16:30`",
    values.window,
    pattern=r"^\d{2}:\d{2} ?- ?\d{2}:\d{2}$",
    spelling=True,
)


CLOSED_OR_WINDOWS = WordOr(
    "one or more windows, or `closed`", "closed", (), Several("one or more windows", WINDOW)
)


@dataclass(frozen=True, slots=True)
class Windows(Shape):
    """One window, a list of them, or `closed`."""

    def read(self, walk: Walk, node: nodes.Node, path: Path) -> Any:
        found = CLOSED_OR_WINDOWS.read(walk, node, path)
        if found is MISSING:
            return MISSING
        taken: list[tuple[int, int, Window]] = []
        for i, one in enumerate(found):
            start, end = values.minutes(one)
            clash = next((w for s, e, w in taken if start < e and s < end), None)
            if clash is not None:
                walk.tell("windows-overlap", walk.where((*path, i)),
                          f"this window overlaps `{spelt(clash)}` in the same list",
                          "make one window of the two",
                          related=((walk.where((*path, found.index(clash))), "the other"),))  # fmt: skip
                return MISSING
            taken.append((start, end, one))
        return tuple(one for _, _, one in sorted(taken, key=lambda t: t[0]))

    def schema(self) -> Schema:
        return CLOSED_OR_WINDOWS.schema()


def spelt(one: Window) -> str:
    """A window as a charter writes it."""
    end = "24:00" if one.end is None else f"{one.end:%H:%M}"
    return f"{one.start:%H:%M}-{end}"


WINDOWS = Windows("one or more windows, or `closed`")


@dataclass(frozen=True, slots=True)
class Calendar(Shape):
    """A mapping from days to windows, in which no day may be named twice."""

    day: Value
    days_of: Callable[[Any], Sequence[Any]]  # from the key's value to the days it means

    def read(self, walk: Walk, node: nodes.Node, path: Path) -> Any:
        walk.spans[path] = node.span
        if not isinstance(node, nodes.Mapping):
            walk.tell("wrong-type", node.span, f"{self.what} is expected here",
                      "write days, a colon, and windows: `mon-fri: 08:00-16:30`")  # fmt: skip
            return MISSING
        found: dict[Any, tuple[Window, ...]] = {}
        by: dict[Any, tuple[Span, str]] = {}
        for text, key, value in pairs_of(walk, node, self.what):
            days = self.day.take(walk, key)
            windows = WINDOWS.read(walk, value, (*path, text))
            if days is MISSING:
                continue
            walk.dates -= len(self.days_of(days))
            if walk.dates < 0:
                walk.tell("too-many", key.span, f"more than {MOST_DATES} dated days in all",
                          "change the weekly windows instead")  # fmt: skip
                return MISSING
            for day in self.days_of(days):
                if day in by:
                    span, word = by[day]
                    walk.tell("days-overlap", key.span,
                              f"{day_name(day)} is in {values.quoted(text)} and in {values.quoted(word)}",
                              "name every day once", related=((span, "the other"),))  # fmt: skip
                    break
                by[day] = (key.span, text)
                if windows is not MISSING:
                    found[day] = windows
        return found

    def schema(self) -> Schema:
        return {
            "type": "object",
            "propertyNames": self.day.schema(),
            "additionalProperties": WINDOWS.schema(),
        }


@dataclass(frozen=True, slots=True)
class Stretches(Shape):
    """Stretches of dates that have no day in common."""

    def read(self, walk: Walk, node: nodes.Node, path: Path) -> Any:
        found = STRETCHES.read(walk, node, path)
        if found is MISSING:
            return MISSING
        walk.dates -= 2 * len(found)  # each has two days on which everything may change
        if walk.dates < 0:
            walk.tell("too-many", node.span, f"more than {MOST_DATES} dated days in all",
                      "make longer stretches of them")  # fmt: skip
            return MISSING
        ordered = sorted(range(len(found)), key=lambda i: found[i])
        for before, after in pairwise(ordered):
            if found[after][0] <= found[before][1]:
                walk.tell("days-overlap", walk.where((*path, after)),
                          f"`{found[after][0]}` is in two stretches of this term",
                          "make one stretch of the two",
                          related=((walk.where((*path, before)), "the other"),))  # fmt: skip
                return MISSING
        return found

    def schema(self) -> Schema:
        return STRETCHES.schema()


STRETCHES = Several("one or more stretches of dates such as `2030-09-03 to 2030-12-18`", DATES)
TERM = Stretches(STRETCHES.what)


def day_name(day: int | date) -> str:
    return f"`{values.DAYS[day]}`" if isinstance(day, int) else f"`{day}`"


def _each_date(ends: tuple[date, date]) -> list[date]:
    first, last = ends
    return [first + timedelta(days=i) for i in range((last - first).days + 1)]


WEEKLY = Calendar("a mapping from days of the week to windows", WEEKDAYS, lambda days: days)
EXCEPTIONS = Calendar("a mapping from dates to windows", DATES, _each_date)


def weekly(found: Mapping[int, tuple[Window, ...]]) -> tuple[tuple[Window, ...], ...]:
    """Seven entries, Monday first."""
    return tuple(found.get(day, ()) for day in range(7))
