"""Decisions about IPv4, carried over to the IPv6 addresses of the same parties.

What a decision would be if the charter were about these (`parties`) is its *twin*. Together they are
a second list of decisions over the attempts of IPv6, to be compared with what the plan says of them
(`twins`). An offer is met at a line's address in IPv4, and at the device's own in IPv6: it is carried
over as what is delivered. Here is told, too, what is of one family because the charter or IPv6 itself
says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import product

from netcharter.plan import coding
from netcharter.plan.coding import ANY4, ANY6, ANY_HARDWARE, ANY_SERVICE, ICMP6, UDP
from netcharter.plan.housekeeping import (
    ECHO4,
    ECHO6,
    LINK_LOCAL6,
    LINK_MULTICAST6,
    MULTICAST_DNS,
)
from netcharter.plan.shapes import LinePlan, Plan, Region, Row
from netcharter.plan.terms import Ground, device_addresses, hardware_set
from netcharter.proofs.naming import listed
from netcharter.proofs.parties import Name, Parties, finer_names, party_names
from netcharter.proofs.promises import delivered_services
from netcharter.proofs.story import row_name
from netcharter.space.ranges import Ranges, complement, intersect, ranges, subtract, union

# The first code of either family's echo request (RFC 792, RFC 4443 section 4.1).
PING4, PING6 = ECHO4[0][0], ECHO6[0][0]
# RFC 4443, RFC 4861, RFC 3810: what ICMPv6 has besides, IPv4 has not, or outside of IP (ARP).
OWN_ICMP6 = subtract(ranges(coding.service(ICMP6, 0, 0xFFFF)), ECHO6)
DHCP6 = ranges(coding.service(UDP, 546, 547))  # RFC 8415 section 7.2
LOCAL6 = union(LINK_LOCAL6, LINK_MULTICAST6)
OF_IPV6 = "what IPv6 has of its own (neighbour discovery, DHCPv6, ping from the lines)"


@dataclass(frozen=True, slots=True)
class Aside:
    """What the promise does not speak of, in words, and where."""

    words: str
    regions: tuple[Region, ...]


class Carried:
    """Both lists of one plan, for one choice of counterparts (`layers`)."""

    def __init__(self, plan: Plan, ground: Ground) -> None:
        self.plan, self.ground = plan, ground
        self.offers = dict(_offers(self.plan, self.ground))
        rows = [row for row in plan.rows if row.label != "bound"]
        sources = (one.source for row in rows for one in _of4(row))
        met = (one.destination for row in rows if row.delivery is None for one in _of4(row))
        named = (party_names(ground), finer_names(ground))
        self.sources = Parties(*named, _apart(sources))
        self.destinations = Parties(*named, _apart(met))
        self.layers = (0, 0)
        self._services: dict[Ranges, Ranges] = {}
        self._paired: dict[tuple[int, Ranges], Ranges] = {}

    def turns(self) -> Iterator[tuple[int, int]]:
        """Every choice of counterparts, one after the other."""
        yield from product(range(self.sources.layers), range(self.destinations.layers))

    # ---- both lists, decision by decision ----

    def own(self, row: Row) -> tuple[Region, ...]:
        """What a decision says of IPv6, of parties whom both families know."""
        return tuple(self._known(one) for one in row.regions if intersect(one.destination, ANY6))

    def _known(self, region: Region) -> Region:
        source = self._paired_part(0, self.sources, region.source)
        destination = self._paired_part(1, self.destinations, region.destination)
        if source is region.source and destination is region.destination:
            return region
        return replace(region, source=source, destination=destination)

    def _paired_part(self, which: int, parties: Parties, found: Ranges) -> Ranges:
        if not parties.lone:
            return found
        key = (which, found)
        if key not in self._paired:
            self._paired[key] = subtract(found, parties.lone)
        return self._paired[key]

    def carried(self, row: Row) -> tuple[Region, ...]:
        """What a decision about IPv4 says of the same parties in IPv6."""
        if row.label == "bound":
            return tuple(self._bound(row))
        if row.index in self.offers:
            four = self.offers[row.index]
            return tuple(self._offered(four, one) for one in _of4(four)) if four else ()
        if row.delivery is not None:
            return ()  # carried over with its twin, or met in IPv4 alone
        found = (self._carried(one) for one in _of4(row))
        return tuple(one for one in found if one.source and one.destination and one.service)

    def _carried(self, region: Region) -> Region:
        return replace(
            region,
            source=self.sources.carried(region.source, self.layers[0]),
            destination=self.destinations.carried(region.destination, self.layers[1]),
            service=self._service(region.service),
        )

    def _service(self, found: Ranges) -> Ranges:
        if found not in self._services:
            pings = [
                (low - PING4 + PING6, high - PING4 + PING6) for low, high in intersect(found, ECHO4)
            ]
            self._services[found] = union(subtract(found, ECHO6), ranges(*pings))
        return self._services[found]

    def _offered(self, four: Row, region: Region) -> Region:
        """What an offer delivers, to where the same device is found on that line in IPv6."""
        assert four.delivery is not None
        device = self.ground.device[four.delivery.device]
        line = _line_of(self.ground, region)
        inside = [one for one in device.addresses6 if line.prefix and one in line.prefix]
        return replace(
            region,
            source=self.sources.carried(region.source, self.layers[0]),
            destination=coding.addresses(inside),
            service=delivered_services(region.service, four.delivery.port),
        )

    def _bound(self, row: Row) -> Iterator[Region]:
        """A machine that takes the address of another: where each of a device's IPv4 addresses is
        kept from all foreign hardware, its IPv6 addresses have to be."""
        kept: dict[Ranges, Ranges] = {one.source: one.hardware for one in _of4(row)}
        for device in self.ground.devices:
            mine = coding.addresses(device.addresses6)
            if not device.hardware or not device.addresses4 or not mine:
                continue
            foreign = complement(hardware_set(device.hardware), coding.HARDWARE_SIZE)
            singly = [kept.get(coding.addresses([one]), ()) for one in device.addresses4]
            together = kept.get(coding.addresses(device.addresses4), ())
            if together == foreign or all(not subtract(foreign, one) for one in singly):
                to = self.destinations.carried(ANY4, 0)
                yield Region(frozenset({device.area}), mine, to, ANY_SERVICE, foreign)

    # ---- what may differ ----

    @property
    def aside(self) -> tuple[Aside, ...]:
        """What the promise does not speak of."""
        lines, areas = self.ground.all_lines, self.ground.everywhere | {"gateway"}
        gateway = intersect(self.ground.gateway, ANY6)
        own = (
            Region(areas, ANY6, ANY6, OWN_ICMP6, ANY_HARDWARE),
            Region(areas, ANY6, union(gateway, LOCAL6), DHCP6, ANY_HARDWARE),
            Region(lines, ANY6, gateway, ECHO6, ANY_HARDWARE),  # RFC 4890 section 4.4.1
        )
        return (
            Aside(OF_IPV6, own),
            *(Aside(words, ()) for words in self._lone()),
            *self._pings(),
            *self._met_in_six(),
            *self._lines6(),
            *self._time_servers(),
            *self._found(),
        )

    def _lone(self) -> Iterator[str]:
        """Whom only one family has addresses of."""
        prefixes = self.plan.charter.translators
        also = f", and what {listed(map(str, prefixes))} makes of it"
        for family in (4, 6):
            for names, translated in self.destinations.lone_names(
                family, coding.network(*prefixes)
            ):
                told = _told(names)
                if told and not (family == 4 and told.startswith("the gateway")):  # it has others
                    yield f"{told} (IPv{family} alone{also if translated else ''})"
        tied = {one.area for one in self.ground.devices if one.hardware and one.lasting}
        for device in self.ground.devices:
            if not device.hardware and device.addresses6 and device.area in tied:
                yield f"{device.name} (known by its address, which others may take in IPv6)"

    def _pings(self) -> Iterator[Aside]:
        """Rules, and exits that refuse, which name the ping of one family."""
        for row in self.plan.rows:
            if row.kind not in ("rule", "emergency") or row.charter_index is None:
                continue
            six = [one for one in row.regions if intersect(one.destination, ANY6)]
            named = [one for one in (*six, *_of4(row)) if _lone_ping(one.service)]
            if named:
                family = 4 if intersect(named[0].service, ECHO4) else 6
                both = [*six, *(self._carried(one) for one in _of4(row))]
                found = tuple(replace(one, service=ECHO6) for one in both)
                yield Aside(f"{row_name(row)} (the ping of IPv{family} alone)", found)

        for way in self.plan.exits:
            six = [one for one in way.regions if intersect(one.destination, ANY6)]
            named = [one for one in six if way.refused and _lone_ping(one.service)]
            if named:
                family = 4 if intersect(named[0].service, ECHO4) else 6
                found = tuple(replace(one, service=ECHO6) for one in named)
                yield Aside(f"{way.name} (the ping of IPv{family} alone)", found)

    def _met_in_six(self) -> Iterator[Aside]:
        """Offers that are met in IPv6 alone."""
        for index, four in self.offers.items():
            row = self.plan.rows[index]
            if four is None and row.charter_index is not None:
                device = self.ground.device[self.plan.charter.offers[row.charter_index].to]
                mine = device_addresses(device)
                held = (replace(r, destination=intersect(r.destination, mine)) for r in row.regions)
                yield Aside(f"{row_name(row)} (nothing offers it in IPv4)", tuple(held))

    def _time_servers(self) -> Iterator[Aside]:
        """Time servers in areas, which are written as addresses: each is of one family."""
        for row in self.plan.rows:
            if row.label != "time":
                continue
            both = set(self.carried(row))
            itself = (one for one in self.own(row) if one.entrances == frozenset({"gateway"}))
            asked = tuple(one for one in itself if one not in both)
            if asked:
                yield Aside("time servers in areas (by the addresses that are written)", asked)

    def _found(self) -> Iterator[Aside]:
        """Multicast DNS, which hosts send from their link-local addresses in IPv6 (RFC 6762 section 3)."""
        if self.plan.discovery:
            service = ranges(coding.service(UDP, 5353))
            to = intersect(MULTICAST_DNS, ANY6)
            near = Region(self.ground.all_areas, LINK_LOCAL6, to, service, ANY_HARDWARE)
            yield Aside("multicast DNS from link-local addresses", (near,))

    def _lines6(self) -> Iterator[Aside]:
        """Lines that carry IPv6 alone: what leaves by one has no other way out in IPv4."""
        for line in self.plan.lines:
            if line.carries6 and not line.carries4:
                prefix = coding.network(line.prefix) if line.prefix else ()
                routed = [one for row in self.plan.rows if row.routed for one in self.carried(row)]
                found = [replace(one, source=intersect(one.source, prefix)) for one in routed]
                found += [
                    replace(one, entrances=frozenset({"gateway"}))
                    for one in routed
                    if "gateway" in one.entrances
                ]
                held = tuple(one for one in found if one.source)
                yield Aside(f"ways out while no line with IPv4 is up ({line.name} has none)", held)


def _told(names: tuple[Name, ...]) -> str:
    """Whom the charter means, by the names it gives them; "" for what no sentence can name."""
    known = dict(names)
    if "place" in known or "hostile" in known:
        places = [name for kind, name in names if kind == "place"]
        return listed([*places, *(["what lists call hostile"] if "hostile" in known else [])])
    if "device" in known:
        return listed((name for kind, name in names if kind == "device"), "and")
    if "area" in known:
        return f"the hosts of {known['area']} that are no device"
    return f"the gateway {known['gateway']}" if "gateway" in known else ""


def _line_of(ground: Ground, region: Region) -> LinePlan:
    """The line of an offer, by where it is met. Raises StopIteration."""
    there = region.destination
    return next(
        line
        for line in ground.lines
        if intersect(there, line.own)
        or (line.prefix is not None and intersect(there, coding.network(line.prefix)))
    )


def _of4(row: Row) -> Iterator[Region]:
    return (one for one in row.regions if intersect(one.destination, ANY4))


def _apart(sets: Iterable[Ranges]) -> Iterator[Ranges]:
    return (one for one in dict.fromkeys(sets) if one != ANY4)


def _lone_ping(service: Ranges) -> bool:
    return bool(intersect(service, ECHO4)) != bool(intersect(service, ECHO6))


def _offers(plan: Plan, ground: Ground) -> Iterator[tuple[int, Row | None]]:
    """Each offer's decision about IPv6, and the one about IPv4 of the same offer and line."""
    rows = [row for row in plan.rows if row.kind == "offer"]
    translated = {
        (row.charter_index, _line_of(ground, region).name): row
        for row in rows
        if row.delivery is not None
        for region in row.regions
    }
    for row in rows:
        if row.delivery is None and row.regions:
            line = _line_of(ground, row.regions[0])
            yield row.index, translated.get((row.charter_index, line.name))
