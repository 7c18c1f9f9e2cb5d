"""Python integers as sets of small numbers: the handful of scans the room is built on."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

_RUN = re.compile("1+")


def bits(mask: int) -> list[int]:
    """The positions of the ones in `mask`, ascending."""
    out: list[int] = []
    if mask.bit_count() < 8:  # for few ones, arithmetic beats writing the number out
        while mask:
            low = mask & -mask
            out.append(low.bit_length() - 1)
            mask ^= low
        return out
    text = bin(mask)[:1:-1]
    at = text.find("1")
    while at >= 0:
        out.append(at)
        at = text.find("1", at + 1)
    return out


def lowest(mask: int) -> int:
    """The position of the lowest one. `mask` must not be 0."""
    return (mask & -mask).bit_length() - 1


def runs(mask: int) -> Iterator[tuple[int, int]]:
    """The maximal runs of ones, as half-open intervals of positions, ascending."""
    if not mask:
        return
    low, high = lowest(mask), mask.bit_length()
    if mask.bit_count() == high - low:
        yield low, high
        return
    for match in _RUN.finditer(bin(mask)[:1:-1]):
        yield match.span()


def mask_of(positions: Iterable[int]) -> int:
    """The integer with ones at exactly these positions."""
    places = list(positions)
    if len(places) < 8:
        out = 0
        for at in places:
            out |= 1 << at
        return out
    buffer = bytearray(max(places) // 8 + 1)
    for at in places:
        buffer[at >> 3] |= 1 << (at & 7)
    return int.from_bytes(buffer, "little")
