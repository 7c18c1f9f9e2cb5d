"""What the gateway's kernel knows beside its ruleset once the kit is in place: whose an address is,
and by which device a packet leaves.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from ipaddress import IPv4Network, IPv6Network

from netcharter.plan import coding
from netcharter.plan.coding import ANY4, ANY6
from netcharter.plan.housekeeping import LINK_LOCAL6, LOOPBACK, MULTICAST
from netcharter.plan.shapes import LinePlan, Plan
from netcharter.space.ranges import Ranges, has, intersect, ranges, subtract, union

ITSELF, LOOP, ELSEWHERE = "", "lo", "*"
Routes = tuple[tuple[Ranges, tuple[str, ...]], ...]

UNSPECIFIED4: Ranges = coding.network(IPv4Network("0.0.0.0/32"))
THIS_NETWORK: Ranges = subtract(coding.network(IPv4Network("0.0.0.0/8")), UNSPECIFIED4)
UNSPECIFIED6: Ranges = coding.network(IPv6Network("::/128"))
# Groups of no scope, or of the host alone, never come by a wire: RFC 4291 section 2.7.
NARROW: Ranges = coding.network(
    *(IPv6Network(f"ff{flags:x}{scope}::/16") for flags in range(16) for scope in (0, 1))
)
# Not `::`, which the kernel sends on by whatever route holds it.
DEAF: Ranges = union(LOOPBACK, UNSPECIFIED4, NARROW)


def own(plan: Plan) -> Mapping[str, Ranges]:
    """The gateway's addresses by device; the unknown address of a line is its symbol."""
    found: dict[str, Ranges] = {}
    for area in plan.areas:
        gateways = area.gateways
        found[area.device] = coding.addresses(gateways)
    for line in plan.lines:
        found[line.device] = union(found.get(line.device, ()), _of_line(line))
    return found


def _of_line(line: LinePlan) -> Ranges:
    interfaces = [interface.ip for interface in line.held]
    codes = [coding.address(address) for address in interfaces]
    if line.automatic:
        codes += [coding.unknown(line.number, family) for family in (4, 6)]
    return ranges(*((code, code) for code in codes))


def broadcast(plan: Plan) -> Ranges:
    """The broadcast addresses of the gateway's networks; a /31 has none (RFC 3021)."""
    networks = [area.v4 for area in plan.areas]
    networks += [line.v4.network for line in plan.lines if line.v4 is not None]
    return coding.addresses(n.broadcast_address for n in networks if n.prefixlen < 31)


def anycast(plan: Plan) -> Ranges:
    """The subnet-router anycast addresses of the gateway's IPv6 networks (RFC 4291 section 2.6.1),
    which Linux takes for its own where it forwards, but for a /127 (RFC 6164 section 5.1).
    """
    networks: list[IPv6Network] = [s.network for area in plan.areas for s in area.subnets6]
    networks += [line.v6.network for line in plan.lines if line.v6 is not None]
    return coding.addresses(n.network_address for n in networks if n.prefixlen < 127)


def line_anycast(plan: Plan) -> Ranges:
    """Of these, the ones that the plan does not count as the gateway's: those of lines."""
    return subtract(anycast(plan), plan.gateway)


def out(plan: Plan, family: int) -> tuple[str, ...]:
    """The devices of the lines that carry a family; a device that nobody knows where there is none,
    so that the packet filter is asked as if there were a way.
    """
    lines = (line for line in plan.lines if (line.carries4 if family == 4 else line.carries6))
    return tuple(line.device for line in lines) or (ELSEWHERE,)


def devices(plan: Plan) -> tuple[str, ...]:
    """The devices of areas and lines."""
    found = [area.device for area in plan.areas]
    return tuple(dict.fromkeys([*found, *(line.device for line in plan.lines)]))


def routes(plan: Plan) -> Routes:
    """Where destinations are routed, the first that holds one counts; several devices: one of them.

    Whatever no area holds may leave by any line that carries its family, as if all were up: which of
    them are is for routing, and so is who goes round to the neighbours on a line by another one.
    """
    near: list[tuple[int, Ranges, tuple[str, ...]]] = []
    for area in plan.areas:
        networks: list[IPv4Network | IPv6Network] = [area.v4]
        networks += [subnet.network for subnet in area.subnets6]
        for network in networks:
            near.append((network.prefixlen, coding.network(network), (area.device,)))
    for line in plan.lines:
        for interface in line.held:
            network = interface.network
            names = dict.fromkeys((line.device, *out(plan, network.version)))
            near.append((network.prefixlen, coding.network(network), tuple(names)))
            if network.version == 4 and network.prefixlen < 31:
                edge = coding.addresses([network.broadcast_address])
                near.append((network.max_prefixlen, edge, (line.device,)))
    near.sort(key=lambda route: -route[0])  # the longest prefix wins
    rest = subtract(union(ANY4, ANY6), union(LINK_LOCAL6, MULTICAST))
    return (
        *((found, names) for _, found, names in near),
        (intersect(rest, ANY4), out(plan, 4)),
        (intersect(rest, ANY6), out(plan, 6)),
    )


def arriving(plan: Plan) -> Iterator[tuple[Ranges, tuple[str, ...]]]:
    """Disjoint destinations with the exits that a packet from outside may have, ITSELF where it
    goes no further. A link-local one that arrives can only be the gateway's own (model, section 4).
    """
    here = union(DEAF, MULTICAST, LINK_LOCAL6, broadcast(plan), anycast(plan), *own(plan).values())
    yield here, (ITSELF,)
    yield from _left(plan, here)


def sent(plan: Plan) -> Iterator[tuple[Ranges, tuple[str, ...]]]:
    """The same for what the gateway itself sends."""
    here = union(LOOPBACK, *own(plan).values())
    yield here, (ITSELF,)
    yield from _left(plan, here)
    spread = subtract(union(MULTICAST, LINK_LOCAL6), here)
    four = [area.device for area in plan.areas]
    four += [line.device for line in plan.lines if line.carries4]  # no other one has an address
    yield intersect(spread, ANY4), tuple(four)
    yield intersect(spread, ANY6), devices(plan)


def _left(plan: Plan, gone: Ranges) -> Iterator[tuple[Ranges, tuple[str, ...]]]:
    for found, names in routes(plan):
        yield subtract(found, gone), names
        gone = union(gone, found)


def ways_to(plan: Plan, address: int) -> tuple[str, ...]:
    """The exits of a packet that is delivered to an address."""
    return next((names for found, names in arriving(plan) if has(found, address)), ())
