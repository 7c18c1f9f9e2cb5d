"""What became of a list's lines: counted by reason, with the first few and a quotation of one.

Lists are foreign text, a line may be anything: what is quoted is short, and what a terminal would act
on is written out (`diagnostics.escape`).
"""

from __future__ import annotations

from dataclasses import dataclass

from netcharter.diagnostics.escape import terminal

FIRST = 5  # lines whose numbers are kept, of each reason
SHOWN = 60  # bytes of a line that are quoted


@dataclass(frozen=True, slots=True)
class Told:
    """Lines of one kind. reason: completes "the line ..."; lines: the first few, from 1; quoted: what
    the first of them says, fit to be shown."""

    reason: str
    count: int
    lines: tuple[int, ...]
    quoted: str

    @property
    def first(self) -> int:
        return self.lines[0]


class Tally:
    """Lines while they are counted."""

    def __init__(self) -> None:
        self._counted: dict[str, tuple[list[int], list[int], bytes]] = {}

    def add(self, reason: str, line: int, raw: bytes) -> None:
        counted = self._counted.get(reason)
        if counted is None:
            self._counted[reason] = ([1], [line], bytes(raw[: SHOWN + 1]))
            return
        counted[0][0] += 1
        if len(counted[1]) < FIRST:
            counted[1].append(line)

    def told(self) -> tuple[Told, ...]:
        """The most frequent reason first."""
        found = [
            Told(reason, count[0], tuple(lines), quoted(raw))
            for reason, (count, lines, raw) in self._counted.items()
        ]
        return tuple(sorted(found, key=lambda told: (-told.count, told.reason)))


def quoted(raw: bytes) -> str:
    """The beginning of a line, fit to be shown on a terminal."""
    text = raw[:SHOWN].strip(b"\r\n").decode("utf-8", "backslashreplace")
    return terminal(text) + ("..." if len(raw) > SHOWN else "")
