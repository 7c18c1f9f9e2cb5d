"""Exceptions within exceptions: how often what is below a name is listed and spared in turn.

A list may list all below a name, spare what is below another one there, list again within that, and
so on. The files in which its names are looked up on a gateway (`render.cdb`) tell `LEVELS` turns
apart. An exception beyond is refused as its list is read, so that what is said of a list and what a
gateway does are one: all below it stays listed.
"""

from __future__ import annotations

from netcharter.plan.names.entries import BELOW, SPARED, Entries, Gathering
from netcharter.plan.names.lookup import Lookup, compiled

LEVELS = 3  # listed, spared within that, listed within that again


class Nesting:
    """The turns of the names of one list."""

    def __init__(self, lookup: Lookup) -> None:
        self._lookup = lookup
        self._levels: dict[bytes, int] = {}

    def level(self, key: bytes) -> int:
        """Of what is below a name for which there is an entry about that; odd: it is listed."""
        if key not in self._levels:
            above = self.level_above(key)
            place = self._lookup.saying(key, BELOW)
            listed = not self._lookup.kinds[place - 1] & SPARED
            self._levels[key] = above if listed == (above % 2 == 1) else above + 1
        return self._levels[key]

    def level_above(self, key: bytes) -> int:
        """Of what a name is below of; 0 where nothing is said of that."""
        above = self.above(key)
        return self.level(above) if above else 0

    def above(self, key: bytes) -> bytes:
        """The nearest name above for which there is an entry about what is below; empty if none."""
        while (dot := key.find(b".")) >= 0:
            key = key[dot + 1 :]
            if self._lookup.saying(key, BELOW):
                return key
        return b""


def too_deep(entries: Entries) -> tuple[int, ...]:
    """The places of exceptions that stand too deeply within others. Without them there are no more
    than `LEVELS` turns, since a turn beyond begins with one of them."""
    excepted = [at for at, kind in enumerate(entries.kinds) if kind & SPARED and kind & BELOW]
    if len(excepted) * 2 <= LEVELS:
        return ()
    nesting = Nesting(compiled({"": entries}))
    return tuple(at for at in excepted if nesting.level(entries.at(at).name.encode()) > LEVELS)


def without(entries: Entries, places: tuple[int, ...]) -> Entries:
    """All but those at some places."""
    found, left = Gathering(), frozenset(places)
    for at, entry in enumerate(entries):
        if at not in left:
            found.add(entry.name.encode(), entry.line, entry.kind)
    return found.done()
