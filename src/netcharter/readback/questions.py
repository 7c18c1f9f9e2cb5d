"""Who can reach what through a loaded ruleset: exact answers, each piece re-checked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from netcharter.diagnostics import Span
from netcharter.diagnostics.jsonshape import span_as_json
from netcharter.readback.points import Points
from netcharter.readback.rows import summarise
from netcharter.readback.shapes import (
    DESTINATION,
    ENTRANCE,
    EXIT,
    SERVICE,
    SOURCE,
    Leaf,
    Origin,
    Verdict,
)
from netcharter.readback.words import PORTED, Words
from netcharter.space.certified import answered
from netcharter.space.model import RawBox
from netcharter.space.ranges import Ranges, has, intersect, subtract, union

PIECES = 5000  # of one answer; beyond it the listing says that it is cut


@dataclass(frozen=True, slots=True)
class Start:
    """Who starts. entrances: network devices; sources: None for any."""

    entrances: frozenset[str]
    sources: Ranges | None = None


@dataclass(frozen=True, slots=True)
class Target:
    """What is reached, as sent or as delivered: whatever leaves by `exits`, or `addresses`."""

    exits: frozenset[str] | None = None
    addresses: Ranges | None = None


@dataclass(frozen=True, slots=True)
class Inquiry:
    """A question: any of the starts, any of the targets, these services as sent or delivered."""

    who: tuple[Start, ...]
    reach: tuple[Target, ...]
    services: Ranges


@dataclass(frozen=True, slots=True)
class AskRow:
    """One row of an answer."""

    starter: str
    to: str
    service: str
    when: str
    decided_by: str
    span: Span | None  # None: the kernel itself decides

    def as_json(self) -> dict[str, object]:
        """The documented shape."""
        return {
            "from": self.starter,
            "to": self.to,
            "service": self.service,
            "when": self.when,
            "outcome": "let",
            "decided_by": self.decided_by,
            "span": span_as_json(self.span) if self.span else None,
        }


@dataclass(frozen=True, slots=True)
class Answer:
    """complete: False where the rows were cut, or where the reading of the ruleset was."""

    rows: tuple[AskRow, ...]
    complete: bool


Piece = tuple[RawBox, int]  # a box and the number of the leaf that decides all of it


def ask(points: Points, words: Words, inquiry: Inquiry) -> Answer:
    """Every way in which what is asked about is let."""
    found, complete = pieces(points, inquiry)
    let = [(box, number) for box, number in found if points.leaf(number).verdict.let]
    grouped = [(box, decided(points.leaf(number))) for box, number in sorted(let, key=_number)]
    rows = []
    for told in summarise(points.frame, words, grouped):
        assert isinstance(told.key, tuple)
        origin, verdict = told.key
        to = told.to + _delivered(words, verdict)
        name = origin_text(origin)
        span = origin.span if origin.chain else None
        rows.append(AskRow(told.starter, to, told.service, told.when, name, span))
    return Answer(tuple(dict.fromkeys(rows)), complete and points.decisions.complete)


def _number(piece: Piece) -> int:
    return piece[1]


def decided(leaf: Leaf) -> tuple[Origin, Verdict]:
    """What groups the pieces of a listing: who decides, and how."""
    return leaf.decider, leaf.verdict


def origin_text(origin: Origin) -> str:
    """How a rule, a policy or the kernel itself is called in a sentence."""
    if not origin.chain:
        return origin.text
    chain = f"chain {origin.chain} of table {origin.family} {origin.table}"
    if origin.number is None:
        return f"the policy of {chain}"
    return f"rule {origin.number} in {chain}: {origin.text}"


def _delivered(words: Words, verdict: Verdict) -> str:
    if verdict.destination is None and verdict.port is None:
        return ""
    to = "" if verdict.destination is None else f" to {words.address(verdict.destination)}"
    port = "" if verdict.port is None else f" at port {verdict.port}"
    return f", delivered{to}{port}"


def pieces(points: Points, inquiry: Inquiry) -> tuple[list[Piece], bool]:
    """All that is asked about as disjoint boxes with the leaf that decides each; and whether none
    is left out. The exits of a box are those by which it really leaves.

    What is translated is asked about as it was sent and as it is delivered, each once.
    """
    found: list[Piece] = []
    complete = True
    for target in inquiry.reach:
        asked = [box for start in inquiry.who for box in _boxes(points, inquiry, start, target)]
        sent, whole = _surveyed(points, asked)
        found += [(box, n) for box, n in sent if _leads_to(points, box, n, target)]
        complete = complete and whole
    for number in points.boxes:
        if points.leaf(number).verdict.let and _moved(points, number):
            asked = [
                box
                for start in inquiry.who
                for target in inquiry.reach
                for box in _delivered_to(points, inquiry, number, start, target)
            ]
            led, whole = _surveyed(points, asked)
            found += [(box, n) for box, n in led if n == number]
            complete = complete and whole
    return [(_with_exits(points, box, n), n) for box, n in _apart(found)], complete


def _apart(found: Sequence[Piece]) -> list[Piece]:
    """The pieces without those that were found for two targets."""
    return list(dict.fromkeys(found))


def _boxes(points: Points, inquiry: Inquiry, start: Start, target: Target) -> Iterator[RawBox]:
    """What is asked about as sent."""
    frame = points.frame
    fields = {ENTRANCE: frame.numbers(start.entrances), SERVICE: inquiry.services}
    if start.sources is not None:
        fields[SOURCE] = start.sources
    if target.addresses is not None:
        fields[DESTINATION] = target.addresses
    box = frame.box(fields)
    if all(box):
        yield box


def _surveyed(points: Points, boxes: Sequence[RawBox]) -> tuple[list[Piece], bool]:
    if not boxes:
        return [], True
    with answered():
        found = points.certified.survey(boxes, PIECES)
    return [(p.box, p.rule) for p in found.pieces if p.rule is not None], found.complete


def _leads_to(points: Points, box: RawBox, number: int, target: Target) -> bool:
    """Do packets that a leaf decides leave by what is asked about? (If nothing is: by anything.)"""
    exits = points.exits_of(box, number)
    return bool(exits if target.exits is None else _among(points, exits, target.exits))


def _among(points: Points, exits: Ranges, wanted: frozenset[str]) -> Ranges:
    return intersect(exits, points.frame.numbers(wanted))


def _with_exits(points: Points, box: RawBox, number: int) -> RawBox:
    return (*box[:EXIT], points.exits_of(box, number), *box[EXIT + 1 :])


def _moved(points: Points, number: int) -> bool:
    """Does a leaf translate where a packet is sent?"""
    verdict = points.leaf(number).verdict
    return verdict.destination is not None or verdict.port is not None


def _delivered_to(
    points: Points, inquiry: Inquiry, number: int, start: Start, target: Target
) -> Iterator[RawBox]:
    """The parts of a leaf that translates which are asked about as delivered, and not as sent."""
    frame, box = points.frame, points.boxes[number]
    verdict = points.leaf(number).verdict
    where: dict[int, Ranges] = {ENTRANCE: frame.numbers(start.entrances)}
    if start.sources is not None:
        where[SOURCE] = start.sources
    to, sent = verdict.destination, box[DESTINATION]
    if not _leads_to(points, box, number, target):
        return
    if target.addresses is not None and (to is None or not has(target.addresses, to)):
        sent = intersect(sent, target.addresses)
    asked = sent if target.addresses is None else intersect(sent, target.addresses)
    served = _served(inquiry.services, verdict)
    for destinations, services in (
        (subtract(sent, asked), served),
        (asked, subtract(served, inquiry.services)),
    ):
        part = {**where, DESTINATION: destinations, SERVICE: services}
        found = tuple(intersect(v, part.get(n, v)) for n, v in enumerate(box))
        if all(found):
            yield found


def _served(services: Ranges, verdict: Verdict) -> Ranges:
    """The services as sent that are asked about as sent or as delivered."""
    if verdict.port is None:
        return services
    met = [p for p in PORTED if has(services, (p << 16) + verdict.port)]
    return union(services, *(((p << 16, (p << 16) + 0xFFFF),) for p in met))
