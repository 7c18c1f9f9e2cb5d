"""A sound gateway of a small house, to plant rot into: two areas inside and one line.

Inside stand 10.1.0.0/24 (lan0, with 2001:db8:0:1::/64) and 10.2.0.0/24 (lan1); the line is up0.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from netcharter.diagnostics import Diagnostic
from netcharter.readback.audit import audit
from netcharter.readback.audit_reach import Delivery, Gateway
from netcharter.readback.listing import Listing, read_listing
from netcharter.readback.points import points
from netcharter.readback.shapes import Host
from netcharter.readback.walk import decisions
from netcharter.readback.words import Words
from tests.readback.made import (
    ACCEPT,
    DROP,
    Item,
    chain,
    code,
    ct,
    match,
    meta,
    network,
    payload,
    rule,
    table,
    text,
)

TODAY = date(2026, 11, 25)
JUMP: Item = {"jump": {"target": "more"}}
MASQUERADE: Item = {"masquerade": None}
INSIDE4: Item = {"prefix": {"addr": "10.0.0.0", "len": 8}}
INSIDE6: Item = {"prefix": {"addr": "2001:db8:0:1::", "len": 64}}
SERVER = "10.2.0.80"


def single(address: str) -> tuple[tuple[int, int], ...]:
    return ((code(address), code(address)),)


HOUSE = Host(
    devices=("lo", "lan0", "lan1", "up0"),
    own={
        "lan0": (*single("10.1.0.1"), *single("2001:db8:0:1::1")),
        "lan1": single("10.2.0.1"),
        "up0": (*single("203.0.113.2"), *single("2001:db8:0:ff::2")),
    },
    routes=(
        (network("10.1.0.0", "10.1.0.255"), ("lan0",)),
        (network("10.2.0.0", "10.2.0.255"), ("lan1",)),
        (network("2001:db8:0:1::", "2001:db8:0:1:ffff:ffff:ffff:ffff"), ("lan0",)),
        (network("0.0.0.0", "255.255.255.255"), ("up0",)),
        (network("::", "ffff:ffff:ffff:ffff:ffff:ffff:ffff:ffff"), ("up0",)),
    ),
)


def by(device: str) -> Item:
    return match(meta("iifname"), device)


def out(device: str) -> Item:
    return match(meta("oifname"), device)


def tcp(*ports: int) -> Item:
    return match(payload("tcp", "dport"), ports[0] if len(ports) == 1 else {"set": list(ports)})


def udp(port: int) -> Item:
    return match(payload("udp", "dport"), port)


def source(address: Any, op: str = "==") -> Item:
    return match(payload(_family(address), "saddr"), address, op)


def to(address: Any) -> Item:
    return match(payload(_family(address), "daddr"), address)


def _family(address: Any) -> str:
    said = address["prefix"]["addr"] if isinstance(address, dict) else address
    return "ip6" if ":" in said else "ip"


def only(family: str) -> Item:
    return match(meta("nfproto"), family)


def delivering(address: str, port: int | None = None) -> Item:
    said: Item = {"addr": address, "family": "ip"}
    return {"dnat": said if port is None else {**said, "port": port}}


ESTABLISHED = (match(ct("state"), ["established", "related"], "in"), ACCEPT)
INVALID = (match(ct("state"), "invalid", "in"), DROP)
DELIVERED = match(ct("status"), "dnat", "in")
FORGED = ((by("up0"), source(INSIDE4), DROP), (by("up0"), source(INSIDE6), DROP))

Rules = Sequence[tuple[Item, ...]]


@dataclass(frozen=True)
class House:
    """The chains of the house; rules are their statements."""

    input: Rules = (ESTABLISHED, INVALID, *FORGED, (by("lan0"), tcp(22, 53), ACCEPT))
    forward: Rules = (ESTABLISHED, INVALID, *FORGED, (by("lan*"), out("up0"), ACCEPT))
    hiding: Rules = ((out("up0"), only("ipv4"), MASQUERADE),)
    delivering: Rules = ()
    more: Rules | None = None  # a chain that nothing leads to by itself
    policies: Mapping[str, str] = field(default_factory=dict)  # by hook; drop unless said
    extra: tuple[Item, ...] = ()
    comments: Mapping[tuple[str, int], str] = field(default_factory=dict)

    def items(self) -> list[Item]:
        chains: list[Item] = []
        rules: list[Item] = []
        for name, hook, kind, held in (
            ("input", "input", "filter", self.input),
            ("forward", "forward", "filter", self.forward),
            ("hiding", "postrouting", "nat", self.hiding),
            ("delivering", "prerouting", "nat", self.delivering),
            ("more", None, "filter", self.more),
        ):
            if held is None:
                continue
            prior = {"postrouting": 100, "prerouting": -100}.get(hook or "", 0)
            policy = "accept" if kind == "nat" else self.policies.get(name, "drop")
            chains.append(chain(name, hook, prior, policy, kind))
            for number, statements in enumerate(held, 1):
                said = self.comments.get((name, number))
                rules.append(rule(name, *statements, **({"comment": said} if said else {})))
        return [table(), *self.extra, *chains, *rules]

    def listing(self) -> Listing:
        found = read_listing(text(*self.items()), "old")
        assert found.listing is not None and not found.problems, found.problems
        return found.listing

    def gateway(self, host: Host = HOUSE, lines: Sequence[str] = ("up0",)) -> Gateway:
        """As `inherit` puts it together."""
        listing = self.listing()
        found = points(decisions(listing, host, shadowed=True), host)
        deliveries = tuple(
            Delivery(code(one["dnat"]["addr"]), read.span)
            for read in listing.chains["inet", "t", "delivering"].rules
            for one in read.expr
            if "dnat" in one
        )
        return Gateway(listing, found, Words(), frozenset(lines), deliveries)

    def findings(self, host: Host = HOUSE, lines: Sequence[str] = ("up0",)) -> list[Diagnostic]:
        return list(audit(self.gateway(host, lines), TODAY))
