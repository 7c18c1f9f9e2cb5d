"""The order in which the kernel asks base chains, as programs of stages.

Within a hook, base chains stand by priority; conntrack stands at -200 where packets begin, nat
chains all together at -100 (destinations) or 100 (sources), whatever their own priorities, which
only order them among themselves (nf_nat_core.c). Of equal priorities the one registered last is
asked first (nf_hook_entries_grow in netfilter/core.c); both from memory, tried on a kernel.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

from netcharter.readback.inside import walked
from netcharter.readback.listing import UNLISTED, Chain, Listing
from netcharter.readback.notes import Notes

What = Literal["chain", "conntrack", "translate", "route", "reroute", "leave", "deliver", "foreign"]
CONNTRACK = -200
NAT_PRIORITY: Mapping[str, int] = {
    "prerouting": -100,
    "output": -100,
    "input": 100,
    "postrouting": 100,
}
TYPES = ("filter", "nat", "route")
HOOKS = ("prerouting", "input", "forward", "output", "postrouting")


@dataclass(frozen=True, slots=True)
class Stage:
    """A step: base chains (several only where they translate), or something of the kernel's."""

    what: What
    hook: str
    chains: tuple[Chain, ...] = ()


Program = tuple[Stage, ...]


@dataclass(frozen=True, slots=True)
class Programs:
    """By family: what arrives until it is routed, input, forward with postrouting, what the host
    sends until it leaves, and what comes back to it by `lo`.
    """

    arriving: Program
    input: Program
    forward: Program
    sending: Program
    looped: Program


def programs(listing: Listing, family: int, tracking: bool | None, notes: Notes) -> Programs:
    """The programs of IPv4 (4) or IPv6 (6). tracking: whether conntrack looks at it."""
    hooks = {hook: _hook(listing, family, hook, tracking, notes) for hook in HOOKS}
    strange = tuple(
        Stage("foreign", "prerouting", (c,)) for c in _strange(listing, _of_family(family))
    )
    late = _foreign(listing, ("egress",), ("postrouting", "output"))
    early = _foreign(listing, ("ingress",), ("prerouting", "input"))
    return Programs(
        arriving=(*early, *strange, *hooks["prerouting"], Stage("route", "prerouting")),
        input=(*hooks["input"], Stage("deliver", "input")),
        forward=(
            *hooks["forward"],
            *hooks["postrouting"],
            *late,
            Stage("leave", "postrouting"),
        ),
        sending=(
            *strange,
            *hooks["output"],
            Stage("reroute", "output"),
            *hooks["postrouting"],
            *late,
            Stage("leave", "postrouting"),
        ),
        looped=(*hooks["prerouting"], *hooks["input"], Stage("deliver", "input")),
    )


def tracked(listing: Listing) -> Mapping[int, bool | None]:
    """By family: does conntrack look at it? It does where some rule needs it; None: nobody knows,
    since a rule holds something that is not known here.

    Every expression that needs conntrack asks for it in the family of its table, a translation in
    its own (nf_ct_netns_get, called by nft_ct.c, nft_nat.c and others); tried on a kernel.
    """
    found: dict[int, bool | None] = {4: False, 6: False}
    for chain in listing.chains.values():
        families = _FAMILIES.get(chain.family, ())
        for rule in chain.rules:
            for statement in rule.expr:
                for family in _tracking(statement, families):
                    found[family] = True
                if not all(found[family] for family in families) and _has_unknown(statement):
                    found.update((f, None) for f in families if not found[f])
    for family in _asked_by_objects(listing):
        found[family] = True
    return found


def _asked_by_objects(listing: Listing) -> Iterator[int]:
    """What is there asks, too, whether or not a rule makes use of it."""
    for named in listing.objects:
        if named.kind in _ASKING:
            yield from _FAMILIES.get(named.family, ())
    for one in listing.sets.values():
        counts = any(_mentions(said, _is_ct) for said in one.elements if isinstance(said, dict))
        if counts or _mentions(one.statements, _is_ct):
            yield from _FAMILIES.get(one.family, ())


_ASKING = frozenset({"ct helper", "ct timeout", "ct expectation", "synproxy"})
_FAMILIES: Mapping[str, tuple[int, ...]] = {"ip": (4,), "ip6": (6,), "inet": (4, 6)}
# Everything that stands alone in an object of nft's JSON and is known here.
_KNOWN = frozenset(
    "accept drop continue return jump goto match counter limit quota log reject notrack dnat snat "
    "masquerade redirect mangle set map vmap queue tproxy synproxy dup fwd flow last meter xt "
    "payload meta ct exthdr fib rt socket osf ipsec numgen jhash symhash concat prefix range elem "
    "& | ^ << >> addr port key data expr left right val level num flags device key-value".split()
) | {
    "ct count",
    "ct helper",
    "ct timeout",
    "ct expectation",
    "tcp option",
    "ip option",
    "sctp chunk",
    "dccp option",
}


def _tracking(statement: dict[str, Any], families: tuple[int, ...]) -> tuple[int, ...]:
    ((kind, said),) = statement.items()
    if kind in ("dnat", "snat"):
        own = said.get("family") if isinstance(said, dict) else None
        return _FAMILIES[own] if own in ("ip", "ip6") else families
    needs = kind in ("masquerade", "redirect", "synproxy", "flow") or kind.startswith("ct ")
    return families if needs or _mentions(said, _is_ct) else ()


def _has_unknown(statement: dict[str, Any]) -> bool:
    return _mentions(statement, _is_unknown) or "xt" in statement or UNLISTED in statement


def _is_ct(said: dict[str, Any]) -> bool:
    return "ct" in said or "ct count" in said


def _is_unknown(said: dict[str, Any]) -> bool:
    return (
        len(said) == 1
        and not said.keys() & _KNOWN
        and not isinstance(next(iter(said.values())), str | int)
    )


def _mentions(said: Any, wanted: Callable[[dict[str, Any]], bool]) -> bool:
    return any(wanted(one) for one in walked(said) if isinstance(one, dict))


def _foreign(listing: Listing, hooks: tuple[str, ...], bridged: tuple[str, ...]) -> Program:
    """Base chains of the link layer, which are not followed."""
    found = [
        chain
        for chain in _base_chains(listing)
        if (chain.family in ("netdev", "inet") and chain.hook in hooks)
        or (chain.family == "bridge" and chain.hook in bridged)
    ]
    return tuple(Stage("foreign", hooks[0], (chain,)) for chain in found)


def _of_family(family: int) -> tuple[str, ...]:
    return ("inet", "ip" if family == 4 else "ip6")


def _strange(listing: Listing, families: tuple[str, ...]) -> Iterator[Chain]:
    """Base chains of a hook or a type that is not known here, so that nobody knows whether packets
    meet them."""
    for chain in _base_chains(listing):
        known = chain.hook in (*HOOKS, "ingress", "egress") and chain.type in TYPES
        if chain.family in families and not known:
            yield chain


def _base_chains(listing: Listing) -> list[Chain]:
    dormant = {(t.family, t.name) for t in listing.tables if t.dormant is True}
    return [
        chain
        for chain in listing.chains.values()
        if chain.hook is not None and (chain.family, chain.table) not in dormant
    ]


def _hook(listing: Listing, family: int, hook: str, tracking: bool | None, notes: Notes) -> Program:
    families, strange = _of_family(family), [*_strange(listing, _of_family(family))]
    chains = [c for c in _base_chains(listing) if c.family in families and c.hook == hook]
    chains = [c for c in chains if c not in strange]
    chains = sorted(chains, key=_registered(listing), reverse=True)
    chains.sort(key=lambda chain: chain.priority)
    plain = [chain for chain in chains if chain.type != "nat"]
    _warn_of_equals(plain, hook, notes)
    stages = [(chain.priority, 1, Stage("chain", hook, (chain,))) for chain in plain]
    if hook in ("prerouting", "output") and tracking is not False:
        stages.append((CONNTRACK, 0, Stage("conntrack", hook)))
    nat = tuple(chain for chain in chains if chain.type == "nat")
    # The first nat chain of a family registers translation in all hooks, where what no chain
    # settles is settled as it is (nf_nat_register_fn).
    translates = any(c.type == "nat" and c.family in families for c in _base_chains(listing))
    if translates and hook in NAT_PRIORITY:
        stages.append((NAT_PRIORITY[hook], 0, Stage("translate", hook, nat)))
    return tuple(stage for _, _, stage in sorted(stages, key=lambda one: one[:2]))


def _registered(listing: Listing) -> Callable[[Chain], tuple[int, int, int]]:
    order = {(t.family, t.name): t.handle for t in listing.tables}
    places = {name: at for at, name in enumerate(listing.chains)}

    def key(chain: Chain) -> tuple[int, int, int]:
        table = order.get((chain.family, chain.table), 0)
        return table, chain.handle, places[chain.family, chain.table, chain.name]

    return key


def _warn_of_equals(chains: list[Chain], hook: str, notes: Notes) -> None:
    fixed = {NAT_PRIORITY.get(hook), CONNTRACK if hook in ("prerouting", "output") else None}
    for before, after in pairwise(chains):
        if before.priority == after.priority and before.table != after.table:
            message = (
                f"the chains {before.name[:60]} and {after.name[:60]} have one hook and priority; "
                "a listing does not say which is asked first, so the later table's is taken to be"
            )
            notes.tell("listing-order", "note", message, after.span)
    for chain in chains:
        if chain.priority in fixed:
            message = (
                f"the chain {chain.name[:60]} has the priority of conntrack or translation in its "
                "hook; it is taken to be asked after them"
            )
            notes.tell("listing-order", "note", message, chain.span)
