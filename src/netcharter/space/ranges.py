"""Sets of integers as tuples of inclusive intervals: ``((0, 3), (7, 7))`` is {0, 1, 2, 3, 7}.

A value of type `Ranges` is always normal: sorted, disjoint, no two intervals adjacent, so equal
sets are equal tuples. Every function here takes and returns normal values; only `ranges` accepts
intervals in any order, overlapping or touching. Integers are unbounded (IPv6 needs 128 bits).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable

Ranges = tuple[tuple[int, int], ...]

_EMPTY: Ranges = ()


def ranges(*pairs: tuple[int, int]) -> Ranges:
    """The set of all integers in any of the inclusive intervals `pairs`, normalised.

    Raises ValueError when an interval ends before it starts or starts below zero.
    """
    for low, high in pairs:
        if low > high or low < 0:
            raise ValueError(f"not an interval of natural numbers: {low}..{high}")
    return _merged(sorted(pairs))


def _merged(pairs: Iterable[tuple[int, int]]) -> Ranges:
    out: list[tuple[int, int]] = []
    for low, high in pairs:
        if out and low <= out[-1][1] + 1:
            if high > out[-1][1]:
                out[-1] = (out[-1][0], high)
        else:
            out.append((low, high))
    return tuple(out)


def union(*sets: Ranges) -> Ranges:
    """All integers that are in at least one of `sets`."""
    several = [one for one in sets if one]
    if len(several) == 1:
        return several[0]
    return _merged(sorted(pair for one in several for pair in one))


def _uneven(a: Ranges, b: Ranges) -> bool:
    """Whether `b` is so much longer that parts of it are taken whole rather than looked through."""
    return len(b) > 64 + 16 * len(a)


def _met(low: int, high: int, b: Ranges) -> tuple[int, int]:
    """The part of `b` that meets an interval, as a slice."""
    return bisect_left(b, low, key=_end), bisect_right(b, high, key=_begin)


def _begin(pair: tuple[int, int]) -> int:
    return pair[0]


def _end(pair: tuple[int, int]) -> int:
    return pair[1]


def intersect(a: Ranges, b: Ranges) -> Ranges:
    """The integers in both `a` and `b`."""
    if len(a) > len(b):
        a, b = b, a
    out: list[tuple[int, int]] = []
    if _uneven(a, b):
        for low, high in a:
            i, j = _met(low, high, b)
            if i < j:
                whole = slice(i + (b[i][0] < low), j - (b[j - 1][1] > high))
                if whole.start > i:
                    out.append((low, min(high, b[i][1])))
                out += b[whole]
                if whole.stop < j and j - 1 >= whole.start:
                    out.append((max(low, b[j - 1][0]), high))
        return tuple(out)
    i = j = 0
    while i < len(a) and j < len(b):
        low = max(a[i][0], b[j][0])
        high = min(a[i][1], b[j][1])
        if low <= high:
            out.append((low, high))
        if a[i][1] < b[j][1]:
            i += 1
        else:
            j += 1
    return tuple(out)


def subtract(a: Ranges, b: Ranges) -> Ranges:
    """The integers of `a` that are not in `b`."""
    out: list[tuple[int, int]] = []
    if _uneven(b, a):
        done = 0
        for low, high in b:
            i, j = _met(low, high, a)
            out += a[done:i]
            if i < j:
                first, last = (a[i] if done <= i else out.pop()), a[j - 1]
                if first[0] < low:
                    out.append((first[0], low - 1))
                if last[1] > high:  # and may be met by the next as well
                    out.append((high + 1, last[1]))
            done = max(done, j)
        return (*out, *a[done:])
    j = 0
    for low, high in a:
        while j < len(b) and b[j][1] < low:
            j += 1
        k = j
        while k < len(b) and b[k][0] <= high:
            if b[k][0] > low:
                out.append((low, b[k][0] - 1))
            low = b[k][1] + 1
            k += 1
        if low <= high:
            out.append((low, high))
    return tuple(out)


def full(size: int) -> Ranges:
    """All `size` values 0..size-1 (empty for size 0)."""
    return ((0, size - 1),) if size > 0 else _EMPTY


def complement(a: Ranges, size: int) -> Ranges:
    """The values of 0..size-1 that are not in `a`."""
    return subtract(full(size), a)


def size(a: Ranges) -> int:
    """How many integers `a` holds, exactly."""
    return sum(high - low + 1 for low, high in a)


def has(a: Ranges, value: int) -> bool:
    """Whether `value` is in `a`."""
    at = bisect_right(a, value, key=lambda pair: pair[0])
    return at > 0 and value <= a[at - 1][1]


def subset(a: Ranges, b: Ranges) -> bool:
    """Whether every integer of `a` is in `b`."""
    if a is b:
        return True
    if _uneven(b, a):
        return sum(_inside(low, high, a) for low, high in b) == len(a)
    if _uneven(a, b):
        return all(_within(low, high, b) for low, high in a)
    return not subtract(a, b)


def _inside(low: int, high: int, a: Ranges) -> int:
    """How many intervals of `a` lie within one as a whole."""
    return max(0, bisect_right(a, high, key=_end) - bisect_left(a, low, key=_begin))


def _within(low: int, high: int, b: Ranges) -> bool:
    """Whether an interval lies within one of `b`: of two that lie apart none holds it."""
    at = bisect_right(b, low, key=_begin)
    return at > 0 and high <= b[at - 1][1]


def disjoint(a: Ranges, b: Ranges) -> bool:
    """Whether no integer is in both."""
    if len(a) > len(b):
        a, b = b, a
    if _uneven(a, b):
        return all(i >= j for i, j in (_met(low, high, b) for low, high in a))
    return not intersect(a, b)
