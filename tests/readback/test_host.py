"""The host from what iproute2 prints: routes against a plain search for the longest prefix
(RFC 1812 section 5.2.4.3), and texts that are none."""

from __future__ import annotations

import json
import random
from ipaddress import IPv4Network, ip_address, ip_network
from typing import Any

import pytest

from netcharter.readback.host import MOST_ROUTES, host_of
from netcharter.readback.shapes import Host
from netcharter.space.ranges import has, intersect
from tests.readback.made import code

DEVICES = ("eth0", "eth1", "eth2")
ADDRESSES = [
    {
        "ifname": "eth0",
        "addr_info": [
            {"family": "inet", "local": "203.0.113.2", "prefixlen": 24,
             "broadcast": "203.0.113.255"},
            {"family": "inet6", "local": "2001:db8:0:ff::2", "prefixlen": 64},
            {"family": "inet6", "local": "fe80::5", "prefixlen": 64},
        ],
    },
    {"ifname": "eth1", "addr_info": [{"local": "10.1.0.1", "prefixlen": 24}]},
    {"ifname": "eth2"},
]  # fmt: skip
DEFAULT = {"dst": "default", "gateway": "203.0.113.1", "dev": "eth0"}


def host(*routes: list[dict[str, Any]]) -> Host:
    return host_of(json.dumps(ADDRESSES), *map(json.dumps, routes))


def ways(found: Host, destination: str) -> tuple[str, ...]:
    return next((names for to, names in found.routes if has(to, code(destination))), ())


def test_addresses() -> None:
    found = host([DEFAULT])
    assert found.devices == DEVICES and found.known
    assert has(found.own["eth0"], code("203.0.113.2"))
    assert has(found.own["eth0"], code("fe80::5"))
    assert has(found.broadcast, code("203.0.113.255"))
    # RFC 4291 section 2.6.1: the address of the network itself is any of its routers
    assert has(found.anycast, code("2001:db8:0:ff::"))
    assert not has(found.anycast, code("fe80::"))


@pytest.mark.parametrize("case", range(30))
def test_the_longest_prefix_counts(case: int, seed: int) -> None:
    draw = random.Random(f"{seed} routes {case}")
    said: dict[IPv4Network, set[str]] = {}
    routes = []
    for _ in range(draw.randrange(1, 12)):
        base = (10 << 24) + draw.randrange(1 << 6 << 18)
        network = IPv4Network((base, draw.choice((8, 16, 24, 28, 32))), strict=False)
        device = draw.choice(DEVICES)
        said.setdefault(network, set()).add(device)
        routes.append({"dst": str(network).removesuffix("/32"), "dev": device,
                       "metric": draw.choice((0, 100))})  # fmt: skip
    found = host(routes)
    for _ in range(200):
        network = draw.choice(list(said))
        to = network[draw.randrange(network.num_addresses)]
        held = [n for n in said if to in n]
        longest = max(held, key=lambda n: n.prefixlen)
        assert set(ways(found, str(to))) == said[longest]
    assert ways(found, "192.0.2.1") == ()
    parts = [to for to, _ in found.routes]
    assert not any(intersect(a, b) for n, a in enumerate(parts) for b in parts[n + 1 :])


def test_default_routes_of_both_families() -> None:
    six = [{"dst": "default", "gateway": "fe80::1", "dev": "eth1"},
           {"dst": "2001:db8:7::/48", "dev": "eth2"}]  # fmt: skip
    found = host([DEFAULT], six)
    assert ways(found, "198.51.100.9") == ("eth0",)
    assert ways(found, "2001:db8:9::9") == ("eth1",)
    assert ways(found, "2001:db8:7::9") == ("eth2",)


def test_a_default_route_without_next_hop_has_the_family_of_its_text() -> None:
    found = host([{"dst": "default", "dev": "eth0"}],
                 [{"dst": "2001:db8:7::/48", "dev": "eth2"}, {"dst": "default", "dev": "eth1"}])  # fmt: skip
    assert ways(found, "198.51.100.9") == ("eth0",)
    assert ways(found, "2001:db8:9::9") == ("eth1",)


def test_several_next_hops_and_tables_are_circumstances() -> None:
    hops = {"dst": "default", "nexthops": [{"gateway": "203.0.113.1", "dev": "eth0"},
                                           {"gateway": "192.0.2.1", "dev": "eth2"}]}  # fmt: skip
    assert set(ways(host([hops]), "198.51.100.9")) == {"eth0", "eth2"}
    other = {"dst": "default", "dev": "eth1", "table": "101"}
    lan = {"dst": "10.1.0.0/24", "dev": "eth1"}
    found = host([DEFAULT, other, lan])
    assert set(ways(found, "198.51.100.9")) == {"eth0", "eth1"}
    assert "eth1" in ways(found, "10.1.0.9")


def test_what_is_barred_leaves_by_nothing() -> None:
    barred = {"type": "unreachable", "dst": "10.0.0.0/8"}
    found = host([DEFAULT, barred, {"dst": "10.1.0.0/24", "dev": "eth1"}])
    assert ways(found, "10.1.0.9") == ("eth1",)
    assert ways(found, "10.9.0.9") == ()
    assert any(not names for to, names in found.routes if has(to, code("10.9.0.9")))


def test_routes_of_links_groups_and_own_addresses_lead_nowhere_else() -> None:
    routes = [DEFAULT, {"dst": "fe80::/64", "dev": "eth0"}, {"dst": "ff00::/8", "dev": "eth0"},
              {"type": "local", "dst": "203.0.113.2", "dev": "eth0", "table": "local"},
              {"type": "broadcast", "dst": "10.1.0.255", "dev": "eth1", "table": "local"},
              {"type": "anycast", "dst": "2001:db8:0:ff::", "dev": "eth0", "table": "local"}]  # fmt: skip
    found = host(routes)
    assert ways(found, "fe80::9") == () and ways(found, "ff02::1") == ()
    assert has(found.broadcast, code("10.1.0.255"))
    assert found.anycast == ((code("2001:db8:0:ff::"),) * 2,)


@pytest.mark.parametrize(
    "text",
    ["", "{}", "[", "[1, null, []]", '[{"dst": 7, "dev": "eth0"}]', '[{"dst": "x", "dev": "e"}]',
     '[{"dst": "10.0.0.1/8", "dev": "eth0"}]', "[" * 100_000, "\0", '[{"nexthops": 3}]'],
)  # fmt: skip
def test_texts_that_are_none_leave_ways_unknown(text: str) -> None:
    found = host_of(json.dumps(ADDRESSES), text)
    assert not found.known and found.devices == DEVICES
    assert host_of(text, json.dumps([DEFAULT])).own == {}


def test_very_many_routes_are_not_told_apart() -> None:
    networks = ip_network("10.0.0.0/8").subnets(new_prefix=24)
    many = [{"dst": str(next(networks)), "dev": "eth1"} for _ in range(MOST_ROUTES + 1)]
    found = host(many)
    assert not found.known and found.routes == ()
    assert has(found.own["eth1"], int(ip_address("10.1.0.1")))
