"""Which rules see nothing but first packets, so that what is proven of these holds of all.

Leaves speak of the first packet of a conversation. What comes later meets the same rules, unless
rules over connection states take it away before; so a set of states is followed to every rule.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.readback.inside import walked
from netcharter.readback.listing import Name, Rule
from netcharter.readback.structure import (
    Structure,
    ct_key,
    has_statement,
    later_only,
    matches,
    state_map,
    states,
    unusual,
)

NEW = frozenset({"new", "untracked"})
EVERY = NEW | {"established", "related", "invalid"}  # nft(8), "ct state"
FINAL = ("accept", "drop", "reject", "goto")
PLAIN = frozenset({"match", "counter", "log", "vmap", "jump", *FINAL})
MOST_DEEP = 64


class Later:
    """Connection states on their way through the chains of a ruleset."""

    def __init__(self, structure: Structure) -> None:
        self.structure = structure
        self._entries: dict[Name, frozenset[str]] = {}

    def only_first(self, rule: Rule) -> bool:
        """Does a rule meet first packets alone, or does nothing on the ways to it tell them from
        later ones?"""
        chain = (rule.family, rule.table, rule.chain)
        return self._before(chain, rule) & _asked(rule) <= NEW or self._alike(chain)

    def _before(self, chain: Name, rule: Rule, depth: int = 0) -> frozenset[str]:
        """The states of what may come to a rule."""
        found = self._entry(chain, depth)
        for one in self.structure.listing.chains[chain].rules:
            if one.number == rule.number:
                break
            found -= self._settled(one, depth)
        return found

    def _entry(self, chain: Name, depth: int) -> frozenset[str]:
        """The states of what may come into a chain."""
        if self.structure.listing.chains[chain].hook is not None or depth > MOST_DEEP:
            return EVERY
        if chain not in self._entries:
            self._entries[chain] = EVERY  # should chains lead to themselves
            found: set[str] = set()
            for before, calls in self.structure.calls.items():
                for rule, to in calls:
                    if to == chain:
                        found |= self._before(before, rule, depth + 1) & _leading(rule, to)
            self._entries[chain] = frozenset(found)
        return self._entries[chain]

    def _settled(self, rule: Rule, depth: int) -> frozenset[str]:
        """The states that nothing after a rule sees any more, whatever else a packet is."""
        asked = [left for left, _, _ in matches(rule)]
        plain = all(kind in PLAIN for one in rule.expr for kind in one)
        if not plain or any(ct_key(left) != "state" for left in asked):
            return frozenset()
        mapped = {s for s, verdict in state_map(rule) if _is_final(verdict)} if not asked else set()
        if has_statement(rule, *FINAL):
            return _asked(rule)
        if has_statement(rule, "jump") and depth <= MOST_DEEP:
            return _asked(rule) & frozenset(self._settled_below(rule, depth + 1))
        return frozenset(mapped)

    def _settled_below(self, rule: Rule, depth: int) -> Iterator[str]:
        for name in self.structure.targets(rule):
            held = self.structure.listing.chains.get(name)
            for one in held.rules if held else ():
                if _leads_back(one):
                    break
                yield from self._settled(one, depth)

    def _alike(self, chain: Name) -> bool:
        """Does no rule of the hooks that lead to a chain ask what later packets have otherwise?"""
        trees = [list(self.structure.below(base)) for base in self.structure.bases]
        mine = [tree for tree in trees if any(chain == (c.family, c.table, c.name) for c in tree)]
        return not any(_tells_apart(rule) for tree in mine for held in tree for rule in held.rules)


def _leads_back(rule: Rule) -> bool:
    """May a packet come back from a chain by this rule, past those that follow?"""
    said = (one for one in walked(list(rule.expr)) if isinstance(one, dict))
    return any("return" in one or "goto" in one for one in said)


def _is_final(verdict: object) -> bool:
    return isinstance(verdict, dict) and any(verb in verdict for verb in FINAL)


def _asked(rule: Rule) -> frozenset[str]:
    """The states of what a rule may fit."""
    found = EVERY
    for left, op, right in matches(rule):
        if ct_key(left) == "state":
            named = states(right)
            found &= EVERY - named if op == "!=" else named
    return found


def _leading(rule: Rule, to: Name) -> frozenset[str]:
    """The states in which a rule leads to a chain."""
    pairs = list(state_map(rule))
    if not pairs:
        return _asked(rule)
    return frozenset(
        state
        for state, verdict in pairs
        if any(isinstance(one, dict) and one.get("target") == to[2] for one in walked(verdict))
    )


def _tells_apart(rule: Rule) -> bool:
    """Does a rule ask anything that first packets and later ones differ in?"""
    return later_only(rule) or any(
        isinstance(one, dict) and ("ct" in one or unusual(one)) for one in walked(list(rule.expr))
    )
