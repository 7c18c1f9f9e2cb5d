"""The address plan: which prefix every area has, and which addresses gateway and devices have.

What is promised about IPv4:

* a given prefix is kept, and so is an earlier assignment (`previous`): with either, nobody is
  ever renumbered, wherever in the charter an area is added. A kit's manifest tells what its areas
  have, and `render` over an earlier kit, or `--keep`, hands it back as `previous`. An area that outgrows its earlier prefix doubles in place where its neighbour
  block is free, and otherwise keeps it and is reported;
* without them, areas are placed in the order of the charter, and an area never looks at those
  after it: adding one at the end renumbers nobody, unless its given prefix takes an address range
  that had been chosen for another;
* each area is placed with its twin (the block of the same size beside it) kept free as long as
  possible, so that its prefix can be doubled where it stands;
* each block is cut from the smallest free block that holds it, which leaves the largest free
  block as large as any arrangement could.

Areas have numbers from 1, first those of `previous` in its order (it is therefore kept in the
order of the numbers, with areas that are gone still in it), then the others in the charter's
order. An area that is gone keeps its number for good, and its prefix until another area needs it. The number is the area's /64 within the local prefix and within each line's prefix.

Lasting addresses of devices count down from the top of the area in the order of the charter, so
a device added at the end renumbers none. They move when the area's prefix doubles; an address
that is written out does not.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from ipaddress import (
    IPv4Address,
    IPv4Interface,
    IPv4Network,
    IPv6Address,
    IPv6Interface,
    IPv6Network,
)
from itertools import combinations, permutations

from netcharter.charter.lines import PPPOE, dialled
from netcharter.charter.model import Address, Area, Charter, Device, Line, Network
from netcharter.charter.values import interface_of
from netcharter.diagnostics import Diagnostic, Span
from netcharter.plan import coding, delegated
from netcharter.plan.packing import given4, pack, prefix_for, wanted_prefix
from netcharter.plan.shapes import AreaPlan, DevicePlan, LinePlan, Subnet6
from netcharter.space.ranges import (
    Ranges,
    disjoint,
    has,
    intersect,
    ranges,
    size,
    subset,
    subtract,
    union,
)

__all__ = [
    "Addressing",
    "collision_probability",
    "eui64",
    "link_local",
    "prefix_for",
    "resolve",
    "ula",
]

LINK_LOCAL6 = IPv6Network("fe80::/10")
_RESERVED = int(IPv4Address("240.0.0.0"))  # where areas stand that found no room


@dataclass(frozen=True, slots=True)
class Addressing:
    """Who has which address. With an error among `diagnostics` the rest is a best effort."""

    local_prefix: IPv6Network
    areas: tuple[AreaPlan, ...]
    lines: tuple[LinePlan, ...]
    devices: tuple[DevicePlan, ...]
    gateway: Ranges
    diagnostics: tuple[Diagnostic, ...]
    numbered: Mapping[str, IPv4Network | None]  # `previous` for the next plan


def resolve(
    charter: Charter,
    previous: Mapping[str, IPv4Network | None] = {},
    learnt: Mapping[str, IPv6Network] = {},
    stand_ins: bool = True,
) -> Addressing:
    """The addresses of a site; `previous` are earlier area prefixes, in the order of numbers.

    A prefix of None is that of an area that was gone while another one took it. learnt, stand_ins:
    as for `make_plan`.
    """
    local_prefix = charter.site.local_prefix or _derived_prefix(charter.site.name)
    found: list[Diagnostic] = []
    given = delegated.prefixes(charter, learnt, stand_ins)
    lines = tuple(
        _line(charter, line, n, given.get(line.name), line.delegated and line.name not in learnt)
        for n, line in enumerate(charter.lines.values(), 1)
    )
    networks = _networks(charter, previous, found)
    numbers = {name: n for n, name in enumerate(dict.fromkeys([*previous, *charter.areas]), 1)}
    subnets = {
        area.name: tuple(_subnets(area, numbers[area.name], local_prefix, lines))
        for area in charter.areas.values()
    }
    gateway = _gateway(lines, networks, subnets)
    areas = tuple(
        _area(charter, area, numbers[area.name], networks[area.name], subnets[area.name], gateway)
        for area in charter.areas.values()
    )
    devices = _devices(charter, {a.name: a for a in areas}, gateway, found)
    found.extend(delegated.check(charter, lines, areas, local_prefix))
    found.extend(_check_lines(charter, lines, local_prefix, areas))
    found.extend(_check_areas(charter, areas, lines, local_prefix))
    found.extend(_check_addresses(charter, {a.name: a for a in areas}, gateway))
    found.extend(_check_hardware(charter))
    numbered = {
        name: networks[name] if name in networks else _left(previous[name], networks.values())
        for name in numbers
    }
    return Addressing(local_prefix, areas, lines, devices, gateway, tuple(found), numbered)


def _left(prefix: IPv4Network | None, taken: Iterable[IPv4Network]) -> IPv4Network | None:
    """What is left of the prefix of an area that is gone: all of it or nothing."""
    free = prefix is not None and not any(prefix.overlaps(network) for network in taken)
    return prefix if free else None


# Numbers of the standards


def eui64(hardware: int) -> int:
    """The modified EUI-64 of a 48-bit hardware address (RFC 4291 appendix A).

    FF-FE goes into the middle and the universal/local bit is complemented.
    """
    high, low = hardware >> 24, hardware & 0xFFFFFF
    return (high << 40 | 0xFFFE << 24 | low) ^ (0x02 << 56)


def link_local(hardware: int) -> IPv6Address:
    """The link-local address formed from a 48-bit hardware address (RFC 2464 section 5)."""
    return IPv6Address(0xFE80 << 112 | eui64(hardware))


def ula(ntp_time: int, eui64: int) -> IPv6Network:
    """The local /48 of a 64-bit NTP time and an EUI-64, by RFC 4193 section 3.2.2."""
    digest = hashlib.sha1(
        ntp_time.to_bytes(8, "big") + eui64.to_bytes(8, "big"), usedforsecurity=False
    ).digest()
    global_id = int.from_bytes(digest[-5:], "big")
    return IPv6Network(((0xFD << 40 | global_id) << 80, 48))


def collision_probability(n: int) -> float:
    """How likely two of `n` connected sites have the same local prefix (RFC 4193 3.2.3)."""
    return -math.expm1(-(n**2) / 2**41)


def _derived_prefix(site: str) -> IPv6Network:
    """A local prefix for a charter that gives none.

    RFC 4193 wants it pseudo-random, and `netcharter new` writes such a one into the charter. A
    plan has to be the same each time, so here the site's name stands in for time and hardware.
    """
    digest = hashlib.sha256(site.encode()).digest()
    return ula(int.from_bytes(digest[:8], "big"), int.from_bytes(digest[8:16], "big"))


# Lines, areas and the gateway


def _networks(
    charter: Charter, previous: Mapping[str, IPv4Network | None], found: list[Diagnostic]
) -> dict[str, IPv4Network]:
    out: dict[str, IPv4Network] = {}
    for name, network in pack(charter, previous).items():
        area = charter.areas[name]
        if network is None:
            found.append(_exhausted(charter, area))
            network = IPv4Network((_RESERVED + (len(out) << 8), 24))
        elif given4(area) or previous.get(name) is not None:
            found.extend(_check_size(charter, area, network))
        out[name] = network
    return out


def _line(
    charter: Charter, line: Line, number: int, asked: IPv6Network | None, unknown: bool
) -> LinePlan:
    """asked: the prefix it has where that is delegated; unknown: that one stands in for it, if any."""
    four = [i for i in line.addresses if isinstance(i, IPv4Interface)]
    v6 = next((i for i in line.addresses if isinstance(i, IPv6Interface)), None)
    own = coding.addresses(i.ip for i in line.addresses)
    if line.automatic and number <= coding.MAX_LINES:
        missing = [f for f, i in ((4, four), (6, v6)) if not i]
        own = union(own, ranges(*((s, s) for f in missing for s in [coding.unknown(number, f)])))
    return LinePlan(
        name=line.name,
        number=number,
        device=dialled(number) if line.pppoe else interface_of(line.device, line.vlan),
        parent=line.device,
        vlan=line.vlan,
        rate=line.rate,
        v4=four[0] if four else None,
        v6=v6,
        automatic=line.automatic,
        next_hop4=next((h for h in line.next_hops if h.version == 4), None),
        next_hop6=next((h for h in line.next_hops if h.version == 6), None),
        role=line.role,
        weight=line.weight,
        prefix=asked or line.prefix,
        own=own,
        span=charter.where("lines", line.name),
        watch=line.watch,
        mtu=line.mtu or (PPPOE if line.pppoe else None),
        more4=tuple(four[1:]),
        pppoe=line.pppoe,
        translator=line.translator,
        delegated=line.delegated,
        stands_in=unknown and asked is not None,
    )


def _subnets(
    area: Area, number: int, local_prefix: IPv6Network, lines: tuple[LinePlan, ...]
) -> Iterator[Subnet6]:
    local = _given6(area) or _nth64(local_prefix, number)
    if local is not None:
        yield Subnet6(local, _identifier(local, 1), None)
    for line in lines:
        network = _nth64(line.prefix, number) if line.prefix else None
        if network is not None:
            yield Subnet6(network, _identifier(network, 1), line.name)


def _given6(area: Area) -> IPv6Network | None:
    return next((p for p in area.prefixes if isinstance(p, IPv6Network)), None)


def _nth64(prefix: IPv6Network, number: int) -> IPv6Network | None:
    if number >= 1 << max(0, 64 - prefix.prefixlen):
        return None
    return IPv6Network((int(prefix[0]) + (number << 64), 64))


def _identifier(network: IPv6Network, number: int) -> IPv6Address:
    return IPv6Address(int(network[0]) + number)


def _gateway4(network: IPv4Network) -> IPv4Address:
    return network[0] if network.prefixlen >= 31 else network[1]


def _ends(network: IPv4Network) -> Ranges:
    """The network and the broadcast address; a /31 has neither (RFC 3021 section 2.1)."""
    return () if network.prefixlen >= 31 else coding.addresses((network[0], network[-1]))


def _gateway(
    lines: Iterable[LinePlan],
    networks: Mapping[str, IPv4Network],
    subnets: Mapping[str, tuple[Subnet6, ...]],
) -> Ranges:
    inside4 = coding.addresses(map(_gateway4, networks.values()))
    anycast = (s.network[0] for per_area in subnets.values() for s in per_area)
    inside6 = (s.gateway for per_area in subnets.values() for s in per_area)
    own = (line.own for line in lines)
    everyone = coding.addresses((*anycast, *inside6))
    return union(inside4, everyone, coding.network(LINK_LOCAL6), *own)


def _area(
    charter: Charter,
    area: Area,
    number: int,
    v4: IPv4Network,
    subnets6: tuple[Subnet6, ...],
    gateway: Ranges,
) -> AreaPlan:
    whole = coding.network(v4, *(s.network for s in subnets6))
    return AreaPlan(
        name=area.name,
        number=number,
        device=interface_of(area.device, area.vlan),
        parent=area.device,
        vlan=area.vlan,
        v4=v4,
        gateway4=_gateway4(v4),
        subnets6=subnets6,
        whole=whole,
        hosts=subtract(whole, union(gateway, _ends(v4))),
        sign_in=area.sign_in,
        strangers_refused=area.strangers_refused,
        apart=area.apart,
        quiet=area.quiet,
        span=charter.where("areas", area.name),
    )


# Devices


def _devices(
    charter: Charter, areas: Mapping[str, AreaPlan], gateway: Ranges, found: list[Diagnostic]
) -> tuple[DevicePlan, ...]:
    """Lasting addresses go down from the top of the area, in the order of the charter."""
    taken = coding.addresses(a for d in charter.devices.values() for a in d.addresses)
    free = {name: _takers(area, taken) for name, area in areas.items()}
    out: list[DevicePlan] = []
    for device in charter.devices.values():
        area = areas.get(device.area)
        addresses: tuple[Address, ...] = device.addresses
        if not addresses and device.lasting and area is not None:
            chosen = tuple(a for _, a in zip(device.hardware, free[area.name], strict=False))
            if len(chosen) < len(device.hardware):
                found.append(_no_room(charter, device, area))
            addresses = (*chosen, *_addresses6(area, chosen, gateway))
        out.append(
            DevicePlan(
                name=device.name,
                area=device.area,
                hardware=device.hardware,
                addresses4=tuple(a for a in addresses if a.version == 4),
                addresses6=tuple(a for a in addresses if a.version == 6),
                lasting=bool(addresses),
                barred=device.barred,
                roams=device.roams,
                exempt=device.exempt,
                span=charter.where("devices", device.name),
            )
        )
    return tuple(out)


def _takers(area: AreaPlan, taken: Ranges) -> Iterator[IPv4Address]:
    """The free IPv4 addresses of an area, from the top, whose IPv6 likes are free as well."""
    first = int(area.v4[0])
    hosts4 = intersect(area.hosts, coding.ANY4)
    for low, high in reversed(subtract(hosts4, taken)):
        for number in range(high, low - 1, -1):
            likes = (coding.V6 + int(s.network[0]) + number - first for s in area.subnets6)
            if not any(has(taken, like) for like in likes):
                yield IPv4Address(number)


def _addresses6(
    area: AreaPlan, chosen: tuple[IPv4Address, ...], gateway: Ranges
) -> Iterator[IPv6Address]:
    """The host number of the first IPv4 address in each /64, unless it is the gateway's there.

    It can be the gateway's only in a /31, whose one host has the number 1.
    """
    for subnet in area.subnets6 if chosen else ():
        address = _identifier(subnet.network, int(chosen[0]) - int(area.v4[0]))
        if not has(gateway, coding.address(address)):
            yield address


# What is wrong or doubtful


def _error(id: str, message: str, span: Span, help: str, *related: tuple[Span, str]) -> Diagnostic:
    return Diagnostic(id, "error", message, span, help=help, related=related)


def _exhausted(charter: Charter, area: Area) -> Diagnostic:
    return _error(
        "pool-exhausted",
        f"no private IPv4 block is left that holds the {area.hosts} hosts of {area.name}",
        charter.where("areas", area.name, "hosts"),
        "expect fewer hosts, or give areas prefixes that leave room",
    )


def _no_room(charter: Charter, device: Device, area: AreaPlan) -> Diagnostic:
    return _error(
        "area-too-small",
        f"{area.name} ({area.v4}) has no address left for {device.name}",
        charter.where("devices", device.name),
        f"expect more hosts in {area.name}, or give it a larger prefix",
        (area.span, "the area"),
    )


def _check_size(charter: Charter, area: Area, network: IPv4Network) -> Iterator[Diagnostic]:
    if area.hosts is None:
        return
    room = network.num_addresses - 1 - size(_ends(network))
    try:
        wanted = wanted_prefix(area)
        if network.prefixlen <= wanted or room >= area.hosts * (1 + Fraction(str(area.growth))):
            return
        instead = f"/{wanted}"
    except ValueError:
        instead = "a larger one"
    given = given4(area) is not None
    key = "prefix" if given else "hosts"
    grows = f" and {area.growth:.0%} growth" if area.growth else ""
    origin = "" if given else ", its prefix so far, which cannot grow where it stands,"
    yield Diagnostic(
        "area-too-small",
        "error" if room < area.hosts else "warning",
        f"{network}{origin} has room for {room} hosts, and {area.name} is to hold "
        f"{area.hosts} hosts{grows}",
        charter.where("areas", area.name, key),
        help=f"give {area.name} a prefix of {instead}, or expect fewer hosts",
    )


def _check_lines(
    charter: Charter,
    lines: tuple[LinePlan, ...],
    local_prefix: IPv6Network,
    areas: tuple[AreaPlan, ...],
) -> Iterator[Diagnostic]:
    for line in lines[coding.MAX_LINES :]:
        yield _error(
            "too-many-lines",
            f"{line.name} is line number {line.number}; a site has at most {coding.MAX_LINES}",
            line.span,
            "remove a line",
        )
    written = tuple(line for line in lines if not line.delegated)  # of others: `delegated.check`
    for a, b in combinations(written, 2):
        if a.prefix and b.prefix and a.prefix.overlaps(b.prefix):
            yield _error(
                "line-overlap",
                f"the prefixes of {a.name} ({a.prefix}) and {b.name} ({b.prefix}) overlap",
                charter.where("lines", b.name, "prefix"),
                "write at each line the prefix that its provider delegates to the site",
                (charter.where("lines", a.name, "prefix"), f"the prefix of {a.name}"),
            )
    yield from _check_networks(charter, lines)
    yield from _check_translators(charter, written, local_prefix, areas)
    for line, area in ((line, area) for line in lines for area in areas):
        for network in (i.network for i in line.held):
            if not disjoint(coding.network(network), area.whole):
                yield _line_overlap(charter, line, network, area)
    for line in written:
        if line.prefix and line.prefix.overlaps(local_prefix):
            yield _error(
                "line-overlap",
                f"the prefix of {line.name} ({line.prefix}) overlaps the site's local prefix "
                f"({local_prefix})",
                charter.where("lines", line.name, "prefix"),
                "write the global prefix that the provider delegates, or another local-prefix",
            )


def _check_translators(
    charter: Charter,
    lines: tuple[LinePlan, ...],
    local_prefix: IPv6Network,
    areas: tuple[AreaPlan, ...],
) -> Iterator[Diagnostic]:
    """What leads to IPv4 addresses is nobody's own, and on no line."""
    known: list[tuple[IPv6Network, str]] = [(local_prefix, "the site's local prefix")]
    known += [(line.prefix, f"the prefix of {line.name}") for line in lines if line.prefix]
    known += [(line.v6.network, f"the network of {line.name}") for line in lines if line.v6]
    known += [(one.network, f"a prefix of {area.name}") for area in areas for one in area.subnets6]
    for line in charter.lines.values():
        what = line.translator
        met = next((one for one in known if what is not None and one[0].overlaps(what)), None)
        if met is not None:
            yield _error(
                "line-overlap",
                f"the translator of {line.name} ({what}) overlaps {met[1]} ({met[0]})",
                charter.where("lines", line.name, "translator"),
                "write the prefix that the provider's translator has, which is nobody's own",
            )


def _check_networks(charter: Charter, lines: tuple[LinePlan, ...]) -> Iterator[Diagnostic]:
    """A neighbour can be met by one line only, and what is delegated over one is not on another."""
    for a, b in permutations(lines, 2):
        for network in dict.fromkeys(i.network for i in b.held):
            beside = [i.network for i in a.held if a.number < b.number]
            others: list[tuple[Network, str, str]] = [(n, "network", "address") for n in beside]
            others += [(a.prefix, "prefix", "prefix")] if a.prefix and not a.delegated else []
            for other, what, key in others:
                if not disjoint(coding.network(other), coding.network(network)):
                    yield _error(
                        "line-overlap",
                        f"the network of {b.name} ({network}) overlaps the {what} of {a.name} "
                        f"({other})",
                        charter.where("lines", b.name, "address"),
                        "compare both with what the providers wrote; of two lines into one "
                        "network only one can be used",
                        (charter.where("lines", a.name, key), f"the {what} of {a.name}"),
                    )


def _line_overlap(charter: Charter, line: LinePlan, network: Network, area: AreaPlan) -> Diagnostic:
    return _error(
        "line-overlap",
        f"{area.name} overlaps {network}, the network of the line {line.name}",
        charter.where("areas", area.name, "prefix"),
        f"give {area.name} a prefix outside {network}",
        (charter.where("lines", line.name, "address"), f"the address of {line.name}"),
    )


def _check_areas(
    charter: Charter,
    areas: tuple[AreaPlan, ...],
    lines: tuple[LinePlan, ...],
    local_prefix: IPv6Network,
) -> Iterator[Diagnostic]:
    for a, b in combinations(areas, 2):
        shared = intersect(a.whole, b.whole)
        if shared:
            first, last = coding.decode(shared[0][0]), coding.decode(shared[0][1])
            yield _error(
                "area-overlap",
                f"{a.name} and {b.name} share addresses: {first} to {last}",
                charter.where("areas", b.name, "prefix"),
                f"give {b.name} a prefix of its own, or only `hosts` and let one be chosen",
                (charter.where("areas", a.name, "prefix"), f"the prefix of {a.name}"),
            )
    for area in charter.areas.values():
        given = _given6(area)
        if given is not None and given.prefixlen != 64:
            yield _error(
                "prefix-not-64",
                f"{given} is a /{given.prefixlen}; an area has a /64 in IPv6",
                charter.where("areas", area.name, "prefix"),
                f"write {IPv6Network((int(given[0]) >> 64 << 64, 64))}",
            )
    yield from _check_room6(charter, areas, lines, local_prefix)
    loose = coding.network(*(line.prefix for line in lines if line.prefix and line.delegated))
    site = union(
        coding.network(local_prefix, *(line.prefix for line in lines if line.prefix)),
        *(a.whole for a in areas),
    )
    site = subtract(site, loose)
    for place in charter.places.values():
        for index, prefix in enumerate(place.prefixes):
            yield from _check_place(charter, place.name, index, prefix, site)


def _check_room6(
    charter: Charter,
    areas: tuple[AreaPlan, ...],
    lines: tuple[LinePlan, ...],
    local_prefix: IPv6Network,
) -> Iterator[Diagnostic]:
    sources: list[tuple[IPv6Network, str | None, Span]] = [
        (local_prefix, None, charter.where("site", "local-prefix"))
    ]
    for line in lines:
        if line.prefix and not line.delegated:
            sources.append((line.prefix, line.name, charter.where("lines", line.name, "prefix")))
    for prefix, name, span in sources:
        without = [
            a.name
            for a in areas
            if _nth64(prefix, a.number) is None
            and not (name is None and _given6(charter.areas[a.name]))
        ]
        if without:
            room = (1 << max(0, 64 - prefix.prefixlen)) - 1
            most = max(a.number for a in areas)
            yield _error(
                "prefix-too-small",
                f"{prefix} has a /64 for {room} areas besides its first; none is left for "
                f"{', '.join(without)}",
                span,
                f"use a prefix of /{64 - most.bit_length()} or shorter",
            )


def _check_place(
    charter: Charter, name: str, index: int, prefix: Network, site: Ranges
) -> Iterator[Diagnostic]:
    shared = intersect(coding.network(prefix), site)
    if shared:
        inside = subset(coding.network(prefix), site)
        part = "is" if inside else f"takes in {coding.decode(shared[0][0])}, which is"
        yield Diagnostic(
            "place-overlaps-site",
            "warning",
            f"{prefix} {part} the site's own, and the place {name} leaves it out",
            charter.where("places", name, "prefixes", index),
            help="a place is on the internet: write the prefix without the site's addresses, or "
            "name the area instead",
        )


def _check_addresses(
    charter: Charter, areas: Mapping[str, AreaPlan], gateway: Ranges
) -> Iterator[Diagnostic]:
    seen: dict[Address, tuple[str, Span]] = {}
    for device in charter.devices.values():
        for index, address in enumerate(device.addresses):
            span = charter.where("devices", device.name, "address", index)
            area = areas.get(device.area)
            if area is not None and not has(area.hosts, coding.address(address)):
                yield _outside(charter, device, address, area, gateway, span)
            if address in seen:
                owner, place = seen[address]
                whose = "twice here" if owner == device.name else f"also the address of {owner}"
                yield _error(
                    "duplicate-address",
                    f"{address} is {whose}",
                    span,
                    "write another address, or `address: lasting` and let one be chosen",
                    (place, "written here first"),
                )
            seen.setdefault(address, (device.name, span))


def _outside(
    charter: Charter,
    device: Device,
    address: Address,
    area: AreaPlan,
    gateway: Ranges,
    span: Span,
) -> Diagnostic:
    if has(gateway, coding.address(address)):
        message = f"{address} is the gateway's own address"
    elif has(_ends(area.v4), coding.address(address)):
        which = "network" if address == area.v4[0] else "broadcast"
        message = f"{address} is the {which} address of {area.name}"
    else:
        message = f"{address} is not in {area.name} ({_prefixes(area, address.version)})"
    return _error(
        "address-outside-area",
        f"{message}, so {device.name} cannot have it",
        span,
        f"write an address of {area.name}, or `address: lasting` and let one be chosen",
        (charter.where("areas", area.name, "prefix"), "the area"),
    )


def _prefixes(area: AreaPlan, version: int) -> str:
    six = ", ".join(str(s.network) for s in area.subnets6)
    return str(area.v4) if version == 4 else six


def _check_hardware(charter: Charter) -> Iterator[Diagnostic]:
    seen: dict[int, tuple[str, Span]] = {}
    for device in charter.devices.values():
        for index, number in enumerate(device.hardware):
            span = charter.where("devices", device.name, "hardware", index)
            if number in seen:
                owner, place = seen[number]
                text = coding.hardware_text(number)
                whose = "stands here twice" if owner == device.name else f"is also that of {owner}"
                yield _error(
                    "duplicate-hardware",
                    f"the hardware address {text} {whose}",
                    span,
                    "each interface has one hardware address: read it off the equipment again",
                    (place, "written here first"),
                )
            seen.setdefault(number, (device.name, span))
