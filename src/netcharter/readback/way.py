"""The way of one packet through a ruleset: every rule that it fits, in order, to its end.

The ruleset is walked as ever, from a single packet, with a counter of its own in every rule behind
what the rule asks; what is counted at the end is the way.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from netcharter.readback.decide import Held, circumstances, comes
from netcharter.readback.listing import Chain, Listing, Rule
from netcharter.readback.shapes import (
    DESTINATION,
    ENTRANCE,
    EXIT,
    HARDWARE,
    PORT,
    SERVICE,
    SOURCE,
    Decisions,
    Host,
    Leaf,
    Packet,
)
from netcharter.readback.state import State, narrowed
from netcharter.readback.structure import Structure
from netcharter.readback.telling import rule_text
from netcharter.readback.walk import STEPS, Walker
from netcharter.space.ranges import Ranges, full, intersect, subtract

_MARK = "\0way "  # no counter of a listing begins so


@dataclass(frozen=True, slots=True)
class Way:
    """One of the ways that a packet may take. leaf: its end, with the conditions it hangs on;
    passed: the rules that it fits on the way, those that only look at it among them.
    """

    leaf: Leaf
    passed: tuple[Rule, ...]


@dataclass(frozen=True, slots=True)
class Ways:
    """All the ways of a packet, the likeliest first; `complete` as in Decisions."""

    ways: tuple[Way, ...]
    complete: bool


def ways(listing: Listing, host: Host, packet: Packet, steps: int = STEPS) -> Ways:
    """What may become of one packet, and which rules it meets on the way."""
    rules = [rule for chain in listing.chains.values() for rule in chain.rules]
    numbers = {id(rule): number for number, rule in enumerate(rules)}
    counted = replace(
        listing,
        chains={name: _counted(chain, numbers) for name, chain in listing.chains.items()},
    )
    found = _Single(counted, host, packet, steps).walk()
    told: list[Way] = []
    for leaf in _possible(found):
        marks = [c for c in leaf.counters if c.startswith(_MARK)]
        passed = tuple(rules[int(mark.removeprefix(_MARK))] for mark in marks)
        plain = tuple(c for c in leaf.counters if not c.startswith(_MARK))
        told.append(Way(_as_listed(replace(leaf, counters=plain), listing), passed))
    return Ways(tuple(told), found.complete)


def _counted(chain: Chain, numbers: dict[int, int]) -> Chain:
    rules = tuple(replace(r, expr=_marked(r, f"{_MARK}{numbers[id(r)]}")) for r in chain.rules)
    return replace(chain, rules=rules)


def _marked(rule: Rule, name: str) -> tuple[dict[str, Any], ...]:
    """The rule with a counter behind its last test; one that ends in a verdict map has none: where
    it leads tells."""
    asking = ("match", "limit", "quota", "ct count", "vmap", "set", "map", "meter")
    places = [at for at, one in enumerate(rule.expr) if next(iter(one)) in asking]
    last = max(places, default=-1)
    if last >= 0 and "vmap" in rule.expr[last]:
        return rule.expr
    return (*rule.expr[: last + 1], {"counter": name}, *rule.expr[last + 1 :])


def _as_listed(leaf: Leaf, listing: Listing) -> Leaf:
    """The leaf with its decider as it is listed, without the counter of ours."""
    origin = leaf.decider
    chain = listing.chains.get((origin.family, origin.table, origin.chain))
    if chain is None or origin.number is None:
        return leaf
    rule = next(one for one in chain.rules if one.number == origin.number)
    text = rule_text(rule.expr)
    return replace(leaf, decider=replace(origin, text=text))


def _possible(found: Decisions) -> Iterator[Leaf]:
    """The leaves of a single packet that may be its end: up to one that settles it for every way
    that it may leave by."""
    left: Ranges | None = None
    before: list[tuple[Ranges, Held]] = []
    everywhere = full(len(found.devices))
    for leaf in found.leaves:
        here = leaf.box[EXIT]
        if left is not None and not intersect(left, here):
            continue
        cases = circumstances(here, leaf.ways, everywhere)
        if not comes(cases, leaf.held, before):
            continue
        before.append((cases, leaf.held))
        yield leaf
        if not leaf.held:
            left = subtract(leaf.ways if left is None else left, here)
            if not left:
                return


class _Single(Walker):
    """A walk that begins with a single packet."""

    def __init__(self, listing: Listing, host: Host, packet: Packet, steps: int) -> None:
        super().__init__(listing, host, steps)
        self._packet = packet

    def _begin(self, start: State) -> None:
        packet = self._packet
        values = (
            (ENTRANCE, self.devices.number(packet.entrance)),
            (HARDWARE, packet.hardware),
            (SOURCE, packet.source),
            (DESTINATION, packet.destination),
            (SERVICE, packet.service),
            (PORT, packet.port),
        )
        limits = tuple((place, self.sets.of(((value, value),))) for place, value in values)
        box = narrowed(self.sets, start.box, limits)
        if box is not None:
            super()._begin(State(box, start.held, start.course))


def led(structure: Structure, way: Way) -> Iterator[Rule]:
    """The rules passed, with those between whose verdict maps led on to another chain."""
    before: Rule | None = None
    for rule in way.passed:
        chain = (rule.family, rule.table, rule.chain)
        same = before is not None and (before.family, before.table, before.chain) == chain
        if not same and (before is None or chain not in structure.targets(before)):
            leading = [r for calls in structure.calls.values() for r, to in calls if to == chain]
            if len(leading) == 1 and leading[0] not in way.passed:
                yield leading[0]
        yield rule
        before = rule
    decider = structure.rule(way.leaf.decider)
    if decider is not None and decider not in way.passed:
        yield decider
