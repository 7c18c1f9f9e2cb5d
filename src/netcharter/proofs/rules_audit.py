"""Findings about the rules themselves: what never decides, what is hidden, what says too much."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from netcharter.diagnostics import Diagnostic, Span
from netcharter.plan.shapes import Offer, Plan, Region, Row, Rule, When
from netcharter.plan.terms import (
    Ground,
    Who,
    all_starters,
    goals,
    regions,
    service_set,
    starters,
    toward,
)
from netcharter.proofs.certify import Prover
from netcharter.proofs.naming import listed
from netcharter.proofs.promises import ground_of
from netcharter.proofs.story import Connection, Teller, polish, row_name
from netcharter.space.model import Covered, Point, RawBox, Witness
from netcharter.space.ranges import intersect, subset

WRITTEN = frozenset({"rule", "emergency", "offer"})


@dataclass(frozen=True)
class Audit:
    """What the audits share: one prover, the words of its plan, the charter's own rows."""

    prover: Prover

    @property
    def plan(self) -> Plan:
        return self.prover.plan

    @cached_property
    def ground(self) -> Ground:
        return ground_of(self.plan)

    @cached_property
    def written(self) -> tuple[Row, ...]:
        """The rows that stand in the charter, with rows that can never match left in."""
        return tuple(row for row in self.plan.rows if row.kind in WRITTEN)

    @cached_property
    def dead(self) -> frozenset[int]:
        """Rows that never decide."""
        return frozenset(
            row.index
            for row in self.written
            if not isinstance(self.prover.dead.get(row.index), Witness)
        )

    def tell(self, witness: Witness, within: Sequence[RawBox]) -> Connection:
        """A witness as a connection, made as telling as its decision allows."""
        assert witness.rule is not None
        point = polish(self.prover.universe, self.prover.checker, witness.point, within)
        return self.connection(point, self.plan.rows[witness.rule])

    def connection(self, point: Point, row: Row) -> Connection:
        """A point that `row` decides, as a connection."""
        return Teller(self.prover.universe).connection(point, row)

    def source(self, row: Row) -> Rule | Offer:
        """The sentence of the charter that a row comes from."""
        assert row.charter_index is not None
        charter = self.plan.charter
        return (charter.offers if row.kind == "offer" else charter.rules)[row.charter_index]

    def related(self, numbers: Iterable[int], words: str) -> tuple[tuple[Span, str], ...]:
        """Places of other rows, for the ones that have a place in the charter."""
        rows = (self.plan.rows[n] for n in numbers)
        return tuple((self.place(r), f"{row_name(r)} {words}") for r in rows if r.kind in WRITTEN)

    def place(self, row: Row, *path: str | int) -> Span:
        """What to underline of a written row: the value at `path` in it, or how it begins."""
        charter, number = self.plan.charter, row.charter_index
        assert number is not None
        if row.kind == "offer":
            return charter.where("offers", number, *(path or ("offer",)))
        return charter.where("rules", number, *(path or ("let" if row.let else "refuse",)))


def never_decides(audit: Audit) -> Iterator[Diagnostic]:
    """Rules and offers that no connection ever meets first, with the rows that see to it."""
    for row in audit.written:
        if row.index not in audit.dead or _is_past(audit, row):
            continue
        verdict = audit.prover.dead.get(row.index)
        if not isinstance(verdict, Covered) or not verdict.core:
            if _lives_elsewhere(audit, row):
                continue
            yield Diagnostic(
                "rule-never-decides",
                "warning",
                f"{row_name(row)} never decides: nobody and nothing is left that it could speak of",
                audit.place(row),
                help="check who may sign in where, and which addresses its names have",
            )
            continue
        core = [audit.plan.rows[n] for n in verdict.core]
        names = listed(row_name(r) for r in core)
        together = "together already decide" if len(core) > 1 else "already decides"
        opposite = [r for r in core if r.let != row.let or r.delivery != row.delivery]
        yield Diagnostic(
            "rule-contradicted" if opposite and len(core) == 1 else "rule-never-decides",
            "warning",
            f"{row_name(row)} never decides: {names} {together} all it speaks of",
            audit.place(row),
            help=_instead(opposite),
            related=audit.related(verdict.core, "decides first"),
        )


def _lives_elsewhere(audit: Audit, row: Row) -> bool:
    """Does the same offer decide in the other family, or on another line?"""
    return row.kind == "offer" and any(
        other.kind == "offer"
        and other.charter_index == row.charter_index
        and other.index not in audit.dead
        for other in audit.written
    )


def _instead(opposite: Sequence[Row]) -> str:
    """What to do about a rule that never decides; nothing can be put before housekeeping."""
    if not opposite:
        return "leave it out: nothing changes"
    movable = [row for row in opposite if row.kind in WRITTEN]
    if not movable:
        return f"leave it out: {row_name(opposite[0])} comes before every rule"
    return f"put it before {row_name(movable[0])}, or leave it out"


def _is_past(audit: Audit, row: Row) -> bool:
    until = audit.source(row).until
    now = audit.prover.universe.local_now()
    return until is not None and until < now.date()


def redundant(audit: Audit) -> Iterator[Diagnostic]:
    """Live rules whose removal alone would change nothing."""
    for row in audit.written:
        if row.index in audit.dead:
            continue
        verdict = audit.prover.redundant.get(row.index)
        if isinstance(verdict, Covered):
            # a rule that never decides may be all that would take its place
            heirs = [n for n in verdict.core if n > row.index]
            both = [row_name(audit.plan.rows[n]) for n in heirs if n in audit.dead]
            only = f", but not {listed(both, 'or')} as well" if both else ""
            yield Diagnostic(
                "rule-redundant",
                "warning" if row.let else "note",
                f"{row_name(row)} could be left out: later decisions do the same to all it decides",
                audit.place(row),
                help=f"leave it out{only}, if it says nothing that should stand there by itself",
                related=audit.related(heirs, "would do the same"),
            )


@dataclass(frozen=True, slots=True)
class Piece:
    """One term of a rule's list, its place in the rule, and the part that goes with it."""

    term: str
    path: tuple[str | int, ...]
    regions: tuple[Region, ...]


def _pieces(ground: Ground, rule: Rule) -> Iterator[Piece]:
    when = When(rule.during, rule.until)
    who = all_starters(ground, rule.who)
    reach, what = goals(ground, rule.reach), service_set(ground, rule.services)
    if len(rule.who) > 1:
        verb = "let" if rule.let else "refuse"
        for place, term in enumerate(rule.who):
            mine = all_starters(ground, [term])
            yield Piece(term, (verb, place), tuple(toward(mine, reach, what, when)))
    if len(rule.reach) > 1:
        for place, term in enumerate(rule.reach):
            found = toward(who, goals(ground, [term]), what, when)
            yield Piece(term, ("reach", place), tuple(found))
    if len(rule.services) > 1:
        for place, term in enumerate(rule.services):
            found = toward(who, reach, service_set(ground, [term]), when)
            yield Piece(term, ("with", place), tuple(found))


def partly_hidden(audit: Audit) -> Iterator[Diagnostic]:
    """Terms of a live rule for which an opposite decision has always come first."""
    for row in audit.written:
        rule = audit.source(row)
        if row.index in audit.dead or not isinstance(rule, Rule):
            continue
        for piece in _pieces(audit.ground, rule):
            boxes = audit.prover.universe.boxes_of(piece.regions)
            if not boxes or audit.prover.decides(row.index, boxes):
                continue
            cover = audit.prover.covered(boxes, range(row.index))
            core = [audit.plan.rows[n] for n in cover.core] if cover else []
            opposite = [r for r in core if r.let != row.let]
            if not opposite:
                continue
            movable = next((r for r in opposite if r.kind in WRITTEN), None)
            or_else = f", or put {row_name(row)} before {row_name(movable)}" if movable else ""
            verb = "comes first and says" if len(core) == 1 else "come first and say"
            yield Diagnostic(
                "rule-partly-hidden",
                "warning",
                f"of {row_name(row)} the part '{piece.term}' never decides:"
                f" {listed(row_name(r) for r in core)} {verb} the opposite",
                audit.place(row, *piece.path),
                help=f"take '{piece.term}' out of {row_name(row)}{or_else}",
                related=audit.related((r.index for r in core), "decides first"),
            )


def contradictions(audit: Audit) -> Iterator[Diagnostic]:
    """Pairs of opposite rules that share connections while neither contains the other."""
    prover = audit.prover
    mine = {row.index: row for row in audit.written if row.index not in audit.dead}
    for later in mine.values():
        if not prover.boxes_of_row(later.index):
            continue
        for number in prover.engine.overlapping(later.index):
            earlier = mine.get(number)
            if number >= later.index:
                break
            if earlier is None or earlier.let == later.let:
                continue
            shared = _shared(prover.boxes_of_row(number), prover.boxes_of_row(later.index))
            witness = prover.decided(shared, frozenset({number}))
            if witness is None or _contained(prover, later.index, number):
                continue
            told = audit.tell(witness, shared)
            eased = any(_conditional(audit.source(r)) for r in (earlier, later))
            yield Diagnostic(
                "rules-contradict",
                "note" if eased else "warning",
                f"{row_name(earlier)} and {row_name(later)} say opposite things about the same"
                f" connections; the order decides, so {row_name(earlier)} wins",
                audit.place(later),
                witness=told.sentence,
                help="if that is meant, say so in `because`; else narrow one of them",
                related=audit.related([number], "wins where both fit"),
            )


def _conditional(source: Rule | Offer) -> bool:
    return source.during is not None or source.until is not None or isinstance(source, Offer)


def _shared(a: Iterable[RawBox], b: Sequence[RawBox]) -> list[RawBox]:
    found = (
        tuple(intersect(x, y) for x, y in zip(one, two, strict=True)) for one in a for two in b
    )
    return [box for box in found if all(box)]


def _contained(prover: Prover, later: int, earlier: int) -> bool:
    """Is one of two rows, box by box, inside the other? Then it is an exception, not a clash."""

    def inside(a: int, b: int) -> bool:
        return all(
            any(all(subset(x, y) for x, y in zip(one, two, strict=True)) for two in boxes)
            for boxes in [prover.boxes_of_row(b)]
            for one in prover.boxes_of_row(a)
        )

    return inside(later, earlier) or inside(earlier, later)


def too_broad(audit: Audit) -> Iterator[Diagnostic]:
    """Wide words (`anyone`, `anywhere`, `anything`) where the charter needs fewer."""
    for row in audit.written:
        rule = audit.source(row)
        if row.index in audit.dead or not isinstance(rule, Rule) or not rule.let:
            continue
        if "anywhere" in rule.reach:
            yield from _anywhere(audit, row, rule)
        if "anyone" in rule.who:
            yield from _anyone(audit, row, rule)
        if "anything" in rule.services and "anywhere" in rule.reach:
            yield Diagnostic(
                "rule-broader-than-needed",
                "warning",
                f"{row_name(row)} lets every service to every destination: whatever"
                f" {listed(rule.who)} may start and no earlier decision refuses",
                audit.place(row),
                help="name the services that are needed under `with`",
            )


def _decides(
    audit: Audit, row: Row, found: Iterable[Region]
) -> tuple[Witness, list[RawBox]] | None:
    boxes = audit.prover.universe.boxes_of(found)
    witness = audit.prover.decided(boxes, frozenset({row.index}))
    return None if witness is None else (witness, boxes)


def _anywhere(audit: Audit, row: Row, rule: Rule) -> Iterator[Diagnostic]:
    ground, when = audit.ground, When(rule.during, rule.until)
    who, what = all_starters(ground, rule.who), service_set(ground, rule.services)
    local = [(a.name, a.hosts) for a in ground.areas] + [("the gateway", ground.gateway)]
    opened = [
        (name, found)
        for name, where in local
        if (found := _decides(audit, row, regions(who, where, what, when)))
    ]
    if not opened:
        yield Diagnostic(
            "rule-broader-than-needed",
            "note",
            f"{row_name(row)} says `anywhere`, yet it decides nothing that stays on the site",
            audit.place(row, "reach"),
            help="write `reach: internet`: nothing changes, and it says what is meant",
        )
        return
    witness, boxes = opened[0][1]
    yield Diagnostic(
        "rule-broader-than-needed",
        "warning",
        f"`anywhere` is more than the internet: {row_name(row)} also opens"
        f" {listed(name for name, _ in opened)}",
        audit.place(row, "reach"),
        witness=audit.tell(witness, boxes).sentence,
        help="write `reach: internet` if the internet is meant, or name the areas one by one",
    )


def _anyone(audit: Audit, row: Row, rule: Rule) -> Iterator[Diagnostic]:
    ground, when = audit.ground, When(rule.during, rule.until)
    reach, what = goals(ground, rule.reach), service_set(ground, rule.services)
    live, silenced = [], False
    house = [r.index for r in audit.plan.rows if r.kind == "housekeeping"]
    for name in sorted(ground.everywhere):
        found = list(toward([Who(frozenset({name}))], reach, what, when))
        if _decides(audit, row, found):
            live.append(name)
        elif not audit.prover.covered(audit.prover.universe.boxes_of(found), house):
            silenced = True
    if live and silenced:
        yield Diagnostic(
            "rule-broader-than-needed",
            "note",
            f"{row_name(row)} says `anyone`, yet it decides only for {listed(live)}",
            audit.place(row),
            help=f"write `let: [{', '.join(live)}]`: nothing changes, and it says what is meant",
        )


def group_places(audit: Audit) -> Iterator[Diagnostic]:
    """Rules by person or group: they speak only where people sign in."""
    ground = audit.ground
    silent = sorted(ground.all_areas - ground.sign_in_areas)
    known = set(audit.plan.charter.people) | set(audit.plan.charter.groups)
    spoken: set[str] = set()
    for row in audit.written:
        named = [term for term in audit.source(row).who if term in known]
        fresh = [term for term in named if term not in spoken]
        spoken |= set(named)
        empty = [t for t in named if starters(ground, t) is None or not _members(audit, t)]
        help_ = "give the area `sign-in: required`, or name the area or a device instead"
        if empty:
            where = "here" if ground.sign_in_areas else "here: nobody signs in anywhere"
            yield Diagnostic(
                "group-without-sign-in",
                "error",
                f"{row_name(row)} is about {listed(named)}, but nobody can be {listed(empty)} {where}",
                audit.place(row),
                help=help_,
            )
        elif fresh and silent:
            yield Diagnostic(
                "group-without-sign-in",
                "note",
                f"{row_name(row)} is about {listed(fresh)}, but in {listed(silent)} nobody signs in,"
                " so there it does not apply",
                audit.place(row),
                help=help_,
            )


def _members(audit: Audit, term: str) -> bool:
    people = audit.plan.charter.people
    return term in people or any(term in p.groups for p in people.values())


EVERY_RULE = (never_decides, redundant, partly_hidden, contradictions, too_broad, group_places)
