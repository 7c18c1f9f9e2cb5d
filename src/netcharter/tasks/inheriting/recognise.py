"""Which network devices of an old gateway are lines, which are areas, and what speaks for it.

Each sign weighs something for the one or for the other (the weights are our own judgement; the
signs are what an administrator would look at). What weighs too little, or speaks for both, is
marked `unsure`; what the user says settles it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from ipaddress import IPv4Network, IPv6Network, ip_network

from netcharter.charter.model import Address, Interface, Network
from netcharter.plan.coding import MAX_LINES
from netcharter.tasks.inheriting.equipment import Equipment, known_devices
from netcharter.tasks.inheriting.lines import whole
from netcharter.tasks.inheriting.naming import Names, listed, pick
from netcharter.tasks.inheriting.segments import found_areas, found_lines
from netcharter.tasks.inheriting.shapes import (
    Facts,
    Held,
    HostFacts,
    Named,
    NetDevice,
    OldRoute,
    Recognised,
    Unsaid,
)
from netcharter.tasks.inheriting.where import Where
from netcharter.tasks.sources import unusable

PRIVATE = tuple(
    map(ip_network, ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "fc00::/7"))
)  # RFC 1918, RFC 4193
CARRIER = IPv4Network("100.64.0.0/10")  # RFC 6598
TUNNELS = frozenset(
    "tun wireguard ipip gre gretap sit ip6tnl ip6gre vti vti6 xfrm vxlan l2tp none tunnel".split()
)
LEAST = 2  # how much more must speak for the one than for the other
CONTRADICTED = 3  # as much for the losing side makes it doubtful


@dataclass(frozen=True, slots=True)
class Sign:
    """One thing that speaks for a line (weight above 0) or an area (below)."""

    weight: int
    words: str


@dataclass(frozen=True)
class Old:
    """The old gateway: all that is known of it, looked up by network device."""

    host: HostFacts
    facts: Facts
    held: Held
    named: Named

    @cached_property
    def devices(self) -> Mapping[str, NetDevice]:
        """By name: those of the host, then those that are only named somewhere."""
        found = {device.name: device for device in self.host.devices}
        if found:
            return found
        somewhere = (*self.facts.devices, *self.held.devices, *self.named.lines.values())
        for name in dict.fromkeys((*somewhere, *self.named.areas.values())):
            if name != "lo" and "*" not in name:
                found[name] = NetDevice(name, None, (), whole("the ruleset"))
        return found

    @cached_property
    def default(self) -> Mapping[str, Sequence[OldRoute]]:
        """The default routes of the main table by device."""
        out: dict[str, list[OldRoute]] = {}
        for way in self.host.ways:
            if way.network.prefixlen == 0 and way.table in ("main", "254"):
                out.setdefault(way.device, []).append(way)
        return out

    @cached_property
    def where(self) -> Where:
        """The device whose networks hold an address."""
        return Where(
            (n, name) for name, device in self.devices.items() for n in self.networks(device)
        )

    @cached_property
    def leases(self) -> Mapping[str | None, int]:
        """How many leases lie in the networks of each device."""
        return Counter(self.where.of(lease.address) for lease in self.held.leases)

    @cached_property
    def fixed(self) -> Mapping[str | None, int]:
        """How many reservations have an address in the networks of each device."""
        homes = ({self.where.of(a) for a in one.addresses} for one in self.held.reservations)
        return Counter(name for found in homes for name in found)

    def networks(self, device: NetDevice) -> list[Network]:
        return [one.network for one in device.addresses]

    def within(self, device: NetDevice, address: Address | None) -> bool:
        return address is not None and any(address in n for n in self.networks(device))


def recognise(host: HostFacts, facts: Facts, held: Held, named: Named) -> Recognised:
    """Lines, areas and known devices. Raises Unusable for a name of a device that is not there."""
    old = Old(host, facts, held, named)
    _check_named(old)
    carried = {d.parent for d in old.devices.values() if d.parent}
    aside: dict[str, str] = {}
    lines: list[tuple[NetDevice, Sequence[Sign], bool]] = []
    areas: list[tuple[NetDevice, Sequence[Sign], bool]] = []
    for device in old.devices.values():
        signs = list(_signs(old, device))
        why = _neither(old, device, signs, device.name in carried)
        if why:
            aside[device.name] = why
            continue
        is_line, unsure = _judged(old, device, signs)
        (lines if is_line else areas).append((device, signs, unsure))
    unsaid = [_tunnel(old.devices[name]) for name in aside if old.devices[name].kind in TUNNELS]
    names = Names([*named.lines, *named.areas])
    told_lines = found_lines(old.default, lines, named, names, unsaid)
    told_areas = found_areas(held, areas, named, names, unsaid)
    if len(told_lines) > MAX_LINES:
        unsaid += [
            Unsaid(f"{line.name} ({line.device}) is one line more than a charter can have",
                   span=line.span)
            for line in told_lines[MAX_LINES:]
        ]  # fmt: skip
    equipment = Equipment(told_areas, held, names)
    devices = known_devices(equipment)
    hosts = equipment.hosts(devices)
    return Recognised(
        lines=told_lines[:MAX_LINES],
        areas=tuple(replace(area, hosts=hosts[area.name]) for area in told_areas),
        devices=devices,
        aside=aside,
        domains=held.domains,
        unsaid=(
            *unsaid,
            *_routers_unsaid(equipment),
            *equipment.unsaid,
            *_ways_unsaid(old),
        ),
        seen=equipment.seen(),
    )


def _check_named(old: Old) -> None:
    for option, pairs in (("--line", old.named.lines), ("--area", old.named.areas)):
        for name, device in pairs.items():
            if device not in old.devices:
                raise unusable(
                    "no-such-network-device",
                    f"the old gateway has no network device `{device}`",
                    option,
                    f"{name}={device}",
                    f"it has {listed(old.devices)}" if old.devices else None,
                )


# What speaks for what


def _signs(old: Old, device: NetDevice) -> Iterator[Sign]:
    yield from _signs_of_routes(old, device)
    yield from _signs_of_addresses(device)
    yield from _signs_of_translation(old, device)
    yield from _signs_of_leases(old, device)


def _signs_of_routes(old: Old, device: NetDevice) -> Iterator[Sign]:
    ways = old.default.get(device.name, ())
    if ways:
        families = sorted({f"IPv{way.network.version}" for way in ways})
        yield Sign(5, f"the default route of {listed(families)} leaves by it")
    elif any(way.device == device.name and way.network.prefixlen == 0 for way in old.host.ways):
        yield Sign(3, "a default route of another table leaves by it")


def _signs_of_addresses(device: NetDevice) -> Iterator[Sign]:
    private = [one for one in device.addresses if any(_inside(one, block) for block in PRIVATE)]
    for one in device.addresses:
        if one in private:
            yield Sign(-1, f"{one} is private")
        elif one.version == 6 and private:
            continue  # an area has public addresses in IPv6, too
        elif _inside(one, CARRIER):
            yield Sign(2, f"{one} is shared by a provider's customers (RFC 6598)")
        else:
            yield Sign(2, f"{one} is a public address")
    if device.learnt:
        yield Sign(2, "its address was learnt, so somebody else hands it out")
    if device.kind == "ppp":
        yield Sign(3, "it is a dialled connection")


def _inside(one: Interface, block: IPv4Network | IPv6Network) -> bool:
    return one.version == block.version and one.ip in block


def _signs_of_translation(old: Old, device: NetDevice) -> Iterator[Sign]:
    if any(device.name in one.exits for one in old.facts.hiding):
        yield Sign(3, "what leaves by it is hidden behind its address")
    if any(device.name in one.entrances for one in old.facts.delivering):
        yield Sign(2, "what comes in by it is delivered to hosts inside")
    if any(_meets(one.sources, old.networks(device)) for one in old.facts.hiding):
        yield Sign(-2, "its addresses are hidden when they leave")
    if any(old.within(device, one.to) for one in old.facts.delivering):
        yield Sign(-2, "what is offered to the internet is delivered to it")


def _meets(some: Iterable[Network], others: Sequence[Network]) -> bool:
    return any(a.version == b.version and (a[0] in b or b[0] in a) for a in some for b in others)


def _signs_of_leases(old: Old, device: NetDevice) -> Iterator[Sign]:
    leases, fixed = old.leases.get(device.name, 0), old.fixed.get(device.name, 0)
    pools = [
        pool
        for pool in old.held.pools
        if pool.device == device.name or _meets([pool.network] if pool.network else [],
                                                old.networks(device))
        or old.within(device, pool.first)
    ]  # fmt: skip
    if leases:
        yield Sign(-4, f"{leases} leases lie in it" if leases > 1 else "a lease lies in it")
    if fixed:
        yield Sign(-3, f"{fixed} fixed addresses lie in it" if fixed > 1
                   else "a fixed address lies in it")  # fmt: skip
    if pools:
        yield Sign(-3, "addresses are lent out on it")
    if device.name in old.held.devices:
        yield Sign(-3, "the DHCP server listens on it")
    if any(old.within(device, address) for address in old.held.addresses):
        yield Sign(-2, "the DHCP server answers at its address")


def _judged(old: Old, device: NetDevice, signs: Sequence[Sign]) -> tuple[bool, bool]:
    """Is it a line (else an area), and is that unsure?"""
    if pick(old.named.lines, device.name):
        return True, False
    if pick(old.named.areas, device.name):
        return False, False
    line = sum(sign.weight for sign in signs if sign.weight > 0)
    area = -sum(sign.weight for sign in signs if sign.weight < 0)
    doubtful = abs(line - area) < LEAST or min(line, area) >= CONTRADICTED
    return line > area, doubtful


def _neither(old: Old, device: NetDevice, signs: Sequence[Sign], carries: bool) -> str:
    """Why a device is left aside; empty where it is a line or an area."""
    if pick(old.named.lines, device.name) or pick(old.named.areas, device.name):
        return ""
    if device.within:
        return f"a part of {device.within}"
    if device.kind in TUNNELS and device.name not in old.default:
        return "a tunnel"
    if device.addresses or signs:
        return ""
    if carries:
        return "it only carries VLANs"
    return "it has no address" if old.host.devices else ""


def _tunnel(device: NetDevice) -> Unsaid:
    where = f" ({listed(str(one) for one in device.addresses)})" if device.addresses else ""
    return Unsaid(
        f"{device.name}{where} is a tunnel; a charter has no tunnels",
        "keep it on a machine of its own in an area, or find out who still uses it",
        device.span,
    )


def _routers_unsaid(equipment: Equipment) -> Iterator[Unsaid]:
    """Hosts that are told another router than this gateway."""
    for pool in equipment.held.pools:
        area = equipment.area_of(pool.routers[0]) if pool.routers else None
        if area is not None and not set(pool.routers) & set(area.gateway):
            yield Unsaid(
                f"hosts of {area.name} are told the router {listed(map(str, pool.routers))},"
                " which is not this gateway",
                "find out which machine that is: what they do may not pass by here at all",
                pool.span,
            )


def _ways_unsaid(old: Old) -> Iterator[Unsaid]:
    """Routes that a charter can't say: inside ones by another router, and those of other tables."""
    for way in old.host.ways:
        if way.table not in ("main", "254") and way.table not in ("local", "255"):
            yield Unsaid(f"the route to {way.network} by {way.device} stands in table {way.table}",
                         "routes follow from lines and areas alone", way.span)  # fmt: skip
        elif way.network.prefixlen and way.next_hop is not None:
            yield Unsaid(
                f"{way.network} is reached by {way.next_hop} on {way.device}, another router",
                "make it an area of this gateway, or ask whether it is still there",
                way.span,
            )
