"""What lies outside the universe, as few, large, possibly overlapping boxes.

The engine treats these boxes as covering boxes in front of every rule, so that points that do not
exist are never found, and no rule is praised for covering them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import prod

from netcharter.space.atoms import Atoms
from netcharter.space.bits import bits
from netcharter.space.cover import cover
from netcharter.space.model import Field, RawBox

_BUDGET = 1_000_000
_Box = tuple[int, ...]


def outside(fields: Sequence[Field], universe: Sequence[RawBox]) -> tuple[RawBox, ...]:
    """Boxes whose union is everything that is in no box of `universe`.

    Raises OverBudget if a universe is so ragged that it cannot be told.
    """
    if not all(field.size for field in fields):
        return ()
    atoms = [Atoms.of(field.size, {box[f] for box in universe}) for f, field in enumerate(fields)]
    boxes = [
        tuple(one.mask(values) or 0 for one, values in zip(atoms, box, strict=True))
        for box in universe
        if all(box)
    ]
    found: list[_Box] = []
    for piece in _gaps([one.full for one in atoms], boxes):
        if not any(_within(piece, other) for other in found):
            found.append(_largest(piece, atoms, boxes))
    return tuple(
        tuple(one.ranges(mask) for one, mask in zip(atoms, box, strict=True))
        for box in _needed(found, atoms)
    )


def _gaps(full: Sequence[int], boxes: Sequence[_Box]) -> Iterator[_Box]:
    """Disjoint boxes that together are the complement, field by field."""

    def walk(f: int, alive: Sequence[_Box], before: _Box) -> Iterator[_Box]:
        if not alive:
            yield (*before, *full[f:])
            return
        if any(box[f:] == tuple(full[f:]) for box in alive):
            return
        classes: dict[int, int] = {}
        for atom in bits(full[f]):
            holders = sum(1 << i for i, box in enumerate(alive) if box[f] >> atom & 1)
            classes[holders] = classes.get(holders, 0) | 1 << atom
        for holders, mask in classes.items():
            yield from walk(f + 1, [alive[i] for i in bits(holders)], (*before, mask))

    yield from walk(0, boxes, ())


def _largest(piece: _Box, atoms: Sequence[Atoms], boxes: Sequence[_Box]) -> _Box:
    """The piece, widened as far as it stays clear of `boxes`, in the best of several orders."""
    width = len(atoms)
    orders = [[(f + start) % width for f in range(width)] for start in range(width)]
    grown = (_grown(piece, order, atoms, boxes) for order in orders)
    return max(
        grown,
        key=lambda box: prod(
            mask.bit_count() / len(one) for mask, one in zip(box, atoms, strict=True)
        ),
    )


def _grown(
    piece: _Box, order: Sequence[int], atoms: Sequence[Atoms], boxes: Sequence[_Box]
) -> _Box:
    wide = list(piece)
    for f in order:
        allowed = atoms[f].full
        for box in boxes:
            if all(g == f or mask & box[g] for g, mask in enumerate(wide)):
                allowed &= ~box[f]
        wide[f] = allowed
    return tuple(wide)


def _needed(found: Sequence[_Box], atoms: Sequence[Atoms]) -> list[_Box]:
    """Without those that the others cover together."""
    columns = [[box[f] for box in found] for f in range(len(atoms))]
    holders = [
        [
            sum(1 << i for i, mask in enumerate(column) if mask >> atom & 1)
            for atom in range(len(one))
        ]
        for column, one in zip(columns, atoms, strict=True)
    ]
    kept = list(range(len(found)))
    for i in reversed(range(len(found))):
        others = [j for j in kept if j != i]
        if isinstance(cover(found[i], others, columns, holders, _BUDGET), int):
            kept = others
    return [found[i] for i in kept]


def _within(piece: _Box, other: _Box) -> bool:
    return all(a & ~b == 0 for a, b in zip(piece, other, strict=True))
