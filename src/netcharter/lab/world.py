"""Addresses that a charter does not say and a lab must have: those of automatic lines, and those to
which names lead."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from ipaddress import (
    IPv4Address,
    IPv4Interface,
    IPv4Network,
    IPv6Address,
    IPv6Interface,
    IPv6Network,
)

from netcharter.lab.trouble import LabImpossible
from netcharter.plan import coding
from netcharter.plan.shapes import Address, Plan
from netcharter.probes.shapes import World
from netcharter.space.ranges import Ranges, intersect, subtract, union

# Blocks that a site can hardly have, tried in this order: shared address space (RFC 6598), which
# providers give to lines like these, benchmarking (RFC 2544), documentation (RFC 5737, RFC 3849,
# RFC 9637).
BLOCKS4 = tuple(
    IPv4Network(text)
    for text in ("100.64.77.0/24", "100.64.0.0/10", "198.18.0.0/15", "192.0.2.0/24")
)
BLOCKS6 = tuple(IPv6Network(text) for text in ("2001:db8:ffff::/48", "2001:db8::/32", "3fff::/20"))
WIDTH4, WIDTH6 = 30, 64  # of the network on such a line
APART = 1 << 8  # of addresses to which names lead


def world(plan: Plan) -> World:
    """An address and a next hop in both families for every automatic line of a plan, and addresses for
    every place that is made of names.

    The former lie in nothing that the plan knows of. The same plan gives the same world. Raises
    LabImpossible if a charter leaves none of the blocks above.
    """
    taken = _taken(plan)
    lines4, lines6 = {}, {}
    for line in plan.lines:
        if not line.automatic:
            continue
        four = IPv4Address(_free(BLOCKS4, WIDTH4, taken))
        six = IPv6Address(_free(BLOCKS6, WIDTH6, taken))
        lines4[line.name] = (IPv4Interface((four + 2, WIDTH4)), four + 1)
        lines6[line.name] = (IPv6Interface((six + 2, WIDTH6)), six + 1)
        taken = union(
            taken,
            coding.network(IPv4Network((four, WIDTH4)), IPv6Network((six, WIDTH6))),
        )
    return World(lines4, lines6, dict(_led(plan, taken)))


def _led(plan: Plan, taken: Ranges) -> Iterator[tuple[str, tuple[Address, ...]]]:
    """In both families an address of its own for each place, and one that all of them share, well
    within what is internet and nothing else."""
    known = union(taken, plan.hostile, *plan.places.values())
    first: list[int] = []
    for whole in (coding.ANY4, coding.ANY6):
        free = subtract(intersect(plan.internet, whole), known)
        low, high = max(free, key=lambda pair: pair[1] - pair[0], default=(0, 0))
        if high - low > APART * (len(plan.by_names) + 2):
            first.append(low + (high - low) // 2)
    for place, one in enumerate(plan.by_names, 1):
        found = [coding.decode(begin + APART * place) for begin in first]
        found += [coding.decode(begin) for begin in first]
        yield one.name, tuple(each for each in found if not isinstance(each, tuple))


def _taken(plan: Plan) -> Ranges:
    """Every address that the charter or its plan speaks of, but for the internet as a whole."""
    networks: list[IPv4Network | IPv6Network] = [plan.local_prefix]
    for place in plan.charter.places.values():
        networks += place.prefixes
    hops = [hop for line in plan.lines for hop in (line.next_hop4, line.next_hop6) if hop]
    for line in plan.lines:
        networks += [own.network for own in line.held]
        networks += [line.prefix] if line.prefix is not None else []
    known = [address for d in plan.devices for address in (*d.addresses4, *d.addresses6)]
    return union(
        coding.network(*networks),
        coding.addresses([*hops, *known]),
        plan.gateway,
        *(area.whole for area in plan.areas),
    )


def _free(blocks: Sequence[IPv4Network | IPv6Network], width: int, taken: Ranges) -> int:
    """The number of the first network of that width in the blocks that is not taken."""
    for block in blocks:
        step = 1 << (block.max_prefixlen - width)
        origin = coding.address(block[0]) - int(block[0])
        for low, high in subtract(coding.network(block), taken):
            first = -(-(low - origin) // step) * step
            if first + step - 1 <= high - origin:
                return first
    raise LabImpossible(
        "the charter leaves no address for an automatic line in the lab",
        f"leave part of {' or '.join(map(str, blocks))} out of it, or give the line an address",
    )
