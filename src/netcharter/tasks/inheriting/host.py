"""What a gateway says of its network devices, addresses and routes: `ip -j address` and
`ip -j route` (iproute2).
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from ipaddress import ip_address, ip_interface, ip_network
from typing import Any

from netcharter.charter.model import Interface, Network
from netcharter.charter.values import quoted
from netcharter.diagnostics import Span
from netcharter.diagnostics.escape import HIDDEN
from netcharter.tasks.inheriting.lines import (
    BREAK,
    MOST_BYTES,
    Told,
    address_of,
    hardware_of,
    shown,
    whole,
)
from netcharter.tasks.inheriting.shapes import HostFacts, NetDevice, OldRoute

MOST_DEVICES, MOST_ROUTES = 4_000, 200_000
DEVICE = re.compile(r"[^\s/:]{1,15}")  # what the kernel takes as a name (dev_valid_name)
DEFAULT = {4: ip_network("0.0.0.0/0"), 6: ip_network("::/0")}
USUAL = frozenset(("", "unicast", "multicast"))  # types of routes that lead somewhere
NAMED_VLAN = re.compile(r"(?:vlan|.*\.)0*([0-9]{1,4})")


def host_facts(
    addresses: str | bytes,
    routes: Sequence[str | bytes] = (),
    names: Sequence[str] = (),
) -> HostFacts:
    """Devices and routes from what `ip -j` printed; never raises, whatever the texts are.

    names: how to call the texts in findings, that of `addresses` first.
    """
    called = [*names, "addresses.json", *(f"routes-{n}.json" for n in range(1, len(routes) + 1))]
    told = Told(called[0] if names else "addresses.json")
    devices = tuple(_devices(addresses, told))
    problems = told.all()
    ways: list[OldRoute] = []
    for number, text in enumerate(routes, 1):
        told = Told(names[number] if number < len(names) else f"routes-{number}.json")
        ways += _ways(text, told)
        problems += told.all()
    return HostFacts(devices, tuple(ways), problems)


# JSON


@dataclass(frozen=True, slots=True)
class _Places:
    """Where the entries of a JSON text stand: the n-th one by the n-th key of its kind."""

    name: str
    spans: Sequence[Span]

    def of(self, number: int) -> Span:
        return self.spans[number] if number < len(self.spans) else whole(self.name)


def _entries(data: str | bytes, told: Told, key: str) -> tuple[list[dict[str, Any]], _Places]:
    """The objects of a list, and where `key` stands in each. Anything else is told."""
    nothing: tuple[list[dict[str, Any]], _Places] = [], _Places(told.name, ())
    if len(data) > MOST_BYTES:
        told.say("too-much-to-read", "this file has more than 32 million bytes", whole(told.name),
                 severity="error", help="give the part of it that is in use")  # fmt: skip
        return nothing
    text = shown(data)
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, list):
        told.say("not-from-ip", "this is not what `ip -j` prints", whole(told.name),
                 severity="error", help="run `ip -j address` or `ip -j route` there")  # fmt: skip
        return nothing
    objects = [entry for entry in found if isinstance(entry, dict) and entry]
    return objects, _Places(told.name, _spans(text, told.name, key, len(objects)))


def _spans(text: str, name: str, key: str, count: int) -> Sequence[Span]:
    """The places of a key with its value, one for each entry; none where they don't fit."""
    found = list(re.finditer(rf'"{key}"\s*:\s*("[^"\\]*")?', text))
    if len(found) != count:
        return ()
    spans, line, start = [], 1, 0
    for match in found:
        for broken in BREAK.finditer(text, start, match.start()):
            line, start = line + 1, broken.end()
        column = match.start() - start + 1
        spans.append(Span(name, line, column, line, column + len(match.group())))
    return spans


def _devices(data: str | bytes, told: Told) -> Iterator[NetDevice]:
    entries, places = _entries(data, told, "ifname")
    for number, said in enumerate(entries[:MOST_DEVICES]):
        name = said.get("ifname")
        if not isinstance(name, str) or not DEVICE.fullmatch(name) or HIDDEN.search(name):
            told.unread("a network device without a proper name", places.of(number))
        elif "LOOPBACK" not in _list(said.get("flags")):
            yield _device(name, said, places.of(number), told)


def _device(name: str, said: Mapping[str, Any], span: Span, told: Told) -> NetDevice:
    link = _map(said.get("linkinfo"))
    addresses, learnt = [], False
    for entry in _list(said.get("addr_info")):
        given = _map(entry)
        address = _interface(given.get("local"), given.get("prefixlen"))
        if address is None:
            told.unread("an address of a network device", span, quoted(str(given.get("local"))))
        elif _text(given.get("scope", "global")) == "global" and not _drawn(given, address):
            addresses.append(address)
            learnt = learnt or (address.version == 4 and given.get("dynamic") is True)
    kind = _text(link.get("info_kind"))
    parent = _text(said.get("link"))
    vlan = _number(_map(link.get("info_data")).get("id"), 4094) if kind == "vlan" else None
    device = NetDevice(
        name=name,
        hardware=hardware_of(_text(said.get("address"))),
        addresses=tuple(addresses),
        span=span,
        learnt=learnt,
        up="UP" in _list(said.get("flags")),
        kind=kind or _kind(_text(said.get("link_type"))),
        within=_text(said.get("master")),
    )
    return replace(device, **_tagged(name, parent, vlan, device.kind))


def _drawn(given: Mapping[str, Any], address: Interface) -> bool:
    """Is it an IPv6 address that the machine made up from an advertised prefix?"""
    return address.version == 6 and (given.get("dynamic") is True or given.get("temporary") is True)


def _tagged(name: str, parent: str, vlan: int | None, kind: str) -> dict[str, Any]:
    """The parent and the id of a VLAN; the id from its name where the kernel did not tell it."""
    match = NAMED_VLAN.fullmatch(name)
    if vlan is None and match and parent and kind in ("", "vlan"):
        vlan = int(match[1]) if 1 <= int(match[1]) <= 4094 else None
    return {"parent": parent, "vlan": vlan, "kind": "vlan"} if vlan and parent else {}


def _kind(link_type: str) -> str:
    return "" if link_type in ("ether", "") else link_type


def _ways(data: str | bytes, told: Told) -> Iterator[OldRoute]:
    entries, places = _entries(data, told, "dst")
    for number, said in enumerate(entries[:MOST_ROUTES]):
        span = places.of(number)
        if _text(said.get("type")) not in USUAL:
            continue
        network = _network(said)
        if network is None:
            told.unread("a route to nowhere", span, quoted(str(said.get("dst"))))
            continue
        hops = _list(said.get("nexthops"))
        for hop in hops or [said]:
            yield from _way(_map(hop), said, network, span, len(hops) > 1)


def _way(
    hop: Mapping[str, Any], said: Mapping[str, Any], network: Network, span: Span, shared: bool
) -> Iterator[OldRoute]:
    device = _text(hop.get("dev"))
    if not DEVICE.fullmatch(device):
        return
    via = _map(hop.get("via")).get("host")
    gateway = hop.get("gateway", via)
    yield OldRoute(
        network=network,
        next_hop=address_of(_text(gateway)),
        device=device,
        span=span,
        metric=_number(said.get("metric"), 2**32 - 1) or 0,
        protocol=_text(said.get("protocol")),
        table=str(said.get("table", "main"))[:32],
        weight=_number(hop.get("weight"), 256) or 1,
        shared=shared,
    )


def _network(said: Mapping[str, Any]) -> Network | None:
    """The destination; `default` has no family, so it is told from the rest."""
    text = _text(said.get("dst"))
    if text == "default":
        return DEFAULT[_family(said)]
    try:
        return ip_network(text)
    except ValueError:
        return None


def _family(said: Mapping[str, Any]) -> int:
    hops = [_map(hop) for hop in _list(said.get("nexthops"))]
    for text in (said.get("gateway"), said.get("prefsrc"), *(hop.get("gateway") for hop in hops)):
        address = address_of(_text(text))
        if address is not None:
            return address.version
    return 6 if "pref" in said else 4  # only IPv6 routes have a preference (RFC 4191)


def _interface(local: Any, length: Any) -> Interface | None:
    if not isinstance(local, str) or type(length) is not int:
        return None
    try:
        return ip_interface(f"{ip_address(local)}/{length}")
    except ValueError:
        return None


def _text(value: Any) -> str:
    return value if isinstance(value, str) and len(value) < 256 else ""


def _number(value: Any, most: int) -> int | None:
    return value if type(value) is int and 0 <= value <= most else None


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _map(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}
