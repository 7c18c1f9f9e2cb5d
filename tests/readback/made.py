"""Listings written by hand, in the form of `nft -j list ruleset`, and questions about them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from ipaddress import ip_address
from typing import Any

from netcharter.readback.decide import decide
from netcharter.readback.listing import read_listing
from netcharter.readback.shapes import HARDWARE_NONE, V6, Answer, Condition, Decisions, Host, Packet
from netcharter.readback.walk import decisions
from netcharter.space.ranges import Ranges, ranges

Item = dict[str, Any]
ACCEPT: Item = {"accept": None}
DROP: Item = {"drop": None}
# With a counter before it nft lists all that a rule asks.
RESET: tuple[Item, Item] = (
    {"counter": {"packets": 0, "bytes": 0}},
    {"reject": {"type": "tcp reset"}},
)
TCP, UDP, ICMP, ICMP6, GRE = 6, 17, 1, 58, 47


def code(address: str) -> int:
    """An address as readback codes it."""
    found = ip_address(address)
    return int(found) + (V6 if found.version == 6 else 0)


def network(first: str, last: str) -> Ranges:
    return ((code(first), code(last)),)


def _own(*addresses: str) -> Ranges:
    return ranges(*((code(a), code(a)) for a in addresses))


# RFC 5737 and RFC 3849: two local networks, one network on a line.
HOST = Host(
    devices=("lo", "lan0", "lan1", "up0"),
    own={
        "lan0": _own("192.0.2.1", "2001:db8:0:1::1"),
        "lan1": _own("192.0.2.65", "2001:db8:0:2::1"),
        "up0": _own("203.0.113.2", "2001:db8:0:ff::2"),
    },
    routes=(
        (network("192.0.2.0", "192.0.2.63"), ("lan0",)),
        (network("192.0.2.64", "192.0.2.127"), ("lan1",)),
        (network("2001:db8:0:1::", "2001:db8:0:1:ffff:ffff:ffff:ffff"), ("lan0",)),
        (network("2001:db8:0:2::", "2001:db8:0:2:ffff:ffff:ffff:ffff"), ("lan1",)),
        (network("0.0.0.0", "255.255.255.255"), ("up0",)),
        (network("::", "ffff:ffff:ffff:ffff:ffff:ffff:ffff:ffff"), ("up0",)),
    ),
    broadcast=_own("192.0.2.63", "192.0.2.127", "203.0.113.255"),
)


def table(name: str = "t", family: str = "inet", **more: Any) -> Item:
    return {"table": {"family": family, "name": name, "handle": 1, **more}}


def chain(
    name: str,
    hook: str | None = None,
    priority: int = 0,
    policy: str = "accept",
    kind: str = "filter",
    family: str = "inet",
) -> Item:
    base = {"type": kind, "hook": hook, "prio": priority, "policy": policy} if hook else {}
    return {"chain": {"family": family, "table": "t", "name": name, **base}}


def rule(name: str, *statements: Item, family: str = "inet", **more: Any) -> Item:
    said = {"family": family, "table": "t", "chain": name, "expr": list(statements), **more}
    return {"rule": said}


def named(name: str, kind: Any, elements: list[Any], data: Any = None, **more: Any) -> Item:
    said = {"family": "inet", "table": "t", "name": name, "type": kind, "elem": elements, **more}
    return {"set": said} if data is None else {"map": {**said, "map": data}}


def payload(protocol: str, field: str) -> Item:
    return {"payload": {"protocol": protocol, "field": field}}


def meta(key: str) -> Item:
    return {"meta": {"key": key}}


def ct(key: str, way: str | None = None) -> Item:
    return {"ct": {"key": key, **({"dir": way} if way else {})}}


def match(left: Item, right: Any, op: str = "==") -> Item:
    return {"match": {"op": op, "left": left, "right": right}}


def concat(*parts: Any) -> Item:
    return {"concat": list(parts)}


def mangle(key: Item, value: Any) -> Item:
    return {"mangle": {"key": key, "value": value}}


def text(*items: Item, version: str = "1.0.9") -> str:
    head: Item = {"metainfo": {"version": version, "json_schema_version": 1}}
    return json.dumps({"nftables": [head, *items]})


def walked(*items: Item, host: Host = HOST, steps: int = 200_000, **more: Any) -> Decisions:
    """The decisions of a listing in which nothing may be wrong."""
    listed = read_listing(text(table(), *items, **more), "listing.json")
    assert listed.listing is not None and not listed.problems, listed.problems
    return decisions(listed.listing, host, steps=steps)


def forward(*rules: tuple[Item, ...] | Item, more: tuple[Item, ...] = ()) -> Decisions:
    """A forward chain that lets what no rule refuses; each rule is its statements."""
    made = [rule("f", *(one if isinstance(one, tuple) else (one,))) for one in rules]
    return walked(*more, chain("f", "forward"), *made)


def packet(
    entrance: str = "lan0",
    source: str = "192.0.2.10",
    destination: str = "198.51.100.7",
    protocol: int = TCP,
    number: int = 80,
    port: int = 40000,
    hardware: int = 0x020000AA0001,
) -> Packet:
    """A first packet; number: a port, an ICMP type * 256 + code, or 0."""
    hardware = hardware if entrance else HARDWARE_NONE
    service = (protocol << 16) + number
    return Packet(entrance, code(source), code(destination), service, hardware, port)


def answer(found: Decisions, held: Mapping[Condition, bool] | None = None, **fields: Any) -> Answer:
    return decide(found, packet(**fields), held or {})


def fate(found: Decisions, held: Mapping[Condition, bool] | None = None, **fields: Any) -> str:
    """let, may, or the manner of a refusal."""
    told = answer(found, held, **fields)
    if told.may:
        return "may"
    verdict = told.leaves[0].verdict
    return "let" if verdict.let else str(verdict.manner)
