"""Which part of a box a rule's tests match: ordered alternatives, the first that fits counts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import count
from typing import Any, NamedTuple

from netcharter.diagnostics import Span
from netcharter.readback import operations as op
from netcharter.readback.keys import Term
from netcharter.readback.lookups import Lookup, Part
from netcharter.readback.notes import Notes
from netcharter.readback.sets import Sets
from netcharter.readback.shapes import Condition
from netcharter.readback.sources import BitSource, Fixed, FromField, Open, tested
from netcharter.readback.state import ALL_BITS, Box, Course, Held, State, given, narrowed
from netcharter.readback.telling import expression_text, statement_text
from netcharter.readback.values import DEVICE_KINDS

CHANGING = ("state", "status")  # kinds of values that are conntrack's
# Fields of a packet that nothing changes on its way but statements that write them.
STEADY = frozenset(
    f"{header} {field}"
    for header, fields in {
        "ip": "hdrlength dscp ecn length id",
        "ip6": "dscp ecn flowlabel length priority",
        "icmp": "gateway mtu",
        "icmpv6": "parameter-problem packet-too-big max-delay mtu taddr daddr",
        "tcp": "sequence ackseq doff reserved window urgptr",
        "udp": "length",
        "udplite": "csumcov",
        "sctp": "vtag",
        "meta": "length cpu nftrace secmark time day hour mark",
        "ct": "mark",
    }.items()
    for field in fields.split()
)
DRAWN = "(as drawn by "  # what the words of a lot hold
# The words of what may be about any field: raw payload, and sums over others.
RAW = ("@ll,", "@nh,", "@th,", "@ih,", "checksum")


class Alternative(NamedTuple):
    """Part of a box: does it match, and to what a map then leads. What is in no alternative does
    not match.
    """

    box: Box
    held: Held
    hit: bool
    data: Any = None


def told(words: str, terms: Sequence[Term], course: Course, name: str = "") -> str:
    """The words of a condition, apart from the same words where what they are about has another
    value. name: of the set that is looked in, as statements that fill it have it."""
    written = _written(words, (name, *(term.field for term in terms)), course)
    now = [text for term in terms for text in _now(term, course)]
    return f"{written} (with {', '.join(now)})" if now else written


def _each_time(words: str) -> Iterator[str]:
    """Other words for each time that something is asked which may answer otherwise then."""
    yield words
    yield from (f"{words}, time {number}" for number in count(2))


def _now(term: Term, course: Course) -> Iterator[str]:
    """What is known of a value that changes on a packet's way, where it is not read from the
    packet: marks, conntrack's state and status, devices where there is none yet; and where it is
    asked, if it may be another elsewhere (a hop more, a socket, a route)."""
    changes = term.kind in (*CHANGING, *DEVICE_KINDS) or term.field in ("meta mark", "ct mark")
    cases = term.read(course)
    if term.field not in STEADY and any(isinstance(case.source, Open) for case in cases):
        yield f"{term.words} in {course.hook}{' again' * course.looped}"
    for case in cases if changes else ():
        source = case.source
        if isinstance(source, BitSource) and source.known & ALL_BITS:
            yield f"{term.words} {source.known & ALL_BITS:#x}:{source.value & source.known:#x}"
        elif isinstance(source, Fixed):
            yield f"{term.words} {','.join(f'{low}-{high}' for low, high in source.values)}"


def _written(term_words: str, fields: tuple[str, ...], course: Course) -> str:
    raw = any(base in term_words for base in RAW)  # it may be about any field
    by = sorted(place for field, place in course.touched if raw or field in fields)
    if by:
        return f"{term_words} (as written by {', '.join(by)})"
    moved = ("daddr", "dport", "ct reply", *RAW) if course.destination or course.port else ()
    if course.source is not None or course.source_port is not None:
        moved = (*moved, "saddr", "sport", "ct reply", *RAW)
    if any(word in term_words for word in moved):
        return f"{term_words} (as translated)"
    return term_words


class Matcher:
    """Tests on states."""

    def __init__(self, sets: Sets, notes: Notes) -> None:
        self.sets = sets
        self.notes = notes

    def open(
        self,
        held: Held,
        words: str,
        true: bool,
        terms: Sequence[Term],
        course: Course,
        span: Span,
    ) -> Held | None:
        """The conditions with one that nobody knows, which is noted."""
        self.notes.outside(words, span)
        asked = told(words, terms, course)
        if not all(term.known for term in terms) or DRAWN in words:
            before = {condition.name for condition, _ in held}
            asked = next(name for name in _each_time(asked) if name not in before)
        return given(held, Condition("unread", asked), true)

    def alternatives(self, state: State, tests: op.Tests) -> list[Alternative]:
        """All tests, then the verdict map behind them, if there is one."""
        found = [Alternative(state.box, state.held, True)]
        for test in tests.tests:
            found = [
                new
                for old in found
                for new in (self._narrow(old, test, state.course) if old.hit else (old,))
            ]
            if not any(alternative.hit for alternative in found):
                return []
        if tests.vmap is None:
            return found
        course, vmap = state.course, tests.vmap
        return [
            new
            for old in found
            for new in (
                self.mapped(old, vmap, tests.living, tests.key, course) if old.hit else (old,)
            )
        ]

    def _narrow(self, old: Alternative, test: op.Test, course: Course) -> Iterator[Alternative]:
        if isinstance(test, op.Compare):
            return self._compare(old, test, course)
        if isinstance(test, op.Find):
            return self._find(old, test, course)
        if isinstance(test, op.Living):
            return self._living(old, test, course)
        if isinstance(test, op.Merged):
            return self._merged(old, test, course)
        if isinstance(test, op.Unread):
            return self._unread(old, test, course)
        held = given(old.held, test.condition, test.true)
        return iter(() if held is None else (Alternative(old.box, held, True),))

    def _compare(self, old: Alternative, test: op.Compare, course: Course) -> Iterator[Alternative]:
        wanted = test.unwanted if test.negated else test.wanted
        for case in test.term.read(course):
            limits = tuple((at, self.sets.of(inside)) for at, inside in case.limits)
            box = narrowed(self.sets, old.box, limits)
            if box is None:
                continue
            result = tested(case.source, wanted)
            if result is True:
                yield Alternative(box, old.held, True)
            elif result is None:
                terms = (test.term,)
                held = self.open(old.held, test.words, not test.negated, terms, course, test.span)
                if held is not None:
                    yield Alternative(box, held, True)
            elif result:
                assert isinstance(case.source, FromField)
                limit = (case.source.field, self.sets.of(result))
                met = narrowed(self.sets, box, (limit,))
                if met is not None:
                    yield Alternative(met, old.held, True)

    def _merged(self, old: Alternative, test: op.Merged, course: Course) -> Iterator[Alternative]:
        """Where all differ it matches; where only some do, perhaps."""
        sure = [old]
        for one in test.tests:
            sure = [new for found in sure for new in self._compare(found, one, course)]
        yield from sure
        held = self.open(old.held, test.words, True, (), course, test.span)
        if held is not None:
            for one in test.tests:
                yield from self._compare(Alternative(old.box, held, True), one, course)

    def _find(self, old: Alternative, test: op.Find, course: Course) -> Iterator[Alternative]:
        lookup = test.lookup
        if lookup.catch_all is None:
            for piece in lookup.pieces(course, self.sets):
                words = lookup.words if piece.open else ""
                yield from self._piece(old, piece.part, words, lookup, not test.negated, course)
        if test.negated or lookup.catch_all is not None:
            if test.negated and lookup.catch_all is not None:
                return
            for part in lookup.present(course, self.sets):
                yield from self._piece(old, part, "", lookup, True, course)

    def _piece(
        self,
        old: Alternative,
        part: Part,
        words: str,
        lookup: Lookup,
        hit: bool,
        course: Course,
        data: Any = None,
    ) -> Iterator[Alternative]:
        box = narrowed(self.sets, old.box, part)
        if box is None:
            return
        held: Held | None = old.held
        if words:
            held = self.open(old.held, words, True, lookup.terms, course, lookup.span)
        if held is not None:
            yield Alternative(box, held, hit, data)

    def _living(self, old: Alternative, test: op.Living, course: Course) -> Iterator[Alternative]:
        key = told(test.key, test.lookup.terms, course, f"@{test.name}")
        condition = Condition("set", test.name, key)
        held = given(old.held, condition, not test.negated)
        if held is None:
            return
        for part in test.lookup.present(course, self.sets):
            box = narrowed(self.sets, old.box, part)
            if box is not None:
                yield Alternative(box, held, True)

    def _unread(self, old: Alternative, test: op.Unread, course: Course) -> Iterator[Alternative]:
        lookup = test.lookup
        terms, span = lookup.terms, lookup.span
        held = self.open(old.held, lookup.words, not test.negated, terms, course, span)
        if held is None:
            return
        for part in lookup.present(course, self.sets):
            box = narrowed(self.sets, old.box, part)
            if box is not None:
                yield Alternative(box, held, True)

    def mapped(
        self, old: Alternative, lookup: Lookup, living: str, key: str, course: Course
    ) -> Iterator[Alternative]:
        """What a map leads to, over a box."""
        if living:
            yield from self._living_map(old, lookup, living, key, course)
            return
        for piece in lookup.pieces(course, self.sets):
            data = lookup.data[piece.data]
            words = f"{lookup.words} : {data_text(data)}" if piece.open else ""
            yield from self._piece(old, piece.part, words, lookup, True, course, data)
        if lookup.catch_all is not None:
            for part in lookup.present(course, self.sets):
                data = lookup.data[lookup.catch_all]
                yield from self._piece(old, part, "", lookup, True, course, data)

    def _living_map(
        self, old: Alternative, lookup: Lookup, living: str, key: str, course: Course
    ) -> Iterator[Alternative]:
        """Whether the key is there changes, and so does what it leads to (data None: unknown)."""
        terms, name = lookup.terms, f"@{living}"
        there = given(old.held, Condition("set", living, told(key, terms, course, name)), True)
        if there is None:
            return
        for part in lookup.present(course, self.sets):
            box = narrowed(self.sets, old.box, part)
            if box is None:
                continue
            for data in lookup.data:
                words = told(f"{key} map @{living} : {data_text(data)}", terms, course, name)
                held = given(there, Condition("unread", words), True)
                if held is not None and data is not None:
                    yield Alternative(box, held, True, data)
            yield Alternative(box, there, True, None)


def data_text(data: Any) -> str:
    """What a map leads to, in words: a verdict or a value."""
    if isinstance(data, dict) and next(iter(data), "") in (
        "accept",
        "drop",
        "jump",
        "goto",
        "return",
        "continue",
    ):
        return statement_text(data)
    return expression_text(data)
