"""Small charters for tests, with the place where a diagnostic is expected marked in the text."""

from __future__ import annotations

from dataclasses import dataclass, field

from netcharter.charter.read import Reading, Unreadable, read
from netcharter.diagnostics import Diagnostic

OPEN, CLOSE = "«", "»"
SECTIONS = {
    "charter": "charter: 1",
    "site": "site: {name: Somewhere, timezone: Europe/London}",
    "lines": "lines: {copper: {device: eth0}}",
    "areas": "areas: {office: {device: eth1, hosts: 5}}",
}


def charter(**sections: str) -> str:
    """A small charter that is right but for the given sections; "" leaves one out."""
    return "\n".join(text for text in (SECTIONS | sections).values() if text) + "\n"


@dataclass(frozen=True, slots=True)
class Case:
    """A text in which exactly one diagnostic is expected, at the marked stretch.

    said: a piece of its message or help.
    """

    id: str
    text: str | bytes
    said: str = ""
    severity: str = "error"
    files: dict[str, str | bytes] = field(default_factory=dict)
    file: str = "charter.yaml"


def case(id: str, said: str = "", severity: str = "error", **sections: str) -> Case:
    return Case(id, charter(**sections), said, severity)


def unmarked(text: str | bytes) -> tuple[str | bytes, tuple[int, int, int, int] | None]:
    """The text without its marks, and line, column, end line, end column of what they enclose."""
    if isinstance(text, bytes) or OPEN not in text:
        return text, None
    before, rest = text.split(OPEN)
    inner, after = rest.split(CLOSE)
    line, column = before.count("\n") + 1, len(before.rpartition("\n")[2]) + 1
    end = before + inner
    place = (line, column, end.count("\n") + 1, len(end.rpartition("\n")[2]) + 1)
    return before + inner + after, place


def reading(text: str | bytes, files: dict[str, str | bytes] | None = None) -> Reading:
    def load(name: str) -> str | bytes:
        if name not in (files or {}):
            raise Unreadable("there is no such file")
        return (files or {})[name]

    return read(text, "charter.yaml", load)


def one(text: str | bytes) -> Diagnostic:
    """The only diagnostic of a text."""
    found = reading(text).diagnostics
    assert len(found) == 1, [(d.id, d.message) for d in found]
    return found[0]
