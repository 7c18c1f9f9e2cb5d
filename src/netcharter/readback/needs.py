"""What a statement needs of a packet besides the tests that stand before it.

A statement that reads a value which a packet lacks, or looks a key up in a map that does not hold
it, ends its rule (NFT_BREAK in nft_payload.c, nft_lookup.c, nft_objref.c; from memory, tried on a
kernel). nft does not list what it asked beforehand for a statement's sake.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from netcharter.readback.inside import walked
from netcharter.readback.values import NotUnderstood

# Expressions that may be missing in a packet, and of those the ones that are there whenever what
# `keys` says of them is: of the others a part (an option, a socket, a route) may be missing yet.
_READ = frozenset(
    "payload meta ct exthdr fib rt socket osf ipsec".split()
    + ["tcp option", "ip option", "sctp chunk", "dccp option"]
)
_SURE_META = frozenset(
    "mark l4proto nfproto protocol iif iifname oif oifname iiftype pkttype length priority cpu "
    "nftrace secmark time hour day random".split()
)
_SURE_HEADERS = frozenset(
    "ip ip6 icmp icmpv6 tcp udp udplite sctp dccp ether ah esp comp igmp gre".split()
)
_HEADERS = frozenset({"payload", "exthdr"})  # what a statement can write into
_SETS = frozenset({"set", "map", "meter"})
_WITH_MAPS = frozenset(
    {
        *("limit", "quota", "ct count", "ct helper", "ct timeout"),
        *("synproxy", "queue", "fwd", "dup", "log"),
    }
)


def needed(kind: str, said: Any) -> Iterator[Mapping[str, Any]]:
    """The fields and maps that a statement reads, each as the expression it is; not those of
    matches, verdict maps, counters, translations and marks, which see to them themselves."""
    if kind in _SETS:
        yield from read(said.get("elem", said.get("key")))
        yield from read(said.get("data"))
    elif kind == "mangle":
        ((what, where),) = said["key"].items()
        if what in _HEADERS:
            yield from read(said["key"])
        if what not in ("meta", "ct") or where.get("key") != "mark":
            yield from read(said["value"])
        if where.get("key") == "label" and isinstance(said["value"], dict):
            raise NotUnderstood("nft 1.0.6 does not list the map of a label")
        if what == "tcp option":
            raise NotUnderstood("whether the rule ends without the option changed in Linux 5.16")
    elif kind == "ct expectation":
        raise NotUnderstood(
            "it ends the rule where the conversation is known, or of the other family"
        )
    elif kind in _WITH_MAPS:
        yield from read(said)


def is_sure(part: Mapping[str, Any]) -> bool:
    """Whether an expression has a value wherever its header, or its conversation, is there."""
    ((what, where),) = part.items()
    if what == "meta":
        return where.get("key") in _SURE_META
    if what == "payload":
        sometimes = where.get("protocol") == "icmpv6" and where.get("field") in ("taddr", "daddr")
        return where.get("protocol") in _SURE_HEADERS and not sometimes
    return what == "ct" and where.get("key") != "helper"


def draws(said: Any) -> bool:
    """Whether an expression has another value each time that it is asked."""
    held = [one for one in walked(said) if isinstance(one, dict)]
    return any("numgen" in one or one.get("meta") == {"key": "random"} for one in held)


def read(said: Any) -> Iterator[Mapping[str, Any]]:
    """The fields and maps anywhere in an expression."""
    todo = [said]
    while todo:
        one = todo.pop()
        if isinstance(one, list):
            todo += reversed(one)
        elif isinstance(one, dict):
            kind = next(iter(one)) if len(one) == 1 else ""
            if kind in _READ or (kind == "map" and isinstance(one[kind], dict)):
                yield one
            else:
                todo += reversed(list(one.values()))
