"""What the kernel knows beside the ruleset: whose an address is, where it is routed, as sets."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

from netcharter.readback.devices import Devices
from netcharter.readback.shapes import V6, Host
from netcharter.readback.symbols import ROUTE_TYPES
from netcharter.readback.values import ANY4, ANY6
from netcharter.space.ranges import Ranges, has, intersect, ranges, size, subtract, union


def prefix4(address: int, length: int) -> tuple[int, int]:
    """The addresses of an IPv4 network."""
    return address, address + (1 << (32 - length)) - 1


def prefix6(top: int, length: int) -> tuple[int, int]:
    """The addresses of an IPv6 network whose first 16 bits are `top` and the rest zero."""
    low = V6 + (top << 112)
    return low, low + (1 << (128 - length)) - 1


LOOPBACK4: Ranges = (prefix4(127 << 24, 8),)  # RFC 1122 section 3.2.1.3
NOWHERE4: Ranges = ((0, 0),)  # of 0/8 alone this one, since Linux 5.3
MULTICAST4: Ranges = (prefix4(224 << 24, 4),)  # RFC 5771
EVERYBODY4: Ranges = ((V6 - 1, V6 - 1),)  # 255.255.255.255
NOWHERE6: Ranges = ((V6, V6),)  # ::
LOOPBACK6: Ranges = ((V6 + 1, V6 + 1),)
MULTICAST6: Ranges = (prefix6(0xFF00, 8),)  # RFC 4291 section 2.7
LINK_LOCAL6: Ranges = (prefix6(0xFE80, 10),)
LINK6: Ranges = (prefix6(0xFE80, 64),)  # of it, what is on a link: RFC 4291 section 2.5.6
# Multicast of no scope or of the interface alone never leaves a host (RFC 4291 section 2.7).
NARROW6: Ranges = ranges(
    *(prefix6(0xFF00 | flags << 4 | scope, 16) for flags in range(16) for scope in (0, 1))
)

LINK_GROUPS6: Ranges = ranges(*(prefix6(0xFF00 | flags << 4 | 2, 16) for flags in range(16)))

Routes = tuple[tuple[Ranges, Ranges], ...]  # destinations, numbers of devices


class Ground:
    """A host's addresses and routes in the numbers of its devices."""

    def __init__(self, host: Host, devices: Devices) -> None:
        self.host = host
        self.devices = devices
        self.known = host.known

    @cached_property
    def held(self) -> Mapping[int, Ranges]:
        """The host's own addresses by device."""
        found: dict[int, Ranges] = {}
        for name, addresses in self.host.own.items():
            at = self.devices.number(name)
            found[at] = union(found.get(at, ()), addresses)
        return found

    @cached_property
    def near(self) -> Mapping[int, Ranges]:
        """Link-local addresses that are the host's on a device, where they are known: its own, and
        where it forwards the link's subnet-router anycast one (RFC 4291 section 2.6.1)."""
        anycast = ((LINK6[0][0], LINK6[0][0]),) if 6 in self.host.forwards else ()
        own = {at: intersect(held, LINK_LOCAL6) for at, held in self.held.items()}
        return {at: union(found, anycast) for at, found in own.items() if found}

    @cached_property
    def link(self) -> Ranges:
        """Link-local addresses that are on a link; beyond them no link's route leads."""
        return LINK6 if self.near else LINK_LOCAL6

    @cached_property
    def beyond(self) -> Ranges:
        """Link-local addresses beyond, where some route leads: the kernel takes it only if it leads
        out by the device in question."""
        return intersect(subtract(LINK_LOCAL6, self.link), self.routed(6))

    def whole(self, family: int) -> Ranges:
        return ANY4 if family == 4 else ANY6

    def local(self, family: int, device: int | None = None) -> Ranges:
        """Addresses of the host (held by a device), loopback ones among them."""
        lo = LOOPBACK4 if family == 4 else LOOPBACK6
        if device is not None:
            held = self.held.get(device, ())
            held = union(held, lo) if device == self.devices.loopback else held
        else:
            held = union(lo, *self.held.values())
        return intersect(held, self.whole(family))

    def multicast(self, family: int) -> Ranges:
        return MULTICAST4 if family == 4 else MULTICAST6

    def broadcast(self, family: int) -> Ranges:
        """Everybody's, and those of the host's networks."""
        return union(EVERYBODY4, intersect(self.host.broadcast, ANY4)) if family == 4 else ()

    def delivered(self, family: int) -> Ranges:
        """Destinations that do not go on when they arrive from outside."""
        extra = LINK_LOCAL6 if family == 6 else ()
        anycast = intersect(self.host.anycast, self.whole(family))
        return union(
            self.local(family), self.multicast(family), self.broadcast(family), extra, anycast
        )

    @cached_property
    def _routes(self) -> Mapping[int, Routes]:
        return {family: self._parted(family) for family in (4, 6)}

    def routes(self, family: int) -> Routes:
        """Destinations that are routed, disjoint, each with the devices it may leave by."""
        return self._routes[family]

    def _parted(self, family: int) -> Routes:
        found: dict[Ranges, Ranges] = {}
        left = self.whole(family)
        for addresses, names in self.host.routes:
            here = intersect(addresses, left)
            left = subtract(left, here)
            numbers = ranges(*((n, n) for n in map(self.devices.number, names)))
            if here and numbers:
                found[numbers] = union(found.get(numbers, ()), here)
        return tuple((addresses, numbers) for numbers, addresses in found.items())

    def routed(self, family: int) -> Ranges:
        return union(*(addresses for addresses, _ in self.routes(family)))

    def types(self, family: int, device: int | None = None) -> Mapping[int, Ranges]:
        """Every address by its route type as `fib` reports it; by a device's table where named."""
        key = (family, device)
        if key not in self._types:
            self._types[key] = self._typed(family, device)
        return self._types[key]

    @cached_property
    def _types(self) -> dict[tuple[int, int | None], Mapping[int, Ranges]]:
        return {}

    def types_near(self, device: int) -> Mapping[int, Ranges]:
        """The same in IPv6 of what comes by a device: link-local addresses are sought there alone."""
        found = dict(self.types(6))
        local, unicast = ROUTE_TYPES["local"], ROUTE_TYPES["unicast"]
        elsewhere = subtract(intersect(self.local(6), LINK_LOCAL6), self.held.get(device, ()))
        found[local] = subtract(found.get(local, ()), elsewhere)
        found[unicast] = union(found.get(unicast, ()), elsewhere)
        return found

    def _typed(self, family: int, device: int | None) -> Mapping[int, Ranges]:
        """From nft_fib_ipv4.c and nft_fib_ipv6.c of the kernel (from memory)."""
        left = self.whole(family)
        found: dict[int, Ranges] = {}

        def put(kind: str, addresses: Ranges) -> None:
            nonlocal left
            found[ROUTE_TYPES[kind]] = intersect(addresses, left)
            left = subtract(left, addresses)

        if family == 4:
            put("local", self.local(4, device))
            put("multicast", MULTICAST4)
            put("broadcast", union(EVERYBODY4, NOWHERE4, self.broadcast_of(device)))
        else:
            put("local", self.local(6, device))
            put("anycast", self.host.anycast)
            put("multicast", MULTICAST6)
            reached = union(self.routed(6), self.link, self.local(6))
            put("unreachable", subtract(left, reached))
            put("unspec", NOWHERE6)  # whatever leads there, it is an address of no type
        put("unicast", left)
        return {kind: addresses for kind, addresses in found.items() if addresses}

    def broadcast_of(self, device: int | None) -> Ranges:
        """Broadcast addresses of the host's networks (behind a device)."""
        if device is None:
            return self.host.broadcast
        ways = (a for a, numbers in self.routes(4) if has(numbers, device))
        return intersect(self.host.broadcast, union(*ways))

    def ways(
        self, family: int, device: int | None, only: bool
    ) -> tuple[Mapping[int, Ranges], Ranges]:
        """Addresses by the device that `fib ... oif` reports (0: none), and those where it is open
        which, because several devices may lead there. device: by which the packet came; only: it
        is asked whether that device leads there.
        """
        found: dict[int, Ranges] = {}
        own = self.local(family)
        open_ways: Ranges = ()
        if family == 6:  # the route looked for is one of the packet's own link (nft_fib_ipv6.c)
            if device is not None:
                mine = self.held.get(device, ())
                own = subtract(own, subtract(intersect(own, LINK_LOCAL6), mine))
            own = union(own, self.host.anycast)
            link = subtract(union(self.link, LINK_GROUPS6), own)
            open_ways = union(subtract(MULTICAST6, link), self.beyond)
            own = union(own, link, open_ways)
            if device is None:
                open_ways = union(open_ways, link)
            else:
                found[device] = link
        for addresses, numbers in self.routes(family):
            addresses = subtract(addresses, own)
            if only and device is not None and not has(numbers, device):
                continue
            if size(numbers) > 1:
                open_ways = union(open_ways, addresses)
            else:
                way = numbers[0][0]
                found[way] = union(found.get(way, ()), addresses)
        rest = subtract(self.whole(family), union(open_ways, *found.values()))
        return {**found, 0: union(rest, found.get(0, ()))}, open_ways
