"""Small rulesets as nft lists them, written by hand or by chance, and a naive reading of them.

The naive reading knows nothing of boxes: it takes one packet after the other through the rules, as
nft(8) says what `accept`, `drop`, `return`, `jump` and `goto` do. A few packets stand for all: the
rules speak of nothing but the values below, so that any two packets alike in these fare alike.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from ipaddress import ip_address
from itertools import product
from typing import Any

from netcharter.readback.listing import Listing, read_listing
from netcharter.readback.shapes import OTHER, V6, Host, Packet
from netcharter.readback.words import TCP, UDP

DEVICES = ("eth0", "eth1")
SOURCES = ("198.51.100.7", "203.0.113.9")
PORTS = (22, 443)
OWN4, OWN6 = "192.0.2.1", "2001:db8::1"
ELSE4, ELSE6 = "203.0.113.77", "2001:db8:1::7"
TABLE = {"family": "inet", "table": "t"}


def code(text: str) -> int:
    """An address as readback codes it."""
    address = ip_address(text)
    return int(address) + (V6 if address.version == 6 else 0)


def one(text: str) -> tuple[tuple[int, int], ...]:
    return ((code(text), code(text)),)


HOST = Host(
    devices=DEVICES,
    own={"eth0": (*one(OWN4), *one(OWN6))},
    routes=(((((0, V6 - 1)),), ("eth0",)), ((((V6, V6 + (1 << 128) - 1)),), ("eth0",))),
)


@dataclass(frozen=True)
class Tiny:
    """A rule: what it asks for (None: nothing), and what it does."""

    device: str | None = None
    source: str | None = None
    port: int | None = None
    negated: bool = False  # of the device
    verdict: str = "accept"
    target: str = ""

    def expr(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        if self.device is not None:
            op = "!=" if self.negated else "=="
            found.append(match({"meta": {"key": "iifname"}}, self.device, op))
        if self.source is not None:
            found.append(match({"payload": {"protocol": "ip", "field": "saddr"}}, self.source))
        if self.port is not None:
            found.append(match({"payload": {"protocol": "tcp", "field": "dport"}}, self.port))
        said = {"target": self.target} if self.target else None
        return [*found, {self.verdict: said}]

    def fits(self, packet: Packet) -> bool:
        device = self.device is None or (packet.entrance == self.device) is not self.negated
        source = self.source is None or packet.source == code(self.source)
        port = self.port is None or packet.service == (TCP << 16) + self.port
        return device and source and port


@dataclass(frozen=True)
class Ruleset:
    """An input chain and the chains it leads to."""

    chains: Mapping[str, Sequence[Tiny]]
    policy: str = "accept"
    base: str = "input"
    hook: str = "input"
    comments: Mapping[tuple[str, int], str] = field(default_factory=dict)

    def text(self) -> str:
        items: list[dict[str, Any]] = [{"table": {"family": "inet", "name": "t", "handle": 1}}]
        for name in self.chains:
            said: dict[str, Any] = {**TABLE, "name": name, "handle": 1}
            if name == self.base:
                said |= {"type": "filter", "hook": self.hook, "prio": 0, "policy": self.policy}
            items.append({"chain": said})
        for name, rules in self.chains.items():
            for number, rule in enumerate(rules, 1):
                said = {**TABLE, "chain": name, "handle": number, "expr": rule.expr()}
                if (name, number) in self.comments:
                    said["comment"] = self.comments[name, number]
                items.append({"rule": said})
        return listing_text(items)

    def listing(self) -> Listing:
        return listed(self.text())

    def without(self, chain: str, number: int) -> Ruleset:
        kept = [r for n, r in enumerate(self.chains[chain], 1) if n != number]
        return Ruleset({**self.chains, chain: kept}, self.policy, self.base, self.hook)

    def decides(self, packet: Packet) -> tuple[str, int | None, bool]:
        """Chain and number of the rule that decides (None: the policy), and whether it lets."""
        told = self._chain(packet, self.base)
        return told if isinstance(told, tuple) else (self.base, None, self.policy == "accept")

    def _chain(self, packet: Packet, name: str) -> tuple[str, int | None, bool] | None:
        for number, rule in enumerate(self.chains[name], 1):
            if not rule.fits(packet):
                continue
            if rule.verdict in ("accept", "drop"):
                return name, number, rule.verdict == "accept"
            if rule.verdict == "return":
                return None
            told = self._chain(packet, rule.target)
            if told is not None or rule.verdict == "goto":
                return told
        return None


def match(left: dict[str, Any], right: Any, op: str = "==") -> dict[str, Any]:
    return {"match": {"op": op, "left": left, "right": right}}


def listing_text(items: Sequence[dict[str, Any]]) -> str:
    """A listing with one item on each line."""
    head = '{"nftables": [{"metainfo": {"version": "1.0.6", "json_schema_version": 1}}'
    return ",\n".join([head, *map(json.dumps, items)]) + "]}"


def listed(text: str) -> Listing:
    found = read_listing(text, "old")
    assert found.listing is not None, found.problems
    return found.listing


def packets() -> Iterator[Packet]:
    """Packets to the host that stand for all of them."""
    services = [*((TCP << 16) + port for port in (*PORTS, 9)), (UDP << 16) + 22]
    for device, service in product((*DEVICES, OTHER), services):
        for source in (*SOURCES, ELSE4):
            yield Packet(device, code(source), code(OWN4), service)
        yield Packet(device, code(ELSE6), code(OWN6), service)


def drawn(draw: random.Random, size: int = 6) -> Ruleset:
    """A ruleset by chance."""

    def some(values: Sequence[Any]) -> Any:
        return draw.choice([None, *values])

    def rule(below: Sequence[str]) -> Tiny:
        kinds = ["accept", "drop", "accept", "drop", "return"]
        verdict = draw.choice(kinds + (["jump", "goto"] if below else []))
        target = draw.choice(below) if verdict in ("jump", "goto") else ""
        device, negated = some(DEVICES), draw.random() < 0.2
        return Tiny(device, some(SOURCES), some(PORTS), negated, verdict, target)

    names = ["input", "one", "two"]
    chains = {
        name: [rule(names[at + 1 :]) for _ in range(draw.randrange(1, size))]
        for at, name in enumerate(names)
    }
    return Ruleset(chains, draw.choice(["accept", "drop"]))
