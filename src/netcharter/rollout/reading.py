"""JSON from a disk, read strictly: a file cut short or tampered with is told, never trusted."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from typing import Any, TypeVar

from netcharter.rollout.trouble import StateBroken

MOST_NUMBER = 2**53  # beyond it other readers of JSON lose digits (RFC 8259, section 6)
T = TypeVar("T")


class Fields:
    """The fields of one JSON object, each asked for by name and kind.

    Every method raises StateBroken where the field is missing or of another kind.
    """

    def __init__(self, place: str, found: object) -> None:
        if not isinstance(found, dict):
            raise StateBroken(place, "an object in braces is expected")
        self.place = place
        self._found: Mapping[str, Any] = found

    def text(self, name: str) -> str:
        return str(self._of(name, str, "a text"))

    def whole(self, name: str) -> int:
        """A number without fraction, not below 0."""
        return int(self._bounded(name, self._of(name, int, "a whole number")))

    def number(self, name: str) -> float:
        """A number, not below 0."""
        found = self._of(name, (int, float), "a number")
        return self._bounded(name, found)

    def yes(self, name: str) -> bool:
        found = self._found.get(name)
        if not isinstance(found, bool):
            raise self.broken(name, "true or false")
        return found

    def instant(self, name: str) -> datetime:
        """A moment of UTC, written as `instant_text` does."""
        try:
            return datetime.strptime(self.text(name), INSTANT).replace(tzinfo=UTC)
        except ValueError:
            raise self.broken(name, "an instant as 2026-05-04T03:02:01Z") from None

    def texts(self, name: str) -> tuple[str, ...]:
        found = self._of(name, list, "a list of texts")
        if not all(isinstance(entry, str) for entry in found):
            raise self.broken(name, "a list of texts")
        return tuple(found)

    def table(self, name: str) -> Mapping[str, str]:
        found = self._of(name, dict, "a table of texts")
        if not all(isinstance(entry, str) for entry in found.values()):
            raise self.broken(name, "a table of texts")
        return dict(found)

    def objects(self, name: str) -> tuple[Fields, ...]:
        found = self._of(name, list, "a list of objects")
        return tuple(Fields(self.place, entry) for entry in found)

    def inside(self, name: str) -> Mapping[str, Fields]:
        """A table of objects."""
        found = self._of(name, dict, "a table of objects")
        return {key: Fields(self.place, entry) for key, entry in found.items()}

    def inside_or_null(self, name: str) -> Mapping[str, Fields | None]:
        """A table of objects, in which null may stand for one."""
        found = self._of(name, dict, "a table of objects")
        return {key: None if e is None else Fields(self.place, e) for key, e in found.items()}

    def keys(self, name: str) -> tuple[str, ...]:
        """The keys of a table, whatever it holds."""
        return tuple(self._of(name, dict, "a table"))

    def maybe(self, name: str, ask: Callable[[str], T]) -> T | None:
        """What `ask` finds, or None where the field is null or missing."""
        return None if self._found.get(name) is None else ask(name)

    def one_of(self, name: str, known: Iterable[T]) -> T:
        found = self.text(name)
        for entry in known:
            if entry == found:
                return entry
        raise self.broken(name, "a word that is known there")

    def broken(self, name: str, expected: str) -> StateBroken:
        return StateBroken(self.place, f"`{name}` is to be {expected}")

    def _of(self, name: str, kind: type[Any] | tuple[type[Any], ...], expected: str) -> Any:
        found = self._found.get(name)
        if not isinstance(found, kind) or isinstance(found, bool):
            raise self.broken(name, expected)
        return found

    def _bounded(self, name: str, found: float) -> float:
        if not 0 <= found <= MOST_NUMBER:
            raise self.broken(name, f"a number from 0 to {MOST_NUMBER}")
        return float(found)


INSTANT = "%Y-%m-%dT%H:%M:%SZ"


def instant_text(when: datetime) -> str:
    """A moment in UTC, to the second (RFC 3339)."""
    return when.astimezone(UTC).strftime(INSTANT)


def fields(place: str, data: bytes) -> Fields:
    """The object that a file holds. Raises StateBroken if it holds none."""
    if not data.strip(b"\0\t\n\r "):  # blocks of zeros are what some disks leave of a lost write
        raise StateBroken(place, "it is empty")
    try:
        return Fields(place, json.loads(data.decode("utf-8"), parse_constant=_no_number))
    except (ValueError, RecursionError) as problem:
        said = str(problem) or "nested too deep"
        raise StateBroken(place, f"it is cut short or no JSON ({said[:120]})") from None


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is no number")


def written(content: Mapping[str, object]) -> bytes:
    """One object per file, in an order that does not depend on chance."""
    return (json.dumps(content, ensure_ascii=False, indent=1) + "\n").encode("utf-8", "replace")


def line(content: Mapping[str, object]) -> str:
    """One object as one line."""
    return json.dumps(content, ensure_ascii=True)


def rounded(seconds: float) -> float:
    """Seconds as they are kept: to the millisecond, and finite."""
    if not math.isfinite(seconds):
        raise ValueError("seconds are to be finite")
    return round(seconds, 3)
