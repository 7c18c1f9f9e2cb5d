"""What a ruleset does, in terms of areas and lines: the rules and offers of a first charter.

Rule by rule, in the order in which packets meet them: who starts is told by where it enters and
from which address, what is reached by where it leaves and to which address. What housekeeping does
anyway is not said again, and neither is a refusal of what no later rule lets. What a charter has no
words for is named, and never let in its place.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

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
from netcharter.readback.words import listed
from netcharter.space.ranges import Ranges, intersect, ranges, subset, subtract, union
from netcharter.tasks.inheriting.gateway import OldGateway
from netcharter.tasks.inheriting.ordering import Ordering
from netcharter.tasks.inheriting.shapes import InheritedOffer, InheritedRule, Term, Unsaid
from netcharter.tasks.inheriting.terms import LINES, Site, TooMany, Unnamed, parts_of

SHOWN = 3  # of what a rule hangs on
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
# What it lets the gateway itself ask of the internet, and of areas.
KEPT_OUT = union(
    _services((UDP, 53), (TCP, 53), (TCP, 853), (UDP, 123), (TCP, 80), (TCP, 443)), ECHO
)
KEPT_TO_AREAS = union(_services((UDP, 68), (UDP, 546)), ECHO)


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
    missed: bool = False


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
        self.ordering = Ordering(self.points, Structure(gateway.ruleset.listing))
        self.said = Said()
        self.hanging: dict[Origin, dict[str, None]] = {}
        self.added: set[tuple[object, ...]] = set()

    def all(self) -> Said:
        for group in self.ordering.groups():
            asked: dict[tuple[object, ...], _Asked] = {}
            for number in group.leaves:
                self._leaf(group.origin, number, asked)
            for one in asked.values():
                self._rules(group.origin, one)
            self._one_family(group.origin, [self.points.leaf(n) for n in group.leaves])
        self._conditions()
        self._of_the_gateway_itself()
        return self.said

    # ---- one leaf ----

    def _leaf(
        self,
        origin: Origin,
        number: int,
        asked: dict[tuple[object, ...], _Asked],
    ) -> None:
        leaf = self.points.leaf(number)
        entrances = self._entrances(origin, leaf)
        if not entrances or not self._sayable(origin, number):
            return
        exits = self.points.frame.named(self.points.exits(number))
        services = self._services_of(leaf)
        if leaf.verdict.destination is not None and leaf.verdict.let:
            self._offer(origin, number, entrances, services)
            return
        for entrance in entrances:
            who = self._who(origin, number, entrance)
            key = (who, services, leaf.verdict.let, leaf.verdict.manner, entrance)
            if who:
                one = asked.setdefault(key, _Asked(leaf, who, services, entrance=entrance))
                one.missed = one.missed or self.ordering.is_missed(number)
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

    def _sayable(self, origin: Origin, number: int) -> bool:
        """Can the conditions of a leaf be said, or be left away without letting more than before?"""
        leaf = self.points.leaf(number)
        name = origin_text(origin)
        hanging = [c for c, _ in leaf.held if c.kind not in ("limit", "quota")]
        if hanging or (leaf.held and not leaf.verdict.let):
            if self.ordering.is_missed(number):
                names = dict.fromkeys(condition_name(condition) for condition, _ in leaf.held)
                self.hanging.setdefault(origin, {}).update(names)
            return False
        if leaf.held:
            self.said.cannot(
                f"{name} lets up to a limit; in the charter it has none",
                "decide whether it still needs one",
                origin,
            )
        if intersect(leaf.box[SERVICE], WITH_PORT) and leaf.box[PORT] != PORTS:
            self.said.cannot(
                f"{name} asks for source ports, which a charter does not know",
                "say who is meant in another way; whoever starts chooses the source port",
                origin,
            )
            return False
        return True

    def _conditions(self) -> None:
        """The rules that hang on something, each with all that it hangs on."""
        for origin, names in self.hanging.items():
            more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
            self.said.cannot(
                f"{origin_text(origin)} hangs on {listed(list(names)[:SHOWN])}{more}, which a charter"
                " can't say",
                "say with names, hours or sign-in what is meant",
                origin,
            )

    def _services_of(self, leaf: Leaf) -> Ranges:
        """The services of a leaf; of ICMP only what is ever asked, for its answers need no rule."""
        found = intersect(leaf.box[SERVICE], coding.REAL_SERVICES)
        if subset(coding.REAL_SERVICES, union(found, ICMPS)):
            return coding.REAL_SERVICES
        return union(subtract(found, ICMPS), intersect(found, ECHO))

    def _who(self, origin: Origin, number: int, entrance: str) -> tuple[Term, ...]:
        try:
            return self.site.who(self.points.leaf(number), entrance)
        except TooMany as fault:
            if self.ordering.is_missed(number):
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
                if one.missed:
                    words = f"{origin_text(origin)} speaks of {fault}"
                    self.said.cannot(words, fault.instead, origin)
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
        """The services without those that housekeeping lets anyway."""
        if not one.leaf.verdict.let or one.services == coding.REAL_SERVICES:
            return one.services
        if one.entrance == OWN:
            return subtract(one.services, KEPT_OUT if part == LINES else KEPT_TO_AREAS)
        if part != OWN:
            return one.services
        kept = KEPT_AT_LINES if one.entrance in self.gateway.lines else KEPT_INSIDE
        return subtract(one.services, kept)

    def _add(self, origin: Origin, one: _Asked, reach: tuple[Term, ...], services: Ranges) -> None:
        if not reach or not services:
            return
        verdict = one.leaf.verdict
        if (verdict.let, one.who, reach, services) in self.added:
            return  # the first of two that are alike decides
        self.added.add((verdict.let, one.who, reach, services))
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

    def _offer(self, origin: Origin, number: int, entrances: list[str], services: Ranges) -> None:
        """A translation at lines becomes an offer; one for the inside alone has no words."""
        leaf = self.points.leaf(number)
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
        found = [self._who(origin, number, line) for line in lines]
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
