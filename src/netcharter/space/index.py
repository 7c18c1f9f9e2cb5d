"""Per field, what the engine looks up: masks of sets, and which boxes overlap or contain a set.

Rules are numbered by bit in order of precedence. Per distinct set, `over` has the bits of all boxes
whose set in this field overlaps it, `inside` the bits of all boxes whose set contains it. Both come
from one table, the boxes that hold each atom: OR and AND over the atoms of the set, which lie in
few runs, so a fold over blocks answers without touching every pair of sets.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Sequence

from netcharter.space.atoms import Atoms, lift
from netcharter.space.bits import bits, lowest, mask_of, runs
from netcharter.space.ranges import Ranges, full

_BLOCK = 16
_SAMPLES = 6


class FieldIndex:
    """One field of a list of boxes. `sets[bit]` is the raw set of box `bit`."""

    def __init__(self, size: int, sets: Sequence[Ranges], named: Iterable[Ranges]) -> None:
        self.boxes = len(sets)
        members: dict[Ranges, list[int]] = {}
        for bit, values in enumerate(sets):
            members.setdefault(values, []).append(bit)
        self.atoms = Atoms.of(size, [*members, *named])
        self.ids = {values: i for i, values in enumerate(members)}
        self.of_box = [self.ids[values] for values in sets]
        self.masks = [self._fresh_mask(values) for values in members]
        owners = [mask_of(found) for found in members.values()]
        self.holders = self._holders(owners, list(members), size)
        fold_or = _Fold(self.holders, int.__or__, 0)
        fold_and = _Fold(self.holders, int.__and__, (1 << self.boxes) - 1)
        self.over = [fold_or.over(mask) for mask in self.masks]
        self.inside = [fold_and.over(mask) for mask in self.masks]
        self.box_masks = [self.masks[i] for i in self.of_box]
        self._ordered = len(self.atoms)  # up to here, atoms are numbered by smallest value
        self._samples: dict[int, tuple[int, ...]] = {}
        self._rank_atoms()

    def _fresh_mask(self, values: Ranges) -> int:
        """Atoms are numbered by smallest value, so those of a named set are a few runs."""
        mask = 0
        for low, high in values:
            first = bisect_left(self.atoms.representatives, low)
            last = bisect_right(self.atoms.representatives, high)
            mask |= ((1 << (last - first)) - 1) << first
        return mask

    def _holders(self, owners: list[int], sets: list[Ranges], size: int) -> list[int]:
        always, toggles = 0, dict[int, int]()
        for owner, values in zip(owners, sets, strict=True):
            if values == full(size):
                always |= owner
                continue
            for low, high in values:
                toggles[low] = toggles.get(low, 0) ^ owner
                toggles[high + 1] = toggles.get(high + 1, 0) ^ owner
        out: list[int] = []
        state, places, at = always, sorted(toggles), 0
        for value in self.atoms.representatives:
            while at < len(places) and places[at] <= value:
                state ^= toggles[places[at]]
                at += 1
            out.append(state)
        return out

    def _rank_atoms(self) -> None:
        self._held = [held.bit_count() for held in self.holders]
        self._least = sorted(range(len(self.holders)), key=self._held.__getitem__)[:_SAMPLES]

    def resolve(self, values: Ranges) -> int:
        """The id of a set, refining the atoms if it cuts any."""
        known = self.ids.get(values)
        if known is not None:
            return known
        mask = self.atoms.mask(values)
        if mask is None:
            self._refine(values)
            mask = self.atoms.mask(values)
        if mask is None:
            raise AssertionError("refining by a set must make it a union of atoms")
        over, inside = 0, (1 << self.boxes) - 1
        for atom in bits(mask):
            over |= self.holders[atom]
            inside &= self.holders[atom]
        self.ids[values] = len(self.masks)
        self.masks.append(mask)
        self.over.append(over)
        self.inside.append(inside)
        return len(self.masks) - 1

    def _refine(self, values: Ranges) -> None:
        self.atoms, splits = self.atoms.refine([values])
        self.masks = [lift(mask, splits) for mask in self.masks]
        self.box_masks = [self.masks[i] for i in self.of_box]
        self.holders.extend(self.holders[old] for old, _ in splits)
        self._samples.clear()
        self._rank_atoms()

    def smallest(self, mask: int) -> int:
        """The atom with the smallest value in a set that is not empty."""
        if mask.bit_length() <= self._ordered:
            return lowest(mask)
        late = [self._ordered + at for at in bits(mask >> self._ordered)]
        early = mask & ((1 << self._ordered) - 1)
        if early:
            late.append(lowest(early))
        return min(late, key=self.atoms.representatives.__getitem__)

    def samples(self, mask: int) -> tuple[int, ...]:
        """A few atoms of a set that is not empty, preferring those held by the fewest boxes."""
        known = self._samples.get(mask)
        if known is None:
            found = bits(mask) if mask.bit_count() <= 32 else list(self._spread(mask))
            found.sort(key=self._held.__getitem__)
            known = self._samples[mask] = tuple(found[:_SAMPLES])
        return known

    def _spread(self, mask: int) -> set[int]:
        found = {atom for atom in self._least if mask >> atom & 1}
        width = mask.bit_length()
        for step in range(24):
            rest = mask >> (step * width // 24)
            found.add(step * width // 24 + (rest & -rest).bit_length() - 1)
        return found


class _Fold:
    """An associative operation over any run of a table, from partial results over blocks."""

    def __init__(self, table: list[int], op: Callable[[int, int], int], neutral: int) -> None:
        self.table, self.op, self.neutral = table, op, neutral
        blocks = [
            self._plain(neutral, at, min(at + _BLOCK, len(table)))
            for at in range(0, len(table), _BLOCK)
        ]
        self.leaves = len(blocks)
        self.tree = [neutral] * self.leaves + blocks
        for node in range(self.leaves - 1, 0, -1):
            self.tree[node] = op(self.tree[2 * node], self.tree[2 * node + 1])

    def _plain(self, value: int, first: int, last: int) -> int:
        for at in range(first, last):
            value = self.op(value, self.table[at])
        return value

    def over(self, mask: int) -> int:
        """The operation over all table rows whose bit is in `mask`."""
        value = self.neutral
        for first, last in runs(mask):
            value = self._run(value, first, last)
        return value

    def _run(self, value: int, first: int, last: int) -> int:
        left, right = -(-first // _BLOCK), last // _BLOCK
        if left >= right:
            return self._plain(value, first, last)
        value = self._plain(value, first, left * _BLOCK)
        value = self._plain(value, right * _BLOCK, last)
        left, right = left + self.leaves, right + self.leaves
        while left < right:
            if left & 1:
                value = self.op(value, self.tree[left])
                left += 1
            if right & 1:
                right -= 1
                value = self.op(value, self.tree[right])
            left, right = left >> 1, right >> 1
        return value
