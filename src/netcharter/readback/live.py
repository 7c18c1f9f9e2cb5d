"""Which bits of the marks somebody still asks, so that the others need not be told apart.

For each stage: the bits of the packet's and the conversation's mark that a rule of that stage or of
a later one may test, directly or by way of the other mark.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from netcharter.readback.listing import Chain, Listing, Name
from netcharter.readback.rules import chains_named
from netcharter.readback.stages import Program
from netcharter.readback.state import ALL_BITS

PACKET, CONVERSATION = "meta", "ct"
_CONSTANT_FIRST = ("&", "|", "^", "<<", ">>")


@dataclass(slots=True)
class Live:
    """Bits that are asked, by mark."""

    packet: int = 0
    conversation: int = 0

    def add(self, mark: str, bits: int) -> bool:
        """More bits; whether that changed anything."""
        if mark == PACKET:
            before, self.packet = self.packet, self.packet | bits
            return before != self.packet
        before, self.conversation = self.conversation, self.conversation | bits
        return before != self.conversation

    def of(self, mark: str) -> int:
        return self.packet if mark == PACKET else self.conversation


@dataclass(slots=True)
class Uses:
    """What a chain, with all it leads to, asks of the marks and writes from one to another."""

    asked: Live = field(default_factory=Live)
    flows: list[tuple[str, Any]] = field(default_factory=list)


def live_bits(
    listing: Listing, program: Program, after: Live, known: dict[Name, Uses]
) -> tuple[Live, ...]:
    """For each stage of a program; after: what is asked when it has ended; known: chains that were
    looked at before.
    """
    found: list[Live] = []
    now = Live(after.packet, after.conversation)
    for stage in reversed(program):
        now = Live(now.packet, now.conversation)
        uses = [_known_uses(listing, chain, known) for chain in stage.chains]
        for one in uses:
            now.add(PACKET, one.asked.packet)
            now.add(CONVERSATION, one.asked.conversation)
        flows = [flow for one in uses for flow in one.flows]
        changed = True
        while changed:
            changed = False
            for target, value in flows:
                changed = _flowed(now, target, value) or changed
        found.append(now)
    return tuple(reversed(found))


def _flowed(now: Live, target: str, value: Any) -> bool:
    changed = False
    for mark, bits in _needed(value, now.of(target)):
        changed = now.add(mark, bits) or changed
    return changed


def _needed(said: Any, bits: int) -> Iterator[tuple[str, int]]:
    """Which bits of the marks make up some bits of a value."""
    if not bits or not isinstance(said, dict) or len(said) != 1:
        return
    ((kind, parts),) = said.items()
    mark = _mark(said)
    if mark:
        yield mark, bits
    elif kind in _CONSTANT_FIRST and isinstance(parts, list) and len(parts) == 2:
        yield from _needed(parts[0], _source_bits(kind, parts[1], bits))
        yield from _needed(parts[1], ALL_BITS)
    else:
        yield from _asked(parts)


def _source_bits(kind: str, constant: Any, bits: int) -> int:
    if not isinstance(constant, int) or isinstance(constant, bool):
        return ALL_BITS
    if kind == "&":
        return bits & constant
    if kind == "|":
        return bits & ~constant
    if kind in ("<<", ">>") and 0 <= constant < 32:
        return bits >> constant if kind == "<<" else bits << constant & ALL_BITS
    return bits if kind == "^" else ALL_BITS


def _mark(said: Any) -> str:
    """The mark that an expression stands for, if it is one."""
    for what in (PACKET, CONVERSATION):
        where = said.get(what) if isinstance(said, dict) else None
        if isinstance(where, dict) and where.get("key") == "mark":
            return what
    return ""


def _asked(said: Any) -> Iterator[tuple[str, int]]:
    """Every mark anywhere in an expression, with the bits that a mask leaves."""
    todo: list[tuple[Any, int]] = [(said, ALL_BITS)]
    while todo:
        one, bits = todo.pop()
        mark = _mark(one)
        if mark:
            yield mark, bits
        elif isinstance(one, dict):
            parts = one.get("&")
            if len(one) == 1 and isinstance(parts, list) and len(parts) == 2:
                todo.append((parts[0], _source_bits("&", parts[1], bits)))
                todo.append((parts[1], ALL_BITS))
            else:
                todo += [(value, bits) for value in one.values()]
        elif isinstance(one, list):
            todo += [(value, bits) for value in one]


def _known_uses(listing: Listing, chain: Chain, known: dict[Name, Uses]) -> Uses:
    name = (chain.family, chain.table, chain.name)
    if name not in known:
        known[name] = _uses(listing, chain)
    return known[name]


def _uses(listing: Listing, chain: Chain) -> Uses:
    found = Uses()
    for here in reached(listing, chain):
        for rule in here.rules:
            for statement in rule.expr:
                _use(statement, found)
    return found


def _use(statement: Mapping[str, Any], found: Uses) -> None:
    said = statement.get("mangle")
    if isinstance(said, dict):
        target = _mark(said.get("key"))
        if target:
            found.flows.append((target, said.get("value")))
            value = said.get("value")
            if isinstance(value, dict) and "map" in value:
                _ask(value, found)
            return
    _ask(statement, found)


def _ask(said: Any, found: Uses) -> None:
    for mark, bits in _asked(said):
        found.asked.add(mark, bits)


def reached(listing: Listing, chain: Chain) -> Sequence[Chain]:
    """A chain and all that its rules lead to, by maps too."""
    found: dict[str, Chain] = {}
    asked: set[str] = set()  # maps
    todo = [chain.name]
    while todo:
        name = todo.pop()
        here = listing.chains.get((chain.family, chain.table, name))
        if here is None or name in found:
            continue
        found[name] = here
        todo += _leads(listing, here, asked)
    return tuple(found.values())


def _leads(listing: Listing, chain: Chain, asked: set[str]) -> Iterator[str]:
    for rule in chain.rules:
        yield from chains_named(rule.expr)
        for statement in rule.expr:
            said = statement.get("vmap")
            data = said.get("data") if isinstance(said, dict) else None
            if isinstance(data, str) and data not in asked:
                asked.add(data)
                named = listing.sets.get((chain.family, chain.table, data.removeprefix("@")))
                yield from _targets(named.elements if named else ())


def _targets(elements: Iterable[Any]) -> Iterator[str]:
    for element in elements:
        if isinstance(element, list) and len(element) == 2 and isinstance(element[1], dict):
            yield from chains_named([element[1]])


HARMLESS = frozenset("accept match counter log jump goto return continue limit".split())


def could_drop(listing: Listing, chain: Chain) -> bool:
    """Whether a base chain, or a chain it leads to, holds anything but what lets pass as it was:
    what is written there may have it refused later."""
    return chain.policy == "drop" or bool(_kinds(listing, chain) - HARMLESS)


def could_change(listing: Listing, chain: Chain) -> bool:
    """Whether it holds anything that may have a packet fare otherwise than by a drop of its own."""
    return bool(_kinds(listing, chain) - HARMLESS - {"drop"})


def _kinds(listing: Listing, chain: Chain) -> set[str]:
    """The kinds of statements of a chain and all that it leads to."""
    rules = (rule for here in reached(listing, chain) for rule in here.rules)
    return {kind for rule in rules for statement in rule.expr for kind in statement}
