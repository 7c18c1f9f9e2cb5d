"""Recognised network devices as the lines and areas of a charter, and what of them can't be said."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from ipaddress import IPv6Network
from typing import Protocol

from netcharter.charter.model import Address, Interface, Network
from netcharter.charter.values import MOST_INTERFACE, Wrong, area_prefix, interface, interface_of
from netcharter.tasks.inheriting.naming import Names, listed, pick
from netcharter.tasks.inheriting.shapes import (
    FoundArea,
    FoundLine,
    Held,
    Named,
    NetDevice,
    OldRoute,
    Role,
    Unsaid,
)

LOCAL6 = IPv6Network("fc00::/7")
UNSEEN = 2**32 - 1  # as the metric of a line without default route: behind all others


class Words(Protocol):
    """What speaks for a line or an area, in words."""

    @property
    def weight(self) -> int: ...

    @property
    def words(self) -> str: ...


Judged = tuple[NetDevice, Sequence[Words], bool]


def _reasons(signs: Sequence[Words], line: bool, said: str) -> tuple[str, ...]:
    """What speaks for it first, then `but` what speaks against it."""
    mine = [sign.words for sign in signs if (sign.weight > 0) == line]
    against = [f"but {sign.words}" for sign in signs if (sign.weight > 0) != line]
    yours = ("you say so",) if said else ()
    return (*yours, *mine, *against) or ("nothing speaks for either",)


def _hangs_on(device: NetDevice) -> tuple[str, int | None]:
    """The device a charter names, and the VLAN."""
    if device.parent and device.vlan:
        return device.parent, device.vlan
    parent, dot, number = device.name.rpartition(".")
    if dot and number.isascii() and number.isdigit() and 1 <= int(number[:9]) <= 4094:
        return parent, int(number)
    return device.name, None


def has_name(parent: str, vlan: int | None) -> bool:
    """Whether a charter can name a network device."""
    try:
        interface(parent)
    except Wrong:
        return False
    return len(interface_of(parent, vlan)) <= MOST_INTERFACE


def _told_device(device: NetDevice, called: str, unsaid: list[Unsaid]) -> None:
    """What has to be said of the network device itself."""
    parent, vlan = _hangs_on(device)
    name = interface_of(parent, vlan)
    if not has_name(parent, vlan):
        unsaid.append(
            Unsaid(f"{called} hangs on {device.name}, which a charter can't name",
                   "give the network device another name on the gateway", device.span)
        )  # fmt: skip
        return
    if vlan and name != device.name:
        unsaid.append(
            Unsaid(f"{device.name} will be called {name}",
                   "change whatever else names it: the DHCP server, scripts", device.span)
        )  # fmt: skip
    if device.kind in ("bridge", "bond", "team"):
        unsaid.append(
            Unsaid(f"{device.name} ({called}) is a {device.kind}; a charter takes it as it is",
                   "keep whatever makes it", device.span)
        )  # fmt: skip


# Lines


def found_lines(
    default: Mapping[str, Sequence[OldRoute]],
    judged: Sequence[Judged],
    named: Named,
    names: Names,
    unsaid: list[Unsaid],
) -> tuple[FoundLine, ...]:
    """The lines in the order of their use; the one with the best default route is the main one."""

    def order(one: Judged) -> int:
        metrics = [way.metric for way in default.get(one[0].name, ())]
        return min(metrics, default=UNSEEN)

    out = []
    for number, (device, signs, unsure) in enumerate(sorted(judged, key=order)):
        said = pick(named.lines, device.name)
        name = said or names.take(f"line-{device.name}", "line")
        ways = default.get(device.name, ())
        shared = next((way for way in ways if way.shared), None)
        addresses, hops = _static(device, ways, name, unsaid)
        parent, vlan = _hangs_on(device)
        _told_device(device, name, unsaid)
        role: Role = "balanced" if shared else "standby" if number else "main"
        out.append(
            FoundLine(name, device.name, parent, vlan, addresses, hops, role,
                      shared.weight if shared else 1, _reasons(signs, True, said), unsure,
                      device.span)
        )  # fmt: skip
    return tuple(out)


def _static(
    device: NetDevice, ways: Sequence[OldRoute], name: str, unsaid: list[Unsaid]
) -> tuple[tuple[Interface, ...], tuple[Address, ...]]:
    """The written-out addresses of a line with their next hops; nothing where they are learnt."""
    static = [one for one in device.addresses if not device.learnt or one.version == 6]
    if device.learnt or not static:
        for one in static:
            unsaid.append(
                Unsaid(f"{name} has {one} beside an address that is learnt", "a line is"
                       " address: automatic, or has its addresses written out", device.span)
            )  # fmt: skip
        return (), ()
    kept: dict[int, Interface] = {}
    for one in static:
        if kept.setdefault(one.version, one) is not one:
            unsaid.append(
                Unsaid(f"{one} is another address of {name}; a line has one of each family",
                       "find out what uses it: something offered to the internet?", device.span)
            )  # fmt: skip
    hops: dict[int, Address] = {}
    for way in ways:
        hop, own = way.next_hop, kept.get(way.network.version)
        if hop is None or own is None or hop.version in hops:
            continue
        if (hop in own.network and hop != own.ip) or (hop.version == 6 and hop.is_link_local):
            hops[hop.version] = hop
        else:
            unsaid.append(
                Unsaid(f"the next hop {hop} of {name} is in no network of that line",
                       "ask the provider for the address with its length", way.span)
            )  # fmt: skip
    return tuple(kept.values()), tuple(hops.values())


# Areas


def found_areas(
    held: Held, judged: Sequence[Judged], named: Named, names: Names, unsaid: list[Unsaid]
) -> tuple[FoundArea, ...]:
    """The areas with their prefixes; how many hosts they have is not counted here."""
    out: list[FoundArea] = []
    for device, signs, unsure in judged:
        parent, vlan = _hangs_on(device)
        said = pick(named.areas, device.name)
        called = said or names.take(_called(held, device), f"area-{device.name}")
        _told_device(device, called, unsaid)
        taken = [prefix for area in out for prefix in area.prefixes]
        prefixes = tuple(_prefixes(held, device, called, taken, unsaid))
        gateway = tuple(one.ip for one in device.addresses)
        unsaid += _gateways(called, device, prefixes)
        out.append(
            FoundArea(called, device.name, parent, vlan, prefixes, gateway, 0,
                      _reasons(signs, False, said), unsure, device.span)
        )  # fmt: skip
    return tuple(out)


def _called(held: Held, device: NetDevice) -> str:
    """What the DHCP server or a table of equipment calls it, else the VLAN or the device."""
    networks = [one.network for one in device.addresses]
    for pool in held.pools:
        near = pool.device == device.name or pool.network in networks
        if pool.tag and (near or any(pool.first in n for n in networks if pool.first)):
            return pool.tag
    words = Counter(
        one.area
        for one in held.reservations
        if not one.area.isdigit()
        and one.area
        and any(a in n for a in one.addresses for n in networks)
    )
    if words:
        return words.most_common(1)[0][0]
    _, vlan = _hangs_on(device)
    return f"vlan-{vlan}" if vlan else f"area-{device.name}"


def _prefixes(
    held: Held, device: NetDevice, name: str, taken: Sequence[Network], unsaid: list[Unsaid]
) -> Iterator[Network]:
    """One prefix of each family that an area can have."""
    networks = [one.network for one in device.addresses]
    if not networks:
        lent = [pool.network for pool in held.pools if pool.device == device.name and pool.network]
        yield from dict.fromkeys(n for n in lent if n.version == 4 and _fits(n) and n not in taken)
        return
    versions: set[int] = set()
    for network in networks:
        if network.version in versions:
            why = f"{network} is another prefix of {name}; an area has one of each family"
        elif _provided(network):
            why = f"{network} of {name} is a part of what a provider gives"
        elif not _fits(network):
            why = f"{network} can't be the prefix of an area"
        elif any(network.version == t.version and network.overlaps(t) for t in taken):
            why = f"{network} of {name} overlaps another area"
        else:
            versions.add(network.version)
            yield network
            continue
        instead = "write the provider's prefix at the line; areas get theirs from it"
        other = "hosts there need other addresses, or an area of their own"
        unsaid.append(Unsaid(why, instead if _provided(network) else other, device.span))


def _provided(network: Network) -> bool:
    """Is it an IPv6 prefix that is not the site's own (RFC 4193)?"""
    return isinstance(network, IPv6Network) and not network.subnet_of(LOCAL6)


def _fits(network: Network) -> bool:
    try:
        area_prefix(str(network))
    except Wrong:
        return False
    return True


def _gateways(name: str, device: NetDevice, prefixes: Sequence[Network]) -> Iterator[Unsaid]:
    """The plan gives the gateway the first usable address; the old one may have had another."""
    for prefix in prefixes:
        first = prefix[1]
        own = [one.ip for one in device.addresses if one.network == prefix]
        if own and first not in own:
            yield Unsaid(
                f"in {name} the old gateway is {listed(map(str, own))}; the new one is {first},"
                " the first usable address",
                f"hosts with DHCP learn it; change the router in all others, and see that nobody"
                f" has {first} already",
                device.span,
            )
