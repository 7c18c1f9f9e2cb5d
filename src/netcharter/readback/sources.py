"""Where the value of a field comes from while a box is looked at, and tests of such values.

A `Case` is a part of the box (limits per field) in which the value comes from one source. Packets
in no case lack the field: a rule that looks at it does not match them, not even with `!=`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from netcharter.readback.state import ALL_BITS
from netcharter.readback.values import base, width
from netcharter.space.ranges import Ranges, intersect, ranges, subset, subtract

How = Callable[[Ranges], Ranges | None]
"""Turns wanted values into values of a field of the box; None where they are too many to list."""
MOST_PIECES = 1 << 16


@dataclass(frozen=True, slots=True)
class FromField:
    """A field of the box; the last of `how` is asked first."""

    field: int
    how: tuple[How, ...] = ()

    def wanted(self, found: Ranges) -> Ranges | None:
        for one in reversed(self.how):
            turned = one(found)
            if turned is None:
                return None
            found = turned
        return found


@dataclass(frozen=True, slots=True)
class Fixed:
    """One of these values, whatever the packet; which of several, nobody knows."""

    values: Ranges


@dataclass(frozen=True, slots=True)
class BitSource:
    """A number of which the bits in `known` are known."""

    known: int
    value: int


@dataclass(frozen=True, slots=True)
class Open:
    """Something that a first packet alone does not settle."""


Source = FromField | Fixed | BitSource | Open
Limits = tuple[tuple[int, Ranges], ...]


@dataclass(frozen=True, slots=True)
class Case:
    """Within these limits the value has this source."""

    limits: Limits
    source: Source


ABSENT: tuple[Case, ...] = ()


def fixed(value: int) -> tuple[Case, ...]:
    return (Case((), Fixed(((value, value),))),)


OPEN = (Case((), Open()),)


def tested(source: Source, wanted: Ranges) -> Ranges | bool | None:
    """Whether the value is wanted: a set for the source's field, yes, no, or None: open."""
    if isinstance(source, FromField):
        return source.wanted(wanted)
    if isinstance(source, Fixed):
        if subset(source.values, wanted):
            return True
        return None if intersect(source.values, wanted) else False
    if isinstance(source, BitSource):
        yes = any(_possible(source, low, high) for low, high in wanted)
        if not yes:
            return False
        rest = subtract(((0, ALL_BITS),), wanted)
        return None if any(_possible(source, low, high) for low, high in rest) else True
    return None


def _possible(source: BitSource, low: int, high: int) -> bool:
    """Whether a number from low to high has the known bits."""
    known = source.known & ALL_BITS
    return _next(low, known, source.value & known) <= min(high, ALL_BITS)


def _next(low: int, known: int, value: int) -> int:
    """The smallest number >= low with the known bits; beyond ALL_BITS where there is none."""
    if low & known == value:
        return low
    best = ALL_BITS + 1
    for bit in range(32):  # the highest bit in which the number exceeds low
        one = 1 << bit
        if low & one or (known & one and not value & one):
            continue
        above = ~(2 * one - 1) & ALL_BITS
        if low & above & known != value & above:
            continue
        best = min(best, low & above | one | value & (one - 1))
    return best


def masked(source: Source, mask: int, kind: str) -> Source:
    """The value with only the bits of a mask."""
    if isinstance(source, BitSource):
        return BitSource(source.known | ~mask & ALL_BITS, source.value & mask)
    if isinstance(source, Fixed):
        return changed(source, lambda value: value & mask)
    if isinstance(source, FromField):
        return FromField(source.field, (*source.how, under(mask, kind)))
    return source


def operated(source: Source, operation: str, constant: int) -> Source:
    """The value after `|`, `^`, `<<` or `>>` with a constant: known where its bits are."""
    compute = _COMPUTE.get(operation)
    if compute is None or not 0 <= constant <= ALL_BITS:
        return Open()
    if isinstance(source, Fixed):
        return changed(source, lambda value: compute(value, constant) & ALL_BITS)
    if not isinstance(source, BitSource):
        return Open()
    known, value = source.known & ALL_BITS, source.value
    if operation == "|":
        return BitSource(known | constant, value | constant)
    if operation == "^":
        return BitSource(known, value ^ constant & known)
    if constant > 31:
        return Open()
    shifted = compute(value, constant) & ALL_BITS
    filled = (1 << constant) - 1 if operation == "<<" else ALL_BITS & ~(ALL_BITS >> constant)
    return BitSource(compute(known, constant) & ALL_BITS | filled, shifted)


_COMPUTE: dict[str, Callable[[int, int], int]] = {
    "|": lambda value, constant: value | constant,
    "^": lambda value, constant: value ^ constant,
    "<<": lambda value, constant: value << constant if constant < 64 else 0,
    ">>": lambda value, constant: value >> constant,
}


def changed(source: Fixed, how: Callable[[int], int]) -> Source:
    """Fixed values after a computation."""
    if sum(high - low + 1 for low, high in source.values) > 4096:
        return Open()
    found = {how(value) for low, high in source.values for value in range(low, high + 1)}
    return Fixed(ranges(*((value, value) for value in found)))


@lru_cache(maxsize=4096)
def under(mask: int, kind: str) -> How:
    """From wanted values of `x & mask` to x, for values of a kind."""
    bits, offset = width(kind), base(kind)

    @lru_cache(maxsize=256)
    def turned(found: Ranges) -> Ranges | None:
        top = offset + (1 << bits) - 1
        inside = intersect(found, ((offset, top),))
        pieces = unmasked(tuple((a - offset, b - offset) for a, b in inside), mask, bits)
        if pieces is None:
            return None
        return tuple((a + offset, b + offset) for a, b in pieces)

    return turned


def unmasked(found: Ranges, mask: int, bits: int) -> Ranges | None:
    """All x below 2**bits with x & mask in a set; None where they are too many to list."""
    whole = (1 << bits) - 1
    mask &= whole
    if mask == 0:
        return ((0, whole),) if found and found[0][0] == 0 else ()
    low_bits = (mask & -mask).bit_length() - 1
    step = 1 << low_bits
    gaps = [bit for bit in range(low_bits, bits) if not mask >> bit & 1]
    if not gaps:
        pairs = ((-(-a // step) * step, b // step * step + step - 1) for a, b in found)
        return ranges(*((a, b) for a, b in pairs if a <= b))
    fitting = _submasks(found, mask, MOST_PIECES >> min(len(gaps), 20))
    if fitting is None:
        return None
    pieces = fitting
    for bit in gaps:
        pieces = [p | extra for p in pieces for extra in (0, 1 << bit)]
    return ranges(*((p, p + step - 1) for p in pieces))


def _submasks(found: Ranges, mask: int, most: int) -> list[int] | None:
    """The values of `x & mask` within a set, unless more than `most`."""
    if sum(b - a + 1 for a, b in found) <= 4 * MOST_PIECES:
        inside = [v for a, b in found for v in range(a, b + 1) if v & ~mask == 0]
    elif mask.bit_count() <= 12:
        every = [0]
        for bit in range(mask.bit_length()):
            if mask >> bit & 1:
                every += [v | 1 << bit for v in every]
        inside = [v for v in every if any(a <= v <= b for a, b in found)]
    else:
        return None
    return inside if len(inside) <= most else None
