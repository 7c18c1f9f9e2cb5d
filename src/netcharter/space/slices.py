"""Boxes of raw ranges, cut at the ends of their intervals: what the independent checker is made of.

Nothing here is used by the engine, and nothing of the engine is used here.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TypeAlias

from netcharter.space.model import RawBox

Set: TypeAlias = tuple[tuple[int, int], ...]
Listed: TypeAlias = tuple[RawBox, bool]
"""A box, and whether it is marked."""


def touch(a: Set, b: Set) -> bool:
    """Whether a value is in both."""
    i = j = 0
    while i < len(a) and j < len(b):
        if a[i][1] < b[j][0]:
            i += 1
        elif b[j][1] < a[i][0]:
            j += 1
        else:
            return True
    return False


def common(a: Set, b: Set) -> Set:
    """The values that are in both."""
    if len(a) == 1 and len(b) == 1:
        low, high = max(a[0][0], b[0][0]), min(a[0][1], b[0][1])
        return ((low, high),) if low <= high else ()
    found, i, j = [], 0, 0
    while i < len(a) and j < len(b):
        low, high = max(a[i][0], b[j][0]), min(a[i][1], b[j][1])
        if low <= high:
            found.append((low, high))
        if a[i][1] <= b[j][1]:
            i += 1
        else:
            j += 1
    return tuple(found)


def meet(a: RawBox, b: RawBox) -> RawBox | None:
    """The box of the points that are in both, if there are any."""
    out = []
    for x, y in zip(a, b, strict=True):
        both = x if x == y else common(x, y)
        if not both:
            return None
        out.append(both)
    return tuple(out)


def reaches(box: RawBox, listed: Sequence[Listed], default: bool) -> bool:
    """Whether some point of `box` has a first match in `listed` that is marked, or no match at all
    while `default` is marked. `box` must not be empty."""
    parts: list[RawBox] = []
    marks: list[bool] = []
    for other, marked in listed:
        part = meet(box, other)
        if part is not None:
            parts.append(part)
            marks.append(marked)
            if part == box:
                break  # nothing after it is a first match here
    if not any(marks) and (not default or (parts and parts[-1] == box)):
        return False
    return _Slices(box, parts, marks, default).reaches(0, (1 << len(parts)) - 1)


class _Slices:
    """A box cut at every end of an interval, field by field; alike slices are tried once."""

    def __init__(
        self, box: RawBox, parts: Sequence[RawBox], marks: Sequence[bool], default: bool
    ) -> None:
        self.default = default
        self.marked = sum(1 << i for i, marked in enumerate(marks) if marked)
        alike = [alike_slices(box[f], [part[f] for part in parts]) for f in range(len(box))]
        alike.sort(key=len)
        self.slices = alike
        self.sure = sure_from(alike)
        self.known: dict[tuple[int, int], bool] = {}

    def reaches(self, level: int, alive: int) -> bool:
        sure = alive & self.sure[level]
        if sure:
            alive &= ((sure & -sure) << 1) - 1
        if not alive & self.marked and (sure or not self.default):
            return False
        if not alive:
            return self.default
        if sure & alive & -alive:
            return True  # the first match everywhere here, and marked, or we had left above
        found = self.known.get((level, alive))
        if found is None:
            smaller = {alive & signature for signature in self.slices[level]}
            found = any(self.reaches(level + 1, one) for one in smaller)
            self.known[level, alive] = found
        return found


def alike_slices(values: Set, sets: Sequence[Set]) -> set[int]:
    """The distinct collections of `sets` (bit per set, all within `values`) that hold some value."""
    owners: dict[Set, int] = {}
    for bit, one in enumerate(sets):
        owners[one] = owners.get(one, 0) | 1 << bit
    return set(weighed(values, list(owners.items())))


def weighed(values: Set, owned: Sequence[tuple[Set, int]]) -> dict[int, int]:
    """Per collection of owners of the sets (all within `values`): how many values just they hold."""
    flips: dict[int, int] = {low: 0 for low, _ in values}
    for one, owners in owned:
        for low, high in one:
            flips[low] = flips.get(low, 0) ^ owners
            flips[high + 1] = flips.get(high + 1, 0) ^ owners
    for _, high in values:
        flips.setdefault(high + 1, 0)
    gaps = {high + 1 for _, high in values} - {low for low, _ in values}
    found: dict[int, int] = {}
    state = 0
    ends = sorted(flips)
    for at, end in zip(ends, [*ends[1:], 0], strict=True):
        state ^= flips[at]
        if at not in gaps:
            found[state] = found.get(state, 0) + end - at
    return found


def meets(these: Sequence[RawBox], those: Sequence[RawBox]) -> list[RawBox]:
    """Where a box of these and a box of those meet, pair by pair."""
    return [both for one in these for other in those if (both := meet(one, other)) is not None]


def size(values: Set) -> int:
    """How many values it holds."""
    return sum(high - low + 1 for low, high in values)


def sure_from(slices: Sequence[Collection[int]]) -> list[int]:
    """Per level, the bits that every slice holds, from that level on."""
    sure = [-1]
    for found in reversed(slices):
        held = sure[-1]
        for signature in found:
            held &= signature
        sure.append(held)
    return sure[::-1]
