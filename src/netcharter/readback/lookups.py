"""Looking a key up in a set or map: its elements as boxes, few of them.

Elements that lead to the same and differ in one field only stand together in one box. Where the
key has a part that nobody knows, the rest of the element limits the box and a condition the rest.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Any

from netcharter.diagnostics import Span
from netcharter.readback.devices import Devices
from netcharter.readback.keys import Term
from netcharter.readback.sets import Sets
from netcharter.readback.sources import Case, FromField, Source, tested
from netcharter.readback.state import Course
from netcharter.readback.telling import expression_text
from netcharter.readback.values import PLAIN, NotUnderstood, domain, values
from netcharter.space.ranges import Ranges, union

Part = tuple[tuple[int, int], ...]  # (field, number of a set), ascending fields
Row = tuple[tuple[Ranges, ...], int]  # an element, and the number of what it leads to
MOST_COMPARED = 2_000_000  # pairs of pieces of a map that are looked at for overlaps


@dataclass(frozen=True, slots=True)
class Piece:
    """Part of the box that a look-up finds: limits, what it leads to, whether a condition that
    nobody knows stands beside.
    """

    part: Part
    data: int
    open: bool


@dataclass(slots=True, eq=False)
class Elements:
    """What a set or map holds. data: what elements lead to, by number; catch_all: the number of
    what all others lead to; strange: an element that could not be read.
    """

    rows: list[Row] = field(default_factory=list)
    data: list[Any] = field(default_factory=list)
    catch_all: int | None = None
    strange: str = ""
    _joined: Ranges | None = None

    def joined(self, kind: str, devices: Devices) -> Ranges | None:
        """All elements as one set, where they have one part and lead to nothing."""
        if self.strange or any(d is not None for d in self.data):
            return None
        if any(len(row) != 1 for row, _ in self.rows):
            return None
        if self._joined is None:
            everything = (domain(kind, devices),) if self.catch_all is not None else ()
            self._joined = union(*(row[0] for row, _ in self.rows), *everything)
        return self._joined


@dataclass(slots=True, eq=False)
class Lookup:
    """A key and the elements it is looked up in."""

    terms: tuple[Term, ...]
    elements: Elements
    words: str
    span: Span
    _found: dict[tuple[tuple[Case, ...], ...], tuple[Piece, ...]] = field(default_factory=dict)

    @property
    def data(self) -> list[Any]:
        return self.elements.data

    @property
    def catch_all(self) -> int | None:
        return self.elements.catch_all

    def pieces(self, course: Course, sets: Sets) -> tuple[Piece, ...]:
        """What may be found on a course; without the catch-all."""
        key = tuple(term.read(course) for term in self.terms)
        found = self._found.get(key)
        if found is None:
            found = tuple(_pieces(self, key, sets))
            if len(self.terms) > 1 and len(self.data) > 1:
                found = tuple(_doubtful(found, sets))
            self._found[key] = found
        return found

    def present(self, course: Course, sets: Sets) -> tuple[Part, ...]:
        """Where all parts of the key exist."""
        every = product(*(term.read(course) for term in self.terms))
        return tuple(_limits(sets, (case.limits for case in cases)) for cases in every)


@dataclass(slots=True)
class Reader:
    """Reads elements once for each kind of key they are looked up by."""

    devices: Devices
    _read: dict[tuple[int, tuple[str, ...], bool], Elements] = field(default_factory=dict)
    _values: dict[tuple[str, str], Ranges] = field(default_factory=dict)

    def named(self, said: list[Any], kinds: tuple[str, ...], with_data: bool) -> Elements:
        """The elements of a named set or map, which the listing keeps."""
        key = (id(said), kinds, with_data)
        if key not in self._read:
            self._read[key] = self.elements(said, kinds, with_data)
        return self._read[key]

    def elements(self, said: Iterable[Any], kinds: tuple[str, ...], with_data: bool) -> Elements:
        """Elements as nft lists them, as values of kinds."""
        numbers: dict[str, int] = {}
        found = Elements()
        for element in said:
            value, data = _split(element, with_data)
            told = "" if data is None else json.dumps(data, sort_keys=True)
            if told not in numbers:
                numbers[told] = len(found.data)
                found.data.append(data)
            if value == "*":
                found.catch_all = numbers[told]
                continue
            try:
                found.rows.append((self._element(value, kinds), numbers[told]))
            except NotUnderstood:
                found.strange = found.strange or expression_text(value)
        return found

    def _element(self, value: Any, kinds: tuple[str, ...]) -> tuple[Ranges, ...]:
        if len(kinds) == 1:
            return (self._value(value, kinds[0]),)
        parts = value.get("concat") if isinstance(value, dict) else None
        if not isinstance(parts, list) or len(parts) != len(kinds):
            raise NotUnderstood(expression_text(value))
        return tuple(self._value(part, kind) for part, kind in zip(parts, kinds, strict=True))

    def _value(self, said: Any, kind: str) -> Ranges:
        if not isinstance(said, str):
            return values(said, kind, self.devices)
        key = (kind, said)
        if key not in self._values:
            self._values[key] = values(said, kind, self.devices)
        return self._values[key]


def _split(element: Any, with_data: bool) -> tuple[Any, Any]:
    data = None
    if with_data and isinstance(element, list) and len(element) == 2:
        element, data = element
    if isinstance(element, dict) and isinstance(element.get("elem"), dict):
        said = element["elem"]
        element = said.get("val") if said.keys() <= PLAIN else element
    return element, data


def _limits(sets: Sets, limits: Iterable[Iterable[tuple[int, Ranges]]]) -> Part:
    found: dict[int, int] = {}
    for some in limits:
        for at, inside in some:
            number = sets.of(inside)
            found[at] = sets.meet(found[at], number) if at in found else number
    return tuple(sorted(found.items()))


def _pieces(lookup: Lookup, key: tuple[tuple[Case, ...], ...], sets: Sets) -> Iterator[Piece]:
    for cases in product(*key):
        base = dict(_limits(sets, (case.limits for case in cases)))
        if 0 in base.values():
            continue
        sources = [case.source for case in cases]
        groups: dict[tuple[int, bool, tuple[int, ...]], list[tuple[int, ...]]] = {}
        tests = [_Tests(source) for source in sources]
        for row, data in lookup.elements.rows:
            made = _row_limits(row, tests, sets, base)
            if made is not None:
                limits, is_open = made
                fields = tuple(sorted(limits))
                groups.setdefault((data, is_open, fields), []).append(
                    tuple(limits[at] for at in fields)
                )
        for (data, is_open, fields), boxes in groups.items():
            for box in _merged(boxes, sets):
                yield Piece(tuple(zip(fields, box, strict=True)), data, is_open)


def _doubtful(pieces: Sequence[Piece], sets: Sets) -> Iterator[Piece]:
    """Pieces of a map, before them what lies in two that lead elsewhere: which of them is found is
    open. The kernel refuses most such elements, but takes 10.0.0.0/8 . 80 beside 10.1.1.1 . 1-1000.
    """
    field = pieces[0].part[0][0] if pieces and pieces[0].part else -1
    placed = sorted((_span(piece, field, sets), at) for at, piece in enumerate(pieces))
    compared = 0
    for place, (span, at) in enumerate(placed):
        for other_span, other in placed[place + 1 :]:
            if other_span[0] > span[1]:
                break
            compared += 1
            if compared > MOST_COMPARED:
                yield from (Piece(one.part, one.data, True) for one in pieces)
                return
            yield from _shared(pieces[max(at, other)], pieces[min(at, other)], sets)
    yield from pieces


def _span(piece: Piece, field: int, sets: Sets) -> tuple[int, int]:
    """The span of a piece in a field."""
    found = sets.ranges(dict(piece.part).get(field, 0))
    return (found[0][0], found[-1][1]) if found else (0, 1 << 200)


def _shared(later: Piece, earlier: Piece, sets: Sets) -> Iterator[Piece]:
    if later.data == earlier.data or later.open or earlier.open:
        return
    limits = dict(earlier.part)
    for at, number in later.part:
        limits[at] = sets.meet(limits[at], number) if at in limits else number
        if limits[at] == 0:
            return
    yield Piece(tuple(sorted(limits.items())), later.data, True)


class _Tests:
    """Tests of one source, remembered."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self._known: dict[Ranges, Ranges | bool | None] = {}

    def of(self, wanted: Ranges) -> Ranges | bool | None:
        if wanted not in self._known:
            self._known[wanted] = tested(self.source, wanted)
        return self._known[wanted]


def _row_limits(
    row: Sequence[Ranges], tests: Sequence[_Tests], sets: Sets, base: dict[int, int]
) -> tuple[dict[int, int], bool] | None:
    limits, is_open = dict(base), False
    for wanted, test in zip(row, tests, strict=True):
        result = test.of(wanted)
        if result is True:
            continue
        if result is None:
            is_open = True
        elif result is False or not result:
            return None
        else:
            assert isinstance(test.source, FromField)
            at, number = test.source.field, sets.of(result)
            limits[at] = sets.meet(limits[at], number) if at in limits else number
            if limits[at] == 0:
                return None
    return limits, is_open


def _merged(boxes: list[tuple[int, ...]], sets: Sets) -> list[tuple[int, ...]]:
    """Boxes that differ in one field only become one, field after field."""
    if len(boxes) == 1:
        return boxes
    for at in range(len(boxes[0])):
        groups: dict[tuple[int, ...], list[int]] = {}
        for box in boxes:
            groups.setdefault((*box[:at], *box[at + 1 :]), []).append(box[at])
        if len(groups) == len(boxes):
            continue
        boxes = [
            (*rest[:at], _joined(numbers, sets), *rest[at:]) for rest, numbers in groups.items()
        ]
    return boxes


def _joined(numbers: list[int], sets: Sets) -> int:
    if len(numbers) == 1:
        return numbers[0]
    return sets.of(union(*(sets.ranges(number) for number in set(numbers))))
