"""Whom an address stands for, and where the same party is found in the other family.

A party is what a charter can tell apart: the hosts of an area, a device, the gateway, a place, the
rest of the internet. All addresses that belong to the same named sets are one party's, and a set of
IPv4 addresses is *carried over* as the IPv6 addresses of those whose IPv4 addresses it holds.

Where decisions cut a party's IPv4 addresses into pieces that fare differently, each piece is its
counterpart in turn (`layers`): what is said of the party has to hold for every one.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network

from netcharter.plan import coding
from netcharter.plan.coding import ANY4
from netcharter.plan.housekeeping import (
    BROADCAST,
    LINK_LOCAL6,
    LOOPBACK,
    MULTICAST,
    MULTICAST_DNS,
    edge_addresses,
)
from netcharter.plan.terms import Ground, device_addresses
from netcharter.space.bits import bits
from netcharter.space.ranges import Ranges, has, intersect, ranges, subtract, union

UNSPECIFIED = coding.addresses([IPv4Address("0.0.0.0"), IPv6Address("::")])
# RFC 3927 and RFC 4291, section 2.5.6
LINK_LOCAL = union(coding.network(IPv4Network("169.254.0.0/16")), LINK_LOCAL6)

_ALL = -1  # stands for ANY4

Name = tuple[str, str]  # what it is, and which: ("device", "till-1")
Named = Mapping[Name, Ranges]


def party_names(ground: Ground) -> Named:
    """What makes a party: sets of addresses of both families, by name."""
    outer = union(*(line.own for line in ground.lines))
    found: dict[Name, Ranges] = {
        ("internet", ""): ground.internet,
        ("multicast", ""): MULTICAST,
        ("hostile", ""): ground.hostile,
        ("gateway", "inside"): subtract(ground.gateway, outer),
        ("gateway", "on a line"): outer,
    }
    found |= {("area", one.name): one.hosts for one in ground.areas}
    found |= {("device", d.name): device_addresses(d) for d in ground.devices if d.lasting}
    return found | {  # what is not ordinary stays so, whatever place it is written into
        ("place", name): intersect(held, ground.internet) for name, held in ground.places.items()
    }


def finer_names(ground: Ground) -> Named:
    """What tells addresses of one party further apart, where both families have it: by which of its
    addresses the gateway is meant, who is a neighbour on a line, what only has a meaning of its own."""
    found: dict[Name, Ranges] = {
        ("loopback", ""): LOOPBACK,
        ("link-local", ""): LINK_LOCAL,
        ("unspecified", ""): UNSPECIFIED,
        ("broadcast", ""): BROADCAST,
        ("multicast DNS", ""): MULTICAST_DNS,
        ("edges", ""): union(*(edge_addresses(one) for one in ground.areas)),
    }
    for area in ground.areas:
        found["gateway in", area.name] = intersect(area.whole, ground.gateway)
    for line in ground.lines:
        found["gateway on", line.name] = line.own
        networks: list[IPv4Network | IPv6Network] = [one.network for one in line.held]
        found["beside", line.name] = subtract(coding.network(*networks), line.own)
    return found


@dataclass(frozen=True, slots=True)
class Cell:
    """The IPv6 addresses of one party, and a piece of its IPv4 addresses for each way in which they
    fare: the sets that hold it, as bits, and its first address. No pieces: IPv4 has none of it."""

    names: int
    six: Ranges
    pieces: tuple[tuple[int, int], ...]


class Parties:
    """Every address of IPv6 with its counterparts. `sets`: those of IPv4 that will be carried over,
    none of them ANY4."""

    def __init__(self, named: Named, finer: Named, sets: Iterable[Ranges]) -> None:
        self.names = tuple(named)
        self._numbers = {one: bit for bit, one in enumerate(dict.fromkeys(sets))}
        self._hard = (1 << len(named)) - 1
        self._beside = sum(
            1 << bit for bit, (what, _) in enumerate([*named, *finer]) if what == "beside"
        )
        shift = len(named) + len(finer)
        four: dict[int, dict[int, int]] = {}
        six: dict[int, list[tuple[int, int]]] = {}
        for low, high, held in _swept([ANY4, *named.values(), *finer.values(), *self._numbers]):
            mask = held >> 1
            names = mask & (1 << shift) - 1
            if held & 1:
                four.setdefault(names, {}).setdefault(mask >> shift, low)
            else:
                six.setdefault(names, []).append((low, high))
        self._four = four
        self.cells = tuple(
            Cell(names & self._hard, ranges(*found), self._pieces(names))
            for names, found in six.items()
        )

    def _pieces(self, names: int) -> tuple[tuple[int, int], ...]:
        """The counterparts: the same in all that tells apart, or what only is of the same party. Who
        is a neighbour on a line, which has ways of its own, stands for neighbours alone."""
        exact = self._four.get(names) or self._four.get(names & self._hard)
        if exact is None:
            same = (
                held
                for one, held in self._four.items()
                if one & self._hard == names & self._hard and not one & self._beside & ~names
            )
            exact = {mask: first for held in same for mask, first in held.items()}
        return tuple(exact.items())

    @cached_property
    def layers(self) -> int:
        """In how many turns every piece is somebody's counterpart."""
        return max((len(cell.pieces) for cell in self.cells), default=1) or 1

    @cached_property
    def lone(self) -> Ranges:
        """The IPv6 addresses of those of whom IPv4 has nothing."""
        return union(*(cell.six for cell in self.cells if not cell.pieces))

    def lone_names(
        self, family: int, translated: Ranges
    ) -> Iterator[tuple[tuple[Name, ...], bool]]:
        """The parties of whom only this family has addresses, and whether IPv6 has those that lead to
        them by translators (`translated`)."""
        lone = {cell.names for cell in self.cells if not cell.pieces}
        six = {cell.names for cell in self.cells}
        if family == 4:
            real = {one.names for one in self.cells if subtract(one.six, translated)}
            lone = {one & self._hard for one in self._four} - real
        for names in sorted(lone):
            yield tuple(self.names[bit] for bit in bits(names)), family == 4 and names in six

    def carried(self, four: Ranges, layer: int) -> Ranges:
        """The IPv6 addresses of those whose IPv4 addresses, of this layer, a set holds."""
        number = _ALL if four == ANY4 else self._numbers[four]
        return self._carried[layer].get(number, ())

    @cached_property
    def _carried(self) -> Sequence[Mapping[int, Ranges]]:
        found: list[dict[int, Ranges]] = []
        for layer in range(self.layers):
            held: dict[int, list[tuple[int, int]]] = {}
            for cell in self.cells:
                if cell.pieces:
                    mask, _ = cell.pieces[min(layer, len(cell.pieces) - 1)]
                    for bit in (_ALL, *bits(mask)):
                        held.setdefault(bit, []).extend(cell.six)
            found.append({bit: ranges(*pairs) for bit, pairs in held.items()})
        return found

    def counterpart(self, address: int, layer: int) -> int:
        """An IPv4 address of the party that an IPv6 address belongs to. Raises LookupError."""
        for cell in self.cells:
            if cell.pieces and has(cell.six, address):
                return cell.pieces[min(layer, len(cell.pieces) - 1)][1]
        raise LookupError(address)


def _swept(sets: Sequence[Ranges]) -> Iterator[tuple[int, int, int]]:
    """All addresses in intervals of the same sets, each with these as bits."""
    turns: dict[int, int] = {0: 0, coding.ADDRESS_SIZE: 0}
    for bit, one in enumerate(sets):
        for low, high in one:
            turns[low] = turns.get(low, 0) ^ 1 << bit
            turns[high + 1] = turns.get(high + 1, 0) ^ 1 << bit
    ends = sorted(turns)
    mask = 0
    for low, after in itertools.pairwise(ends):
        mask ^= turns[low]
        yield low, after - 1, mask
