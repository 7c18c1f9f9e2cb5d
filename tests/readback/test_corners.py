"""Corners of the kernel that were once misread, each with the packets that show it.

What the kernel does is its own to say; where it is written: net/ipv4/route.c, net/ipv6/route.c,
net/ipv4/netfilter.c and net/ipv6/netfilter.c (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import pytest

from tests.readback import ground
from tests.readback.compared import compare, told
from tests.readback.frames import ICMP6, TCP, UDP, Sent
from tests.readback.trying import Kernel

pytestmark = pytest.mark.kernel


class Corner(NamedTuple):
    """A ruleset with its packets; may: whether the answer has to say so."""

    name: str
    ruleset: str
    packets: tuple[Sent, ...]
    may: bool = False


def sent(
    entrance: str,
    source: str,
    destination: str,
    protocol: int = TCP,
    number: int = 80,
    port: int = 40000,
) -> Sent:
    hardware = ground.HARDWARE[0] if entrance else ""
    return Sent(entrance, source, destination, protocol, number, port, hardware)


def base(hook: str, *rules: str, kind: str = "filter", at: int = 0, end: str = "accept") -> str:
    lines = "\n".join(rules)
    head = f"type {kind} hook {hook} priority {at}; policy {end};"
    return f"chain {kind}_{hook}_{abs(at)} {{ {head}\n{lines}\n}}\n"


def table(*parts: str, family: str = "inet") -> str:
    return f"table {family} t {{\ncounter a {{ }}\n{''.join(parts)}}}\n"


def ingress(rule: str) -> str:
    head = "type filter hook ingress device lan0 priority 0;"
    return f"table netdev early {{\nchain early {{ {head}\n{rule}\n}}\n}}\n"


FOUR, SIX = (
    sent("lan0", "192.0.2.10", "203.0.113.77"),
    sent("lan0", "2001:db8:0:1::10", "2001:db8:0:2::10"),
)
BOTH = (FOUR, SIX)
SELF = "2001:db8:0:1::1"
MARKED = base("postrouting", "oifname lo drop", "counter name a")
DROPS_WEB = base("prerouting", "tcp dport 80 drop", kind="nat", at=-100)
ASKED = {
    "a helper": 'ct helper h { type "ftp" protocol tcp; }\n',
    "time limits": "ct timeout h {\nprotocol tcp; l3proto ip; policy = { syn_sent : 3 }\n}\n",
    "a proxy": "synproxy h { mss 1460 ; wscale 7 ; timestamp sack-perm ; }\n",
    "a set that counts": "set h {\ntype ipv4_addr; size 9; flags dynamic; ct count over 5\n}\n",
}
HIDDEN = (
    'log prefix "ip6" meta nfproto ipv4 tcp dport 80 reject with tcp reset',
    'meta nfproto ipv4 iifname != "ip" reject with tcp reset',
    "meta nfproto ipv4 meta mark vmap { 0 : continue } reject with tcp reset",
    'iifname != "ip" meta nfproto ipv4 ct protocol 6 drop',
)


def translated(to: str, family: str = "ip6") -> str:
    return base("output", f"tcp dport 80 dnat {family} to {to}", kind="nat", at=-100)


def corners() -> Iterator[Corner]:
    for rule in HIDDEN:
        yield Corner(f"hidden: {rule}", table(base("forward", rule)), BOTH, True)
    zero = (
        ("192.0.2.10", "0.0.0.3"),
        ("0.0.0.5", "192.0.2.70"),
        ("0.0.0.5", "192.0.2.1"),
        ("0.0.0.0", "192.0.2.70"),
    )
    strays = tuple(sent("lan0", *ends) for ends in zero)
    yield Corner("0.0.0.0/8", table(base("forward", "counter name a")), strays)
    types = table(
        base("prerouting", "fib saddr type broadcast drop", "fib daddr type unicast counter name a")
    )
    yield Corner("0.0.0.0/8 by fib", types, strays)
    near = sent("lan1", "fe80::1", "2001:db8:0:2::1"), sent("lan1", ground.NEAR, "2001:db8:0:2::1")
    for rule in (
        "fib saddr . iif oif missing drop",
        "fib saddr type local drop",
        "fib saddr oif lan1 drop",
    ):
        yield Corner(f"another link's: {rule}", table(base("prerouting", rule)), near)
    ends = sent("lan1", "2001:db8:0:2::10", "fe80::1"), sent("lan0", "2001:db8:0:1::10", "fe80::1")
    local = table(
        base("prerouting", "fib daddr type local drop", "counter name a"),
        base("forward", end="drop"),
    )
    yield Corner("another link's: fib daddr type local", local, ends)
    many = tuple(
        sent(device, source, end, UDP, 53)
        for device, source, end in (
            ("lan0", "192.0.2.10", "192.0.2.63"),
            ("up0", "203.0.113.77", "203.0.113.255"),
            ("lan0", "192.0.2.10", "255.255.255.255"),
            ("lan0", "192.0.2.10", "192.0.2.1"),
        )
    )
    yield Corner("frames for many", table(base("input", "meta pkttype host drop")), many)
    rest = table(base("input", "meta pkttype != broadcast accept", end="drop"))
    yield Corner("frames for others", rest, many)
    redirects = tuple(
        sent("lan0", source, end, ICMP6, kind << 8, 0)
        for source, end in ((ground.NEAR, "fe80::1"), ("2001:db8:0:1::10", SELF))
        for kind in (136, 137)
    )
    yield Corner(
        "redirects", table(base("input", "ct state untracked accept", end="drop")), redirects
    )
    yield from _own()
    for rule in ("meta mark set 5", "fwd to up0"):
        refused = table(base("forward", "meta mark 5 accept", end="drop"))
        yield Corner(f"at the link: {rule}", ingress(rule) + refused, (FOUR,), True)
    for name, said in ASKED.items():
        yield Corner(f"tracked: {name}", table(said, DROPS_WEB, family="ip"), (FOUR,))
    yield Corner("not tracked", table(DROPS_WEB), BOTH)
    summed = tuple(
        sent("up0", "203.0.113.1", "203.0.113.2", UDP, 53, port) for port in (1000, 45000, 60000)
    )
    sums = table(
        base("prerouting", "udp checksum < 0x8000 meta mark set 1", at=-150),
        base("prerouting", "dnat ip to 192.0.2.70", kind="nat", at=-100),
        base("prerouting", "meta mark 0 udp checksum < 0x8000 counter name a drop", at=-50),
    )
    yield Corner("checksums", sums, summed, True)


def _own() -> Iterator[Corner]:
    """The host's own, sent elsewhere: groups and links are sought by the device that it had."""
    ends = tuple(sent("", SELF, end) for end in ("2001:db8:0:ff::2", "2001:db8:0:1::10"))
    for to in ("fe80::1", "fe80:1::99"):
        yield Corner(f"own to {to}", table(translated(to), MARKED), ends)
    far = (*ends, sent("", SELF, "2600::1:2"))
    yield Corner(f"own to {ground.NEAR}", table(translated(ground.NEAR), MARKED), far)
    mine = (sent("", "192.0.2.1", "203.0.113.77"),)
    yield Corner("own to 0.0.0.0", table(translated("0.0.0.0", "ip"), MARKED), mine)
    for to in ("224.0.0.251", "255.255.255.255"):
        dropped = base("postrouting", "oifname lan0 drop")
        yield Corner(f"own to {to}", table(translated(to, "ip"), dropped), mine, True)


@pytest.fixture(scope="module")
def kernel() -> Iterator[Kernel]:
    with Kernel() as found:
        yield found


@pytest.mark.parametrize("corner", list(corners()), ids=lambda corner: corner.name)
def test_a_corner_is_read_right(kernel: Kernel, corner: Corner) -> None:
    found = compare(kernel, corner.ruleset, corner.packets)
    assert not found.wrong, told(corner.ruleset, found)
    assert bool(found.may) is corner.may, told(corner.ruleset, found)
