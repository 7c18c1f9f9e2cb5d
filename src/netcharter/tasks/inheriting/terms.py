"""Addresses, hardware addresses and services of a listing as terms of a first charter.

What an area's hosts and the internet are is taken from the plan of that charter before it has any
rule, so that old words and new ones mean the same addresses.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from ipaddress import IPv4Address, IPv6Address, summarize_address_range

from netcharter.charter.model import Network
from netcharter.charter.services import Part, protocol_part
from netcharter.plan import coding
from netcharter.plan.registry import NEVER_FORWARDED
from netcharter.plan.shapes import Plan
from netcharter.readback.points import FAMILY4, FAMILY6
from netcharter.readback.shapes import HARDWARE, HARDWARE_NONE, OWN, SOURCE, SYMBOLS, V6, Leaf
from netcharter.space.ranges import Ranges, intersect, size, subset, subtract, union
from netcharter.tasks.inheriting.gateway import OldGateway
from netcharter.tasks.inheriting.shapes import Term

LINES = "*lines"  # a part of the site: whatever lies beyond any line
MOST_NETWORKS = 64  # of one term
MOST_HARDWARE = 64
NUMERIC: Ranges = ((0, SYMBOLS - 1),)


class TooMany(Exception):
    """More than one term should hold; `instead` says what to do."""

    def __init__(self, message: str, instead: str) -> None:
        super().__init__(message)
        self.instead = instead


class Unnamed(Exception):
    """A network device that is neither area nor line."""


class Site:
    """The areas and lines of a gateway with the addresses that a charter gives them."""

    def __init__(self, gateway: OldGateway, plan: Plan) -> None:
        self.gateway = gateway
        self.plan = plan
        self.names = gateway.recognised.by_device

    @cached_property
    def own(self) -> Ranges:
        """The old gateway's own addresses, which nobody is reached at behind it."""
        host = self.gateway.host
        return union(host.broadcast, host.anycast, *host.own.values())

    @cached_property
    def inside(self) -> Ranges:
        """The areas as a whole, and the old gateway's own addresses."""
        return union(self.own, self.plan.gateway, *(area.whole for area in self.plan.areas))

    @cached_property
    def both_families(self) -> bool:
        """Does any area have IPv6 on the old gateway?"""
        return any(p.version == 6 for area in self.gateway.recognised.areas for p in area.prefixes)

    @cached_property
    def beyond(self) -> Ranges:
        """All that lies beyond the lines, as the old gateway routes it."""
        if not self.gateway.host.known:
            return subtract(self.plan.internet, self.own)
        return subtract(intersect(self.gateway.beyond, self.plan.internet), self.own)

    @cached_property
    def outside(self) -> Ranges:
        """What lies beyond the lines, without the ends of their networks."""
        return subtract(self.beyond, self.gateway.host.broadcast)

    def hosts(self, area: str) -> Ranges:
        """The addresses of an area that both the old and the new gateway know as hosts'."""
        found = next((one for one in self.gateway.recognised.areas if one.name == area), None)
        planned = next(one for one in self.plan.areas if one.name == area)
        prefixes = coding.network(*found.prefixes) if found is not None else ()
        return subtract(intersect(planned.hosts, prefixes), self.own)

    # ---- who ----

    def who(self, leaf: Leaf, entrance: str) -> tuple[Term, ...]:
        """Who starts, for one entrance of a leaf; nothing where nobody proper is meant."""
        hardware, sources = leaf.box[HARDWARE], leaf.box[SOURCE]
        if entrance == OWN:
            return self._gateway(sources, leaf.verdict.let)
        at_line = entrance in self.gateway.lines
        if not at_line and not subset(((0, HARDWARE_NONE - 1),), hardware):
            whole = self.hosts(self.names[entrance])
            here = intersect(sources, whole)
            if whole and not here:
                return ()
            if not leaf.verdict.let and not _holds(here, whole):
                raise TooMany("machines at some of their addresses", "name what is meant")
            return self._by_hardware(hardware, self.names[entrance])
        if not at_line:
            return self._part(self.names[entrance], sources)
        if not subset(((0, HARDWARE_NONE - 1),), hardware):
            raise TooMany("hardware addresses at a line", "say which addresses are meant")
        whole = self.plan.internet
        return self._wide(self.names[entrance], sources, whole, leaf.verdict.let)

    def _by_hardware(self, hardware: Ranges, area: str) -> tuple[Term, ...]:
        known = subtract(hardware, ((HARDWARE_NONE, HARDWARE_NONE),))
        if size(known) > MOST_HARDWARE:
            raise TooMany("all hardware addresses but some", "name the devices that are meant")
        numbers = tuple(n for low, high in known for n in range(low, high + 1))
        seen = self.gateway.recognised.seen
        here = tuple(n for n in numbers if seen.get(n, ("", area))[1] in ("", area))
        return (Term(hardware=here),) if here else ()

    # ---- what is reached ----

    def reach(self, part: str, addresses: Ranges, let: bool) -> tuple[Term, ...]:
        """What is reached by a part of the site: a network device, OWN, or the lines together.

        Raises TooMany, or Unnamed where the device is neither area nor line.
        """
        if part == OWN:
            return self._gateway(addresses, let)
        if part in self.names:
            return self._part(self.names[part], addresses)
        if part != LINES:
            raise Unnamed(part)
        return self._wide("internet", addresses, self.beyond, let)

    def _gateway(self, addresses: Ranges, let: bool) -> tuple[Term, ...]:
        """The gateway, where one of its addresses is meant; what is refused needs all of them."""
        own = union(*self.gateway.host.own.values())
        whole = subtract(intersect(own, NUMERIC), NEVER_FORWARDED)
        here = intersect(addresses, whole)
        if whole and not here:
            return ()
        if not let and not _holds(here, whole):
            raise TooMany("some of the gateway's own addresses", "refuse services of all of them")
        return (Term("gateway"),)

    def _part(self, area: str, addresses: Ranges) -> tuple[Term, ...]:
        """An area, or some of its addresses; nothing where none of them is in it."""
        whole = self.hosts(area)
        here = intersect(addresses, whole)
        if not whole or (here and _holds(here, whole)):
            return (Term(area),)
        networks = self._networks(here)
        return (Term(area=area, networks=networks),) if networks else ()

    def _wide(self, name: str, addresses: Ranges, whole: Ranges, let: bool) -> tuple[Term, ...]:
        """A name for all of what lies beyond the lines, or some addresses there.

        What is special there becomes ordinary where a place of the charter names it, so it can be
        let; refused it is anyway.
        """
        whole = subtract(intersect(whole, NUMERIC), self.inside)
        outside = subtract(intersect(addresses, NUMERIC), union(self.inside, NEVER_FORWARDED))
        proper = outside if let else intersect(outside, whole)
        if not proper:
            return ()
        if _holds(proper, whole):
            return (Term(name),)
        networks = self._networks(proper)
        return (Term(networks=networks),) if networks else ()

    def _networks(self, addresses: Ranges) -> tuple[Network, ...]:
        found = [n for low, high in addresses for n in networks_of(low, high)]
        if len(found) > MOST_NETWORKS:
            raise TooMany(f"{len(found)} networks", "give what is meant a name of its own")
        return tuple(found)


def _holds(part: Ranges, whole: Ranges) -> bool:
    """Is part of each family, of which it has any, all there is?"""
    families = [family for family in (FAMILY4, FAMILY6) if intersect(part, family)]
    return all(subset(intersect(whole, family), part) for family in families)


def networks_of(low: int, high: int) -> Iterator[Network]:
    """A range of coded addresses of one or both families as prefixes."""
    if low < V6:
        yield from summarize_address_range(IPv4Address(low), IPv4Address(min(high, V6 - 1)))
    if high >= V6:
        first = IPv6Address(max(low, V6) - V6)
        yield from summarize_address_range(first, IPv6Address(min(high, SYMBOLS - 1) - V6))


def parts_of(services: Ranges) -> tuple[Part, ...]:
    """A set of services as parts; none for all there are."""
    if subset(coding.REAL_SERVICES, services):
        return ()
    found: list[Part] = []
    for low, high in services:
        for protocol in range(low >> 16, (high >> 16) + 1):
            base, last = protocol << 16, protocol_part(protocol)[2]
            if low - base <= last:
                found.append((protocol, max(low - base, 0), min(high - base, last)))
    return tuple(found)
