"""Finding a name in several lists at once, and the line that says it.

    lookup = compiled({"gambling": reading.entries, ...})
    lookup.find("www.bets.example")     # one `Match` for each list that lists it, in their order
    lookup.first("www.bets.example", among=("gambling", "games"))     # the first of these, or None

Names are normal (`domains.normal`). In one list the entry decides that names the most of the name: one
of the name itself before what it is below of, and the nearer before the farther; of two entries for
the same name the one whose line is first. If that entry spares the name, the list does not list it.

All names stand in one row of bytes, found by an open table of their hashes (linear probing, a quarter
full at most: Knuth, The Art of Computer Programming 3, section 6.4). Python's hash of bytes is keyed
by chance in every process, so no list can be made up whose names collide. What is found is compared
whole, so the answer never depends on the hash. About 55 bytes a name, and a look-up takes a probe for
each label however many lists there are (benchmarks/FIGURES-names.md).
"""

from __future__ import annotations

from array import array
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from netcharter.plan.names.entries import BELOW, ITSELF, SPARED, Entries

MOST_BYTES = 1 << 32  # of all names together: places are kept in four bytes


class Match(NamedTuple):
    """Why a list lists a name. entry: the name that the list says; line: where, from 1; below: the
    name that was looked for is below the entry, and not the entry itself."""

    list: str
    entry: str
    line: int
    below: bool


@dataclass(frozen=True, slots=True)
class Lookup:
    """Lists, compiled. Places count the entries of all lists, in order; chain: the next place (from
    1) with the same name, 0 for none; table: the first place (from 1) of a name, at its hash."""

    lists: tuple[str, ...]
    names: bytes = field(repr=False)
    starts: array[int] = field(repr=False)
    lines: array[int] = field(repr=False)
    kinds: bytes = field(repr=False)
    owners: array[int] = field(repr=False)
    chain: array[int] = field(repr=False)
    table: array[int] = field(repr=False)

    def find(self, name: str) -> tuple[Match, ...]:
        """Every list that lists a name, and by which entry."""
        decided = self._decided(name)
        if not decided:
            return ()
        kinds, order = self.kinds, sorted(decided) if len(decided) > 1 else decided
        return tuple(
            [
                self._match(decided[owner], name)
                for owner in order
                if not kinds[decided[owner]] & SPARED
            ]
        )

    def first(self, name: str, among: Collection[str] | None = None) -> Match | None:
        """The first list, in the order of compiling, that lists a name."""
        for match in self.find(name):
            if among is None or match.list in among:
                return match
        return None

    def place(self, key: bytes) -> int:
        """The first place (from 1) whose name is exactly this, 0 if there is none."""
        at, mask = hash(key), len(self.table) - 1
        while found := self.table[at & mask]:
            if self.names[self.starts[found - 1] : self.starts[found]] == key:
                return found
            at = (at & mask) + 1
        return 0

    def saying(self, key: bytes, wanted: int) -> int:
        """The first place (from 1) of exactly this name that means `wanted` (ITSELF or BELOW) in
        whichever list, 0 if there is none."""
        found = self.place(key)
        while found and not self.kinds[found - 1] & wanted:
            found = self.chain[found - 1]
        return found

    def _decided(self, name: str) -> dict[int, int]:
        """By list, the place of the entry that decides."""
        names, starts, table, kinds = self.names, self.starts, self.table, self.kinds
        key, wanted, mask = name.encode("ascii"), ITSELF, len(table) - 1
        decided: dict[int, int] = {}
        while True:
            at = hash(key) & mask
            while found := table[at]:
                if names[starts[found - 1] : starts[found]] == key:
                    while found:
                        place = found - 1
                        if kinds[place] & wanted:
                            decided.setdefault(self.owners[place], place)
                        found = self.chain[place]
                    break
                at = (at + 1) & mask
            dot = key.find(b".")
            if dot < 0:
                return decided
            key, wanted = key[dot + 1 :], BELOW

    def _match(self, place: int, name: str) -> Match:
        entry = self.names[self.starts[place] : self.starts[place + 1]].decode("ascii")
        return Match(self.lists[self.owners[place]], entry, self.lines[place], entry != name)


def compiled(lists: Mapping[str, Entries]) -> Lookup:
    """A look-up in these lists, about a second for a million names. Raises ValueError for more than
    4 GB of names."""
    names = b"".join(entries.names for entries in lists.values())
    if len(names) >= MOST_BYTES:
        raise ValueError("more than 4 GB of names")
    starts, lines, owners = array("I", [0]), array("I"), array("H")
    for number, entries in enumerate(lists.values()):
        offset = starts[-1]
        starts.extend(entries.ends if not offset else (end + offset for end in entries.ends))
        lines.extend(entries.lines)
        owners.extend(array("H", [number]) * len(entries))
    kinds = b"".join(entries.kinds for entries in lists.values())
    chain, table = _hashed(names, starts, kinds, owners)
    return Lookup(tuple(lists), names, starts, lines, kinds, owners, chain, table)


def _hashed(
    names: bytes, starts: array[int], kinds: bytes, owners: array[int]
) -> tuple[array[int], array[int]]:
    """The chain and the table of a `Lookup`. What a list says twice is in neither."""
    count = len(kinds)
    size = 1 << (4 * count).bit_length()
    chain, table, mask = array("I", bytes(4 * count)), array("I", bytes(4 * size)), size - 1
    begin = 0
    for place in range(count):
        end = starts[place + 1]
        key = names[begin:end]
        begin, at = end, hash(key) & mask
        while found := table[at]:
            if names[starts[found - 1] : starts[found]] == key:
                _append(chain, found, place, kinds, owners)
                break
            at = (at + 1) & mask
        else:
            table[at] = place + 1
    return chain, table


def _append(chain: array[int], found: int, place: int, kinds: bytes, owners: array[int]) -> None:
    """Put a place behind the others of its name, unless its list has said the same before; so no
    chain is longer than the lists have kinds of entries."""
    said = (owners[place], kinds[place])
    while True:
        other = found - 1
        if (owners[other], kinds[other]) == said:
            return
        if not chain[other]:
            chain[other] = place + 1
            return
        found = chain[other]
