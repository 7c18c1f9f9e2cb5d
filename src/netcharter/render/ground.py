"""What the chains of a kit stand on: entrances with their devices, and the parts of the world.

A packet filter sees a packet in one of three hooks. Which one depends on the destination: what is
the gateway's own, or goes to many, arrives in *input*; the rest passes through *forward*; what
the gateway itself sends leaves by *output*. Within a hook, destinations fall into parts, so that
"the internet" is asked once per packet and not once per rule.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from ipaddress import IPv4Network

from netcharter.plan import coding
from netcharter.plan.coding import LOCAL_HARDWARE, NO_HARDWARE, SYMBOLS, V6
from netcharter.plan.housekeeping import LOOPBACK, MULTICAST, edge_addresses
from netcharter.plan.shapes import AreaPlan, LinePlan, Plan
from netcharter.render.clauses import View
from netcharter.space.ranges import Ranges, intersect, ranges, subtract, union

GATEWAY = "gateway"
FAMILIES = (4, 6)
NUMBERS: dict[int, Ranges] = {4: ranges((0, V6 - 1)), 6: ranges((V6, SYMBOLS - 1))}


@dataclass(frozen=True, slots=True)
class Entrance:
    """An area, a line, or the gateway itself (which has no entrance device)."""

    name: str
    device: str | None
    hardware: Ranges
    signed: bool
    silent: bool  # every refusal is silent here

    @property
    def hooks(self) -> tuple[str, ...]:
        return ("out",) if self.device is None else ("in", "fwd")


@dataclass(frozen=True, slots=True)
class World:
    """The destinations of one family, coded.

    own: the gateway's known addresses; unknown: those of its automatic lines; many: what goes to
    many and is decided in the input hook; kept: what is never forwarded; net: the internet;
    self: what a packet of the gateway's own may have as its source, loopback included.
    """

    family: int
    own: Ranges
    unknown: Ranges
    many: Ranges
    kept: Ranges
    net: Ranges
    self: Ranges


def entrances(plan: Plan) -> tuple[Entrance, ...]:
    """Every way in, areas first, the gateway last."""
    return (
        *(_area(area) for area in plan.areas),
        *(_line(line) for line in plan.lines),
        Entrance(GATEWAY, None, NO_HARDWARE, signed=False, silent=False),
    )


def _area(area: AreaPlan) -> Entrance:
    return Entrance(area.name, area.device, LOCAL_HARDWARE, area.sign_in, area.quiet)


def _line(line: LinePlan) -> Entrance:
    return Entrance(line.name, line.device, NO_HARDWARE, signed=False, silent=True)


def world(plan: Plan, family: int) -> World:
    numbers = NUMBERS[family]
    own = intersect(plan.gateway, numbers)
    every = coding.ANY4 if family == 4 else coding.ANY6
    multicast = intersect(MULTICAST, numbers)
    edges = union(
        *(intersect(edge_addresses(area), numbers) for area in plan.areas),
        *(intersect(_broadcast(line), numbers) for line in plan.lines),
    )
    return World(
        family=family,
        own=own,
        unknown=subtract(intersect(plan.gateway, every), numbers),
        many=subtract(union(multicast, edges), own),
        kept=union(own, multicast),
        net=intersect(plan.internet, numbers),
        self=union(own, intersect(LOOPBACK, numbers)),
    )


def _broadcast(line: LinePlan) -> Ranges:
    """What the kernel takes for the broadcast address of a line's own network."""
    network = line.v4.network if line.v4 is not None else IPv4Network("0.0.0.0/32")
    return coding.addresses([network.broadcast_address]) if network.prefixlen < 31 else ()


def views(entrance: Entrance, hook: str, found: World) -> Iterator[tuple[str, View]]:
    """The parts (names of `plan.labels.PARTS`) that an entrance's decisions fall into."""
    numbers = NUMBERS[found.family]
    destinations = {
        "in": {"": found.own, "many": found.many, "new": found.unknown},
        "fwd": {"": subtract(numbers, union(found.kept, found.net)), "net": found.net},
        "out": {"": subtract(numbers, found.net), "net": found.net, "new": found.unknown},
    }[hook]
    sources = {"": numbers, "own": found.unknown}
    if hook == "out":
        sources = {"": found.own, "own": found.unknown, "else": subtract(numbers, found.own)}
    for suffix, source in sources.items():
        for part, destination in destinations.items():
            if source and destination:
                yield (
                    hook + part + suffix,
                    View(
                        family=found.family,
                        entrance=entrance.name,
                        source=source,
                        destination=destination,
                        hardware=entrance.hardware,
                        signed=entrance.signed,
                        device_match="oifname" if entrance.device is None else "iifname",
                    ),
                )
