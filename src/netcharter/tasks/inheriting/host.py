"""What a gateway says of its network devices, addresses and routes.

`ip -j address` and `ip -j route` (iproute2), and the stanzas of interfaces(5) for a gateway that
is switched off.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from ipaddress import ip_address, ip_interface, ip_network
from typing import Any

from netcharter.charter.model import Address, Interface, Network
from netcharter.charter.values import quoted
from netcharter.diagnostics import Span
from netcharter.diagnostics.escape import HIDDEN
from netcharter.tasks.inheriting.lines import (
    BREAK,
    MOST_BYTES,
    Line,
    Told,
    address_of,
    good_lines,
    hardware_of,
    shown,
    whole,
)
from netcharter.tasks.inheriting.shapes import HostFacts, NetDevice, Way

MOST_DEVICES, MOST_ROUTES = 4_000, 200_000
LONGEST_STANZA_LINE = 40_000  # characters, of lines that go on after a backslash together
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
    ways: list[Way] = []
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


def _ways(data: str | bytes, told: Told) -> Iterator[Way]:
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
) -> Iterator[Way]:
    device = _text(hop.get("dev"))
    if not DEVICE.fullmatch(device):
        return
    via = _map(hop.get("via")).get("host")
    gateway = hop.get("gateway", via)
    yield Way(
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


# interfaces(5)


@dataclass(slots=True)
class _Stanza:
    name: str
    method: str
    span: Span
    options: dict[str, str] = field(default_factory=dict)


def interfaces_facts(data: str | bytes, name: str) -> HostFacts:
    """Devices and default routes from the stanzas of interfaces(5).

    What a device has in several stanzas is put together; files that are named are not followed.
    """
    told = Told(name)
    stanzas: list[_Stanza] = []
    current: _Stanza | None = None
    for line in _logical(good_lines(data, told)):
        key, *rest = line.text.split()
        if key == "iface":
            current = _stanza(line, rest, told)
            stanzas += [current] if current else []
        elif key in ("source", "source-directory"):
            told.unfollowed(" ".join(rest), told.span(line))
            current = None
        elif key in ("auto", "mapping", "rename") or key.startswith(("allow-", "no-")):
            current = None
        elif current is not None:
            current.options[key.replace("_", "-")] = " ".join(rest)
        else:
            told.unread("a line outside every stanza", told.span(line), quoted(line.text))
    devices: dict[str, NetDevice] = {}
    ways: list[Way] = []
    for stanza in stanzas:
        devices[stanza.name] = _joined(devices.get(stanza.name), stanza, told)
        ways += _default(stanza)
    return HostFacts(tuple(_bridged(devices, stanzas)), tuple(ways), told.all())


def _logical(lines: Sequence[Line]) -> Iterator[Line]:
    """Lines that go on after a backslash as one; without comments and empty ones."""
    held: Line | None = None
    for line in lines:
        text = (held.text if held else "") + line.text
        number = held.number if held else line.number
        if text.endswith("\\") and len(text) < LONGEST_STANZA_LINE:
            held = Line(number, text[:-1])
            continue
        held = None
        if text.strip() and not text.lstrip().startswith("#"):
            yield Line(number, text)


def _stanza(line: Line, rest: Sequence[str], told: Told) -> _Stanza | None:
    name = rest[0].partition(":")[0] if rest else ""  # eth0:1 is a second address of eth0
    if len(rest) < 3 or not DEVICE.fullmatch(name) or rest[1] not in ("inet", "inet6"):
        told.unread("a stanza that is none", told.span(line), quoted(line.text))
        return None
    return None if rest[2] == "loopback" else _Stanza(name, rest[2], told.span(line))


def _joined(earlier: NetDevice | None, stanza: _Stanza, told: Told) -> NetDevice:
    device = earlier or NetDevice(stanza.name, None, (), stanza.span)
    options = stanza.options
    if "address" in options and stanza.method == "static":
        text = options["address"]
        length = options.get("netmask", "") if "/" not in text else ""
        try:
            found = ip_interface(f"{text}/{length}" if length else text)
        except ValueError:
            told.unread("an address", stanza.span, quoted(text))
        else:
            device = replace(device, addresses=(*device.addresses, found))
    if stanza.method == "dhcp":
        device = replace(device, learnt=True)
    if stanza.method == "ppp":
        device = replace(device, kind="ppp", learnt=True)
    parent = options.get("vlan-raw-device", "")
    if not parent and "." in stanza.name and stanza.name.rpartition(".")[2].isdigit():
        parent = stanza.name.rpartition(".")[0]
    number = hardware_of(options.get("hwaddress", "").removeprefix("ether").strip())
    bridge = {"kind": "bridge"} if "bridge-ports" in options else {}
    return replace(
        device,
        hardware=number or device.hardware,
        **_tagged(stanza.name, parent, None, device.kind) or bridge,
    )


def _bridged(devices: Mapping[str, NetDevice], stanzas: Sequence[_Stanza]) -> Iterator[NetDevice]:
    """All devices, those within a bridge marked as such."""
    bridge = {
        port: stanza.name
        for stanza in stanzas
        for port in stanza.options.get("bridge-ports", "").split()
    }
    for device in devices.values():
        yield replace(device, within=bridge.get(device.name, ""))
    for port, name in bridge.items():
        if port not in devices and DEVICE.fullmatch(port) and port != "none":
            yield NetDevice(port, None, (), devices[name].span, within=name)


def _default(stanza: _Stanza) -> Iterator[Way]:
    hop: Address | None = address_of(stanza.options.get("gateway", ""))
    metric = stanza.options.get("metric", "0")
    number = int(metric) if re.fullmatch("[0-9]{1,9}", metric) else 0
    if hop is not None:
        yield Way(DEFAULT[hop.version], hop, stanza.name, stanza.span, number)
    elif stanza.method in ("dhcp", "ppp"):
        yield Way(DEFAULT[4], None, stanza.name, stanza.span, number, protocol=stanza.method)
