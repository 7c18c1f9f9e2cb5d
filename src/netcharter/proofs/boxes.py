"""Boxes less others, and what lies in both."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from netcharter.proofs.universe import DESTINATION, FIELDS, SOURCE
from netcharter.space.model import RawBox
from netcharter.space.ranges import intersect, subtract

NARROW_FIRST = sorted(range(len(FIELDS)), key=lambda field: field in (SOURCE, DESTINATION))


def without(boxes: Sequence[RawBox], others: Sequence[RawBox]) -> list[RawBox]:
    """Boxes less others, as disjoint boxes of each."""
    left = list(boxes)
    for other in others:
        left = [part for box in left for part in _peeled(box, other)]
    return left


def shared(boxes: Sequence[RawBox], others: Sequence[RawBox]) -> list[RawBox]:
    """What is in one of each."""
    return [both for box in boxes for other in others if all(both := _both(box, other))]


def _both(box: RawBox, other: RawBox) -> RawBox:
    return tuple(a if a == b else intersect(a, b) for a, b in zip(box, other, strict=True))


def _peeled(box: RawBox, other: RawBox) -> Iterator[RawBox]:
    """Field by field: what is left in the end lies in both."""
    common = list(box)
    for field in NARROW_FIRST:
        if box[field] != other[field]:
            common[field] = intersect(box[field], other[field])
        if not common[field]:
            yield box
            return
    for field, both in enumerate(common):
        rest = subtract(box[field], both) if both != box[field] else ()
        if rest:
            yield (*common[:field], rest, *box[field + 1 :])
