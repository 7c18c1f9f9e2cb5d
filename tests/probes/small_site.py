"""A small site in a lab, with a ruleset of its own by hand: a gateway between two areas and a line.

Nothing of the kit is in it, so what a field sees there is the field's and the kernel's own doing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from ipaddress import ip_address
from typing import TypeVar

from netcharter.lab import isolation, tools
from netcharter.lab.apart import NAMESPACES, apart
from netcharter.lab.settings import GATEWAY as AT_GATEWAY
from netcharter.lab.settings import STATION, put
from netcharter.lab.trouble import LabImpossible
from netcharter.probes.shapes import (
    GATEWAY,
    Answered,
    Expected,
    Packet,
    Place,
    Probe,
    Setting,
    Shape,
)
from tests.kernel.namespace import needed

T = TypeVar("T")

ALICE, BOB, WORLD = "alice", "bob", "world"
HARDWARE = {ALICE: 0x0200_0000_0A01, BOB: 0x0200_0000_0B01, WORLD: 0x0200_0000_0C01}
ADDRESSES = {
    ALICE: ("192.0.2.10", "2001:db8:a::10"),
    BOB: ("198.51.100.10", "2001:db8:b::10"),
    WORLD: ("203.0.113.9", "2001:db8:c::9"),
}
WAYS = {
    ALICE: ("192.0.2.1", "2001:db8:a::1"),
    BOB: ("198.51.100.1", "2001:db8:b::1"),
    WORLD: ("203.0.113.1", "2001:db8:c::1"),
}
PUBLIC = "203.0.113.1"

CABLE = """
link set dev lo up
link add name net0 address {hardware} type veth peer name {name}0 netns gateway
link set dev net0 up
address add {four}/24 dev net0
address add {six}/64 dev net0 nodad
"""
HOST = """
route add 0.0.0.0/0 via {way4} dev net0
route add ::/0 via {way6} dev net0
"""
ELSEWHERE = """
route add 192.0.2.0/24 via 203.0.113.1
route add 198.51.100.0/24 via 203.0.113.1
route add 2001:db8:a::/64 via 2001:db8:c::1
route add 2001:db8:b::/64 via 2001:db8:c::1
route add local 192.0.3.0/24 dev lo table local
route add local 2001:db8:ffff::/48 dev lo table local
"""
AT_THE_GATEWAY = """
link set dev lo up
link set dev {name}0 up
address add {way4}/24 dev {name}0
address add {way6}/64 dev {name}0 nodad
"""
OUTWARDS = """
route add 0.0.0.0/0 via 203.0.113.9
route add ::/0 via 2001:db8:c::9
"""
# Here hosts ask for each other, and need no time to look for doubles (RFC 4862 section 5.4).
AT_ONCE: Mapping[str, str] = {
    f"ipv6/conf/{scope}/{key}": "0"
    for scope in ("all", "default")
    for key in ("accept_dad", "dad_transmits")
}
ROUTER: Mapping[str, str] = {
    "ipv4/ip_forward": "1",
    "ipv6/conf/all/forwarding": "1",
    "ipv4/conf/all/rp_filter": "0",
    "netfilter/nf_conntrack_tcp_loose": "0",
}
RULES = """
table inet small {
    chain refuse {
        meta l4proto tcp reject with tcp reset
        reject with icmpx type admin-prohibited
    }
    chain decide {
        icmpv6 type { nd-neighbor-solicit, nd-neighbor-advert, nd-router-advert } accept
        icmp type { echo-request, timestamp-request } accept
        icmpv6 type echo-request accept
        meta l4proto { 33, 47, 132, 136 } accept
        th dport { 53, 80 } accept
        th dport 81 goto refuse
        th dport 83 reject with icmpx type host-unreachable
    }
    chain in {
        type filter hook input priority filter; policy drop;
        ct state vmap { established : accept, related : accept, invalid : drop }
        iifname "lo" accept
        goto decide
    }
    chain forward {
        type filter hook forward priority filter; policy drop;
        ct state vmap { established : accept, related : accept, invalid : drop }
        ct status dnat accept
        goto decide
    }
    chain out {
        type filter hook output priority filter; policy drop;
        ct state vmap { established : accept, related : accept, invalid : accept }
        goto decide
    }
    chain raw {
        type filter hook prerouting priority raw; policy accept;
        rt type 0 drop
    }
    chain offers {
        type nat hook prerouting priority dstnat; policy accept;
        ip daddr 203.0.113.1 tcp dport 8080 dnat ip to 198.51.100.10:80
    }
    chain hide {
        type nat hook postrouting priority srcnat; policy accept;
        oifname "world0" ip saddr 192.0.2.0/24 masquerade
    }
}
"""


def at_the_site(work: Callable[[Mapping[str, Place]], T]) -> T:
    """What `work` finds at the small site; skipped where there can be no lab."""
    needed()

    def within() -> T:
        return work(_built())

    try:
        return apart(within)
    except LabImpossible as reason:
        raise AssertionError(str(reason)) from None


def _built() -> Mapping[str, Place]:
    places = {GATEWAY: Place(GATEWAY, f"{NAMESPACES}/gateway", "", 0)}
    with isolation.coming_back():
        isolation.new_network(f"{NAMESPACES}/gateway")
        put({**AT_GATEWAY, **AT_ONCE})
        for name, hardware in HARDWARE.items():
            isolation.new_network(f"{NAMESPACES}/{name}")
            put({**STATION, **AT_ONCE})
            places[name] = Place(name, f"{NAMESPACES}/{name}", "net0", hardware)
    for name in HARDWARE:
        _load(name, CABLE, name)
    for name in HARDWARE:
        _load(GATEWAY, AT_THE_GATEWAY, name)
        _load(name, ELSEWHERE if name == WORLD else HOST, name)
    _load(GATEWAY, OUTWARDS, WORLD)
    with isolation.inside(places[GATEWAY].namespace):
        put(ROUTER)
        tools.run(("nft", "-f", "-"), RULES)
        put(ROUTER)  # conntrack comes with the rules
    return places


def _load(where: str, text: str, name: str) -> None:
    told = f"{HARDWARE[name]:012x}"
    said = text.format(
        name=name,
        hardware=":".join(told[i : i + 2] for i in range(0, 12, 2)),
        four=ADDRESSES[name][0],
        six=ADDRESSES[name][1],
        way4=WAYS[name][0],
        way6=WAYS[name][1],
    )
    with isolation.inside(f"{NAMESPACES}/{where}"):
        tools.run(("ip", "-batch", "-"), said)


# --- probes ---------------------------------------------------------------------------------------


def probe(
    station: str,
    source: str,
    destination: str,
    protocol: int,
    number: int = 0,
    shape: Shape = "plain",
    *,
    answer: Answered = "silent",
    arrives: str = "",
    delivered: int | None = None,
    hardware: int | None = None,
    port: int = 40_000,
) -> Probe:
    """A probe; `number` of the probe is its port, so each has its own."""
    said = HARDWARE.get(station) if hardware is None else hardware
    packet = Packet(ip_address(source), ip_address(destination), protocol, number, port, said)
    expected = Expected(answer, (), frozenset({arrives} - {""}), None, delivered)
    told = f"{station}: {source} to {destination}, {protocol}/{number}, {shape}"
    return Probe(port, station, packet, shape, Setting(frozenset()), expected, "", "", told)
