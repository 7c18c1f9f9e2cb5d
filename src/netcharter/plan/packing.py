"""Where the areas go in the private IPv4 space. What is promised: see `plan.addressing`."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from ipaddress import IPv4Network

from netcharter.charter.model import Area, Charter, Line, Network
from netcharter.plan import coding
from netcharter.space.ranges import Ranges, disjoint, intersect, subset, subtract, union

POOL4 = tuple(map(IPv4Network, ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16")))  # RFC 1918
BASE_BITS = 16  # chosen areas share a /16, so that one entry names the site
UNSAID_BITS = 8  # an area of unsaid size gets a /24
_POOL = coding.network(*POOL4)


def pack(
    charter: Charter, previous: Mapping[str, IPv4Network | None]
) -> dict[str, IPv4Network | None]:
    """The IPv4 prefix of each area; None where no room is left.

    The prefix of an area that is gone is avoided while there is other room: it may come back.
    """
    given = {a.name: n for a in charter.areas.values() if (n := given4(a))}
    gone = (p for n, p in previous.items() if n not in charter.areas and p is not None)
    places = (n for p in charter.places.values() for n in p.prefixes)
    ground = Ground(
        site=charter.site.name,
        lines=_line_space(charter.lines.values()),
        places=intersect(_POOL, _networks4((*places, *gone))),
        used=(),
        later=_networks4(given.values()),
    )
    kept = {
        name: prefix
        for name, prefix in previous.items()
        if prefix is not None and name in charter.areas and name not in given
    }
    for network in kept.values():
        ground.take(network)
    out: dict[str, IPv4Network | None] = {}
    for area in charter.areas.values():
        found = (
            given.get(area.name)
            or _grown(area, kept.get(area.name), ground)
            or _placed(area, ground)
        )
        out[area.name] = found
        if found is not None:
            ground.take(found)
    return out


def _placed(area: Area, ground: Ground) -> IPv4Network | None:
    try:
        return ground.find(UNSAID_BITS if area.hosts is None else 32 - wanted_prefix(area))
    except ValueError:
        return None


def _grown(area: Area, old: IPv4Network | None, ground: Ground) -> IPv4Network | None:
    """An earlier prefix, doubled in place as often as its area needs and its neighbours allow."""
    if old is None or area.hosts is None:
        return old
    try:
        wanted = wanted_prefix(area)
    except ValueError:
        return old
    grown = old
    while grown.prefixlen > wanted:
        larger = grown.supernet()
        if larger[0] != old[0] or not ground.can_become(old, larger):
            return old
        grown = larger
    return grown


def given4(area: Area) -> IPv4Network | None:
    """The IPv4 prefix that the charter gives an area."""
    return next((p for p in area.prefixes if isinstance(p, IPv4Network)), None)


def _networks4(networks: Iterable[Network]) -> Ranges:
    return coding.network(*(n for n in networks if n.version == 4))


def _line_space(lines: Iterable[Line]) -> Ranges:
    networks = _networks4(i.network for line in lines for i in line.addresses)
    hops = coding.addresses(h for line in lines for h in line.next_hops if h.version == 4)
    return union(networks, hops)


def grown(area: Area) -> int:
    """How many hosts an area is to hold when it has grown."""
    return _grown_to(area.hosts or 0, area.growth)


def _grown_to(hosts: int, growth: float) -> int:
    return math.ceil(hosts * (1 + Fraction(str(growth))))


def left_behind(area: Area) -> int:
    """How many addresses devices hold at most that have left an area (`plan.leases`)."""
    if area.turnover is None or area.lease is None or area.strangers_refused:
        return 0
    return math.ceil(area.turnover.per_second * area.lease)


def prefix_for(hosts: int, growth: float, left: int = 0) -> int:
    """The length of the IPv4 prefix for `hosts` growing by `growth` (0.5: half as many again).

    left: addresses that are held by devices that are not there any more. There is also room for
    the gateway, the network and the broadcast address. Raises ValueError if no IPv4 prefix is large
    enough.
    """
    wanted = _grown_to(hosts, growth) + left + 3
    bits = (wanted - 1).bit_length()
    if bits > 32:
        raise ValueError(f"no IPv4 prefix holds {wanted} addresses")
    return 32 - bits


def wanted_prefix(area: Area) -> int:
    """The prefix length for an area whose number of hosts is known. Raises as `prefix_for`."""
    return prefix_for(area.hosts or 0, area.growth, left_behind(area))


def roomier(
    charter: Charter, networks: Mapping[str, IPv4Network], area: str, length: int
) -> IPv4Network | None:
    """A prefix of that length for an area that has a smaller one, free of all that others have: where
    it stands if it can, else elsewhere; None where nothing is free. networks: of all areas."""
    old = networks[area]
    ground = Ground(
        site=charter.site.name,
        lines=_line_space(charter.lines.values()),
        places=intersect(_POOL, _networks4(n for p in charter.places.values() for n in p.prefixes)),
        used=_networks4(network for name, network in networks.items() if name != area),
        later=(),
    )
    if length < old.prefixlen:
        wider = old.supernet(new_prefix=length)
        whole, taken = coding.network(wider), union(ground.used, ground.lines, ground.places)
        if disjoint(whole, taken) and subset(whole, _POOL):
            return wider
    return ground.find(32 - length)


def free_blocks(free: Ranges) -> Iterator[tuple[int, int]]:
    """The largest aligned blocks that make up a set: (first address, bits), ascending."""
    for low, high in free:
        while low <= high:
            aligned = (low & -low).bit_length() - 1 if low else 32
            bits = min(aligned, (high - low + 1).bit_length() - 1)
            yield low, bits
            low += 1 << bits


def best_fit(free: Ranges, bits: int) -> int | None:
    """Where in `free` to cut an aligned block of 2**bits: in the smallest block that holds it."""
    return next((room[0][0] for room in _holding(free, bits)), None)


def _holding(free: Ranges, bits: int) -> Iterator[Ranges]:
    """The blocks of `free` that hold one of 2**bits, the smallest first."""
    for b, start in sorted((b, start) for start, b in free_blocks(free) if b >= bits):
        yield _block(start, b)


def _cut(room: Ranges, step: int, bits: int) -> int | None:
    """The first multiple of 2**step at which a whole block of 2**bits is in `room`."""
    aligned = ((-(-low >> step) << step, high) for low, high in room)
    return next((start for start, high in aligned if start + (1 << bits) - 1 <= high), None)


def _bases(site: str, bits: int) -> Iterator[int]:
    """Where a site may begin: the blocks of 10/8 from one that its name picks, then the rest.

    RFC 1918 section 5 asks for a random pick, so that joined sites seldom clash; 10.0/16, which
    every other box in the world uses, comes last.
    """
    count = 1 << (24 - bits) if bits <= 24 else 0
    pick = int.from_bytes(hashlib.sha256(site.encode()).digest()[16:20], "big")
    first = 1 + pick % max(1, count - 1)
    for block in (*range(first, count), *range(1, first)):
        yield int(POOL4[0][0]) + (block << bits)
    for start, room in free_blocks(coding.network(*POOL4[1:])):
        yield from range(start, start + (1 << room), 1 << bits) if room >= bits else ()
    if count:
        yield int(POOL4[0][0])


@dataclass(slots=True)
class Ground:
    """The private address space while areas are being placed."""

    site: str
    lines: Ranges
    places: Ranges
    used: Ranges
    later: Ranges  # given prefixes of areas that the placing has not reached yet
    twins: Ranges = ()
    bases: Ranges = ()

    def take(self, network: IPv4Network) -> None:
        taken = coding.network(network)
        self.used = union(self.used, taken)
        self.later = subtract(self.later, taken)
        self.twins = subtract(union(self.twins, _twin(network)), taken)
        bits = max(BASE_BITS, 32 - network.prefixlen)
        start = taken[0][0] >> bits << bits
        self.bases = union(self.bases, intersect(_POOL, _block(start, bits)))

    def find(self, bits: int) -> IPv4Network | None:
        """Room for a block of 2**bits, at best with its twin and clear of everything known."""
        occupied = union(self.used, self.lines)
        clear = union(occupied, self.twins)
        for avoided, wanted in (
            (union(clear, self.places), bits + 1),
            (union(clear, self.places), bits),
            (clear, bits + 1),
            (clear, bits),
            (occupied, bits),
        ):
            start = self._spot(subtract(_POOL, avoided), wanted, bits)
            if start is not None:
                return IPv4Network((start, 32 - bits))
        return None

    def _spot(self, free: Ranges, wanted: int, bits: int) -> int | None:
        """The first block of 2**bits, cut at multiples of 2**wanted, that no later area has.

        The order of the rooms does not hang on what later areas are given: one more of them makes
        a chosen block move only where it takes that very block.
        """
        rooms = (subtract(room, self.later) for room in self._rooms(free, wanted))
        cuts = (_cut(room, wanted, bits) for room in rooms)
        return next((start for start in cuts if start is not None), None)

    def _rooms(self, free: Ranges, bits: int) -> Iterator[Ranges]:
        yield from _holding(intersect(free, self.bases), bits)
        base = max(BASE_BITS, bits)
        for candidate in _bases(self.site, base):
            if subset(_block(candidate, base), free):
                yield _block(candidate, base)
        yield from _holding(free, bits)

    def can_become(self, old: IPv4Network, new: IPv4Network) -> bool:
        others = subtract(union(self.used, self.lines, self.later), coding.network(old))
        return disjoint(coding.network(new), others)


def _block(start: int, bits: int) -> Ranges:
    return ((start, start + (1 << bits) - 1),)


def _twin(network: IPv4Network) -> Ranges:
    """The block that doubles a network where it stands; none for the upper half of a pair."""
    bits = 32 - network.prefixlen
    start = int(network[0])
    if start >> bits & 1 or not bits < 32:
        return ()
    return _block(start + (1 << bits), bits)
