"""Questions about look-ups: who can look a name up, what can somebody look up, can they?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from netcharter.diagnostics import Span
from netcharter.diagnostics.jsonshape import span_as_json
from netcharter.plan.names.deciding import meets
from netcharter.plan.names.domains import Fault, normal
from netcharter.plan.names.finding import Finder
from netcharter.plan.names.lookup import Match
from netcharter.plan.names.shapes import NamesRow
from netcharter.plan.shapes import Plan
from netcharter.plan.terms import device_addresses
from netcharter.proofs.ask import PIECES, NotUnderstood, between, check_terms, narrowed
from netcharter.proofs.certify import answered
from netcharter.proofs.names_space import OTHER, NamesSpace, single
from netcharter.proofs.names_words import Row, Words
from netcharter.proofs.promises import ground_of
from netcharter.proofs.why_name import OUTCOMES, name_row
from netcharter.space.model import RawBox
from netcharter.space.ranges import Ranges, full, ranges

KNOWN = "'who can look up www.example.org', 'can office look up www.example.org', 'what can office look up'"


@dataclass(frozen=True, slots=True)
class NamesInquiry:
    """A question as terms of the charter and normal names. Empty `who` or `names`: whoever, whatever."""

    who: tuple[str, ...] = ()
    names: tuple[str, ...] = ()
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class NamesAskRow:
    """One row of an answer. to: whose answers are given; list, line: which entry says so, where one
    name was asked about."""

    who: str
    name: str
    when: str
    outcome: str
    to: str | None
    decided_by: str
    list: str | None
    line: int | None
    span: Span | None
    housekeeping: bool

    def as_json(self) -> Mapping[str, object]:
        """The documented shape."""
        return {
            "from": self.who,
            "name": self.name,
            "when": self.when,
            "outcome": self.outcome,
            "to": self.to,
            "decided_by": self.decided_by,
            "list": self.list,
            "line": self.line,
            "span": span_as_json(self.span) if self.span else None,
        }


@dataclass(frozen=True, slots=True)
class NamesAnswer:
    rows: tuple[NamesAskRow, ...] = ()
    complete: bool = True  # False: the listing was cut


def is_about_names(text: str) -> bool:
    """Whether a question is about look-ups."""
    words = _words(text)
    return ("look", "up") in pairwise(words)


def _words(text: str) -> list[str]:
    return text.replace("?", " ").replace(",", " ").lower().split()


def parse_names_question(text: str, plan: Plan, said: Sequence[str] = ()) -> NamesInquiry:
    """Read 'who can look up NAME', 'what can X look up', 'can X look up NAME'. said: who asks, said
    apart. Raises NotUnderstood."""
    words, written = _words(text), text.replace("?", " ").replace(",", " ").split()
    at = list(pairwise(words)).index(("look", "up"))
    known = _known(plan)
    ground = ground_of(plan)
    who = check_terms(between(written[:at]), ground, known, "who asks for names")
    apart = check_terms(said, ground, known, "who asks for names")
    who = narrowed(() if "anyone" in who else who, [w for w in apart if w != "anyone"], "--from")
    names = tuple(_name(word) for word in written[at + 2 :] if word.lower() not in ("and", "or"))
    if not who and not names and "anyone" not in (*words[:at], *said):
        raise NotUnderstood(f"'{text}' names nobody and no name", f"ask for instance {KNOWN}")
    return NamesInquiry(who, names)


def _known(plan: Plan) -> set[str]:
    devices = {one.name for one in plan.devices if device_addresses(one)}
    return {"anyone", *(area.name for area in plan.areas), *devices}


def _name(word: str) -> str:
    found = normal(word)
    if isinstance(found, Fault):
        raise NotUnderstood(f"'{word}' can't be asked for: a name {found.value}", "www.example.org")
    return found


def ask_names(plan: Plan, inquiry: NamesInquiry, now: datetime) -> NamesAnswer:
    """What becomes of all look-ups that are asked about, from `now` on. Raises NotUnderstood for a
    moment that is past, NoAnswer."""
    space = NamesSpace((plan,), now, inquiry.names)
    asking = _Asking(space, inquiry)
    with answered():
        found = space.certified.survey(list(asking.boxes()), PIECES)
    pieces = [(piece.box, piece.rule) for piece in found.pieces]
    told = Words(space, asking.known()).rows(pieces)
    rows = sorted(told, key=lambda row: (row.key, row.who))
    return NamesAnswer(tuple(map(asking.row, rows)), found.complete)


class _Asking:
    """One question in its space."""

    def __init__(self, space: NamesSpace, inquiry: NamesInquiry) -> None:
        self.space, self.inquiry = space, inquiry
        self.plan = space.plans[0]
        self.find = Finder(self.plan.names)

    def boxes(self) -> Iterator[RawBox]:
        time = self._time()
        for area, askers in self._who():
            for name, bits in self._names():
                yield (area, askers, time, name, *bits)

    def _time(self) -> Ranges:
        if self.inquiry.at is None:
            return full(len(self.space.times))
        number = self.space.class_at(self.inquiry.at)
        if number is None:
            raise NotUnderstood(
                "that moment is past, and what was true then is not any more",
                "the charter is judged from now on: name a moment to come, or say --as-of",
            )
        return single(number)

    def _who(self) -> Iterator[tuple[Ranges, Ranges]]:
        """Areas, with all who may ask there; devices, where they may ask."""
        for place, area in enumerate(self.space.areas):
            there = self.space.there[area]
            wanted = [
                asker
                for asker in there
                if not self.inquiry.who
                or area in self.inquiry.who
                or (asker != OTHER and self.space.askers[asker] in self.inquiry.who)
            ]
            if wanted:
                yield single(place), ranges(*((asker, asker) for asker in wanted))

    def _names(self) -> Iterator[tuple[Ranges, tuple[Ranges, ...]]]:
        """What is asked for; of one name it is known which known lists name it."""
        if not self.inquiry.names:
            yield full(self.space.tree.size), tuple(full(2) for _ in self.space.opaque)
        for name in self.inquiry.names:
            bits = tuple(self._bit(one, name) for one in self.space.opaque)
            yield self.space.tree.stretch(name, True, False), bits

    def _bit(self, name: str, asked: str) -> Ranges:
        if self.plan.names.lists[name].entries is None:
            return full(2)
        return single(int(self.find(name, asked) is not None))

    def known(self) -> tuple[str, ...]:
        """The lists that are looked into for the names that are asked about."""
        lists = self.plan.names.lists
        return (
            tuple(one for one in self.space.opaque if lists[one].entries)
            if self.inquiry.names
            else ()
        )

    def row(self, told: Row) -> NamesAskRow:
        assert isinstance(told.key, int)
        row = self.plan.names.rows[told.key]
        entry = self._entry(row)
        return NamesAskRow(
            who=told.who,
            name=told.name,
            when=told.when if self.inquiry.at is None else "then",
            outcome=OUTCOMES[row.action],
            to=row.to,
            decided_by=name_row(row),
            list=entry.list if entry else None,
            line=entry.line if entry else None,
            span=row.span,
            housekeeping=row.kind == "housekeeping",
        )

    def _entry(self, row: NamesRow) -> Match | None:
        """The entry of a list by which a decision speaks of the one name that is asked about."""
        if len(self.inquiry.names) != 1:
            return None
        met = meets(self.plan.names, row, self.inquiry.names[0], self.find)
        return met.entry if met is not None and met.sure else None
