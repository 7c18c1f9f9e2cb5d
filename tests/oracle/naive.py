"""A deliberately naive second reading of docs/explanation/model.md.

It decides concrete attempts straight from a charter's YAML. It shares nothing with the package
it checks: no import of it, no sets, no ordering tricks; loops over rows, one question at a time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from ipaddress import IPv4Address, IPv4Network, IPv6Network, ip_address, ip_network

from tests.oracle.site import (
    GUEST,
    ICMP,
    ICMPV6,
    NOBODY,
    TCP,
    UDP,
    Address,
    Area,
    Device,
    Line,
    Network,
    Parts,
    Range,
    Sentence,
    Site,
    prepare,
)

__all__ = [
    "GUEST",
    "NOBODY",
    "Attempt",
    "Environment",
    "Fate",
    "Site",
    "exists",
    "fate",
    "prepare",
]

# Blocks that the IANA special-purpose address registries say are not globally reachable
# (RFC 6890 section 2.2 as updated by RFC 8190; rows by the RFC that made each). Where the
# registries say neither yes nor no (192.88.99.0/24 and 2002::/16), that is no promise either.
NOT_GLOBAL: list[Network] = [
    ip_network(text)
    for text in (
        "0.0.0.0/8",  # RFC 791
        "10.0.0.0/8",  # RFC 1918
        "100.64.0.0/10",  # RFC 6598
        "127.0.0.0/8",  # RFC 1122
        "169.254.0.0/16",  # RFC 3927
        "172.16.0.0/12",  # RFC 1918
        "192.0.0.0/24",  # RFC 6890
        "192.0.2.0/24",  # RFC 5737
        "192.88.99.0/24",  # RFC 7526
        "192.168.0.0/16",  # RFC 1918
        "198.18.0.0/15",  # RFC 2544
        "198.51.100.0/24",  # RFC 5737
        "203.0.113.0/24",  # RFC 5737
        "240.0.0.0/4",  # RFC 1112
        "255.255.255.255/32",  # RFC 919
        "::/128",  # RFC 4291
        "::1/128",  # RFC 4291
        "::ffff:0:0/96",  # RFC 4291
        "64:ff9b:1::/48",  # RFC 8215
        "100::/64",  # RFC 6666
        "100:0:0:1::/64",  # RFC 9780
        "2001::/23",  # RFC 2928
        "2001:db8::/32",  # RFC 3849
        "2002::/16",  # RFC 3056
        "3fff::/20",  # RFC 9637
        "5f00::/16",  # RFC 9602
        "fc00::/7",  # RFC 4193
        "fe80::/10",  # RFC 4291
    )
]
# More specific allocations inside the above that are globally reachable.
GLOBAL_AFTER_ALL: list[Network] = [
    ip_network(text)
    for text in (
        "192.0.0.9/32",  # RFC 7723
        "192.0.0.10/32",  # RFC 8155
        "2001:1::1/128",  # RFC 7723
        "2001:1::2/128",  # RFC 8155
        "2001:1::3/128",  # RFC 9665
        "2001:3::/32",  # RFC 7450
        "2001:4:112::/48",  # RFC 7535
        "2001:20::/28",  # RFC 7343
        "2001:30::/28",  # RFC 9374
    )
]
MULTICAST: list[Network] = [
    ip_network("224.0.0.0/4"),  # RFC 5771
    ip_network("255.255.255.255/32"),  # RFC 919, model.md section 4
    ip_network("ff00::/8"),  # RFC 4291
]
LINK_LOCAL = ip_network("fe80::/10")
# The only IPv6 block of which global unicast addresses are handed out (RFC 4291 section 2.4, IANA).
HANDED_OUT6: list[Network] = [ip_network("2000::/3")]
WELL_KNOWN = IPv6Network("64:ff9b::/96")  # of translators, RFC 6052 section 2.1
# What no router forwards (RFC 6890), whatever a charter says is real: model.md section 4.
NEVER_FORWARDED: list[Network] = [
    ip_network(text)
    for text in (
        "0.0.0.0/8",
        "127.0.0.0/8",
        "169.254.0.0/16",
        "240.0.0.0/4",
        "::/128",
        "::1/128",
        "::ffff:0:0/96",
        "fe80::/10",
    )
]
LOOPBACK4, LOOPBACK6 = ip_network("127.0.0.0/8"), ip_address("::1")
ALL_NODES = ip_network("ff02::/16")
MULTICAST_DNS = (ip_address("224.0.0.251"), ip_address("ff02::fb"))  # RFC 6762 section 3
DHCP_AGENTS = ip_address("ff02::1:2")  # RFC 8415 section 7.1
BROADCAST, UNSPECIFIED4 = ip_address("255.255.255.255"), ip_address("0.0.0.0")
UNSPECIFIED6 = ip_address("::")
DISCOVERY_TYPES = (130, 131, 132, 133, 135, 136, 141, 142, 143, 148, 149, 151, 152, 153)


@dataclass(frozen=True)
class Attempt:
    """number: a port, an ICMP type * 256 + code, or 0; hardware: None at lines and gateway."""

    entrance: str
    source: Address
    hardware: int | None
    destination: Address
    protocol: int
    number: int


@dataclass(frozen=True)
class Environment:
    """up: lines that are up; who: NOBODY, GUEST or a person; instant: aware, UTC; led: the places that
    are made of names of which one leads to the destination just now."""

    up: frozenset[str]
    who: str
    instant: datetime
    led: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Fate:
    """verdict: "let" or "refused"; manner: only if refused; delivered: address and port."""

    verdict: str
    manner: str | None
    delivered: tuple[Address, int] | None
    decider: str
    kind: str  # housekeeping, management, emergency, sign-in, offer, rule, default


# --- what an address is (section 4) ----------------------------------------------------------


def family(address: Address) -> int:
    return address[2] if isinstance(address, tuple) else address.version


def inside(address: Address, network: Network | None) -> bool:
    if network is None or isinstance(address, tuple):
        return False
    return address in network


def stands_for(site: Site, address: Address) -> IPv4Address | None:
    """The IPv4 address to which a translator leads from an IPv6 one (RFC 6052 section 2.2)."""
    for line in site.lines.values():
        if not isinstance(address, tuple) and inside(address, line.translator):
            return IPv4Address(int(address) % 2**32)
    return None


def all_meant(site: Site, address: Address) -> list[Address]:
    four = stands_for(site, address)
    return [address] if four is None else [address, four]


def in_area(area: Area, address: Address) -> bool:
    if inside(address, area.v4):
        return True
    for network in area.v6:
        if inside(address, network):
            return True
    return False


def first_usable(network: IPv4Network) -> IPv4Address:
    return network[0] if network.prefixlen >= 31 else network[1]


def faces_inside(site: Site, address: Address) -> bool:
    """The gateway, but none of its addresses on a line."""
    for line in site.lines.values():
        if isinstance(address, tuple) or any(address == i.ip for i in line.interfaces):
            return False
    return is_gateway(site, address)


def is_gateway(site: Site, address: Address) -> bool:
    if inside(address, LINK_LOCAL):
        return True
    for line in site.lines.values():
        if isinstance(address, tuple) and line.automatic and address[1] == line.name:
            return True
        for interface in line.interfaces:
            if address == interface.ip:
                return True
    for area in site.areas.values():
        if address == first_usable(area.v4):
            return True
        for network in area.v6:
            if address == network[0] or address == network[1]:
                return True
    return False


def is_edge(area: Area, address: Address) -> bool:
    """The IPv4 network or broadcast address of an area (a /31 has neither, RFC 3021)."""
    if area.v4.prefixlen >= 31:
        return False
    return address == area.v4.network_address or address == area.v4.broadcast_address


def is_host(site: Site, area: Area, address: Address) -> bool:
    return in_area(area, address) and not is_edge(area, address) and not is_gateway(site, address)


def is_host_anywhere(site: Site, address: Address) -> bool:
    for area in site.areas.values():
        if is_host(site, area, address):
            return True
    return False


def is_own(site: Site, address: Address) -> bool:
    for area in site.areas.values():
        if in_area(area, address):
            return True
    if is_gateway(site, address) or inside(address, site.local):
        return True
    for line in site.lines.values():
        if inside(address, line.prefix):
            return True
    return False


def is_multicast(address: Address) -> bool:
    for network in MULTICAST:
        if inside(address, network):
            return True
    return False


def within_one_block(network: Network) -> bool:
    for block in NOT_GLOBAL + GLOBAL_AFTER_ALL:
        if network.version == block.version and network.subnet_of(block):  # type: ignore[arg-type]
            return True
    return False


def is_special(site: Site, address: Address) -> bool:
    if is_multicast(address):
        return True
    for network in NEVER_FORWARDED:
        if inside(address, network):
            return True
    for line in site.lines.values():
        if address in line.next_hops:
            return False
        for interface in line.interfaces:
            if inside(address, interface.network):
                return False
    for prefixes in site.places.values():
        for network in prefixes:
            if inside(address, network) and within_one_block(network):
                return False
    if family(address) == 6 and not any(inside(address, block) for block in HANDED_OUT6):
        return True
    for network in GLOBAL_AFTER_ALL:
        if inside(address, network):
            return False
    for network in NOT_GLOBAL:
        if inside(address, network):
            return True
    return False


def is_internet(site: Site, address: Address) -> bool:
    four = stands_for(site, address)
    if four is not None:
        return not is_own(site, address) and is_internet(site, four)
    if inside(address, WELL_KNOWN):
        return False
    return not is_own(site, address) and not is_special(site, address)


def in_place(site: Site, place: str, address: Address) -> bool:
    if place in site.listed:
        return named_in(site, site.listed[place], address) and is_internet(site, address)
    for network in site.places[place]:
        for meant in all_meant(site, address):
            if inside(meant, network) and not is_own(site, meant):
                return not is_own(site, address)
    return False


def named_in(site: Site, ranges: list[Range], address: Address) -> bool:
    for meant in all_meant(site, address):
        if in_ranges(ranges, meant):
            return True
    return False


def in_ranges(ranges: list[Range], address: Address) -> bool:
    if isinstance(address, tuple):
        return False
    for version, first, last in ranges:
        if version == address.version and first <= int(address) <= last:
            return True
    return False


def is_hostile(site: Site, address: Address) -> bool:
    """Named by a list of those that are refused, neither excepted nor protected (section 4)."""
    if not named_in(site, site.hostile.ranges, address) or not is_internet(site, address):
        return False
    for meant in all_meant(site, address):
        if is_excepted(site, meant) or is_needed(site, meant):
            return False
    return True


def is_excepted(site: Site, address: Address) -> bool:
    for network in site.hostile.prefixes:
        if inside(address, network):
            return True
    for name in site.hostile.names:
        if name in site.devices and address in site.devices[name].addresses:
            return True
        if (name in site.places or name in site.listed) and in_place(site, name, address):
            return True
    return False


def is_needed(site: Site, address: Address) -> bool:
    """What no list may ever cut off."""
    for line in site.lines.values():
        if address in line.next_hops or address in line.targets:
            return True
        for interface in line.interfaces:
            if inside(address, interface.network):
                return True
    if address in site.time_servers or address in site.resolvers:
        return True
    needed = [rule for rule in site.rules if rule.emergency]
    needed += [promise for promise in site.promises if promise.word == "always"]
    for sentence in needed:
        for term in sentence.who + sentence.reach:
            if term in site.places and in_place(site, term, address):
                return True
    return False


# --- who, what and when (sections 5 and 7) -----------------------------------------------------


def is_device(device: Device, attempt: Attempt) -> bool:
    if device.hardware:
        return attempt.hardware in device.hardware
    return attempt.source in device.addresses


def starts(site: Site, term: str, attempt: Attempt, environment: Environment) -> bool:
    """Does this attempt come from that term?"""
    area = site.areas.get(attempt.entrance)
    at_a_line = attempt.entrance in site.lines
    if term == "anyone":
        return area is not None or at_a_line
    if term == "gateway":
        return attempt.entrance == "gateway"
    if term == "internet":
        return at_a_line
    if term in site.areas or term in site.lines:
        return attempt.entrance == term
    if term in site.devices:
        device = site.devices[term]
        at_home = area is not None and (device.roams or area.name == device.area)
        return at_home and is_device(device, attempt)
    if term in site.people:
        return area is not None and area.sign_in and environment.who == term
    if term in site.places:
        return at_a_line and in_place(site, term, attempt.source)
    groups = site.people.get(environment.who, [])
    return area is not None and area.sign_in and term in groups


def reaches(site: Site, term: str, address: Address, led: frozenset[str] = frozenset()) -> bool:
    if term in site.named:
        return term in led and is_internet(site, address)
    if term == "anywhere":
        return True
    if term == "internet":
        return is_internet(site, address)
    if term == "gateway":
        return is_gateway(site, address)
    if term in site.areas:
        return is_host(site, site.areas[term], address)
    if term in site.devices:
        return address in site.devices[term].addresses
    return in_place(site, term, address)


def serves(services: list[Parts], protocol: int, number: int) -> bool:
    for parts in services:
        for kind, first, last in parts:
            if kind == protocol and first <= number <= last:
                return True
    return False


def is_open(site: Site, name: str, instant: datetime) -> bool:
    hours = site.hours[name]
    local = instant.astimezone(site.zone).replace(tzinfo=None)
    for back in (0, 1):
        day = local.date() - timedelta(days=back)
        windows = hours.weekly[day.weekday()]
        if day in hours.outside or (hours.within is not None and day not in hours.within):
            windows = []
        if day in hours.dates:
            windows = hours.dates[day]
        for window in windows:
            start = datetime.combine(day, window.start)
            if window.end is None:
                end = datetime.combine(day, time(0)) + timedelta(days=1)
            elif window.end <= window.start:
                end = datetime.combine(day, window.end) + timedelta(days=1)
            else:
                end = datetime.combine(day, window.end)
            if start <= local < end:
                return True
    return False


def in_time(site: Site, sentence: Sentence, instant: datetime) -> bool:
    if sentence.during is not None and not is_open(site, sentence.during, instant):
        return False
    if sentence.until is not None:
        return instant.astimezone(site.zone).date() <= sentence.until
    return True


def exists(site: Site, attempt: Attempt, environment: Environment) -> bool:
    """Section 2: is this a combination that can be?"""
    area = site.areas.get(attempt.entrance)
    if attempt.entrance in site.lines and attempt.entrance not in environment.up:
        return False
    if environment.who != NOBODY and (area is None or not area.sign_in):
        return False
    if family(attempt.source) != family(attempt.destination):
        return False
    if attempt.protocol == (ICMPV6 if family(attempt.source) == 4 else ICMP):
        return False
    if environment.led and not is_internet(site, attempt.destination):
        return False
    return (attempt.hardware is not None) == (area is not None)


# --- housekeeping, first part (section 6) ------------------------------------------------------


def loopback(site: Site, a: Attempt, e: Environment) -> bool:
    if a.entrance != "gateway":
        return False
    return (
        is_gateway(site, a.destination)
        or inside(a.destination, LOOPBACK4)
        or a.destination == LOOPBACK6
    )


def barred(site: Site, a: Attempt, e: Environment) -> bool:
    if a.entrance not in site.areas:
        return False
    for device in site.devices.values():
        if device.barred and is_device(device, a):
            return True
    return False


def strangers(site: Site, a: Attempt, e: Environment) -> bool:
    if a.entrance not in site.areas or not site.areas[a.entrance].strangers_refused:
        return False
    for device in site.devices.values():
        if (device.area == a.entrance or device.roams) and a.hardware in device.hardware:
            return False
    return True


def _in_line_network6(line: Line, address: Address) -> bool:
    for interface in line.interfaces:
        if interface.version == 6 and inside(address, interface.network):
            return True
    return False


def discovery(site: Site, a: Attempt, e: Environment) -> bool:
    if family(a.source) != 6 or a.protocol != ICMPV6:
        return False
    kind = a.number // 256
    if kind not in DISCOVERY_TYPES and not (kind == 134 and a.entrance not in site.areas):
        return False
    if a.entrance == "gateway":
        if not is_gateway(site, a.source) and a.source != UNSPECIFIED6:
            return False
        for line in site.lines.values():
            if _in_line_network6(line, a.destination):
                return True
        return (
            inside(a.destination, ALL_NODES)
            or inside(a.destination, LINK_LOCAL)
            or is_host_anywhere(site, a.destination)
        )
    if not is_gateway(site, a.destination) and not inside(a.destination, ALL_NODES):
        return False
    if inside(a.source, LINK_LOCAL) or a.source == UNSPECIFIED6:
        return True
    if a.entrance in site.areas:
        return is_host(site, site.areas[a.entrance], a.source)
    return _in_line_network6(site.lines[a.entrance], a.source)


def dhcp(site: Site, a: Attempt, e: Environment) -> bool:
    if a.protocol != UDP:
        return False
    to_gateway = is_gateway(site, a.destination)
    to_broadcast = a.destination == BROADCAST
    version = family(a.source)
    if a.entrance in site.areas:
        area = site.areas[a.entrance]
        if version == 4 and a.number == 67 and (to_broadcast or to_gateway):
            return a.source == UNSPECIFIED4 or is_host(site, area, a.source)
        if a.number == 547 and (a.destination == DHCP_AGENTS or to_gateway):
            return inside(a.source, LINK_LOCAL)
        return False
    if a.entrance in site.lines:
        line = site.lines[a.entrance]
        if version == 4 and a.number == 68 and (to_broadcast or to_gateway):
            return line.automatic
        if not line.automatic and not line.asks:
            return False
        return a.number == 546 and inside(a.source, LINK_LOCAL) and to_gateway
    return _dhcp_of_gateway(site, a)


def _dhcp_of_gateway(site: Site, a: Attempt) -> bool:
    by_gateway = is_gateway(site, a.source)
    to_broadcast = a.destination == BROADCAST
    automatic = any(line.automatic for line in site.lines.values())
    if family(a.source) == 4:
        if not by_gateway and a.source != UNSPECIFIED4:
            return False
        if a.number == 68 and (to_broadcast or is_host_anywhere(site, a.destination)):
            return True
        to_internet = is_internet(site, a.destination)
        return a.number == 67 and automatic and (to_broadcast or to_internet)
    if a.number == 546 and inside(a.destination, LINK_LOCAL):
        return True
    asks = automatic or any(line.asks for line in site.lines.values())
    return a.number == 547 and asks and by_gateway and a.destination == DHCP_AGENTS


def forged(site: Site, a: Attempt, e: Environment) -> bool:
    if a.entrance in site.areas:
        return not is_host(site, site.areas[a.entrance], a.source)
    if a.entrance in site.lines:
        return not is_internet(site, a.source)
    return not is_gateway(site, a.source)


def bound(site: Site, a: Attempt, e: Environment) -> bool:
    for device in site.devices.values():
        known = device.hardware and device.addresses
        if device.area == a.entrance and known and _breaks_binding(device, a):
            return True
    return False


def _breaks_binding(device: Device, a: Attempt) -> bool:
    v4 = [address for address in device.addresses if family(address) == 4]
    v6 = [address for address in device.addresses if family(address) == 6]
    if a.source in v6 and a.hardware not in device.hardware:
        return True
    if family(a.source) != 4:
        return False
    if len(v4) == len(device.hardware):
        for address, hardware in zip(v4, device.hardware, strict=True):
            if (a.source == address) != (a.hardware == hardware):
                return True
        return False
    if a.source in v4 and a.hardware not in device.hardware:
        return True
    return bool(v4) and a.hardware in device.hardware and a.source not in v4


def found_services(site: Site, a: Attempt, e: Environment) -> bool:
    """Section 6: multicast DNS between hosts of the areas that discovery speaks of and the gateway."""
    if (a.protocol, a.number) != (UDP, 5353) or a.destination not in MULTICAST_DNS:
        return False
    if a.entrance == "gateway":
        return bool(site.discovery) and is_gateway(site, a.source)
    for who, where in site.discovery:
        if a.entrance in who or a.entrance in where:
            return inside(a.source, LINK_LOCAL) or is_host(site, site.areas[a.entrance], a.source)
    return False


def directed_broadcast(site: Site, a: Attempt, e: Environment) -> bool:
    for area in site.areas.values():
        if is_edge(area, a.destination):
            return True
    return False


def same_area(site: Site, a: Attempt, e: Environment) -> bool:
    if a.entrance not in site.areas:
        return False
    area = site.areas[a.entrance]
    return in_area(area, a.destination) and not is_gateway(site, a.destination)


def multicast(site: Site, a: Attempt, e: Environment) -> bool:
    return is_multicast(a.destination)


def unroutable(site: Site, a: Attempt, e: Environment) -> bool:
    for area in site.areas.values():
        if in_area(area, a.destination):
            return False
    return not (
        is_internet(site, a.destination)
        or is_gateway(site, a.destination)
        or is_multicast(a.destination)
    )


def carries(line: Line, version: int) -> bool:
    if line.automatic or (version == 6 and line.prefix is not None):
        return True
    return any(interface.version == version for interface in line.interfaces)


def some_line_up(site: Site, version: int, e: Environment) -> bool:
    for line in site.lines.values():
        if line.name in e.up and carries(line, version):
            return True
    return False


def no_line(site: Site, a: Attempt, e: Environment) -> bool:
    if a.entrance in site.lines or not is_internet(site, a.destination):
        return False
    if family(a.source) == 4:
        return not some_line_up(site, 4, e)
    for line in site.lines.values():
        if not inside(a.source, line.prefix):
            continue
        if line.name not in e.up:
            return True
        if line.automatic and not line.dialled and beside_another(site, [line.name], a.destination):
            return True
    return a.entrance == "gateway" and not some_line_up(site, 6, e)


def beside_another(site: Site, mine: list[str], destination: Address) -> bool:
    """Is it in the own network of another line, as the charter says that?"""
    for line in site.lines.values():
        for interface in line.interfaces:
            if line.name not in mine and destination in interface.network:
                return True
    return False


def exit_for(site: Site, a: Attempt, e: Environment) -> Sentence | None:
    """Section 6: the first exit that matches decides."""
    if a.entrance not in site.areas or not is_internet(site, a.destination):
        return None
    for one in site.exits:
        if not serves(one.services, a.protocol, a.number):
            continue
        if started_by_any(site, one, a, e) and reached_by_any(site, one, a.destination):
            return one
    return None


def no_exit(site: Site, a: Attempt, e: Environment) -> bool:
    one = exit_for(site, a, e)
    if one is None or one.or_else != "refused":
        return False
    if family(a.source) == 4:
        elsewhere = beside_another(site, list(one.on), a.destination)
        for name in one.on:
            line = site.lines[name]
            if elsewhere and line.automatic and not line.dialled:
                continue
            if name in e.up and carries(line, 4):
                return False
        return True
    for line in site.lines.values():
        if inside(a.source, line.prefix) and line.name not in one.on:
            return True
    return False


def in_line_prefix(site: Site, address: Address) -> bool:
    for line in site.lines.values():
        if inside(address, line.prefix):
            return True
    return False


def local_prefix(site: Site, a: Attempt, e: Environment) -> bool:
    if a.entrance not in site.areas or family(a.source) != 6:
        return False
    return is_internet(site, a.destination) and not in_line_prefix(site, a.source)


# --- housekeeping, second part -------------------------------------------------------------------


def _asks_echo(a: Attempt) -> bool:
    """Each ICMP in its own family: housekeeping lets no ICMPv6 in IPv4, nor the reverse."""
    asked = (family(a.source), a.protocol, a.number // 256)
    return asked in ((4, ICMP, 8), (6, ICMPV6, 128))


def echo(site: Site, a: Attempt, e: Environment) -> bool:
    if not is_gateway(site, a.destination):
        return False
    if a.entrance in site.areas:
        return _asks_echo(a)
    return a.entrance in site.lines and _asks_echo(a) and family(a.source) == 6


def names(site: Site, a: Attempt, e: Environment) -> bool:
    if a.entrance not in site.areas or not faces_inside(site, a.destination):
        return False
    return a.protocol in (TCP, UDP) and a.number == 53


def tells_time(site: Site, a: Attempt, e: Environment) -> bool:
    if not site.tells_time or (a.protocol, a.number) != (UDP, 123):
        return False
    if a.entrance in site.areas:
        return faces_inside(site, a.destination)
    if a.entrance != "gateway":
        return False
    if site.time_names and is_internet(site, a.destination):
        return True
    return is_host_anywhere(site, a.destination) and a.destination in site.time_servers


def gate(site: Site, a: Attempt, e: Environment) -> bool:
    if a.entrance not in site.areas or not site.areas[a.entrance].sign_in:
        return False
    return faces_inside(site, a.destination) and a.protocol == TCP and a.number in (80, 443)


def withheld_page(site: Site, a: Attempt, e: Environment) -> bool:
    if a.entrance not in site.areas or (a.protocol, a.number) != (TCP, 80):
        return False
    if not faces_inside(site, a.destination):
        return False
    for term in site.withheld_from:
        if term in ("anyone", a.entrance):
            return True
        if term in site.devices and a.source in site.devices[term].addresses:
            device = site.devices[term]
            if device.roams or device.area == a.entrance:
                return True
    return False


def management(site: Site, a: Attempt, e: Environment) -> bool:
    if not is_gateway(site, a.destination) or (a.protocol, a.number) != (TCP, 22):
        return False
    for name in site.managed_from:
        device = site.devices[name]
        here = a.entrance in site.areas if device.roams else a.entrance == device.area
        if here and is_device(device, a):
            return True
    return False


def gateway_own(site: Site, a: Attempt, e: Environment) -> bool:
    if a.entrance != "gateway":
        return False
    if is_host_anywhere(site, a.destination):
        return _asks_echo(a)
    if not is_internet(site, a.destination):
        return False
    if a.protocol == TCP:
        return a.number in (53, 853, 80, 443)
    if a.protocol == UDP:
        return a.number in (53, 123)
    return _asks_echo(a)


def hostile(site: Site, a: Attempt, e: Environment) -> bool:
    if a.entrance in site.lines:
        return is_hostile(site, a.source)
    return is_hostile(site, a.destination)


Check = Callable[[Site, Attempt, Environment], bool]
HOUSEKEEPING: list[tuple[str, str, Check]] = [
    ("loopback", "let", loopback),
    ("barred", "refused", barred),
    ("strangers", "refused", strangers),
    ("neighbour-discovery", "let", discovery),
    ("dhcp", "let", dhcp),
    ("found-services", "let", found_services),
    ("forged", "refused quietly", forged),
    ("bound", "refused quietly", bound),
    ("directed-broadcast", "refused quietly", directed_broadcast),
    ("same-area", "refused", same_area),
    ("multicast", "refused quietly", multicast),
    ("unroutable", "refused", unroutable),
    ("no-line", "refused", no_line),
    ("no-exit", "refused", no_exit),
    ("local-prefix", "refused", local_prefix),
    ("names", "let", names),
    ("time", "let", tells_time),
    ("gate", "let", gate),
    ("withheld-page", "let", withheld_page),
    ("management", "let", management),
]
BEHIND_EMERGENCIES: list[tuple[str, str, Check]] = [
    ("hostile", "refused", hostile),
    ("echo", "let", echo),
    ("gateway-own", "let", gateway_own),
]


# --- the charter's own, and the fate ---------------------------------------------------------------


def sign_in(site: Site, a: Attempt, e: Environment) -> bool:
    if a.entrance not in site.areas or not site.areas[a.entrance].sign_in or e.who != NOBODY:
        return False
    for device in site.devices.values():
        if device.exempt and a.hardware in device.hardware:
            return False
    return True


def started_by_any(site: Site, sentence: Sentence, a: Attempt, e: Environment) -> bool:
    for term in sentence.who:
        if starts(site, term, a, e):
            return True
    return False


def reached_by_any(
    site: Site, sentence: Sentence, address: Address, led: frozenset[str] = frozenset()
) -> bool:
    for term in sentence.reach:
        if reaches(site, term, address, led):
            return True
    return False


def rule_matches(site: Site, rule: Sentence, a: Attempt, e: Environment) -> bool:
    return (
        serves(rule.services, a.protocol, a.number)
        and started_by_any(site, rule, a, e)
        and in_time(site, rule, e.instant)
        and reached_by_any(site, rule, a.destination, e.led)
    )


def line_addresses4(line: Line) -> list[Address]:
    if line.automatic:
        return [("unknown", line.name, 4)]
    return [interface.ip for interface in line.interfaces if interface.version == 4]


def met_at(offer: Sentence, line: Line) -> list[Address]:
    """The address that was written, or else the line's first."""
    return line_addresses4(line)[:1] if offer.met_at is None else [offer.met_at]


def delivery(site: Site, offer: Sentence, a: Attempt) -> tuple[Address, int] | None:
    """Where this offer's translation (IPv4) would take the attempt, whoever starts it, whenever."""
    inner = [x for x in site.devices[offer.to].addresses if family(x) == 4]
    if not inner:
        return None
    for name in offer.on:
        if a.entrance in site.lines and a.entrance != name:
            continue
        if a.destination in met_at(offer, site.lines[name]):
            for parts in offer.services:
                for protocol, first, last in parts:
                    if protocol != a.protocol:
                        continue
                    if offer.at is None and first <= a.number <= last:
                        return inner[0], a.number
                    if offer.at is not None and a.number == offer.at:
                        return inner[0], first
    return None


def opened6(site: Site, offer: Sentence, a: Attempt) -> bool:
    """Does this offer open the destination itself (IPv6)?"""
    if family(a.destination) != 6 or a.destination not in site.devices[offer.to].addresses:
        return False
    for name in offer.on:
        if a.entrance in site.lines and a.entrance != name:
            continue
        if inside(a.destination, site.lines[name].prefix):
            return serves(offer.services, a.protocol, a.number)
    return False


def fate(site: Site, a: Attempt, e: Environment) -> Fate:
    """First match decides (section 6)."""
    kept = _kept(site, a, e, HOUSEKEEPING)
    if kept is not None:
        return kept
    for rule in site.rules:
        if rule.emergency and rule_matches(site, rule, a, e):
            return _by_rule(site, a, rule, "emergency")
    kept = _kept(site, a, e, BEHIND_EMERGENCIES)
    if kept is not None:
        return kept
    if sign_in(site, a, e):
        return _refused(site, a, "sign-in", "sign-in", False)
    for offer in site.offers:
        if started_by_any(site, offer, a, e) and in_time(site, offer, e.instant):
            delivered = delivery(site, offer, a)
            if delivered is not None or opened6(site, offer, a):
                return Fate("let", None, delivered, offer.label, "offer")
    for rule in site.rules:
        if not rule.emergency and rule_matches(site, rule, a, e):
            return _by_rule(site, a, rule, "rule")
    return _refused(site, a, "default", "default", False)


def _kept(
    site: Site, a: Attempt, e: Environment, decisions: list[tuple[str, str, Check]]
) -> Fate | None:
    for name, outcome, check in decisions:
        if check(site, a, e):
            kind = "management" if name == "management" else "housekeeping"
            if outcome == "let":
                return Fate("let", None, None, name, kind)
            return _refused(site, a, name, kind, outcome == "refused quietly")
    return None


def _by_rule(site: Site, a: Attempt, rule: Sentence, kind: str) -> Fate:
    if rule.word == "let":
        return Fate("let", None, None, rule.label, kind)
    return _refused(site, a, rule.label, kind, rule.quiet)


def _refused(site: Site, a: Attempt, decider: str, kind: str, quiet: bool) -> Fate:
    if decider in ("no-line", "no-exit") and kind == "housekeeping":
        return Fate("refused", "prohibited", None, decider, kind)
    area = site.areas.get(a.entrance)
    if quiet or a.entrance in site.lines or (area is not None and area.quiet):
        return Fate("refused", "silent", None, decider, kind)
    manner = "reset" if a.protocol == TCP else "prohibited"
    return Fate("refused", manner, None, decider, kind)
