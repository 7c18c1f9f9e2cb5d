"""A name in the stores of a list (`render/cdb.py`), as dnsdist finds it there, and the line that says it.

A constant database (CDB) begins with 256 tables' places and sizes, each twice four bytes, little
endian; a record is the lengths of key and value, and both; a slot of a table is a hash and the place
of a record (its format description, cr.yp.to/cdb/cdb.txt, from memory; the tests let tinycdb write
some). A file is read by pieces, so that a list of millions costs nothing here. What a broken file
says is bounded: nothing is looked for beyond as many steps as a table has slots, nor beyond `MOST`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from struct import unpack

from netcharter.plan.names.domains import suffixes, wire
from netcharter.plan.names.lookup import Match

MOST = 1_000  # steps of one search; a sound file has some
LONGEST = 20  # bytes of a value: a number

Piece = Callable[[int, int], bytes]  # from where, and how many bytes; shorter at the end
Open = Callable[[str], Piece | None]  # of a store's name; None: there is no such file


def value(piece: Piece, key: bytes) -> bytes | None:
    """What a file holds for a key."""
    hashed = _hash(key)
    place, slots = _pair(piece, hashed % 256 * 8)
    if not slots:
        return None
    for step in range(min(slots, MOST)):
        found, record = _pair(piece, place + (hashed // 256 + step) % slots * 8)
        if not record:
            return None
        if found != hashed:
            continue
        key_size, size = _pair(piece, record)
        if key_size == len(key) and piece(record + 8, key_size) == key:
            return piece(record + 8 + key_size, min(size, LONGEST))
    return None


def _pair(piece: Piece, place: int) -> tuple[int, int]:
    data = piece(place, 8)
    if len(data) < 8:
        return 0, 0
    first, second = unpack("<II", data)
    return first, second


def _hash(key: bytes) -> int:
    hashed = 5381
    for byte in key:
        hashed = ((hashed << 5) + hashed ^ byte) & 0xFFFFFFFF
    return hashed


def listed(found: str, name: str, open_store: Open) -> Match | None:
    """The entry of a list that lists a normal name; None where none does, or there are no stores."""
    itself = _line(open_store("exact"), name)
    if itself is not None:
        return Match(found, name, itself, below=False)
    if _line(open_store("spared"), name) is not None:
        return None
    match = _longest(found, open_store("below-again"), name)
    if match is not None:
        return match
    if _longest(found, open_store("below-spared"), name) is not None:
        return None
    return _longest(found, open_store("below"), name)


def _longest(found: str, piece: Piece | None, name: str) -> Match | None:
    for above in _above(piece, name):
        line = _line(piece, above)
        if line is not None:
            return Match(found, above, line, below=above != name)
    return None


def _above(piece: Piece | None, name: str) -> Iterable[str]:
    return suffixes(name) if piece is not None and name else ()


def _line(piece: Piece | None, name: str) -> int | None:
    text = value(piece, wire(name)) if piece is not None and name else None
    return int(text) if text is not None and text.isdigit() else None
