"""How the parts of a ruleset hang together: who jumps where, who asks which set, who lets replies."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from netcharter.readback.inside import walked
from netcharter.readback.listing import Chain, Listing, Name, Rule
from netcharter.readback.shapes import Origin


def statement(rule: Rule, kind: str) -> Any:
    """The first statement of a kind in a rule; None where there is none (or it says nothing)."""
    return next((one[kind] for one in rule.expr if kind in one), None)


def has_statement(rule: Rule, *kinds: str) -> bool:
    return any(kind in one for one in rule.expr for kind in kinds)


def matches(rule: Rule) -> Iterator[tuple[dict[str, Any], str, Any]]:
    """What a rule compares: left side, operator, right side."""
    for one in rule.expr:
        said = one.get("match")
        if isinstance(said, dict) and isinstance(said.get("left"), dict):
            yield said["left"], str(said.get("op", "==")), said.get("right")


def ct_key(left: Any) -> str:
    """The key that a `ct` expression asks for; "" for any other one."""
    said = left.get("ct") if isinstance(left, dict) else None
    return str(said.get("key", "")) if isinstance(said, dict) else ""


def states(right: Any) -> frozenset[str]:
    """The connection states that are named on the right of a comparison."""
    return frozenset(one for one in walked(right) if isinstance(one, str))


@dataclass(frozen=True)
class Structure:
    """One listing, and what in it refers to what."""

    listing: Listing

    @cached_property
    def bases(self) -> tuple[Chain, ...]:
        """The base chains, by hook and in the order in which packets meet them."""
        found = [chain for chain in self.listing.chains.values() if chain.hook is not None]
        return tuple(sorted(found, key=lambda c: (str(c.hook), c.priority)))

    @cached_property
    def calls(self) -> Mapping[Name, tuple[tuple[Rule, Name], ...]]:
        """Per chain: its rules that jump or go to others, with where to."""
        return {
            name: tuple((rule, to) for rule in chain.rules for to in self.targets(rule))
            for name, chain in self.listing.chains.items()
        }

    def targets(self, rule: Rule) -> tuple[Name, ...]:
        """The chains a rule may jump or go to, also by a verdict map."""
        said = list(rule.expr)
        for name in self.sets_of(rule):
            if name in self.listing.sets:
                said.append({"elem": self.listing.sets[name].elements})
        found = (
            (rule.family, rule.table, str(one[verb]["target"]))
            for one in walked(said)
            if isinstance(one, dict)
            for verb in ("jump", "goto")
            if isinstance(one.get(verb), dict) and "target" in one[verb]
        )
        return tuple(dict.fromkeys(found))

    def sets_of(self, rule: Rule) -> tuple[Name, ...]:
        """The named sets and maps that a rule asks or fills."""
        found = (
            (rule.family, rule.table, one[1:])
            for one in walked(list(rule.expr))
            if isinstance(one, str) and one.startswith("@")
        )
        return tuple(dict.fromkeys(found))

    @cached_property
    def reached(self) -> frozenset[Name]:
        """The chains that packets can get to: base chains, and what they lead to."""
        found = {_name(chain) for chain in self.bases}
        waiting = list(found)
        while waiting:
            for _, to in self.calls.get(waiting.pop(), ()):
                if to not in found:
                    found.add(to)
                    waiting.append(to)
        return frozenset(found)

    @cached_property
    def fresh(self) -> frozenset[Name]:
        """The chains that first packets of a conversation can get to, as far as states tell."""
        found = {_name(chain) for chain in self.bases}
        waiting = list(found)
        while waiting:
            for rule, to in self.calls.get(waiting.pop(), ()):
                if to not in found and not self._for_later_packets(rule, to):
                    found.add(to)
                    waiting.append(to)
        return frozenset(found)

    def _for_later_packets(self, rule: Rule, to: Name) -> bool:
        return later_only(rule) or _by_later_state(rule, to)

    @cached_property
    def shared(self) -> frozenset[Name]:
        """Chains that several rules lead to: what their rules are about is said elsewhere."""
        ways = Counter(to for calls in self.calls.values() for _, to in calls)
        return frozenset(name for name, count in ways.items() if count > 1)

    @cached_property
    def asked(self) -> frozenset[Name]:
        """The sets and maps that some rule names."""
        rules = (rule for chain in self.listing.chains.values() for rule in chain.rules)
        return frozenset(name for rule in rules for name in self.sets_of(rule))

    def rule(self, origin: Origin) -> Rule | None:
        """The rule that an origin names; None for a policy or the kernel itself."""
        chain = self.listing.chains.get((origin.family, origin.table, origin.chain))
        rules = chain.rules if chain is not None else ()
        return next((one for one in rules if one.number == origin.number), None)

    def below(self, chain: Chain) -> Iterator[Chain]:
        """A chain and all that it leads to, each once, in the order in which rules lead there."""
        seen = {_name(chain)}
        waiting = [_name(chain)]
        while waiting:
            name = waiting.pop(0)
            if name in self.listing.chains:
                yield self.listing.chains[name]
            for _, to in self.calls.get(name, ()):
                if to not in seen:
                    seen.add(to)
                    waiting.append(to)


def _name(chain: Chain) -> Name:
    return chain.family, chain.table, chain.name


# ---- connection states ----

_FIRST = frozenset({"new", "untracked"})
UNUSUAL = frozenset({("tcp", "flags"), ("ip", "frag-off"), ("dccp", "type"), ("ip6", "version")})


def later_only(rule: Rule) -> bool:
    """Does a rule ask for something that a plain first packet never has: a state such as
    established, a reply's direction, a packet count, an extension header, TCP flags?"""
    for left, op, right in matches(rule):
        if any(isinstance(one, dict) and unusual(one) for one in walked(left)):
            return True
        key = ct_key(left)
        if key == "state" and op in ("==", "in") and not states(right) & _FIRST:
            return True
        if key == "direction" and op in ("==", "in") and "original" not in states(right):
            return True
        if key in ("expiration", "bytes", "packets", "avgpkt", "helper"):
            return True
    return False


def unusual(said: Mapping[str, Any]) -> bool:
    """Is this an expression for what plain first packets lack, or all have alike?"""
    if {"exthdr", "ip option", "tcp option", "sctp chunk", "dccp option"} & said.keys():
        return True
    payload = said.get("payload")
    if not isinstance(payload, dict):
        return False
    field = payload.get("protocol"), payload.get("field")
    return field in UNUSUAL or field[0] in ("arp", "frag", "hbh", "rt", "dst", "mh")


def lets_established(rule: Rule) -> bool:
    """Does a rule accept packets of conversations that are known?"""
    if has_statement(rule, "accept"):
        return any(
            ct_key(left) == "state" and op in ("==", "in") and "established" in states(right)
            for left, op, right in matches(rule)
        )
    return any(
        isinstance(verdict, dict) and "accept" in verdict and key == "established"
        for key, verdict in state_map(rule)
    )


def stops_invalid(rule: Rule) -> bool:
    """Does a rule drop, or lead away, what fits no conversation?"""
    if has_statement(rule, "drop", "reject", "goto", "jump"):
        return any(
            ct_key(left) == "state" and op in ("==", "in") and "invalid" in states(right)
            for left, op, right in matches(rule)
        )
    return any(
        isinstance(verdict, dict) and "accept" not in verdict and key == "invalid"
        for key, verdict in state_map(rule)
    )


def state_map(rule: Rule) -> Iterator[tuple[str, Any]]:
    """The pairs of a verdict map over connection states."""
    said = statement(rule, "vmap")
    if isinstance(said, dict) and ct_key(said.get("key")) == "state":
        data = said.get("data")
        pairs = data.get("set", []) if isinstance(data, dict) else []
        for pair in pairs:
            if isinstance(pair, list) and len(pair) == 2 and isinstance(pair[0], str):
                yield pair[0], pair[1]


def _by_later_state(rule: Rule, to: Name) -> bool:
    """Does a verdict map lead to a chain only by states that no first packet has?"""
    leading = {
        state
        for state, verdict in state_map(rule)
        if any(
            isinstance(verdict, dict)
            and isinstance(verdict.get(verb), dict)
            and verdict[verb].get("target") == to[2]
            for verb in ("jump", "goto")
        )
    }
    return bool(leading) and not leading & _FIRST


def counted(listing: Listing, rules: Iterable[Rule]) -> Iterator[tuple[Rule, int]]:
    """Rules with a counter, their own or a named one, and how many packets it has seen."""
    named = {
        (one.family, one.table, one.name): one.said.get("packets")
        for one in listing.objects
        if one.kind == "counter"
    }
    for rule in rules:
        said = statement(rule, "counter")
        packets = said.get("packets") if isinstance(said, dict) else None
        if isinstance(said, str):
            packets = named.get((rule.family, rule.table, said))
        if isinstance(packets, int):
            yield rule, packets
