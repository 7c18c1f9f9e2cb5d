"""The decisions no charter should have to repeat, each with its reason and published source.

The tables of `docs/explanation/model.md`, section 6, in their order.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network

from netcharter.plan import coding
from netcharter.plan.coding import ANY4, ANY6, ANY_HARDWARE, ANY_SERVICE, ICMP, ICMP6, TCP, UDP
from netcharter.plan.exits import NO_EXIT, beside, refused
from netcharter.plan.icmp import DISCOVERY_TYPES, ROUTER_ADVERTISEMENT
from netcharter.plan.names.audiences import withheld_from
from netcharter.plan.shapes import AreaPlan, DevicePlan, Kind, Limit, LinePlan, Region, When
from netcharter.plan.terms import (
    Ground,
    Who,
    device_addresses,
    device_starts,
    hardware_set,
    line_states,
    regions,
)
from netcharter.space.ranges import Ranges, complement, intersect, ranges, subtract, union

BROADCAST = coding.addresses([IPv4Address("255.255.255.255")])
UNSPECIFIED4 = coding.addresses([IPv4Address("0.0.0.0")])
UNSPECIFIED6 = coding.addresses([IPv6Address("::")])
LINK_LOCAL6 = coding.network(IPv6Network("fe80::/10"))
LINK_MULTICAST6 = coding.network(IPv6Network("ff02::/16"))
MULTICAST_DNS = coding.addresses([IPv4Address("224.0.0.251"), IPv6Address("ff02::fb")])
DHCP_SERVERS6 = coding.addresses([IPv6Address("ff02::1:2")])
MULTICAST = union(coding.network(IPv4Network("224.0.0.0/4"), IPv6Network("ff00::/8")), BROADCAST)
LOOPBACK = union(coding.network(IPv4Network("127.0.0.0/8")), coding.addresses([IPv6Address("::1")]))


@dataclass(frozen=True, slots=True)
class Draft:
    """A decision before it has its place in the order."""

    label: str
    let: bool
    regions: tuple[Region, ...]
    because: str
    basis: str | None = None
    quiet: bool = False
    routed: bool = False
    kind: Kind = "housekeeping"
    limit: Limit | None = None
    finishing: When | None = None


def services(*parts: tuple[int, int]) -> Ranges:
    """Services from (protocol, port) pairs."""
    return ranges(*(coding.service(*part) for part in parts))


def icmp_types(protocol: int, types: Iterable[int]) -> Ranges:
    """ICMP types with all their codes."""
    return ranges(*(coding.service(protocol, t << 8, (t << 8) + 255) for t in types))


ECHO4 = icmp_types(ICMP, [8])
ECHO6 = icmp_types(ICMP6, [128])


def _products(
    entrances: Iterable[str],
    source: Ranges,
    destination: Ranges,
    service: Ranges = ANY_SERVICE,
    hardware: Ranges = ANY_HARDWARE,
) -> Iterator[Region]:
    """The product split by family; nothing where a family has no source or destination."""
    yield from regions(
        [Who(frozenset(entrances), source=source, hardware=hardware)], destination, service
    )


def first_part(ground: Ground) -> Iterator[Draft]:
    """Housekeeping that stands before everything else."""
    yield _loopback(ground)
    yield from _kept_out(ground)
    yield Draft(
        "neighbour-discovery",
        True,
        tuple(_discovery(ground)),
        "neighbours, routers and multicast listeners find each other",
        "RFC 4861, RFC 4890 section 4.4",
    )
    yield Draft("dhcp", True, tuple(_dhcp(ground)), "machines get their addresses",
                "RFC 2131 section 4.1, RFC 8415 section 7")  # fmt: skip
    if ground.charter.discovery:
        yield _found(ground)
    yield from _sources(ground)
    yield from _destinations(ground)
    yield from _ways_out(ground)


def _loopback(ground: Ground) -> Draft:
    own = union(ground.gateway, LOOPBACK)
    return Draft(
        "loopback",
        True,
        tuple(regions([Who(frozenset({"gateway"}))], own, ANY_SERVICE)),
        "the gateway talks to itself",
        "RFC 1122 section 3.2.1.3",
    )


def _kept_out(ground: Ground) -> Iterator[Draft]:
    barred = [d for d in ground.devices if d.barred]
    if barred:
        hardware = hardware_set(h for d in barred for h in d.hardware)
        by_address = union(*(device_addresses(d) for d in barred if not d.hardware))
        who = [Who(ground.all_areas, hardware=hardware), Who(ground.all_areas, source=by_address)]
        yield Draft("barred", False, tuple(regions(who, union(ANY4, ANY6), ANY_SERVICE)),
                    "the charter bars these devices")  # fmt: skip
    closed = [a for a in ground.areas if a.strangers_refused]
    if closed:
        who = [Who(frozenset({a.name}), hardware=_strangers(ground, a)) for a in closed]
        yield Draft("strangers", False, tuple(regions(who, union(ANY4, ANY6), ANY_SERVICE)),
                    "these areas are for their own devices only")  # fmt: skip


def known_hardware(ground: Ground, area: AreaPlan) -> Ranges:
    """The hardware addresses that are no strangers in an area."""
    return hardware_set(
        h for d in ground.devices if d.area == area.name or d.roams for h in d.hardware
    )


def _strangers(ground: Ground, area: AreaPlan) -> Ranges:
    return complement(known_hardware(ground, area), coding.HARDWARE_SIZE)


def line_network6(line: LinePlan) -> Ranges:
    return coding.network(line.v6.network) if line.v6 else ()


def _discovery(ground: Ground) -> Iterator[Region]:
    types = icmp_types(ICMP6, DISCOVERY_TYPES)
    with_router = icmp_types(ICMP6, (*DISCOVERY_TYPES, ROUTER_ADVERTISEMENT))
    near = union(intersect(ground.gateway, ANY6), LINK_MULTICAST6)
    for area in ground.areas:
        source = union(LINK_LOCAL6, UNSPECIFIED6, intersect(area.hosts, ANY6))
        yield from _products([area.name], source, near, types)
    for line in ground.lines:
        source = union(LINK_LOCAL6, UNSPECIFIED6, line_network6(line))
        yield from _products([line.name], source, near, with_router)
    on_link = union(
        LINK_MULTICAST6,
        LINK_LOCAL6,
        *(intersect(a.hosts, ANY6) for a in ground.areas),
        *(line_network6(line) for line in ground.lines),
    )
    source = union(intersect(ground.gateway, ANY6), UNSPECIFIED6)
    yield from _products(["gateway"], source, on_link, with_router)


def _dhcp(ground: Ground) -> Iterator[Region]:
    near4 = union(BROADCAST, intersect(ground.gateway, ANY4))
    near6 = union(DHCP_SERVERS6, intersect(ground.gateway, ANY6))
    for area in ground.areas:
        source = union(UNSPECIFIED4, intersect(area.hosts, ANY4))
        yield from _products([area.name], source, near4, services((UDP, 67)))
        yield from _products([area.name], LINK_LOCAL6, near6, services((UDP, 547)))
    for line in ground.lines:
        if line.automatic:
            yield from _products([line.name], ANY4, near4, services((UDP, 68)))
        if line.automatic or line.delegated:
            yield from _products(
                [line.name], LINK_LOCAL6, intersect(ground.gateway, ANY6), services((UDP, 546))
            )
    source4 = union(intersect(ground.gateway, ANY4), UNSPECIFIED4)
    source6 = intersect(ground.gateway, ANY6)
    hosts4 = union(*(intersect(a.hosts, ANY4) for a in ground.areas))
    yield from _products(["gateway"], source4, union(BROADCAST, hosts4), services((UDP, 68)))
    yield from _products(["gateway"], source6, LINK_LOCAL6, services((UDP, 546)))
    if any(line.automatic for line in ground.lines):
        outward = union(BROADCAST, intersect(ground.internet, ANY4))
        yield from _products(["gateway"], source4, outward, services((UDP, 67)))
    if any(line.automatic or line.delegated for line in ground.lines):
        yield from _products(["gateway"], source6, DHCP_SERVERS6, services((UDP, 547)))


def _found(ground: Ground) -> Draft:
    """Hosts that find, and those that are found, talk with a relay at the gateway; nobody is
    answered but by the group."""
    asked = services((UDP, 5353))
    involved = {name for one in ground.charter.discovery for name in (*one.who, *one.where)}
    found: list[Region] = []
    for area in ground.areas:
        if area.name in involved:
            near = union(area.hosts, LINK_LOCAL6)
            found += _products([area.name], near, MULTICAST_DNS, asked)
    found += _products(["gateway"], ground.gateway, MULTICAST_DNS, asked)
    return Draft("found-services", True, tuple(found),
                 "hosts are told what they may find in other areas",
                 "RFC 6762 section 3")  # fmt: skip


def _sources(ground: Ground) -> Iterator[Draft]:
    everything = union(ANY4, ANY6)
    forged: list[Region] = []
    for area in ground.areas:
        forged += _products([area.name], subtract(everything, area.hosts), everything)
    forged += _products(ground.all_lines, subtract(everything, ground.internet), everything)
    forged += _products(["gateway"], subtract(everything, ground.gateway), everything)
    yield Draft("forged", False, tuple(forged), "a source must belong where it enters",
                "RFC 2827 (BCP 38), RFC 6890, RFC 6092 REC-5 and REC-6", quiet=True)  # fmt: skip
    bound = tuple(r for d in ground.devices for r in _bound(d))
    if bound:
        yield Draft("bound", False, bound, "a lasting address belongs to one piece of hardware",
                    "RFC 2827 (BCP 38), common practice at the last hop", quiet=True)  # fmt: skip


def _bound(device: DevicePlan) -> Iterator[Region]:
    if not device.hardware:
        return
    area, own = [device.area], hardware_set(device.hardware)
    others = complement(own, coding.HARDWARE_SIZE)
    everything = union(ANY4, ANY6)
    mine6 = coding.addresses(device.addresses6)
    yield from _products(area, mine6, everything, hardware=others)
    if len(device.addresses4) == len(device.hardware):
        for mine, number in zip(device.addresses4, device.hardware, strict=True):
            address, hardware = coding.addresses([mine]), hardware_set([number])
            yield from _products(
                area, address, ANY4, hardware=complement(hardware, coding.HARDWARE_SIZE)
            )
            yield from _products(area, subtract(ANY4, address), ANY4, hardware=hardware)
    elif device.addresses4:
        mine4 = coding.addresses(device.addresses4)
        yield from _products(area, mine4, ANY4, hardware=others)
        yield from _products(area, subtract(ANY4, mine4), ANY4, hardware=own)


def edge_addresses(area: AreaPlan) -> Ranges:
    """The IPv4 network and broadcast addresses of an area; a /31 or /32 has none (RFC 3021)."""
    if area.v4.prefixlen >= 31:
        return ()
    return coding.addresses([area.v4.network_address, area.v4.broadcast_address])


def _destinations(ground: Ground) -> Iterator[Draft]:
    everywhere = ground.everywhere | {"gateway"}
    everything = union(ANY4, ANY6)
    edges = union(*(edge_addresses(a) for a in ground.areas))
    yield Draft("directed-broadcast", False, tuple(_products(everywhere, everything, edges)),
                "nobody may wake a whole area at once", "RFC 2644", quiet=True)  # fmt: skip
    same: list[Region] = []
    for area in ground.areas:
        same += _products([area.name], everything, subtract(area.whole, ground.gateway))
    yield Draft("same-area", False, tuple(same),
                "hosts of one area talk directly, never through the gateway",
                "common practice, no source")  # fmt: skip
    yield Draft("multicast", False, tuple(_products(everywhere, everything, MULTICAST)),
                "multicast and broadcast are not forwarded",
                "RFC 6092 REC-1, NIST SP 800-41r1", quiet=True)  # fmt: skip
    known = union(ground.internet, ground.gateway, MULTICAST, *(a.whole for a in ground.areas))
    nowhere = subtract(everything, known)
    yield Draft("unroutable", False, tuple(_products(everywhere, everything, nowhere)),
                "no such destination: special-purpose addresses stay off the lines",
                "RFC 6890, RFC 6092 REC-3 and REC-7")  # fmt: skip


def _is_down(name: str, up: frozenset[str]) -> bool:
    return name not in up


def _ways_out(ground: Ground) -> Iterator[Draft]:
    inside = ground.all_areas | {"gateway"}
    four = {line.name for line in ground.lines if line.carries4}
    six = {line.name for line in ground.lines if line.carries6}
    out4, out6 = intersect(ground.internet, ANY4), intersect(ground.internet, ANY6)
    closed: list[Region] = []

    def shut(
        entrances: Iterable[str], source: Ranges, to: Ranges, states: frozenset[int] | None
    ) -> None:
        if states != frozenset() and source and to:
            closed.append(
                Region(frozenset(entrances), source, to, ANY_SERVICE, ANY_HARDWARE, lines=states)
            )

    shut(inside, ANY4, out4, line_states(ground, lambda up: not up & four))
    global6: Ranges = ()
    for line in ground.lines:
        if line.prefix is not None:
            own = coding.network(line.prefix)
            global6 = union(global6, own)
            shut(inside, own, out6, line_states(ground, partial(_is_down, line.name)))
            if line.learns:
                shut(inside, own, intersect(out6, beside(ground.lines, [line.name], 6)), None)
    shut(["gateway"], ANY6, out6, line_states(ground, lambda up: not up & six))
    yield Draft("no-line", False, tuple(closed), "no line that is up leads there",
                "RFC 1812 section 4.3.3.1", routed=True)  # fmt: skip
    if without_exit := tuple(refused(ground)):
        yield Draft(NO_EXIT, False, without_exit, "its exit allows no line that leads there",
                    "RFC 1812 section 4.3.3.1", routed=True)  # fmt: skip
    local = tuple(_products(ground.all_areas, subtract(ANY6, global6), out6))
    yield Draft("local-prefix", False, local, "local IPv6 addresses do not leave the site",
                "RFC 4193 section 4.3, RFC 6092 REC-7")  # fmt: skip


def second_part(ground: Ground) -> Iterator[Draft]:
    """Housekeeping that lets: what every area may ask of the gateway."""
    areas, sign_in = [Who(ground.all_areas)], [Who(ground.sign_in_areas)]
    itself, own = [Who(frozenset({"gateway"}))], ground.gateway
    inner = subtract(own, union(*(line.own for line in ground.lines)))
    yield Draft("names", True, tuple(regions(areas, inner, services((TCP, 53), (UDP, 53)))),
                "the gateway answers name look-ups", "RFC 1035 section 4.2, RFC 7766")  # fmt: skip
    if ground.charter.site.time_servers:
        yield _time(ground, areas, itself, inner)
    if ground.sign_in_areas:
        yield Draft("gate", True, tuple(regions(sign_in, inner, services((TCP, 80), (TCP, 443)))),
                    "the sign-in page", "RFC 8908 section 4.1")  # fmt: skip
    kept_from = [Who(one.areas, one.source) for one in withheld_from(ground)]
    if kept_from:
        yield Draft("withheld-page", True, tuple(regions(kept_from, inner, services((TCP, 80)))),
                    "the page that says why a name is withheld",
                    "RFC 9110 section 15.5.4")  # fmt: skip
    managers = (ground.device[name] for name in ground.charter.site.managed_from)
    admins = [device_starts(ground, device) for device in managers]
    if admins:
        yield Draft("management", True, tuple(regions(admins, own, services((TCP, 22)))),
                    "the way in for the administrator", "NIST SP 800-41r1 section 5.2",
                    kind="management")  # fmt: skip


def third_part(ground: Ground) -> Iterator[Draft]:
    """Housekeeping behind emergencies: who is hostile, and what else the gateway does with others."""
    areas, lines = [Who(ground.all_areas)], [Who(ground.all_lines)]
    itself, own = [Who(frozenset({"gateway"}))], ground.gateway
    if ground.charter.hostile.lists:
        yield _hostile(ground)
    yield Draft(
        "echo",
        True,
        (*_echo(areas, own), *regions(lines, intersect(own, ANY6), ECHO6)),
        "is the gateway there?",
        "RFC 1122 section 3.2.2.6, RFC 4890 section 4.4.1",
    )
    hosts = union(*(a.hosts for a in ground.areas))
    needs = services((TCP, 53), (UDP, 53), (TCP, 853), (UDP, 123), (TCP, 80), (TCP, 443))
    yield Draft(
        "gateway-own",
        True,
        (
            *regions(itself, ground.internet, needs),
            *_echo(itself, union(ground.internet, hosts)),
        ),
        "the gateway's own look-ups, clock and updates",
        "common practice, no source",
    )


def _time(ground: Ground, areas: list[Who], itself: list[Who], inner: Ranges) -> Draft:
    """The areas ask the gateway, and the gateway those time servers that stand in areas, and any on
    the internet where one is written as a name: nobody knows its addresses here, and no list of
    hostile ones is to cut it off. Other servers are asked as `gateway-own`."""
    hosts = union(*(area.hosts for area in ground.areas))
    asked = ground.charter.site.time_servers
    near = intersect(coding.addresses(a for a in asked if not isinstance(a, str)), hosts)
    named = any(isinstance(one, str) for one in asked)
    ntp = services((UDP, 123))
    return Draft(
        "time",
        True,
        (
            *regions(areas, inner, ntp),
            *regions(itself, near, ntp),
            *regions(itself, ground.internet if named else (), ntp),
        ),
        "the gateway tells the time, and is told it",
        "RFC 5905 section 7.2",
    )


def _hostile(ground: Ground) -> Draft:
    """Both ways. What no list can cut off is not in the set, so that who is let is decided behind."""
    inside = ground.all_areas | {"gateway"}
    return Draft(
        "hostile",
        False,
        (
            *_products(ground.all_lines, ground.hostile, union(ANY4, ANY6)),
            *_products(inside, union(ANY4, ANY6), ground.hostile),
        ),
        "lists name these addresses as hostile",
        "common practice, no source",
    )


def _echo(who: list[Who], destination: Ranges) -> Iterator[Region]:
    yield from regions(who, intersect(destination, ANY4), ECHO4)
    yield from regions(who, intersect(destination, ANY6), ECHO6)
