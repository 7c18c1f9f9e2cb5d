"""The host beside its ruleset, from what iproute2 prints in JSON: addresses and routes.

Several routes to the same destinations, by other metrics or in other tables, stand for
circumstances: which of them is taken hangs on lines that are up, marks and rules. What can't be
read is left out here; whoever needs to tell of it reads the texts for that (`ip(8)`, `ip-route(8)`).
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_interface, ip_network
from typing import Any

from netcharter.readback.shapes import V6, Host
from netcharter.space.ranges import Ranges, intersect, subtract, union

LEADING = frozenset({"", "unicast"})
BARRED = frozenset({"unreachable", "blackhole", "prohibit"})
LINK_SCOPE = (ip_network("fe80::/10"), ip_network("ff00::/8"), ip_network("224.0.0.0/4"))
MOST_ROUTES = 5_000  # of a host whose ways are told apart; beyond, nothing is known of them

Part = tuple[Ranges, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class _Route:
    """One route. devices: by which it may leave; none: it is barred."""

    network: IPv4Network | IPv6Network
    devices: tuple[str, ...]
    table: str
    kind: str
    metric: int


def host_of(addresses: str, *routes: str) -> Host:
    """The host that `ip -j address` and `ip -j route show table all` (one text for each family, or
    both in one) tell of. Without readable routes, or with very many, nothing is known of ways:
    `known` is False.
    """
    own: dict[str, list[Ranges]] = {}
    broadcast: list[Ranges] = []
    devices: list[str] = []
    connected: list[IPv6Network] = []
    for device in _entries(addresses):
        name = device.get("ifname")
        if not isinstance(name, str):
            continue
        devices.append(name)
        for said in _dicts(device.get("addr_info")):
            found = _interface(said)
            if found is None:
                continue
            own.setdefault(name, []).append(_single(found.ip))
            broadcast.append(_address(said.get("broadcast")))
            if isinstance(found.network, IPv6Network) and not found.is_link_local:
                connected.append(found.network)
    read = [route for text in routes for route in _routes(text)]
    leading = [route for route in read if route.kind in LEADING]
    local = [route for route in read if route.kind == "broadcast"]
    anycast = [_block(r.network) for r in read if r.kind == "anycast"] or [
        _single(network.network_address) for network in connected if network.prefixlen < 127
    ]
    return Host(
        devices=tuple(dict.fromkeys(devices)),
        own={name: union(*addresses) for name, addresses in own.items()},
        routes=tuple(_ways(read)) if len(read) <= MOST_ROUTES else (),
        broadcast=union(*broadcast, *(_block(route.network) for route in local)),
        anycast=union(*anycast),
        known=bool(leading) and len(read) <= MOST_ROUTES,
    )


def _ways(read: list[_Route]) -> Iterator[Part]:
    """Destinations and the devices they may leave by, disjoint: the tables one over the other."""
    tables: dict[tuple[str, int], list[_Route]] = {}
    for route in read:
        if route.kind in LEADING | BARRED and not _of_link_scope(route.network):
            tables.setdefault((route.table, route.network.version), []).append(route)
    main = [key for key in tables if key[0] == "main"]
    others = [key for key in tables if key[0] not in ("main", "local")]
    found: list[Part] = []
    for key in main:
        found += _table(tables[key])
    for key in others:
        found = _over(found, list(_table(tables[key])))
    yield from found


def _of_link_scope(network: IPv4Network | IPv6Network) -> bool:
    return any(
        network.version == scope.version and network.subnet_of(scope)  # type: ignore[arg-type]
        for scope in LINK_SCOPE
    )


def _table(routes: list[_Route]) -> Iterator[Part]:
    """One table as disjoint parts: the longest prefix counts; of equal ones all may be taken."""
    groups: dict[IPv4Network | IPv6Network, list[_Route]] = {}
    for route in sorted(routes, key=lambda r: r.metric):
        groups.setdefault(route.network, []).append(route)
    taken: Ranges = ()
    for network in sorted(groups, key=lambda n: -n.prefixlen):
        left = subtract(_block(network), taken)
        taken = union(taken, left)
        if left:
            names = (name for route in groups[network] for name in route.devices)
            yield left, tuple(dict.fromkeys(names))


def _over(parts: list[Part], others: list[Part]) -> list[Part]:
    """Parts of two tables together: what both lead, either may."""
    out: list[Part] = []
    rest = others
    for found, devices in parts:
        left = found
        remaining: list[Part] = []
        for more, names in rest:
            both = intersect(left, more)
            if both:
                out.append((both, tuple(dict.fromkeys((*devices, *names)))))
                left = subtract(left, both)
            beyond = subtract(more, both)
            if beyond:
                remaining.append((beyond, names))
        if left:
            out.append((left, devices))
        rest = remaining
    return [*out, *rest]


def _routes(text: str) -> Iterator[_Route]:
    entries = list(_entries(text))
    version = (
        6 if any(":" in str(e.get(key, "")) for e in entries for key in ("dst", "gateway")) else 4
    )
    for said in entries:
        network = _network(said, version)
        if network is None:
            continue
        devices = [said.get("dev"), *(hop.get("dev") for hop in _dicts(said.get("nexthops")))]
        metric = said.get("metric", 0)
        yield _Route(
            network,
            tuple(name for name in devices if isinstance(name, str)),
            str(said.get("table", "main")),
            str(said.get("type", "")),
            metric if isinstance(metric, int) else 0,
        )


def _network(said: Mapping[str, Any], version: int) -> IPv4Network | IPv6Network | None:
    """The destination of a route; `default` in the family of its next hop, else of the text."""
    to = said.get("dst")
    if to == "default":
        hops = [said.get("gateway"), *(hop.get("gateway") for hop in _dicts(said.get("nexthops")))]
        told = [":" in hop for hop in hops if isinstance(hop, str)]
        six = told[0] if told else version == 6
        return ip_network("::/0" if six else "0.0.0.0/0")
    try:
        return ip_network(to) if isinstance(to, str) else None
    except ValueError:
        return None


def _entries(text: str) -> Iterator[Mapping[str, Any]]:
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return
    yield from _dicts(found)


def _dicts(found: Any) -> Iterator[Mapping[str, Any]]:
    if isinstance(found, list):
        yield from (one for one in found if isinstance(one, dict))


def _interface(said: Mapping[str, Any]) -> Any:
    try:
        return ip_interface(f"{said['local']}/{said['prefixlen']}")
    except (KeyError, ValueError):
        return None


def _address(text: Any) -> Ranges:
    try:
        return _single(ip_address(text)) if isinstance(text, str) else ()
    except ValueError:
        return ()


def _single(address: Any) -> Ranges:
    code = int(address) + (V6 if address.version == 6 else 0)
    return ((code, code),)


def _block(network: IPv4Network | IPv6Network) -> Ranges:
    start = 0 if network.version == 4 else V6
    return ((start + int(network[0]), start + int(network[-1])),)
