"""Findings about exits: what they never decide, where they lead nowhere, whom they stop."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from netcharter.diagnostics import Diagnostic
from netcharter.plan.coding import ANY4
from netcharter.plan.exits import NO_EXIT, common, minus
from netcharter.plan.shapes import Region, Row
from netcharter.proofs.naming import listed
from netcharter.proofs.rules_audit import Audit
from netcharter.proofs.story import row_name
from netcharter.space.ranges import intersect


def idle_exits(audit: Audit) -> Iterator[Diagnostic]:
    """Exits that nothing is left for, since earlier ones match all of it."""
    earlier: list[Region] = []
    for number, one in enumerate(audit.plan.exits):
        left = [part for region in one.regions for part in minus(region, earlier)]
        if not left:
            yield Diagnostic(
                "exit-never-decides",
                "warning",
                f"{one.name} never decides: earlier exits match all that it speaks of"
                if one.regions
                else f"{one.name} never decides: nothing is left that it could speak of",
                audit.plan.charter.where("exits", number),
                help="put it before them, or leave it out",
            )
        earlier += one.regions


def unfit_lines(audit: Audit) -> Iterator[Diagnostic]:
    """Exits all of whose lines carry no IPv4, which is what an exit chooses lines for."""
    lines = {line.name: line for line in audit.plan.lines}
    for number, one in enumerate(audit.plan.exits):
        four = any(intersect(region.source, ANY4) for region in one.regions)
        if four and not any(lines[name].carries4 for name in one.lines):
            what = "is refused always" if one.refused else "takes other lines"
            yield Diagnostic(
                "exit-without-ipv4",
                "warning",
                f"{listed(one.lines)} carries no IPv4, so IPv4 by {one.name} {what}",
                audit.plan.charter.where("exits", number, "by"),
                help="name a line that has an IPv4 address",
            )


def stopped_emergencies(audit: Audit) -> Iterator[Diagnostic]:
    """Emergency rules that do not hold in every line state, since an exit refuses other lines."""
    refusing = next((row for row in audit.plan.rows if row.label == NO_EXIT), None)
    if refusing is None:
        return
    for row in audit.written:
        both = list(_both(row, refusing)) if row.kind == "emergency" else []
        boxes = audit.prover.universe.boxes_of(both)
        witness = audit.prover.decided(boxes, frozenset({refusing.index}))
        if witness is not None:
            yield Diagnostic(
                "exit-stops-emergency",
                "error",
                f"{row_name(row)} is for emergencies, and an exit refuses it on other lines",
                audit.place(row, "emergency"),
                witness=audit.tell(witness, boxes).sentence,
                help="leave `or-else: refused` out of that exit, or put one without it before it",
                related=tuple(
                    (one.span, f"{one.name} refuses other lines")
                    for one in audit.plan.exits
                    if one.refused
                ),
            )


def _both(row: Row, refusing: Row) -> Iterator[Region]:
    """What an emergency rule speaks of and no exit leads out."""
    for one in row.regions:
        for other in refusing.regions:
            shared = common(one, other)
            if shared is not None:
                yield replace(shared, who=one.who, when=one.when, lines=other.lines)


EVERY_EXIT = (idle_exits, unfit_lines, stopped_emergencies)
