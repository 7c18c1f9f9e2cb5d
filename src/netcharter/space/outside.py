"""What lies outside the universe, as few, large, possibly overlapping boxes.

The engine treats these boxes as covering boxes in front of every rule, so that points that do not
exist are never found, and no rule is praised for covering them.
"""

from __future__ import annotations

from collections.abc import Sequence

from netcharter.space.model import Field, RawBox
from netcharter.space.ranges import disjoint, full, intersect, subset, subtract, union


def outside(fields: Sequence[Field], universe: Sequence[RawBox]) -> tuple[RawBox, ...]:
    """Boxes whose union is everything that is in no box of `universe`."""
    pieces: list[RawBox] = [tuple(full(field.size) for field in fields)]
    if not all(pieces[0]):
        return ()
    for at, box in enumerate(universe):
        if not all(box):
            continue
        rest = [part for piece in pieces for part in _without(piece, box)]
        pieces = _largest([_grown(part, fields, universe[: at + 1]) for part in rest])
    return tuple(pieces)


def _without(piece: RawBox, box: RawBox) -> list[RawBox]:
    """The piece minus the box, as disjoint boxes."""
    if any(disjoint(a, b) for a, b in zip(piece, box, strict=True)):
        return [piece]
    parts: list[RawBox] = []
    rest = list(piece)
    for f, values in enumerate(box):
        left = subtract(rest[f], values)
        if left:
            parts.append((*rest[:f], left, *rest[f + 1 :]))
        rest[f] = intersect(rest[f], values)
    return parts


def _grown(piece: RawBox, fields: Sequence[Field], universe: Sequence[RawBox]) -> RawBox:
    """The piece, widened field by field as long as it stays clear of `universe`."""
    wide = list(piece)
    for f, field in enumerate(fields):
        forbidden = union(
            *(
                box[f]
                for box in universe
                if not any(disjoint(wide[g], box[g]) for g in range(len(fields)) if g != f)
            )
        )
        wide[f] = subtract(full(field.size), forbidden)
    return tuple(wide)


def _largest(pieces: Sequence[RawBox]) -> list[RawBox]:
    """Without those that lie within another."""
    kept: list[RawBox] = []
    for piece in dict.fromkeys(pieces):
        if not any(_within(piece, other) for other in kept):
            kept = [other for other in kept if not _within(other, piece)]
            kept.append(piece)
    return kept


def _within(piece: RawBox, other: RawBox) -> bool:
    return all(subset(a, b) for a, b in zip(piece, other, strict=True))
