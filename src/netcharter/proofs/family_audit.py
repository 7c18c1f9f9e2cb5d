"""Refusals that hold in one family only, while the same is let in the other.

Areas, devices and the internet have addresses of both families, so a rule about them refuses in
both. A place has those that were written, and an ICMP type belongs to one family. Whoever is at a
place may have addresses of the other family, too, which nobody wrote down: anywhere on the internet
that no place names. If what is refused at the place is let there, the refusal can be walked around.

The promise about both families (`twins`) leaves aside and names what the charter itself says of one
family; here is what of it lets somebody in.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from netcharter.diagnostics import Diagnostic
from netcharter.plan.coding import ANY4, ANY6, network
from netcharter.plan.housekeeping import ECHO4, ECHO6
from netcharter.plan.shapes import Region, Row, Rule, When
from netcharter.plan.terms import Who, all_reached, all_starters, regions, service_set
from netcharter.proofs.rules_audit import Audit
from netcharter.proofs.story import row_name
from netcharter.space.ranges import Ranges, intersect, subtract, union

ANY = {4: ANY4, 6: ANY6}
ECHO = {4: ECHO4, 6: ECHO6}


@dataclass(frozen=True)
class Gap:
    """What a refusing rule does not speak of. family: the one in which it refuses; key, entry, what:
    the part of the rule, which one of its list, and the name, that has nothing of the other family;
    own: what the rule says of that name, asked: the same in the other family."""

    family: int
    key: str
    entry: int
    what: str
    own: tuple[Region, ...]
    asked: tuple[Region, ...]


def one_family(audit: Audit) -> Iterator[Diagnostic]:
    """Refusing rules with a place or an ICMP type of one family, where the other one is let."""
    letting = frozenset(row.index for row in audit.written if row.let)
    for row in audit.written:
        rule = audit.source(row)
        if row.let or row.index in audit.dead or not isinstance(rule, Rule):
            continue
        for gap in (*_places(audit, rule), *_echoes(audit, rule)):
            boxes = audit.prover.universe.boxes_of(gap.asked)
            witness = audit.prover.decided(boxes, letting)
            own = audit.prover.universe.boxes_of(gap.own)
            if witness is not None and audit.prover.decides(row.index, own):
                yield _told(audit, row, gap, audit.tell(witness, boxes).sentence)


def _told(audit: Audit, row: Row, gap: Gap, witness: str) -> Diagnostic:
    other = 10 - gap.family
    has = f"has no IPv{other} prefix" if gap.key != "with" else f"is of IPv{gap.family} alone"
    instead = (
        f"name IPv{other}'s ping as well (`ping` is both)"
        if gap.key == "with"
        else f"give {gap.what} its IPv{other} prefixes, too; if it has none, say so in a comment"
    )
    return Diagnostic(
        "refused-in-one-family",
        "warning",
        f"{row_name(row)} refuses in IPv{gap.family} only: {gap.what} {has}, and what it refuses"
        f" there is let in IPv{other}",
        audit.place(row, gap.key, gap.entry),
        witness=witness,
        help=instead,
    )


def _places(audit: Audit, rule: Rule) -> Iterator[Gap]:
    """Places of one family, with the rest of the internet in the other one in their stead."""
    ground, when = audit.ground, When(rule.during, rule.until)
    what = service_set(ground, rule.services)
    known = union(*ground.places.values()) if ground.places else ()
    translated = network(*ground.charter.translators)
    nameless = subtract(ground.internet, union(known, translated))
    for name, found in ground.places.items():
        family = _only(subtract(found, translated))
        if family is None:
            continue
        elsewhere = intersect(nameless, ANY[10 - family])
        if name in rule.reach:
            starters = all_starters(ground, rule.who)
            own, asked = (regions(starters, there, what, when) for there in (found, elsewhere))
            yield Gap(family, "reach", rule.reach.index(name), name, tuple(own), tuple(asked))
        if name in rule.who:
            reach = all_reached(ground, rule.reach)
            own, asked = (
                regions([Who(ground.all_lines, source=there)], reach, what, when)
                for there in (found, elsewhere)
            )
            yield Gap(family, "refuse", rule.who.index(name), name, tuple(own), tuple(asked))


def _only(addresses: Ranges) -> int | None:
    """The family of addresses that are all of one."""
    held = [family for family in (4, 6) if intersect(addresses, ANY[family])]
    return held[0] if len(held) == 1 else None


def _echoes(audit: Audit, rule: Rule) -> Iterator[Gap]:
    """A ping that is refused in one family."""
    ground, when = audit.ground, When(rule.during, rule.until)
    what = service_set(ground, rule.services)
    held = [family for family, echo in ECHO.items() if intersect(what, echo)]
    if len(held) == 1:
        (family,) = held
        reach, starters = all_reached(ground, rule.reach), all_starters(ground, rule.who)
        own, asked = (
            regions(starters, intersect(reach, ANY[each]), ECHO[each], when)
            for each in (family, 10 - family)
        )
        named = (bool(intersect(service_set(ground, [one]), ECHO[family])) for one in rule.services)
        yield Gap(family, "with", list(named).index(True), "its ping", tuple(own), tuple(asked))
