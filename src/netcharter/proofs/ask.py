"""Questions in plain words: who can reach a thing, what can somebody reach, can they meet?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from difflib import get_close_matches

from netcharter.diagnostics import Span
from netcharter.diagnostics.jsonshape import span_as_json
from netcharter.plan.fate import in_force
from netcharter.plan.shapes import Region, Row
from netcharter.plan.terms import (
    Ground,
    Who,
    all_reached,
    all_starters,
    goals,
    regions,
    service_names,
    service_parts,
    service_set,
    toward,
)
from netcharter.proofs.certify import Prover, answered
from netcharter.proofs.promises import ground_of, translated_into
from netcharter.proofs.rows import summarise
from netcharter.proofs.story import row_name
from netcharter.proofs.universe import TIME, values
from netcharter.space.model import RawBox
from netcharter.space.ranges import full, intersect, subtract

PIECES = 5000  # of one answer; beyond it the listing says that it is cut
EXAMPLES = (
    "'who can reach booking', 'what can bunkrooms reach', 'can office reach tills with https',"
    " 'who can look up www.example.org'"
)


class NotUnderstood(ValueError):
    """The question is no question; `instead` says what to write."""

    def __init__(self, message: str, instead: str | None = None) -> None:
        super().__init__(message)
        self.instead = instead


@dataclass(frozen=True, slots=True)
class Inquiry:
    """A question as terms of the charter. Empty `who` or `reach`: whoever, whatever."""

    who: tuple[str, ...] = ()
    reach: tuple[str, ...] = ()
    services: tuple[str, ...] = ("anything",)
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class AskRow:
    """One row of an answer."""

    starter: str
    to: str
    service: str
    when: str
    outcome: str  # "let" or "refused"
    decided_by: str
    span: Span | None
    housekeeping: bool

    def as_json(self) -> Mapping[str, object]:
        """The documented shape."""
        return {
            "from": self.starter,
            "to": self.to,
            "service": self.service,
            "when": self.when,
            "outcome": self.outcome,
            "decided_by": self.decided_by,
            "span": span_as_json(self.span) if self.span else None,
        }


@dataclass(frozen=True, slots=True)
class Answer:
    rows: tuple[AskRow, ...]
    complete: bool  # False: the listing was cut


def parse_question(text: str, ground: Ground) -> Inquiry:
    """Read 'who can reach X [with S]', 'what can X reach [with S]', 'can X reach Y [with S]'."""
    before, after, what = split_question(text)
    who = check_terms(before, ground, _who_terms(ground), "who starts")
    reach = check_terms(after, ground, _reach_terms(ground), "what is reached")
    services = check_services(what, ground)
    if not who and not reach:
        raise NotUnderstood(f"'{text}' names nobody and nothing", f"ask for instance {EXAMPLES}")
    return Inquiry(who, reach, services or ("anything",))


def split_question(text: str, examples: str = EXAMPLES) -> tuple[list[str], list[str], list[str]]:
    """The names in a question: who starts, what is reached, with what. Raises NotUnderstood."""
    words = text.replace("?", " ").replace(",", " ").lower().split()
    original = text.replace("?", " ").replace(",", " ").split()
    if "reach" not in words:
        raise NotUnderstood(f"'{text}' is no question I know", f"ask for instance {examples}")
    at = words.index("reach")
    before, after = original[:at], original[at + 1 :]
    what: list[str] = []
    lowered = [w.lower() for w in after]
    if "with" in lowered:
        cut = lowered.index("with")
        after, what = after[:cut], after[cut + 1 :]
        if not _named(what):
            raise NotUnderstood(
                f"'{text}' names no service", "write one after `with`: https, tcp/8443, anything"
            )
    return between(before), _named(after), _named(what)


def between(words: Sequence[str]) -> list[str]:
    """The names between the words of a question."""
    skip = {"who", "what", "which", "can", "may", "does", "do", "could"}
    return _named([w for w in words if w.lower() not in skip])


def _named(words: Sequence[str]) -> list[str]:
    return [w for w in words if w.lower() not in {"the", "and", "or", "a", "an", "any"}]


def _who_terms(ground: Ground) -> set[str]:
    charter = ground.charter
    return {
        "anyone",
        "internet",
        "gateway",
        *charter.areas,
        *charter.lines,
        *charter.devices,
        *charter.people,
        *charter.groups,
        *(name for name in charter.places if name not in ground.named),
    }


def _reach_terms(ground: Ground) -> set[str]:
    charter = ground.charter
    lasting = {d.name for d in ground.devices if d.lasting}
    return {"anywhere", "internet", "gateway", *charter.areas, *lasting, *charter.places}


def ask_terms(
    inquiry: Inquiry,
    ground: Ground,
    who: Sequence[str],
    reach: Sequence[str],
    services: Sequence[str],
) -> Inquiry:
    """The question narrowed or completed by terms that were given apart from it."""
    starters = check_terms(who, ground, _who_terms(ground), "who starts")
    targets = check_terms(reach, ground, _reach_terms(ground), "what is reached")
    what = check_services(services, ground)
    if not (starters or targets or inquiry.who or inquiry.reach):
        raise NotUnderstood(
            "nothing is asked", f"ask for instance {EXAMPLES}, or say `--from` or `--to`"
        )
    return replace(
        inquiry,
        who=narrowed(inquiry.who, starters, "--from"),
        reach=narrowed(inquiry.reach, targets, "--to"),
        services=narrowed(inquiry.services, what, "--with"),
    )


def narrowed(asked: Sequence[str], given: Sequence[str], option: str) -> tuple[str, ...]:
    """What is given apart, if the question leaves that open or names it too; never instead of it."""
    if {"anyone", "anywhere", "anything"}.isdisjoint(asked):
        for name in given:
            if asked and name not in asked:
                raise NotUnderstood(
                    f"the question says '{', '.join(asked)}', and `{option}` says '{name}'",
                    f"leave `{option}` out, or name it in the question alone",
                )
    return tuple(given or asked)


def check_terms(
    names: Sequence[str], ground: Ground, known: set[str], role: str
) -> tuple[str, ...]:
    """The names, if all of them can stand in that role; else what to write instead."""
    for name in names:
        if name not in known:
            near = get_close_matches(name, known, n=1)
            if name in ground.charter.devices:
                hint = "that device has no lasting address, so nobody can name it as a destination"
            elif near:
                hint = f"did you mean '{near[0]}'?"
            else:
                hint = "known are " + ", ".join(sorted(known))
            raise NotUnderstood(f"'{name}' cannot be {role}", hint)
    return tuple(names)


def check_services(names: Sequence[str], ground: Ground) -> tuple[str, ...]:
    """The service names, if the charter or the IANA names know them."""
    for name in names:
        if name == "anything":
            continue
        try:
            service_parts(ground, name)
        except KeyError:
            near = get_close_matches(name, service_names(ground), n=1)
            hint = (
                f"did you mean '{near[0]}'?" if near else "write for instance 'https' or 'tcp/443'"
            )
            raise NotUnderstood(f"'{name}' is no service", hint) from None
    return tuple(names)


def ask(prover: Prover, inquiry: Inquiry, refused: bool = False) -> Answer:
    """The exact answer: every way in which the asked connections are let (or all fates)."""
    found, complete = pieces(prover, inquiry)
    at = inquiry.at is not None
    return Answer(tuple(dict.fromkeys(_group(prover, found, refused, at))), complete)


Piece = tuple[RawBox, Row]


def pieces(prover: Prover, inquiry: Inquiry) -> tuple[list[Piece], bool]:
    """All that is asked about as boxes with what decides them, and whether none is left out.

    A connection is asked about if its destination and service are, as sent; or if an offer
    decides it and its destination and, sent or delivered, its service are, as delivered.
    """
    ground = ground_of(prover.plan)
    who = all_starters(ground, inquiry.who) if inquiry.who else _everybody(ground)
    what = service_set(ground, inquiry.services)
    asked_for = inquiry.reach or ("anywhere",)
    reach = all_reached(ground, asked_for)
    found, complete = _decided(prover, [*toward(who, goals(ground, asked_for), what)], inquiry)
    for row in prover.plan.rows:
        asked = [
            region
            for where, sent in translated_into(row, reach, what)
            for to, service in (
                (subtract(where, reach), sent),
                (intersect(where, reach), subtract(sent, what)),
            )
            for region in regions(who, to, service)
        ]
        if asked:
            led, whole = _decided(prover, asked, inquiry)
            found += [(box, decider) for box, decider in led if decider.index == row.index]
            complete = complete and whole
    return found, complete


def _everybody(ground: Ground) -> tuple[Who, ...]:
    return (Who(ground.everywhere | {"gateway"}),)


def _decided(prover: Prover, asked: Sequence[Region], inquiry: Inquiry) -> tuple[list[Piece], bool]:
    boxes = prover.universe.boxes_of(asked)
    if inquiry.at is not None:
        boxes = [at_instant(prover, box, inquiry.at) for box in boxes]
    with answered():
        found = prover.survey(boxes, PIECES)
    rows = prover.plan.rows
    return [(p.box, rows[p.rule]) for p in found.pieces if p.rule is not None], found.complete


def at_instant(prover: Prover, box: RawBox, instant: datetime) -> RawBox:
    """The box at one instant: the single time class that the instant belongs to."""
    number = class_at(prover, instant)
    return (*box[:TIME], values([number]), *box[TIME + 1 :])


def class_at(prover: Prover, instant: datetime) -> int:
    """The number of the time class an instant belongs to."""
    whens = {r.when for row in prover.plan.rows for r in row.regions}
    truth = {when: in_force(prover.plan, when, instant) for when in whens}
    for candidate in prover.universe.times:
        if all(
            in_force(prover.plan, when, candidate.earliest) == open_
            for when, open_ in truth.items()
        ):
            return candidate.number
    raise NotUnderstood(
        "that moment is past, and what was true then is not any more",
        "the charter is judged from now on: name a moment to come, or say --as-of",
    )


def _group(
    prover: Prover, found: Sequence[Piece], refused: bool, at: bool = False
) -> Iterator[AskRow]:
    """The pieces as rows; `at`: all of them are of one moment, which need not be told again."""
    always = full(len(prover.universe.times))
    shown = [
        ((*box[:TIME], always, *box[TIME + 1 :]) if at else box, row.index)
        for box, row in found
        if row.let or refused
    ]
    shown.sort(key=lambda pair: pair[1])
    for told in summarise(prover.universe, shown):
        assert isinstance(told.key, int)
        row = prover.plan.rows[told.key]
        delivered = f", delivered to {row.delivery.device}" if row.delivery else ""
        yield AskRow(
            told.starter,
            told.to + delivered,
            told.service,
            _then(told.when) if at else told.when,
            "let" if row.let else "refused",
            row_name(row),
            row.span,
            row.kind == "housekeeping",
        )


def _then(when: str) -> str:
    """What is left to say of a row's conditions where the moment is given: the line states."""
    return "then" if when == "always" else f"then, {when}"
