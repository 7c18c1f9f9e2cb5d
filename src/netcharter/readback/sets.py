"""Sets of integers by number: each distinct set is kept once, and what two have in common is
remembered, so that a walk over many rules does not intersect the same two twice.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right

from netcharter.space.ranges import Ranges, intersect, subtract

EMPTY = 0
_FEW = 16


class Sets:
    """Number 0 is the empty set. `work` counts what was really computed, in intervals."""

    def __init__(self) -> None:
        self._ranges: list[Ranges] = [()]
        self._numbers: dict[Ranges, int] = {(): EMPTY}
        self._meets: dict[tuple[int, int], int] = {}
        self._lacks: dict[tuple[int, int], int] = {}
        self.work = 0

    def of(self, found: Ranges) -> int:
        """The number of a set."""
        number = self._numbers.get(found)
        if number is None:
            number = len(self._ranges)
            self._numbers[found] = number
            self._ranges.append(found)
            self.work += len(found)
        return number

    def ranges(self, number: int) -> Ranges:
        """The set of a number."""
        return self._ranges[number]

    def meet(self, a: int, b: int) -> int:
        """What is in both."""
        if a == b:
            return a
        if a > b:
            a, b = b, a
        if a == EMPTY:
            return EMPTY
        found = self._meets.get((a, b))
        if found is None:
            found = self.of(self._intersected(self._ranges[a], self._ranges[b]))
            self._meets[a, b] = found
        return found

    def minus(self, a: int, b: int) -> int:
        """What is in `a` alone."""
        if a == b or a == EMPTY:
            return EMPTY
        if b == EMPTY:
            return a
        found = self._lacks.get((a, b))
        if found is None:
            first, second = self._ranges[a], self._ranges[b]
            self.work += len(first) + len(second)
            found = self.of(subtract(first, second))
            self._lacks[a, b] = found
        return found

    def within(self, a: int, b: int) -> bool:
        """Whether all of `a` is in `b`."""
        return self.meet(a, b) == a

    def _intersected(self, a: Ranges, b: Ranges) -> Ranges:
        if len(a) > len(b):
            a, b = b, a
        if len(a) > _FEW or len(b) < 4 * len(a):
            self.work += len(a) + len(b)
            return intersect(a, b)
        out: list[tuple[int, int]] = []
        for low, high in a:
            first = bisect_left(b, low, key=_high)
            last = bisect_right(b, high, key=_low)
            self.work += 1 + last - first
            out += [(max(low, x), min(high, y)) for x, y in b[first:last]]
        return tuple(out)


def _low(pair: tuple[int, int]) -> int:
    return pair[0]


def _high(pair: tuple[int, int]) -> int:
    return pair[1]
