"""Marks as numbers of which some bits are known: reading and computing them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from netcharter.readback.keys import Around, Term, term
from netcharter.readback.sources import BitSource, Fixed, Limits, Source
from netcharter.readback.state import ALL_BITS, Bits, Course
from netcharter.readback.telling import expression_text
from netcharter.readback.values import width

UNKNOWN: Bits = (0, 0)


@dataclass(frozen=True, slots=True)
class Computed:
    """A value: each part of the box with what is known of it there."""

    of: Callable[[Course], list[tuple[Limits, Bits]]]


def computed(said: Any, around: Around) -> Computed:
    """The value of an expression without maps; what is not understood has no known bits."""
    if isinstance(said, int) and not isinstance(said, bool):
        fixed: Bits = (ALL_BITS, said & ALL_BITS)
        return Computed(lambda course: [((), fixed)])
    if isinstance(said, dict) and len(said) == 1:
        ((kind, parts),) = said.items()
        if kind in _OPERATIONS and isinstance(parts, list) and len(parts) == 2:
            return _combined(_OPERATIONS[kind], *(computed(part, around) for part in parts))
        read = term(said, around, expression_text(said))
        return Computed(lambda course: list(_read(read, course)))
    return Computed(lambda course: [((), UNKNOWN)])


def changed_bits(said: Any, mark: str) -> int:
    """The bits in which a value may differ from the mark it is written to ("meta" or "ct")."""
    if isinstance(said, dict) and len(said) == 1:
        ((kind, parts),) = said.items()
        if kind == mark and isinstance(parts, dict) and parts.get("key") == "mark":
            return 0
        if kind in ("&", "|", "^") and isinstance(parts, list) and len(parts) == 2:
            constant = parts[1]
            if isinstance(constant, int) and not isinstance(constant, bool):
                touched = ~constant if kind == "&" else constant
                return changed_bits(parts[0], mark) | touched & ALL_BITS
    return ALL_BITS


def _read(read: Term, course: Course) -> Iterator[tuple[Limits, Bits]]:
    for case in read.read(course):
        yield case.limits, known_of(case.source, read.kind)


def known_of(source: Source, kind: str) -> Bits:
    """The bits known of a value from a source."""
    if isinstance(source, BitSource):
        return source.known & ALL_BITS, source.value & source.known & ALL_BITS
    if isinstance(source, Fixed) and len(source.values) == 1:
        low, high = source.values[0]
        if low == high <= ALL_BITS:
            return ALL_BITS, low
    return ALL_BITS & ~((1 << min(width(kind), 32)) - 1), 0


def _combined(operation: Callable[[Bits, Bits], Bits], left: Computed, right: Computed) -> Computed:
    def of(course: Course) -> list[tuple[Limits, Bits]]:
        return [
            ((*a_limits, *b_limits), operation(a, b))
            for a_limits, a in left.of(course)
            for b_limits, b in right.of(course)
        ]

    return Computed(of)


def both(a: Bits, b: Bits) -> Bits:
    """Bit-wise and."""
    zero = a[0] & ~a[1] | b[0] & ~b[1]
    return a[0] & b[0] | zero, a[1] & b[1]


def either(a: Bits, b: Bits) -> Bits:
    """Bit-wise or."""
    return a[0] & b[0] | a[1] | b[1], a[1] | b[1]


def unlike(a: Bits, b: Bits) -> Bits:
    """Bit-wise exclusive or."""
    known = a[0] & b[0]
    return known, (a[1] ^ b[1]) & known


def up(a: Bits, b: Bits) -> Bits:
    """Shifted to the left by a known number of places."""
    if b[0] != ALL_BITS or b[1] > 31:
        return UNKNOWN
    low = (1 << b[1]) - 1
    return (a[0] << b[1] | low) & ALL_BITS, a[1] << b[1] & ALL_BITS


def down(a: Bits, b: Bits) -> Bits:
    """Shifted to the right by a known number of places."""
    if b[0] != ALL_BITS or b[1] > 31:
        return UNKNOWN
    return a[0] >> b[1] | ALL_BITS & ~(ALL_BITS >> b[1]), a[1] >> b[1]


_OPERATIONS: dict[str, Callable[[Bits, Bits], Bits]] = {
    "&": both,
    "|": either,
    "^": unlike,
    "<<": up,
    ">>": down,
}
