"""What a ruleset does, in terms of areas and lines: the rules and offers of a first charter.

Rule by rule, in the order in which packets meet them: who starts is told by where it enters and
from which address, what is reached by where it leaves and to which address. What housekeeping does
anyway is not said again, and neither is a refusal of what no later rule lets. What a charter has no
words for is named, and never let in its place.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property

from netcharter.plan import coding
from netcharter.readback.audit import condition_name
from netcharter.readback.listing import Rule
from netcharter.readback.points import FAMILY4, FAMILY6, PORTS, WITH_PORT, Points
from netcharter.readback.questions import origin_text
from netcharter.readback.shapes import (
    DESTINATION,
    ENTRANCE,
    OTHER,
    OWN,
    PORT,
    SERVICE,
    SYMBOLS,
    Leaf,
    Origin,
)
from netcharter.readback.structure import Structure
from netcharter.readback.telling import rule_text
from netcharter.space.model import Covered
from netcharter.space.ranges import Ranges, intersect, ranges, subset, subtract, union
from netcharter.tasks.inheriting.gateway import OldGateway
from netcharter.tasks.inheriting.shapes import InheritedOffer, InheritedRule, Term, Unsaid
from netcharter.tasks.inheriting.terms import LINES, Site, TooMany, Unnamed, parts_of

UDP, TCP = coding.UDP, coding.TCP
FAMILIES = {4: FAMILY4, 6: FAMILY6}


def _services(*parts: tuple[int, int]) -> Ranges:
    return ranges(*(((p << 16) + n, (p << 16) + n) for p, n in parts))


ICMP4: Ranges = ranges(coding.service(coding.ICMP, 0, 0xFFFF))
ICMPS: Ranges = union(ICMP4, ranges(coding.service(coding.ICMP6, 0, 0xFFFF)))
ECHO4: Ranges = ranges(coding.service(coding.ICMP, 8 << 8, (8 << 8) + 255))
ECHO: Ranges = union(ECHO4, ranges(coding.service(coding.ICMP6, 128 << 8, (128 << 8) + 255)))
# What docs/explanation/model.md section 6 lets an area, or a line, ask of the gateway anyway.
KEPT_INSIDE = union(_services((UDP, 67), (UDP, 547), (UDP, 53), (TCP, 53)), ICMPS)
KEPT_AT_LINES = union(_services((UDP, 68), (UDP, 546)), subtract(ICMPS, ECHO4))


@dataclass
class Said:
    """Rules and offers in their order, and what could not be put into them."""

    rules: list[InheritedRule] = field(default_factory=list)
    offers: list[InheritedOffer] = field(default_factory=list)
    unsaid: dict[str, Unsaid] = field(default_factory=dict)

    def cannot(self, words: str, instead: str, origin: Origin) -> None:
        """Name something once."""
        span = origin.span if origin.chain else None
        self.unsaid.setdefault(words, Unsaid(words, instead, span))


@dataclass(slots=True)
class _Asked:
    """What leaves of one rule have in common; where to, by part of the site, adds up."""

    leaf: Leaf
    who: tuple[Term, ...]
    services: Ranges
    to: dict[str, Ranges] = field(default_factory=dict)
    entrance: str = ""


def said_by(gateway: OldGateway, site: Site) -> Said:
    """The rules and offers of a running gateway, in the words of a site."""
    return _Saying(gateway, site).all()


class _Saying:
    """One gateway on its way into a charter."""

    def __init__(self, gateway: OldGateway, site: Site) -> None:
        self.gateway = gateway
        self.site = site
        self.points: Points = gateway.points
        self.names = gateway.recognised.by_device
        self.structure = Structure(gateway.ruleset.listing)
        self.said = Said()

    def all(self) -> Said:
        for origin, leaves in self._in_order():
            asked: dict[tuple[object, ...], _Asked] = {}
            for leaf, exits in leaves:
                self._leaf(origin, leaf, exits, asked)
            for one in asked.values():
                self._rules(origin, one)
            self._one_family(origin, [leaf for leaf, _ in leaves])
        self._of_the_gateway_itself()
        return self.said

    # ---- the leaves, by rule ----

    def _in_order(self) -> Iterator[tuple[Origin, list[tuple[Leaf, list[str]]]]]:
        """The rules that decide something that a charter would decide otherwise, in their order,
        with their leaves and where these lead."""
        found: dict[Origin, list[tuple[Leaf, list[str]]]] = {}
        needed: set[Origin] = set()
        for number in self.points.boxes:
            leaf = self.points.leaf(number)
            if leaf.decider.number is None and not (leaf.verdict.let and leaf.decider.chain):
                continue
            if isinstance(self.points.certified.dead_rule(number), Covered):
                continue
            if leaf.verdict.let or self._against(number):
                needed.add(leaf.decider)
            exits = self.points.frame.named(self.points.exits(number))
            found.setdefault(leaf.decider, []).append((leaf, exits))
        ordered = sorted(found.items(), key=lambda pair: self._place(pair[0]))
        yield from ((origin, leaves) for origin, leaves in ordered if origin in needed)

    def _against(self, number: int) -> bool:
        """Does a later leaf let something that this one refuses?"""
        exits = self.points.exits(number)
        return any(
            other > number
            and self.points.leaf(other).verdict.let
            and intersect(exits, self.points.exits(other))
            for other in self.points.certified.engine.overlapping(number)
        )

    def _place(self, origin: Origin) -> tuple[int, ...]:
        """Where a rule stands among all: as packets come to it from its base chain."""
        name = (origin.family, origin.table, origin.chain)
        return (*self._ways.get(name, (1 << 30,)), origin.number or 1 << 30)

    @cached_property
    def _ways(self) -> Mapping[tuple[str, str, str], tuple[int, ...]]:
        """For each chain the places of the rules that first lead there, after that of its base."""
        found: dict[tuple[str, str, str], tuple[int, ...]] = {}
        waiting: list[tuple[tuple[str, str, str], tuple[int, ...]]] = [
            ((base.family, base.table, base.name), (number,))
            for number, base in enumerate(self.structure.bases)
        ]
        while waiting:
            name, way = waiting.pop(0)
            if name not in found:
                found[name] = way
                for place, (rule, to) in enumerate(self.structure.calls.get(name, ())):
                    waiting.append((to, (*way, rule.number, place)))
        return found

    # ---- one leaf ----

    def _leaf(
        self,
        origin: Origin,
        leaf: Leaf,
        exits: list[str],
        asked: dict[tuple[object, ...], _Asked],
    ) -> None:
        entrances = self._entrances(origin, leaf)
        if not entrances or not self._sayable(origin, leaf):
            return
        services = self._services_of(leaf)
        if leaf.verdict.destination is not None and leaf.verdict.let:
            self._offer(origin, leaf, entrances, services)
            return
        for entrance in entrances:
            who = self._who(origin, leaf, entrance)
            key = (who, services, leaf.verdict.let, leaf.verdict.manner, entrance)
            if who:
                one = asked.setdefault(key, _Asked(leaf, who, services, entrance=entrance))
                for exit in exits:
                    part = LINES if exit in self.gateway.lines else exit
                    one.to[part] = union(one.to.get(part, ()), leaf.box[DESTINATION])

    def _entrances(self, origin: Origin, leaf: Leaf) -> list[str]:
        """Where the packets of a leaf come in, of what a charter knows."""
        named = self.points.frame.named(leaf.box[ENTRANCE])
        if named == [OWN]:
            return [OWN] if origin.number is not None else []
        known = [name for name in named if name in self.names]
        if not known and OTHER not in named:
            self.said.cannot(
                f"{origin_text(origin)} speaks of {', '.join(named)}, which is neither area nor line",
                "leave it out, or name it: --area NAME=DEVICE, --line NAME=DEVICE",
                origin,
            )
        return known

    def _sayable(self, origin: Origin, leaf: Leaf) -> bool:
        """Can the conditions of a leaf be said, or be left away without letting more than before?"""
        name = origin_text(origin)
        for condition, _ in leaf.held:
            if condition.kind in ("limit", "quota") and leaf.verdict.let:
                self.said.cannot(
                    f"{name} lets up to a limit; in the charter it has none",
                    "decide whether it still needs one",
                    origin,
                )
            else:
                self.said.cannot(
                    f"{name} hangs on {condition_name(condition)}, which a charter can't say",
                    "say with names, hours or sign-in what is meant",
                    origin,
                )
                return False
        if intersect(leaf.box[SERVICE], WITH_PORT) and leaf.box[PORT] != PORTS:
            self.said.cannot(
                f"{name} asks for source ports, which a charter does not know",
                "say who is meant in another way; whoever starts chooses the source port",
                origin,
            )
            return False
        return True

    def _services_of(self, leaf: Leaf) -> Ranges:
        """The services of a leaf; of ICMP only what is ever asked, for its answers need no rule."""
        found = intersect(leaf.box[SERVICE], coding.REAL_SERVICES)
        if subset(coding.REAL_SERVICES, union(found, ICMPS)):
            return coding.REAL_SERVICES
        return union(subtract(found, ICMPS), intersect(found, ECHO))

    def _who(self, origin: Origin, leaf: Leaf, entrance: str) -> tuple[Term, ...]:
        try:
            return self.site.who(leaf, entrance)
        except TooMany as fault:
            self.said.cannot(f"{origin_text(origin)} speaks of {fault}", fault.instead, origin)
            return ()

    # ---- rules ----

    def _rules(self, origin: Origin, one: _Asked) -> None:
        reach: list[Term] = []
        for part, addresses in one.to.items():
            try:
                let = one.leaf.verdict.let
                found = self.site.reach(part, addresses, let) if part != one.entrance else ()
            except TooMany as fault:
                self.said.cannot(f"{origin_text(origin)} speaks of {fault}", fault.instead, origin)
                continue
            except Unnamed:
                continue
            services = self._said_anyway(one, part)
            if found and services != one.services:
                self._add(origin, one, found, services)
            else:
                reach += found
        self._add(origin, one, tuple(dict.fromkeys(reach)), one.services)

    def _said_anyway(self, one: _Asked, part: str) -> Ranges:
        """The services without those that housekeeping lets ask of the gateway."""
        if part != OWN or not one.leaf.verdict.let or one.services == coding.REAL_SERVICES:
            return one.services
        kept = KEPT_AT_LINES if one.entrance in self.gateway.lines else KEPT_INSIDE
        return subtract(one.services, kept)

    def _add(self, origin: Origin, one: _Asked, reach: tuple[Term, ...], services: Ranges) -> None:
        if reach and services:
            verdict = one.leaf.verdict
            quiet = not verdict.let and verdict.manner == "silent"
            self.said.rules.append(
                InheritedRule(
                    verdict.let,
                    one.who,
                    reach,
                    parts_of(services),
                    origin.text,
                    origin.span,
                    origin.comment,
                    quiet and one.entrance not in self.gateway.lines,
                )
            )

    def _one_family(self, origin: Origin, leaves: Iterable[Leaf]) -> None:
        """A rule that lets in one family only, where the site has the other one, too."""
        let = [leaf for leaf in leaves if leaf.verdict.let and leaf.verdict.destination is None]
        met = {n for n, f in FAMILIES.items() for x in let if intersect(x.box[DESTINATION], f)}
        if len(met) == 1 and self.site.both_families and not self._of_its_own(let):
            self.said.cannot(
                f"{origin_text(origin)} is for IPv{met.pop()} alone, and in the charter for both",
                "where that is too much, say `refuse` before it for what is meant",
                origin,
            )

    def _of_its_own(self, leaves: Iterable[Leaf]) -> bool:
        """Do leaves ask only for what one family has alone: named addresses, its own ICMP?"""
        wide = (size_of(leaf.box[DESTINATION]) > 1 << 20 for leaf in leaves)
        return not any(wide)

    # ---- offers ----

    def _offer(self, origin: Origin, leaf: Leaf, entrances: list[str], services: Ranges) -> None:
        """A translation at lines becomes an offer; one for the inside alone has no words."""
        to = leaf.verdict.destination
        assert to is not None
        lines = [name for name in entrances if name in self.gateway.lines]
        if to >= SYMBOLS:
            return
        address = coding.decode(to)
        assert not isinstance(address, tuple)
        if not lines:
            self.said.cannot(
                f"{origin_text(origin)} delivers to {address} what is sent from inside",
                "an offer does the same for its own service; else send to the right address",
                origin,
            )
            return
        found = [self._who(origin, leaf, line) for line in lines]
        if not all(found):
            return
        apart = any(term.networks or term.hardware for who in found for term in who)
        by = self._translating(leaf) or origin
        offer = InheritedOffer(
            parts_of(services),
            tuple(self.names[line] for line in lines),
            address,
            by.text,
            by.span,
            leaf.verdict.port,
            found[0] if apart else (Term("internet"),),
            by.comment,
        )
        if offer not in self.said.offers:
            self.said.offers.append(offer)

    def _translating(self, leaf: Leaf) -> Origin | None:
        """The rule that translates, in whose words an offer is told."""
        spans = {
            one.span
            for one in self.gateway.facts.delivering
            if coding.address(one.to) == leaf.verdict.destination
        }
        for chain in self.gateway.ruleset.listing.chains.values():
            for rule in chain.rules:
                if rule.span in spans:
                    return rule_origin(rule)
        return None

    def _of_the_gateway_itself(self) -> None:
        """Where nothing restrains what the gateway itself starts."""
        own = self.points.frame.numbers([OWN])
        for number, box in self.points.boxes.items():
            leaf = self.points.leaf(number)
            if box[ENTRANCE] != own or not leaf.verdict.let or leaf.decider.number is not None:
                continue
            wide = subset(coding.REAL_SERVICES, union(leaf.box[SERVICE], ICMPS))
            exits = self.points.frame.named(self.points.exits(number))
            if wide and set(exits) & self.gateway.lines:
                self.said.cannot(
                    "what the old gateway itself starts is let without exception; the new one asks"
                    " for names, time, web pages and echoes only",
                    "add `let: gateway, reach: internet` with whatever else runs on it",
                    leaf.decider,
                )


def rule_origin(rule: Rule) -> Origin:
    """A rule of the listing as what decides."""
    text = rule_text(rule.expr)
    return Origin(rule.family, rule.table, rule.chain, rule.number, text, rule.comment, rule.span)


def size_of(found: Ranges) -> int:
    """How many addresses a set holds."""
    return sum(high - low + 1 for low, high in found)
