"""The site as a rehearsal meets it: real addresses, what a destination is to the gateway's kernel,
and by which line a packet leaves.

What is said here of routes follows `docs/explanation/kit.md` ("Ways out"), what is said of a kernel
the sources of Linux 6.18 (`ip_route_input_slow`, `ip6_rcv_core`, `ip6_forward`), from memory, and
the rehearsals that have agreed with it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from ipaddress import IPv4Interface, IPv4Network, IPv6Interface, IPv6Network
from typing import Literal

from netcharter.plan import coding
from netcharter.plan.coding import SYMBOLS, V6
from netcharter.plan.shapes import Address, AreaPlan, ExitPlan, LinePlan, Plan
from netcharter.probes.seats import Seats
from netcharter.probes.shapes import World
from netcharter.probes.trials import family_of
from netcharter.space.ranges import Ranges, has, intersect, ranges, subtract, union

Interface = IPv4Interface | IPv6Interface

# What a destination is to the gateway's kernel. own: its address; anycast: the subnet-router anycast
# address of an area, its own too; group: arrives in the input hook without being one; deaf: for a
# group nobody has joined; nothing: dropped before any hook; near: link-local; odd: an address the
# kernel takes for its own although no charter can say so; area, link: a host there; out: beyond.
Kind = Literal["own", "anycast", "group", "deaf", "nothing", "near", "odd", "area", "link", "out"]

NUMBERS: dict[int, Ranges] = {4: ranges((0, V6 - 1)), 6: ranges((V6, SYMBOLS - 1))}
FAMILIES = (4, 6)


def _networks(*texts: str) -> Ranges:
    return coding.network(*(IPv6Network(t) if ":" in t else IPv4Network(t) for t in texts))


MULTICAST = {4: _networks("224.0.0.0/4"), 6: _networks("ff00::/8")}
EVERYBODY = _networks("255.255.255.255/32")
JOINED = _networks("224.0.0.1/32", "ff02::1/128")  # by every host: RFC 1112, RFC 4291 section 2.8
NO_DESTINATION = _networks("0.0.0.0/32", "127.0.0.0/8", "::1/128")
NO_SOURCE = _networks("0.0.0.0/32", "127.0.0.0/8", "::1/128", "::ffff:0:0/96")
LINK_LOCAL = _networks("fe80::/10")
UNSPECIFIED6 = _networks("::/128")


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a destination is. name: of the area, or of the line an address is on."""

    kind: Kind
    name: str = ""


@dataclass(frozen=True, slots=True)
class Way:
    """A line in one family, as it really is. carries: as the plan says. shares: it takes part in the
    one route of balanced lines, in which `written` ones stand in the kit.
    """

    line: LinePlan
    interface: Interface | None
    hop: Address | None
    carries: bool
    shares: bool
    written: bool

    @property
    def name(self) -> str:
        return self.line.name


@dataclass(frozen=True, slots=True)
class Exit:
    """Where routing sends what is not for a neighbour. names: lines, any of which it may leave by;
    none: it is refused. lacking: lines that the plan counts on and that have no next hop.
    """

    names: frozenset[str]
    lacking: frozenset[str] = frozenset()


class Stage:
    """One plan in one world."""

    def __init__(self, plan: Plan, world: World) -> None:
        self.plan = plan
        self.world = world
        self.seats = Seats(plan)
        self.areas = {area.name: area for area in plan.areas}
        self.lines = {line.name: line for line in plan.lines}
        self.ways = {family: tuple(self._ways(family)) for family in FAMILIES}
        self._exits: dict[tuple[int, str | None, frozenset[str], int, bool], Exit] = {}

    # --- addresses --------------------------------------------------------------------------------

    def real(self, code: int) -> Address | None:
        """The address of a code; None where the world gives the line no such address."""
        found = coding.decode(code)
        return self._unknown.get(code) if isinstance(found, tuple) else found

    def code(self, address: Address) -> int:
        """The code of a real address, which for an automatic line is its symbol."""
        return self._symbols.get(address, coding.address(address))

    @cached_property
    def _unknown(self) -> dict[int, Address]:
        found: dict[int, Address] = {}
        for line in self.plan.lines:
            for family, chosen in ((4, self.world.lines4), (6, self.world.lines6)):
                symbol = coding.unknown(line.number, family)
                if line.automatic and line.name in chosen and has(line.own, symbol):
                    found[symbol] = chosen[line.name][0].ip
        return found

    @cached_property
    def _symbols(self) -> dict[Address, int]:
        return {address: symbol for symbol, address in self._unknown.items()}

    @cached_property
    def known_symbols(self) -> Ranges:
        """The symbols of unknown addresses that the world gives a number."""
        return ranges(*((symbol, symbol) for symbol in self._unknown))

    @cached_property
    def shadows(self) -> Ranges:
        """The numbers that are never coded as such, since a symbol stands for them."""
        return coding.addresses(self._unknown.values())

    # --- lines ------------------------------------------------------------------------------------

    def _ways(self, family: int) -> Iterator[Way]:
        """The lines in the order in which routes are asked."""
        rank = {"main": 0, "balanced": 1}
        for line in sorted(self.plan.lines, key=lambda one: (rank.get(one.role, 2), one.number)):
            chosen = (self.world.lines4 if family == 4 else self.world.lines6).get(line.name)
            interface: Interface | None = line.v4 if family == 4 else line.v6
            hop = line.next_hop4 if family == 4 else line.next_hop6
            if line.automatic and interface is None and chosen is not None:
                interface, hop = chosen
            carries = line.carries4 if family == 4 else line.carries6
            written = (line.next_hop4 if family == 4 else line.next_hop6) is not None
            shares = carries and line.role == "balanced" and (written or line.automatic)
            yield Way(line, interface, hop, carries, shares, written)

    def exit(
        self,
        family: int,
        source: Address,
        up: frozenset[str],
        by: ExitPlan | None = None,
        near: str | None = None,
    ) -> Exit:
        """By which lines a packet with that source leaves for the internet; `by`: the charter's exit
        that is about it, if there is one; `near`: the line in whose own network the destination is."""
        pinned = self.pinned(family, source)
        if family == 6 and self._owner(source) is None:
            by = None  # an IPv6 source that no line was given is nobody's to choose for
        kept_away = near is not None and self.kept_away(family, source, by, near)
        if near in up and near is not None and not kept_away:
            return Exit(frozenset({near}))
        told = kept_away and near is not None and self._said(near, family)
        key = (family, pinned, up, by.number if by is not None else 0, told)
        if key not in self._exits:
            self._exits[key] = self._exit(family, pinned, up, by, told)
        return self._exits[key]

    def kept_away(self, family: int, source: Address, by: ExitPlan | None, near: str) -> bool:
        """Whether what may leave by other lines only is led round to a neighbour on this one, by
        lines that it may leave by, or refused. Where the charter says the neighbours' network, always."""
        mine = self._allowed(family, source, by)
        if mine is None or near in mine:
            return False
        return self._said(near, family) or not any(self.lines[name].learns for name in mine)

    def slips_through(self, family: int, source: Address, by: ExitPlan | None, near: str) -> bool:
        """Whether the neighbours on a line are reached by whom only others are allowed: those have
        their routes where the kernel finds what that line has learnt."""
        mine = self._allowed(family, source, by)
        away = mine is not None and near not in mine
        return away and not self.kept_away(family, source, by, near)

    def _allowed(self, family: int, source: Address, by: ExitPlan | None) -> frozenset[str] | None:
        """The lines that a packet may leave by; None: all."""
        owner = self._owner(source) if family == 6 else None
        if family == 6 and owner is None:
            return None
        own = frozenset({owner}) if owner is not None else None
        if by is None or not by.refused:
            return own
        found = frozenset(by.lines)
        return found if own is None else found & own

    def _said(self, name: str, family: int) -> bool:
        """Whether the charter says the network of a line."""
        return any(one.version == family for one in self.lines[name].held)

    def pinned(self, family: int, source: Address) -> str | None:
        """The line that a source belongs to, and that alone it may leave by."""
        for way in self.ways[family]:
            if any(source == known.ip for known in way.line.held):
                return way.name
            prefix = way.line.prefix
            if family == 6 and prefix is not None and source in prefix:
                return way.name
        return None

    def _owner(self, source: Address) -> str | None:
        """The line in whose IPv6 prefix a source is."""
        lines = (line for line in self.plan.lines if line.prefix is not None)
        return next((line.name for line in lines if line.prefix and source in line.prefix), None)

    def pinned_sources(self, family: int, name: str) -> tuple[Ranges, ...]:
        """The sources that belong to a line, coded: the gateway's own there, and the line's IPv6
        prefix, about which exits have a say."""
        line = self.lines[name]
        own = coding.addresses(one.ip for one in line.held if one.version == family)
        if family == 4 or line.prefix is None:
            return (own,)
        return own, subtract(coding.network(line.prefix), own)

    def _exit(
        self, family: int, pinned: str | None, up: frozenset[str], by: ExitPlan | None, told: bool
    ) -> Exit:
        """told: only by lines that do not learn their next hop."""
        open_ = [way for way in self.ways[family] if way.carries and way.name in up]
        if told:
            open_ = [way for way in open_ if not way.line.learns]
        if pinned is not None:
            open_ = [way for way in open_ if way.name == pinned]
        if by is not None and by.refused:
            open_ = [way for way in open_ if way.name in by.lines]
        lacking = frozenset(way.name for way in open_ if way.hop is None)
        usable = [way for way in open_ if way.hop is not None]
        if not usable:
            return Exit(frozenset(), lacking)
        if by is not None and pinned is None:
            rank = {name: place for place, name in enumerate(by.lines)}
            first = min(usable, key=lambda way: rank.get(way.name, len(rank)))
            if first.name in rank:
                return Exit(frozenset({first.name}))
        if pinned is None and self._together(family):
            shared = [way.name for way in usable if way.shares]
            if shared:
                return Exit(frozenset(shared))
        return Exit(frozenset({usable[0].name}))

    def _together(self, family: int) -> bool:
        """Do balanced lines share one route? Where one of them learns its next hop that takes a
        steward, and here is none."""
        sharing = [way for way in self.ways[family] if way.shares]
        return len(sharing) > 1 and all(way.written for way in sharing)

    def addresses_on(self, name: str, family: int) -> tuple[Address, ...]:
        """The gateway's own addresses on a line."""
        way = next(way for way in self.ways[family] if way.name == name)
        further = tuple(one.ip for one in way.line.more4 if family == 4)
        return () if way.interface is None else (way.interface.ip, *further)

    def hops(self, name: str) -> tuple[Address, ...]:
        """The next hops of a line."""
        ways = (way for family in FAMILIES for way in self.ways[family] if way.name == name)
        return tuple(way.hop for way in ways if way.hop is not None)

    def comes_back(self, name: str, shown: Address) -> bool:
        """Does who sits behind a line send answers for that address to the gateway?"""
        prefix = self.lines[name].prefix
        return shown in self.addresses_on(name, shown.version) or (
            prefix is not None and shown in prefix
        )

    def links(self, family: int) -> Iterator[tuple[str, Ranges]]:
        """Every line with its own networks."""
        for way in self.ways[family]:
            if way.interface is not None:
                more = (one.network for one in way.line.held if one.version == family)
                yield way.name, coding.network(way.interface.network, *more)

    def near(self, family: int, destination: int) -> str | None:
        """The line in whose own network a coded address is."""
        links = self.links(family)
        return next((name for name, found in links if has(found, destination)), None)

    # --- destinations -----------------------------------------------------------------------------

    def spot(self, code: int) -> Spot:
        """What a destination is to the gateway's kernel."""
        spots = self.spots[family_of(code)]
        return next((spot for found, spot in spots if has(found, code)), Spot("out"))

    @cached_property
    def spots(self) -> dict[int, tuple[tuple[Ranges, Spot], ...]]:
        """By family: sets of addresses and what they are; the first that holds an address counts."""
        return {family: tuple(self._spots(family)) for family in FAMILIES}

    def _spots(self, family: int) -> Iterator[tuple[Ranges, Spot]]:
        yield NO_DESTINATION, Spot("nothing")
        yield LINK_LOCAL, Spot("near")
        for line in self.plan.lines:
            yield coding.addresses(_broadcast(line.v4)), Spot("group", line.name)
        yield union(JOINED, EVERYBODY, self.broadcasts), Spot("group")
        yield MULTICAST[family], Spot("deaf")
        yield self.odd, Spot("odd")
        yield self.anycasts, Spot("anycast")
        for line in self.plan.lines:
            yield line.own, Spot("own", line.name)
        yield self.plan.gateway, Spot("own")
        for area in self.plan.areas:
            yield area.whole, Spot("area", area.name)
        for name, found in self.links(family):
            yield found, Spot("link", name)

    @cached_property
    def anycasts(self) -> Ranges:
        """RFC 4291 section 2.6.1."""
        return coding.addresses(s.network[0] for area in self.plan.areas for s in area.subnets6)

    @cached_property
    def broadcasts(self) -> Ranges:
        """The broadcast addresses of areas and of lines whose network the charter says."""
        areas = (area.v4[-1] for area in self.plan.areas if area.v4.prefixlen < 31)
        lines = (a for line in self.plan.lines for a in _broadcast(line.v4))
        return coding.addresses([*areas, *lines])

    def broadcasts_down(self, up: frozenset[str]) -> Ranges:
        """The broadcast addresses of lines that are down."""
        down = (line for line in self.plan.lines if line.name not in up)
        return coding.addresses(a for line in down for a in _broadcast(line.v4))

    @cached_property
    def odd(self) -> Ranges:
        """Broadcast addresses of lines whose network nobody knew, and the subnet-router anycast
        addresses of lines' networks.
        """
        found: list[Address] = []
        for way in (*self.ways[4], *self.ways[6]):
            if way.interface is None:
                continue
            network = way.interface.network
            if network.version == 6 and network.prefixlen < 127:
                found.append(network[0])
            elif network.version == 4 and way.line.v4 is None and network.prefixlen < 31:
                found.append(network[-1])
        return subtract(coding.addresses(found), self.plan.gateway)

    # --- sources ----------------------------------------------------------------------------------

    @cached_property
    def martians(self) -> Ranges:
        """Sources that the kernel drops whatever they are sent to, before any decision."""
        own4 = union(intersect(self.plan.gateway, coding.ANY4), self.shadows)
        outer = union(MULTICAST[4], EVERYBODY, self.broadcasts, own4)
        return union(NO_SOURCE, MULTICAST[6], outer, intersect(self.odd, NUMBERS[4]))

    def inside4(self, address: Address) -> bool:
        """Is it in the IPv4 prefix of an area, whose sources are hidden towards a line?"""
        return any(address in area.v4 for area in self.plan.areas if address.version == 4)

    def far(self, family: int) -> Address | None:
        """An address on the internet that is in no place of the charter, if there is one."""
        return self._far[family]

    def nowhere(self, family: int) -> Address | None:
        """An address that leads nowhere, if there is one: a special-purpose one, or unused."""
        areas = (area.whole for area in self.plan.areas)
        taken = union(self.plan.internet, self.plan.gateway, self.odd, self.shadows, *areas)
        special = union(NO_DESTINATION, MULTICAST[family], EVERYBODY, LINK_LOCAL, UNSPECIFIED6)
        return _middle(subtract(NUMBERS[family], union(taken, special)))

    @cached_property
    def _far(self) -> dict[int, Address | None]:
        places = union(*self.plan.places.values()) if self.plan.places else ()
        near = union(*(found for family in FAMILIES for _, found in self.links(family)), ())
        hops = coding.addresses(hop for name in self.lines for hop in self.hops(name))
        found: dict[int, Address | None] = {}
        for family in FAMILIES:
            internet = intersect(self.plan.internet, NUMBERS[family])
            nice = subtract(internet, union(places, near, hops, self.odd, self.shadows))
            found[family] = _middle(nice or subtract(internet, union(self.odd, self.shadows)))
        return found


def _broadcast(interface: IPv4Interface | None) -> list[Address]:
    """The broadcast address of an interface's network, which a pair of two does not have."""
    if interface is None or interface.network.prefixlen >= 31:
        return []
    return [interface.network[-1]]


def _middle(found: Ranges) -> Address | None:
    """An address well inside the widest interval of a set."""
    if not found:
        return None
    low, high = max(found, key=lambda pair: pair[1] - pair[0])
    address = coding.decode(low + (high - low) // 2)
    return None if isinstance(address, tuple) else address


def area_addresses(area: AreaPlan) -> Iterable[Address]:
    """The gateway's addresses in an area."""
    return area.gateways
