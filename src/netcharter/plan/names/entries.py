"""What a list of names holds, kept small: about 30 bytes a name.

An entry is a normal name (`domains.normal`), the line of the list's file that says it, and what it
means: the name itself, what is below it, or both; listed, or spared (an exception that the list makes
to its own wider entries). Which of them a line says is a matter of its form: see `reading`.

    entries = Entries.of(["games.example", "bets.example"])   # each with what is below it
    for entry in entries: entry.name, entry.line, entry.itself, entry.below, entry.spared
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

ITSELF, BELOW, SPARED = 1, 2, 4
BOTH = ITSELF | BELOW


class Entry(NamedTuple):
    """One name that a line of a list says. line: from 1."""

    name: str
    line: int
    kind: int

    @property
    def itself(self) -> bool:
        return bool(self.kind & ITSELF)

    @property
    def below(self) -> bool:
        return bool(self.kind & BELOW)

    @property
    def spared(self) -> bool:
        return bool(self.kind & SPARED)


@dataclass(frozen=True, slots=True)
class Entries:
    """Names without anything between them, where each ends, its line and its kind; in the order of
    the list, repeats included. Nobody changes the arrays once it is made."""

    names: bytes = field(repr=False)
    ends: array[int] = field(repr=False)
    lines: array[int] = field(repr=False)
    kinds: bytes = field(repr=False)

    @staticmethod
    def of(names: Iterable[str], kind: int = BOTH) -> Entries:
        """Normal names, as if each stood on a line of its own."""
        gathering = Gathering()
        for line, name in enumerate(names, 1):
            gathering.add(name.encode("ascii"), line, kind)
        return gathering.done()

    def __len__(self) -> int:
        return len(self.ends)

    def __iter__(self) -> Iterator[Entry]:
        begin = 0
        for end, line, kind in zip(self.ends, self.lines, self.kinds, strict=True):
            yield Entry(self.names[begin:end].decode("ascii"), line, kind)
            begin = end

    def at(self, place: int) -> Entry:
        """The entry at a place, from 0."""
        begin = self.ends[place - 1] if place else 0
        name = self.names[begin : self.ends[place]].decode("ascii")
        return Entry(name, self.lines[place], self.kinds[place])


class Gathering:
    """Entries while they are read."""

    def __init__(self) -> None:
        self._names, self._kinds = bytearray(), bytearray()
        self._ends, self._lines = array("I"), array("I")

    def __len__(self) -> int:
        return len(self._ends)

    def add(self, name: bytes, line: int, kind: int) -> None:
        """name: normal, as ASCII."""
        self._names += name
        self._ends.append(len(self._names))
        self._lines.append(line)
        self._kinds.append(kind)

    def done(self) -> Entries:
        return Entries(bytes(self._names), self._ends, self._lines, bytes(self._kinds))
