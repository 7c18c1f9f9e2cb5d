"""A list of names as the files in which dnsdist looks it up: constant databases (CDB).

    layout = laid_out(reading.entries)
    for store in STORES: layout.records(store)     # text for `cdb -c FILE -`, in blocks
    LISTED                                         # Lua, once: the function `listed`
    listed("/var/lib/netcharter/lists/gambling")   # Lua: a rule that fits the names of the list

Keys are names as on the wire (RFC 1035 section 3.1) in lower case, values the number of the line that
says it. dnsdist finds a key by the whole name that was asked for (`KeyValueLookupKeyQName`) or by the
longest of its suffixes (`KeyValueLookupKeySuffix`), and a suffix may be the whole name. So one file
can't tell a name from what is below it, and none can make an exception. Five do, each with keys of
its own kind, and are always there, empty or not, since a list changes while the settings stay:

    exact         names listed by themselves
    spared        names not listed by themselves, though an entry for what is below says so
    below         names listed with all that is below them
    below-spared  within those: names spared with all that is below them
    below-again   within those again: names listed with all that is below them

Exceptions nested more deeply than that are refused as a list is read (`plan.names.nesting`). The type of a question makes no difference, so
addresses and service bindings (types 64 and 65, RFC 9460) are treated alike.

Putting a new version in place: write beside the old file, then rename. dnsdist looks at a file's time
once in `REFRESH` seconds, and takes a new file only if its time, in whole seconds, is later than that
of the one it has (its source, dnsdist-kvs.cc, tried with 1.7.3). So a file that is put back must be
given a later time, and so must one made in the second of the one before. A file that is not there
lists nothing; it is read as soon as it comes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from netcharter.plan.names.entries import BELOW, BOTH, ITSELF, SPARED, Entries
from netcharter.plan.names.lookup import Lookup, compiled
from netcharter.plan.names.nesting import Nesting
from netcharter.render.escape import lua_string

STORES = ("exact", "spared", "below", "below-spared", "below-again")
EXACT, EXCEPTED, FIRST_LEVEL = 1, 2, 3  # numbers of stores, from 1
REFRESH = 2  # seconds
BLOCK = 4_096  # records of one piece of text

LISTED = f"""\
function listed(folder)
    local function inside(store, key)
        local file = folder .. "/" .. store .. ".cdb"
        return KeyValueStoreLookupRule(newCDBKVStore(file, {REFRESH}), key)
    end
    local name, suffix = KeyValueLookupKeyQName(true), KeyValueLookupKeySuffix(1, true)
    return OrRule({{
        inside("exact", name),
        AndRule({{
            NotRule(inside("spared", name)),
            OrRule({{
                inside("below-again", suffix),
                AndRule({{
                    NotRule(inside("below-spared", suffix)),
                    inside("below", suffix),
                }}),
            }}),
        }}),
    }})
end
"""


def listed(folder: str) -> str:
    """A Lua expression: the rule that fits the names of the list whose files are in a folder."""
    return f"listed({lua_string(folder)})"


@dataclass(frozen=True, slots=True)
class Layout:
    """Which names of a list go into which store. below, alone: for each place of the lookup the
    number of a store, 0 for none; inherited: lines of names that are in a store for what an entry
    above them says."""

    lookup: Lookup = field(repr=False)
    below: bytes = field(repr=False)
    alone: bytes = field(repr=False)
    inherited: dict[int, int] = field(repr=False)

    def records(self, store: str) -> Iterator[bytes]:
        """The records of one store as `cdb -c` of Debian's tinycdb reads them (cdb(1), "Input/Output
        Format"): `+lengths:key->value`, and an empty line at the end."""
        number = STORES.index(store) + 1
        chosen = self.below if number >= FIRST_LEVEL else self.alone
        inherited = self.inherited if number < FIRST_LEVEL else {}
        found: list[bytes] = []
        place = chosen.find(number)
        while place >= 0:
            found.append(self._record(place, inherited))
            if len(found) == BLOCK:
                yield b"".join(found)
                found.clear()
            place = chosen.find(number, place + 1)
        yield b"".join([*found, b"\n"])

    def _record(self, place: int, inherited: dict[int, int]) -> bytes:
        lookup = self.lookup
        key = _wire(lookup.names[lookup.starts[place] : lookup.starts[place + 1]])
        value = b"%d" % inherited.get(place, lookup.lines[place])
        return b"+%d,%d:%b->%b\n" % (len(key), len(value), key, value)


def _wire(name: bytes) -> bytes:
    """A normal name as messages carry it."""
    return b"".join([_LENGTHS[len(label)] + label for label in name.split(b".")]) + b"\0"


_LENGTHS = tuple(bytes((length,)) for length in range(64))


def laid_out(entries: Entries) -> Layout:
    """The stores of a list, about a second for a million names."""
    lookup = compiled({"": entries})
    simple = not set(entries.kinds) - {ITSELF, BOTH}
    sorting = _Sorting(lookup)
    begin = 0
    for place in range(len(entries)):
        end = lookup.starts[place + 1]
        key = lookup.names[begin:end]
        begin = end
        if lookup.place(key) != place + 1:
            continue  # another entry of the same name has been sorted for both
        if simple:
            sorting.plainly(key)
        else:
            sorting.with_exceptions(key)
    return Layout(lookup, bytes(sorting.below), bytes(sorting.alone), sorting.inherited)


class _Sorting:
    """Names on their way into stores."""

    def __init__(self, lookup: Lookup) -> None:
        self._lookup = lookup
        self.below, self.alone = bytearray(len(lookup.kinds)), bytearray(len(lookup.kinds))
        self.inherited: dict[int, int] = {}
        self._nesting = Nesting(lookup)

    def plainly(self, key: bytes) -> None:
        """A name of a list without exceptions, in which what is below never comes without the name."""
        if below := self._lookup.saying(key, BELOW):
            self.below[below - 1] = FIRST_LEVEL
        else:
            self.alone[self._lookup.saying(key, ITSELF) - 1] = EXACT

    def with_exceptions(self, key: bytes) -> None:
        own, below = self._lookup.saying(key, ITSELF), self._lookup.saying(key, BELOW)
        above = self._nesting.level_above(key)
        level = self._nesting.level(key) if below else above
        if below and level:
            self.below[below - 1] = FIRST_LEVEL + level - 1
        listed = self._is_listed(own) if own else above % 2 == 1
        if listed != (level % 2 == 1):
            place = (own or below) - 1
            self.alone[place] = EXACT if listed else EXCEPTED
            if not own:
                self.inherited[place] = self._line_above(key)

    def _is_listed(self, found: int) -> bool:
        return not self._lookup.kinds[found - 1] & SPARED

    def _line_above(self, key: bytes) -> int:
        above = self._nesting.above(key)
        return self._lookup.lines[self._lookup.saying(above, BELOW) - 1] if above else 0
