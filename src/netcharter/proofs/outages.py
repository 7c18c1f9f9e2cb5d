"""What is left when lines are down: in every line state what is lost, and how the promises stand.

Nothing but the ways out and the offers depend on which lines are up (model, section 6: `no-line` and
`no-exit`; an offer is met by its own line only). So what a state loses is exactly what is let while all lines
are up and has no way out then.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from netcharter.diagnostics import Span
from netcharter.diagnostics.jsonshape import span_as_json
from netcharter.plan import coding
from netcharter.plan.exits import NO_EXIT
from netcharter.plan.shapes import ExitPlan, Promise, Region, Row
from netcharter.plan.terms import Ground
from netcharter.proofs.certify import Prover
from netcharter.proofs.promises import (
    PromiseResult,
    Question,
    ground_of,
    promise_text,
    questions,
)
from netcharter.proofs.story import row_name
from netcharter.space.ranges import intersect, subset

Standing = Literal["holds", "broken", "aside"]


@dataclass(frozen=True, slots=True)
class Closed:
    """Ways out that are closed in a state. by: only by addresses of this line's prefix, None: the
    family as a whole, or what an exit is about; exit: the name of the exit that allows no other line;
    rules: what lets connections that are lost by it, with its place, where it is not the whole
    family."""

    family: int
    by: str | None
    exit: str | None = None
    rules: tuple[tuple[str, Span | None], ...] = ()

    @property
    def whole(self) -> bool:
        return self.by is None and self.exit is None

    def as_json(self) -> dict[str, object]:
        """The documented shape."""
        return {
            "family": f"IPv{self.family}",
            "by": self.by,
            "exit": self.exit,
            "rules": [
                {"rule": name, "span": span_as_json(span) if span else None}
                for name, span in self.rules
            ],
        }


@dataclass(frozen=True, slots=True)
class LineState:
    """One state of the lines. offers: those that nobody outside reaches then, with the lines they
    are on; promises: how each promise of the charter stands, by its text."""

    up: tuple[str, ...]
    down: tuple[str, ...]
    closed: tuple[Closed, ...]
    offers: tuple[tuple[str, tuple[str, ...]], ...]
    promises: tuple[tuple[str, Standing], ...]

    def as_json(self) -> dict[str, object]:
        """The documented shape."""
        return {
            "up": list(self.up),
            "down": list(self.down),
            "closed": [one.as_json() for one in self.closed],
            "offers": [{"offer": name, "on": list(on)} for name, on in self.offers],
            "promises": [{"text": text, "stands": how} for text, how in self.promises],
        }


def line_states(prover: Prover, results: Sequence[PromiseResult]) -> tuple[LineState, ...]:
    """Every state, from all lines up to none, those with more lines up first. Raises NoAnswer.

    results: of the promises; what is proven for all states need not be asked in each.
    """
    plan = prover.plan
    count = len(plan.lines)
    proven = frozenset(one.number for one in results if one.number is not None and one.holds)
    routed = [(row, region) for row in plan.rows if row.routed for region in row.regions]
    ways = ((row, each) for row, each in routed if not _neighbours(each, row.regions))
    closing = {region: _closed(prover, row, region) for row, region in ways}
    states = sorted(range(1 << count), key=lambda state: (-state.bit_count(), -state))
    return tuple(_state(prover, state, proven, closing) for state in states)


def _neighbours(region: Region, regions: Sequence[Region]) -> bool:
    """Is it only the part of what an exit is about that lies in another line's own network, and is
    closed in more states than the rest? What is told is what is lost of the internet."""
    return region.lines is not None and any(
        other.lines is not None
        and other.lines < region.lines
        and replace(other, destination=region.destination, lines=region.lines) == region
        for other in regions
    )


def _state(
    prover: Prover, state: int, proven: frozenset[int], closing: Mapping[Region, Closed]
) -> LineState:
    plan = prover.plan
    names = [line.name for line in plan.lines]
    up = tuple(name for bit, name in enumerate(names) if state >> bit & 1)
    down = tuple(name for name in names if name not in up)
    closed = dict.fromkeys(
        what
        for region, what in closing.items()
        if region.lines is not None and state in region.lines
    )
    whole = {one.family for one in closed if one.whole}
    ground = ground_of(plan)
    return LineState(
        up,
        down,
        tuple(one for one in closed if one.whole or one.family not in whole),
        tuple((o.name, o.lines) for o in plan.charter.offers if not set(o.lines) & set(up)),
        tuple(
            (promise_text(promise), _stands(prover, ground, promise, state, number in proven))
            for number, promise in enumerate(plan.charter.promises)
        ),
    )


def _closed(prover: Prover, row: Row, region: Region) -> Closed:
    """What a region without a way out takes away: what is let there with all lines up."""
    plan = prover.plan
    family = 4 if region.destination[0][0] < coding.V6 else 6
    if row.label == NO_EXIT:
        name = next(one.name for one in plan.exits if _about(one, region))
        return Closed(family, None, name, tuple(_rules(prover, region)))
    for line in plan.lines:
        if line.prefix is not None and coding.network(line.prefix) == region.source:
            return Closed(family, line.name, rules=tuple(_rules(prover, region)))
    return Closed(family, None)


def _about(one: ExitPlan, region: Region) -> bool:
    """Is the region a part of what this exit is about?"""
    return any(
        region.entrances <= whole.entrances
        and subset(region.source, whole.source)
        and subset(region.destination, whole.destination)
        and subset(region.service, whole.service)
        and subset(region.hardware, whole.hardware)
        for whole in one.regions
    )


def _rules(prover: Prover, region: Region) -> Iterator[tuple[str, Span | None]]:
    rows = prover.plan.rows
    all_up = frozenset({(1 << len(prover.plan.lines)) - 1})
    boxes = prover.universe.boxes_of([replace(region, lines=all_up)])
    first = min(row.index for row in rows if row.routed)
    for row in rows[first + 1 :]:
        meets = row.let and any(_meet(other, region) for other in row.regions)
        if meets and prover.decides(row.index, boxes):
            yield row_name(row), row.span


def _meet(one: Region, other: Region) -> bool:
    """Whether two regions can have an attempt in common, as far as is quickly seen."""
    return bool(
        one.entrances & other.entrances
        and intersect(one.destination, other.destination)
        and intersect(one.source, other.source)
    )


# --- promises ------------------------------------------------------------------------------------


def _stands(prover: Prover, ground: Ground, promise: Promise, state: int, proven: bool) -> Standing:
    """How a promise stands in one state. An `always` to beyond the lines says nothing where no line
    leads there: it is left aside."""
    if proven and promise.kind != "always":
        return "holds"
    asked = [_in_state(one, state) for one in questions(prover.plan, ground, promise)]
    if not proven and any(_met(prover, one) for one in asked):
        return "broken"
    if promise.kind == "always" and not any(one.regions for one in asked):
        return "aside"
    return "holds"


def _met(prover: Prover, question: Question) -> bool:
    boxes = prover.universe.boxes_of(question.regions)
    return prover.decided(boxes, question.rows) is not None


def _in_state(question: Question, state: int) -> Question:
    here = frozenset({state})
    regions = (
        replace(region, lines=here)
        for region in question.regions
        if region.lines is None or state in region.lines
    )
    return Question(tuple(regions), question.rows)
