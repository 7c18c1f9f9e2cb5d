"""What the internet sees: per line, family and address, everything that may be started from there.

The list is the exact answer of the engine, and `prove_outside` proves that nothing in it came
about by accident: whatever the charter lets a line start is an offer, or of a rule that names the
outside itself (the internet, a line, a place).
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from netcharter.diagnostics import Span
from netcharter.diagnostics.jsonshape import span_as_json
from netcharter.plan.coding import ANY4, ANY6, ANY_SERVICE
from netcharter.plan.shapes import LinePlan, Plan, Region, Row
from netcharter.plan.terms import Who, device_addresses, regions
from netcharter.proofs.ask import PIECES
from netcharter.proofs.certify import Prover, answered
from netcharter.proofs.naming import Naming
from netcharter.proofs.promises import (
    ASIDE,
    EVERYTHING,
    OUTSIDE,
    PromiseResult,
    Question,
    broken_by,
)
from netcharter.proofs.rows import Told, summarise
from netcharter.proofs.story import row_name
from netcharter.proofs.universe import DESTINATION
from netcharter.space.model import RawBox
from netcharter.space.ranges import Ranges, intersect, subtract

FAMILIES = ((4, ANY4), (6, ANY6))
Part = tuple[Ranges, str]  # addresses, and how they are told; "": in words


@dataclass(frozen=True, slots=True)
class Exposed:
    """One thing that can be started from a line. address: as sent, in numbers where there are few;
    who: of those beyond the line, "anyone there" if all; delivered: the device and address where it
    really goes; aside: which housekeeping it is, in words, "" where the charter says it."""

    line: str
    family: int
    address: str
    service: str
    who: str
    when: str
    delivered: str | None
    decided_by: str
    aside: str
    span: Span | None
    limit: str | None = None  # what one source may do of it, in words; None: as much as it likes

    def as_json(self) -> Mapping[str, object]:
        """The documented shape."""
        return {
            "line": self.line,
            "family": f"IPv{self.family}",
            "address": self.address,
            "service": self.service,
            "who": self.who,
            "when": self.when,
            "delivered": self.delivered,
            "decided_by": self.decided_by,
            "housekeeping": bool(self.aside),
            "limit": self.limit,
            "span": span_as_json(self.span) if self.span else None,
        }


@dataclass(frozen=True, slots=True)
class Exposure:
    """All of it. complete: nothing was left out; carried: which lines carry which family."""

    seen: tuple[Exposed, ...]
    carried: tuple[tuple[str, int], ...]
    complete: bool

    def of(self, line: str, family: int) -> tuple[Exposed, ...]:
        """What is seen of one line in one family."""
        return tuple(one for one in self.seen if (one.line, one.family) == (line, family))


def exposure(prover: Prover) -> Exposure:
    """What can be started from each line, exactly. Raises NoAnswer."""
    plan = prover.plan
    boxes: list[tuple[RawBox, Hashable]] = []
    complete = True
    parts = _addresses(plan, Naming(plan))
    for line in plan.lines:
        for row in plan.rows:
            mine = [one for one in row.regions if row.let and line.name in one.entrances]
            if mine:
                found, whole = _pieces(prover, row, line, mine)
                boxes += _by_address(prover, found, (line.name, row.index), parts)
                complete = complete and whole
    seen = (_told(plan, parts, one) for one in summarise(prover.universe, boxes))
    carried = [(one.name, 4) for one in plan.lines if one.carries4]
    carried += [(one.name, 6) for one in plan.lines if one.carries6]
    return Exposure(tuple(seen), tuple(carried), complete)


def _pieces(
    prover: Prover, row: Row, line: LinePlan, regions: Sequence[Region]
) -> tuple[list[RawBox], bool]:
    """What a decision lets in by a line, as disjoint boxes, and whether that is all of it."""
    here = (replace(region, entrances=frozenset({line.name})) for region in regions)
    with answered():
        found = prover.survey(prover.universe.boxes_of(here), PIECES)
    return [piece.box for piece in found.pieces if piece.rule == row.index], found.complete


def _by_address(
    prover: Prover, boxes: Sequence[RawBox], key: tuple[str, int], parts: Sequence[Part]
) -> Iterator[tuple[RawBox, Hashable]]:
    """The boxes cut by family and by whose address is asked."""
    for number, (part, _) in enumerate(parts):
        for family, addresses in FAMILIES:
            inside = prover.universe.addresses(intersect(part, addresses), 0)
            for box in boxes if inside else ():
                both = intersect(box[DESTINATION], inside)
                if both:
                    cut = (*box[:DESTINATION], both, *box[DESTINATION + 1 :])
                    yield cut, (*key, family, number)


def _told(plan: Plan, parts: Sequence[Part], one: Told) -> Exposed:
    assert isinstance(one.key, tuple)
    line, index, family, number = one.key
    row = plan.rows[index]
    return Exposed(
        line=line,
        family=family,
        address=parts[number][1] or one.to,
        service=one.service,
        who="anyone there" if one.starter == line else one.starter,
        when=one.when,
        delivered=_delivered(row),
        decided_by=row_name(row),
        aside=ASIDE.get(row.label, row.label) if row.kind == "housekeeping" else "",
        span=row.span,
        limit=None if row.limit is None else str(row.limit),
    )


def _addresses(plan: Plan, naming: Naming) -> list[Part]:
    """Disjoint sets of addresses, together everything: those that belong to a line or a device one
    by one in numbers, then the rest, which has no text of its own."""
    single: list[Part] = []
    left = EVERYTHING
    named = [(one.own, "") for one in plan.lines]
    named += [(device_addresses(one), one.name) for one in plan.devices if one.lasting]
    for found, name in named:
        for code in _each(intersect(found, left)):
            number = naming.address_text(code)
            single.append((((code, code),), f"{name} ({number})" if name else number))
        left = subtract(left, found)
    return [*single, (left, "")]


def _each(found: Ranges) -> Iterator[int]:
    for low, high in found:
        yield from range(low, high + 1)


def _delivered(row: Row) -> str | None:
    if row.delivery is None:
        return None
    port = "" if row.delivery.port is None else f", port {row.delivery.port}"
    return f"{row.delivery.device} ({row.delivery.address}{port})"


# --- nothing else --------------------------------------------------------------------------------


def on_purpose(plan: Plan, row: Row) -> bool:
    """Whether what a decision lets a line start is there because the charter says so: housekeeping,
    an offer, or a rule that names the internet, a line, or a place. `anyone` names nobody."""
    if row.kind not in ("rule", "emergency") or row.charter_index is None:
        return True
    outside = {"internet", *plan.charter.lines, *plan.charter.places}
    return bool(outside & set(plan.charter.rules[row.charter_index].who))


def prove_outside(prover: Prover) -> PromiseResult:
    """That by a line nothing else can be started than what is offered and what rules let the
    outside by name, housekeeping aside: one break for each rule that opens more."""
    plan = prover.plan
    lines = [Who(frozenset(one.name for one in plan.lines))]
    rows = [row for row in plan.rows if row.let and not on_purpose(plan, row)]
    asked = [
        Question(tuple(regions(lines, EVERYTHING, ANY_SERVICE)), frozenset({row.index}))
        for row in rows
    ]
    found = (broken_by(prover, [one], one.rows) for one in asked)
    breaks = tuple(one for one in found if one is not None)
    first = breaks[0] if breaks else None
    return PromiseResult(
        text="nothing is let in by a line but offers, and what a rule lets the outside by name",
        holds=not breaks,
        span=plan.charter.where("offers"),
        point=first.point if first else None,
        row=first.row if first else None,
        breaks=breaks,
        kind="only",
        about=OUTSIDE,
    )
