"""What rules are worth: those that never decide, that could go, that contradict each other.

A rule decides through the leaves that bear its name. That none of them is ever the first to fit,
and which earlier ones see to that, is certified; that a rule could go is shown again by reading
the ruleset without it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from typing import Any

from netcharter.diagnostics import Diagnostic, Severity
from netcharter.readback.attempts import attempt
from netcharter.readback.audit_reach import Gateway
from netcharter.readback.inside import walked
from netcharter.readback.later import Later
from netcharter.readback.listing import Chain, Listing, Name, Rule
from netcharter.readback.points import Points, points
from netcharter.readback.questions import origin_text
from netcharter.readback.shapes import Leaf, Origin, Verdict
from netcharter.readback.structure import Structure, has_statement, later_only, matches
from netcharter.readback.walk import decisions
from netcharter.readback.words import listed
from netcharter.space.certified import NoAnswer
from netcharter.space.checker import Unproven, check_same
from netcharter.space.model import Covered, RawBox, Witness
from netcharter.space.ranges import intersect

MAIN = ("input", "forward", "output")
MOST_TRIED = 40  # chains that are looked at whether any packet gets there
MOST_READ = 60_000  # leaves read in all to see whether rules could go
MOST_PAIRS = 3_000  # pairs of rules that are looked at for contradictions
PIECES = 5_000
SHOWN = 3  # of the rules that one contradicts
SOME = 2  # opposite rules beyond which an earlier one is taken for an exception from all of them
TRACES = ("log", "mangle", "set", "dup", "fwd", "queue", "limit", "quota", "meter")
LATER = (
    "packets of conversations already let may still meet it; begin the chain with `ct state"
    " established,related accept` and `ct state invalid drop`, then take it out"
)
FINAL = frozenset({"accept", "drop", "reject"})
DEVICE_KEYS = frozenset({"iif", "oif", "iifname", "oifname"})


class Rules:
    """The rules of a gateway's listing with the leaves they decide by."""

    def __init__(self, gateway: Gateway) -> None:
        self.gateway = gateway
        self.structure = Structure(gateway.listing)
        self.later = Later(self.structure)

    @cached_property
    def leaves(self) -> Mapping[Origin, tuple[int, ...]]:
        """The leaves of every rule and policy that decides anywhere."""
        found: dict[Origin, list[int]] = {}
        for number, leaf in enumerate(self.gateway.points.decisions.leaves):
            found.setdefault(leaf.decider, []).append(number)
        return {origin: tuple(numbers) for origin, numbers in found.items()}

    @cached_property
    def dead(self) -> Mapping[Origin, tuple[Origin, ...]]:
        """Rules none of whose leaves is ever the first to fit, with those that come first."""
        found: dict[Origin, tuple[Origin, ...]] = {}
        for origin, numbers in self.leaves.items():
            if origin.number is None:
                continue
            core = self._core(numbers)
            if core is not None:
                by = dict.fromkeys(self.gateway.points.leaf(n).decider for n in core)
                found[origin] = tuple(one for one in by if one != origin and one.chain)
        return found

    def _core(self, numbers: Sequence[int]) -> list[int] | None:
        """The leaves that come before all of some leaves, together; None where one of them is the
        first to fit anything."""
        points_ = self.gateway.points
        core: set[int] = set()
        for number in numbers:
            if number in points_.boxes:
                verdict = points_.certified.dead_rule(number)
                if not isinstance(verdict, Covered):
                    return None
                core |= set(verdict.core)
        return sorted(core)

    def spare(self, numbers: Sequence[int]) -> bool:
        """Would later leaves do the same in the place of some leaves, each taken alone? Only a first
        look: leaves are narrowed to what earlier ones leave, so later rules may fit more."""
        engine = self.gateway.points.certified.engine
        boxes = self.gateway.points.boxes
        return all(isinstance(engine.redundant_rule(n), Covered) for n in numbers if n in boxes)

    @cached_property
    def readings(self) -> Iterator[int]:
        """One for each time that the ruleset may be read again to name all that come first."""
        return iter(range(MOST_READ // max(1, len(self.gateway.points.boxes))))

    @cached_property
    def unmet(self) -> tuple[Rule, ...]:
        """Rules that refuse or accept for good, that first packets could come to as far as states
        tell, and that no leaf bears the name of."""
        if not self.gateway.points.decisions.complete:
            return ()
        named = {(o.family, o.table, o.chain, o.number) for o in self.leaves}
        return tuple(
            rule
            for name, chain in self.gateway.listing.chains.items()
            if name in self.structure.fresh
            for rule in chain.rules
            if (*name, rule.number) not in named and self.final(name, rule)
        )

    def inside(self, inner: Origin, outer: Origin) -> bool:
        """Is all that a rule fits, whatever comes before, part of what another one fits?"""
        boxes = self.gateway.points.boxes
        mine = [boxes[n] for n in self.leaves[inner] if n in boxes]
        by = [n for n in self.leaves[outer] if n in boxes]
        return self.gateway.points.certified.covered(mine, by) is not None

    def is_shared(self, origin: Origin) -> bool:
        """Does a rule stand in a chain that several rules lead to?"""
        return (origin.family, origin.table, origin.chain) in self.structure.shared

    def rule(self, origin: Origin) -> Rule:
        """The rule of the listing that decides."""
        chain = self.gateway.listing.chains[origin.family, origin.table, origin.chain]
        return chain.rules[(origin.number or 1) - 1]

    def is_rest(self, origin: Origin) -> bool:
        """Does a rule speak of nothing but network devices? Then it is about all that is left."""
        rule = self.rule(origin)
        if has_statement(rule, "vmap"):
            return False
        return all(_of_device(left) for left, _, _ in matches(rule))

    def final(self, chain: Name, rule: Rule) -> bool:
        """Would whatever fits the rule be decided by it and by nothing after it?"""
        if later_only(rule) or has_statement(rule, "vmap", "jump", "goto", "return", "continue"):
            return False
        if "lo" in _named(rule):  # what comes back by it was decided when it was sent
            return False
        if has_statement(rule, "drop", "reject"):
            return True
        return has_statement(rule, "accept") and self._last_word(chain)

    def _last_word(self, chain: Name) -> bool:
        """Is an accept in a chain the last word of its hook?"""
        leading = [base for base in self.structure.bases if chain in self._below[_name(base)]]
        return bool(leading) and all(self._alone(base) for base in leading)

    @cached_property
    def _below(self) -> Mapping[Name, frozenset[Name]]:
        return {
            _name(base): frozenset(_name(one) for one in self.structure.below(base))
            for base in self.structure.bases
        }

    def _alone(self, base: Chain) -> bool:
        """Is a base chain the only filter of its hook?"""
        others = (
            one
            for one in self.structure.bases
            if one.hook == base.hook and one.type == "filter" and one is not base
        )
        return base.type == "filter" and base.hook in MAIN and not any(others)


def _of_device(left: Mapping[str, Any]) -> bool:
    meta = left.get("meta")
    return isinstance(meta, dict) and meta.get("key") in DEVICE_KEYS


def _name(chain: Chain) -> Name:
    return chain.family, chain.table, chain.name


def never_decides(rules: Rules) -> Iterator[Diagnostic]:
    """Rules before which others always decide, and rules that no packet fits."""
    if not rules.gateway.points.decisions.complete:
        return
    for origin, core in rules.dead.items():
        if core:
            yield _taken(origin, core, _verdict(rules, origin), rules)
    entered: dict[Name, bool] = {}
    for rule in rules.unmet:
        chain = (rule.family, rule.table, rule.chain)
        if chain not in entered and len(entered) < MOST_TRIED:
            entered[chain] = bool(_leaves_of(rules, chain, _everything(rule)))
            if not entered[chain]:
                yield _never_entered(rules, chain)
        if entered.get(chain) and not _asks_in_vain(rules, rule):
            yield from _unmet(rules, rule)


def _on_other_ways(rules: Rules, origin: Origin, core: Sequence[Origin]) -> Sequence[Origin]:
    """Those that come before a rule, with the others of its chain that it takes as well.

    Where several ways lead to a chain, leaves tell of those ways alone on which something is left
    when the rule's turn comes. So the ruleset is read once more in which none but those named
    decides: what the rule then decides, of what others of its chain do, they take before it.
    """
    named = {*core, origin}
    others = (o for o in rules.leaves if o not in named)
    if next(rules.readings, None) is None:
        return core
    tried = _read(rules, _silenced(rules.gateway.listing, others))
    if tried is None:
        return core
    try:
        left = _decided(tried, (n for n in tried.boxes if tried.leaf(n).decider == origin))
        by = _deciders(rules.gateway.points, left)
    except NoAnswer:
        return core
    place = (origin.family, origin.table, origin.chain)
    beside = (o for o in by if (o.family, o.table, o.chain) == place and o.number is not None)
    return tuple(dict.fromkeys((*core, *beside)))


def _silenced(listing: Listing, origins: Iterable[Origin]) -> Listing:
    """A listing in which some rules do all that they do, but let packets go on."""
    asked = {(o.family, o.table, o.chain, o.number) for o in origins}

    def silent(rule: Rule) -> Rule:
        on = tuple({"continue": None} if FINAL & set(one) else one for one in rule.expr)
        return replace(rule, expr=on)

    def held(name: Name, chain: Chain) -> Iterator[Rule]:
        for rule in chain.rules:
            yield silent(rule) if (*name, rule.number) in asked else rule

    chains = listing.chains.items()
    return replace(listing, chains={n: replace(c, rules=tuple(held(n, c))) for n, c in chains})


def _taken(origin: Origin, found: Sequence[Origin], verdict: Verdict, rules: Rules) -> Diagnostic:
    """A rule before which others always decide."""
    core = _on_other_ways(rules, origin, found)
    opposite = [one for one in core if _verdict(rules, one).let != verdict.let]
    verb = "takes" if len(core) == 1 else "together take"
    always = rules.later.only_first(rules.rule(origin))
    what = "" if always else " the first packet of a conversation"
    return Diagnostic(
        "listed-rule-never-decides",
        "warning",
        f"{origin_text(origin)} never decides{what}: {listed(map(short, core))} {verb} everything"
        " that it fits",
        origin.span,
        help=_instead(opposite) if always else LATER,
        related=tuple((one.span, f"{short(one)} comes first") for one in core),
    )


def _unmet(rules: Rules, rule: Rule) -> Iterator[Diagnostic]:
    """A rule without leaves: with those that take what it would fit if it stood first in its chain,
    as the checker confirms; or else nothing fits it at all."""
    points_ = rules.gateway.points
    found = _leaves_of(rules, (rule.family, rule.table, rule.chain), rule)
    name = f"rule {rule.number} of chain {rule.chain}"
    if not found:
        yield Diagnostic(
            "listed-rule-never-met",
            "warning",
            f"no first packet fits {name}: what it asks for contradicts itself, or the way that leads"
            " there",
            rule.span,
            help="correct what it asks for, or take it out",
        )
        return
    boxes = [box for box, _ in found]
    survey = points_.certified.survey(boxes, PIECES)
    mine = [piece.rule for piece in survey.pieces if piece.rule is not None]
    core = points_.certified.covered(boxes, mine) if survey.complete else None
    by = dict.fromkeys(points_.leaf(n).decider for n in core.core) if core else {}
    before = tuple(one for one in by if one.chain)
    if before:
        leaf = found[0][1]
        yield _taken(leaf.decider, before, leaf.verdict, rules)


def _everything(rule: Rule) -> Rule:
    """A rule that fits every packet, to see whether any gets to a chain."""
    return replace(rule, number=0, expr=({"drop": None},), comment="")


def _leaves_of(rules: Rules, chain: Name, rule: Rule) -> list[tuple[RawBox, Leaf]]:
    """What a rule would fit if it stood first in its chain: its leaves there, and their boxes."""
    gateway = rules.gateway
    held = gateway.listing.chains[chain]
    others = tuple(one for one in held.rules if one.number != rule.number)
    first = replace(held, rules=(rule, *others))
    listing = replace(gateway.listing, chains={**gateway.listing.chains, chain: first})
    read = decisions(listing, gateway.points.host)
    if read.devices != gateway.points.decisions.devices:
        return []
    tried = points(read, gateway.points.host, gateway.points.frame)
    place = (*chain, rule.number)
    found = []
    for number, box in tried.boxes.items():
        by = tried.leaf(number).decider
        if (by.family, by.table, by.chain, by.number) == place:
            found.append((box, tried.leaf(number)))
    return found


def _never_entered(rules: Rules, chain: Name) -> Diagnostic:
    held = rules.gateway.listing.chains[chain]
    return Diagnostic(
        "chain-never-entered",
        "warning",
        f"no first packet gets to chain {chain[2]} of table {chain[0]} {chain[1]}: the rules that"
        " lead there fit none, or others come first",
        held.span,
        help="correct the rule that leads there, or take the chain out",
    )


def _asks_in_vain(rules: Rules, rule: Rule) -> bool:
    """Does a rule ask an empty set? That is told of the set."""
    sets = rules.gateway.listing.sets
    return any(
        name in sets and not sets[name].elements and not sets[name].living
        for name in rules.structure.sets_of(rule)
    )


def _verdict(rules: Rules, origin: Origin) -> Verdict:
    return rules.gateway.points.leaf(rules.leaves[origin][0]).verdict


def short(origin: Origin) -> str:
    """A rule by its place alone."""
    if not origin.chain:
        return origin.text
    chain = f"chain {origin.chain}"
    return f"the policy of {chain}" if origin.number is None else f"rule {origin.number} of {chain}"


def _instead(opposite: Sequence[Origin]) -> str:
    if not opposite:
        return "take it out: nothing changes"
    movable = [one for one in opposite if one.number is not None]
    if not movable:
        return "take it out: nothing changes"
    return f"move it before {short(movable[0])}, which says the opposite; or take it out"


def redundant(rules: Rules) -> Iterator[Diagnostic]:
    """Rules that decide, and without which others would do the same to everything. Not told: those
    that do more than decide, those that close a chain in plain words (they ask for nothing, or
    refuse what the policy refuses), and those that later packets may meet."""
    for origin in _candidates(rules):
        heirs = _same_without(rules, origin)
        if heirs is not None and not _in_plain_words(rules, origin, heirs):
            yield Diagnostic(
                "listed-rule-redundant",
                "note",
                f"{origin_text(origin)} could be left out: without it,"
                f" {listed(map(short, heirs))} would do the same to everything",
                origin.span,
                help="take it out, or say in its comment why it stays",
                related=tuple((one.span, f"{short(one)} would do the same") for one in heirs),
            )


def _candidates(rules: Rules) -> Sequence[Origin]:
    """The rules that the ruleset is read again without: all of a small ruleset; of a large one
    those that leaves in their neighbourhood already say could go."""
    asked = [
        origin
        for origin in rules.leaves
        if origin.number is not None
        and origin not in rules.dead
        and _only_decides(rules.rule(origin))
        and rules.later.only_first(rules.rule(origin))
    ]
    size = len(rules.gateway.points.boxes)
    if len(asked) * size <= MOST_READ:
        return asked
    return [o for o in asked if rules.spare(rules.leaves[o])][: MOST_READ // size]


def _in_plain_words(rules: Rules, origin: Origin, heirs: Sequence[Origin]) -> bool:
    """Does a rule say no more than what policies refuse anyway? That is good practice."""
    return not _verdict(rules, origin).let and all(one.number is None for one in heirs)


def _only_decides(rule: Rule) -> bool:
    """Does a rule ask for something and then decide, without leaving a trace anywhere else?"""
    asks = any(True for _ in matches(rule)) or has_statement(rule, "vmap")
    return asks and not has_statement(rule, *TRACES)


def _same_without(rules: Rules, origin: Origin) -> Sequence[Origin] | None:
    """Read the ruleset again without a rule. None where a packet may fare otherwise than before;
    else those that decide what the rule decided."""
    now = rules.gateway.points
    other = _read(rules, without(rules.gateway.listing, origin))
    if other is None:
        return None
    try:
        if not check_same(now.rules, other.rules):
            return None
        return _deciders(other, _decided(now, rules.leaves[origin]))
    except (Unproven, NoAnswer):
        return None


def _read(rules: Rules, listing: Listing) -> Points | None:
    """A listing that differs a little, in the frame of the one it was; None where it has none."""
    now = rules.gateway.points
    read = decisions(listing, now.host)
    if not read.complete or read.devices != now.decisions.devices:
        return None
    return points(read, now.host, now.frame)


def _decided(points_: Points, numbers: Iterable[int]) -> list[RawBox]:
    """All that some leaves are the first to fit."""
    asked = {number for number in numbers if number in points_.boxes}
    pieces = points_.certified.survey([points_.boxes[n] for n in sorted(asked)], PIECES).pieces
    return [piece.box for piece in pieces if piece.rule in asked]


def _deciders(points_: Points, boxes: Sequence[RawBox]) -> list[Origin]:
    """Who decides what lies in some boxes, each once."""
    pieces = points_.certified.survey(boxes, PIECES).pieces
    return list(dict.fromkeys(points_.leaf(p.rule).decider for p in pieces if p.rule is not None))


def without(listing: Listing, origin: Origin) -> Listing:
    """A listing without one rule. The others keep their numbers."""
    name = (origin.family, origin.table, origin.chain)
    chain = listing.chains[name]
    rules = tuple(rule for rule in chain.rules if rule.number != origin.number)
    return replace(listing, chains={**listing.chains, name: replace(chain, rules=rules)})


def contradictions(rules: Rules) -> Iterator[Diagnostic]:
    """Opposite rules that share packets, neither of them an exception from the other: one finding
    for each rule that comes first, with all that it contradicts."""
    clashes: dict[Origin, list[tuple[Origin, Witness, RawBox]]] = {}
    for earlier, later, shared, witness in _clashes(rules):
        clashes.setdefault(earlier, []).append((later, witness, shared))
    for earlier, against in clashes.items():
        later, witness, shared = against[0]
        told = attempt(rules.gateway.points, rules.gateway.words, shared, witness.point)
        names = [short(one) for one, _, _ in against[:SHOWN]]
        more = f" and {len(against) - SHOWN} more rules" if len(against) > SHOWN else ""
        yield Diagnostic(
            "listed-rules-contradict",
            _weight(rules, earlier, [one for one, _, _ in against]),
            f"{origin_text(earlier)} says the opposite of {listed(names)}{more} about the same"
            " packets;"
            f" the order decides, so {short(earlier)} wins",
            earlier.span,
            witness=told.sentence[0].upper() + told.sentence[1:],
            help="if that is meant, say so in a comment; else narrow one of them",
            related=tuple(
                (one.span, f"{short(one)} loses where both fit") for one, _, _ in against
            ),
        )


def _clashes(rules: Rules) -> Iterator[tuple[Origin, Origin, RawBox, Witness]]:
    """Pairs of opposite rules with a packet that the first decides and the second fits, too."""
    points_ = rules.gateway.points
    live = {o: ns for o, ns in rules.leaves.items() if o.number is not None and o not in rules.dead}
    by_leaf = {number: origin for origin, numbers in live.items() for number in numbers}
    seen: set[tuple[Origin, Origin]] = set()
    for number, later in sorted(by_leaf.items()):
        if number not in points_.boxes or rules.is_rest(later) or rules.is_shared(later):
            continue
        for first in points_.certified.engine.overlapping(number):
            if first >= number or len(seen) > MOST_PAIRS:
                break
            earlier = by_leaf.get(first)
            if earlier is None or earlier == later or (earlier, later) in seen:
                continue
            if rules.is_shared(earlier):
                continue
            if points_.leaf(first).verdict.let == points_.leaf(number).verdict.let:
                continue
            if not intersect(points_.exits(first), points_.exits(number)):
                continue
            pair = zip(points_.boxes[first], points_.boxes[number], strict=True)
            shared = tuple(intersect(a, b) for a, b in pair)
            witness = points_.certified.decided([shared], frozenset({first}))
            if witness is not None:
                seen.add((earlier, later))
                if not rules.inside(earlier, later) and not rules.inside(later, earlier):
                    yield earlier, later, shared, witness


def _weight(rules: Rules, earlier: Origin, later: Sequence[Origin]) -> Severity:
    """A rule that stands against several is an exception from all of them; and where conditions
    take part, both may be meant."""
    leaves = [rules.gateway.points.leaf(n) for one in (earlier, *later) for n in rules.leaves[one]]
    return "note" if len(later) > SOME or any(leaf.held for leaf in leaves) else "warning"


def absent_devices(rules: Rules) -> Iterator[Diagnostic]:
    """Rules that name a network device which the machine does not have."""
    host = rules.gateway.points.host
    if not host.known or not host.devices:
        return
    known = {*host.devices, "lo"}
    for chain in rules.gateway.listing.chains.values():
        for rule in chain.rules:
            missing = [name for name in _named(rule) if name not in known]
            if missing:
                yield Diagnostic(
                    "network-device-absent",
                    "note",
                    f"rule {rule.number} of chain {rule.chain} names {listed(missing)}, which this"
                    " machine does not have",
                    rule.span,
                    help="correct the name, or take it out; what is plugged in later under this"
                    " name would be let or refused by it",
                )


def _named(rule: Rule) -> Iterator[str]:
    """The network devices that a rule compares with, but for patterns."""
    for left, _, right in matches(rule):
        if _of_device(left):
            names = (value for value in walked(right) if isinstance(value, str) and value)
            yield from (name for name in names if not name.endswith("*") and name[0] != "@")
