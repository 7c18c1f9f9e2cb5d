"""Atoms: the classes of values of one field that no *named set* tells apart.

A named set is one that somebody wrote: an area's addresses, a service, a list of prefixes. Two
values belong to the same atom exactly if they belong to the same named sets, wherever they lie: a
list of 200 000 prefixes that nothing cuts is one atom, and an IPv6 address space costs what an
IPv4 one costs. A set of values then is a Python integer with bit i for atom i.

Atoms are numbered by their smallest value. Splits append: `Atoms.refine` keeps the number of every
old atom for the part that holds its smallest value and gives the other parts new numbers, so a
mask made earlier stays usable after `lift`.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from netcharter.space.bits import bits, mask_of
from netcharter.space.ranges import Ranges, ranges
from netcharter.space.ranges import size as count

Splits = tuple[tuple[int, int], ...]
"""Pairs (old bit, new bit): the new atom was cut from the old one."""


@dataclass(frozen=True, slots=True)
class Atoms:
    """The atoms of a field of `size` values. `starts` cuts 0..size-1 into intervals, each wholly
    inside one atom; `owners` says which. `weights` counts values, `representatives` are smallest.
    """

    size: int
    starts: tuple[int, ...]
    owners: tuple[int, ...]
    weights: tuple[int, ...]
    representatives: tuple[int, ...]

    @staticmethod
    def of(size: int, sets: Iterable[Ranges]) -> Atoms:
        """The atoms of 0..size-1 for the given named sets. Raises ValueError beyond the field."""
        start = (0,) if size > 0 else ()
        whole = Atoms(size, start, tuple(0 for _ in start), (size,) * len(start), start)
        return whole.refine(sets)[0]

    def __len__(self) -> int:
        return len(self.weights)

    @property
    def full(self) -> int:
        """The mask of all values."""
        return (1 << len(self.weights)) - 1

    def refine(self, sets: Iterable[Ranges]) -> tuple[Atoms, Splits]:
        """Atoms that also tell these sets' members from non-members, and what was split."""
        toggles = _toggles(self.size, sets)
        cuts = sorted(toggles.keys() | set(self.starts))
        owners: list[int] = []
        seen: dict[tuple[int, int], int] = {}
        kept = [False] * len(self)
        weights = [0] * len(self)
        representatives = list(self.representatives)
        splits: list[tuple[int, int]] = []
        signature, at = 0, -1
        known = {start: owner for start, owner in zip(self.starts, self.owners, strict=True)}
        for low, following in zip(cuts, [*cuts[1:], self.size], strict=True):
            signature ^= toggles.get(low, 0)
            at = known.get(low, at)
            atom = seen.get((at, signature))
            if atom is None:
                if not kept[at]:
                    kept[at], atom = True, at
                else:
                    atom = len(weights)
                    weights.append(0)
                    representatives.append(low)
                    splits.append((at, atom))
                seen[at, signature] = atom
            weights[atom] += following - low
            owners.append(atom)
        fine = Atoms(self.size, tuple(cuts), tuple(owners), tuple(weights), tuple(representatives))
        return fine, tuple(splits)

    def mask(self, values: Ranges) -> int | None:
        """The mask of a set, or None if the set cuts an atom (then `refine` first)."""
        members: set[int] = set()
        for low, high in values:
            first = bisect_right(self.starts, low) - 1
            last = bisect_right(self.starts, high)
            if self.starts[first] != low:
                return None
            if high + 1 != (self.starts[last] if last < len(self.starts) else self.size):
                return None
            members.update(self.owners[first:last])
        if sum(self.weights[atom] for atom in members) != count(values):
            return None
        return mask_of(members)

    def ranges(self, mask: int) -> Ranges:
        """The raw values of a mask."""
        ends = [*self.starts[1:], self.size]
        members = set(bits(mask))
        return ranges(
            *(
                (low, end - 1)
                for low, end, owner in zip(self.starts, ends, self.owners, strict=True)
                if owner in members
            )
        )

    def weigh(self, mask: int) -> int:
        """How many values a mask holds, exactly."""
        if mask == self.full:
            return self.size
        return sum(self.weights[atom] for atom in bits(mask))

    def smallest(self, mask: int) -> int:
        """The smallest value in a mask that is not empty."""
        return min(self.representatives[atom] for atom in bits(mask))


def lift(mask: int, splits: Sequence[tuple[int, int]]) -> int:
    """The mask, made before a refinement, of the same set of values after it."""
    for old, new in splits:  # in order: a new atom may be cut again by a later refinement
        if mask >> old & 1:
            mask |= 1 << new
    return mask


def _toggles(size: int, sets: Iterable[Ranges]) -> dict[int, int]:
    """At which values membership changes, and in which of the sets (bit per distinct set)."""
    toggles: dict[int, int] = {}
    bit = 1
    for values in dict.fromkeys(sets):
        for low, high in values:
            if high >= size:
                raise ValueError(f"{high} is beyond a field of {size} values")
            toggles[low] = toggles.get(low, 0) ^ bit
            if high + 1 < size:
                toggles[high + 1] = toggles.get(high + 1, 0) ^ bit
        bit <<= 1
    return toggles
