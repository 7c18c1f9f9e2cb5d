"""What each area lends: its pool, and how many leases are held at most.

How many are held follows from Little's law, L = λW (J. D. C. Little, "A Proof for the Queuing
Formula: L = λW", Operations Research 9(3), 1961): what comes at the rate λ and stays for W makes λW
that are there at a time. A device that is there renews at half of its lease (RFC 2131 section
4.4.5). When it leaves, what it leaves behind runs for half of the lease at least, and for all of it
at most. So beside the hosts that are there, those who left hold λ times the lease at most, which is
what room is made for. With devices that stay for less than half of a lease it is that many.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from ipaddress import IPv4Address, IPv4Network

from netcharter.charter.lending import DAY, HOUR, LEAST_LEASE, MINUTE, spelt
from netcharter.charter.model import Area, Charter
from netcharter.diagnostics import Diagnostic
from netcharter.plan import coding
from netcharter.plan.coding import ANY4
from netcharter.plan.packing import grown, left_behind, roomier
from netcharter.plan.shapes import AreaPlan, DevicePlan
from netcharter.space.ranges import Ranges, intersect, size, subtract

RENEWAL, REBINDING = Fraction(1, 2), Fraction(7, 8)  # RFC 2131 section 4.4.5
# A gateway is up again, or exchanged, within so long (common practice, no source).
OUT = 5 * MINUTE
LONG = 30 * DAY  # more is seldom meant (common practice, no source)


@dataclass(frozen=True, slots=True)
class Lending:
    """What one area lends in IPv4.

    lease: seconds, None: nothing is lent here; pool: the addresses that whoever asks may get;
    lasting: how many others belong to one device each; hosts: how many that are there take one of
    the pool; left: how many are held at most by devices that have left; per_second: new ones.
    """

    area: str
    lease: int | None
    pool: Ranges
    lasting: int
    hosts: int
    left: int
    per_second: Fraction

    @property
    def room(self) -> int:
        return size(self.pool)

    @property
    def held(self) -> int:
        """How many leases are held at a time, at most."""
        return self.hosts + self.left

    @property
    def fits(self) -> bool:
        return self.lease is None or self.held <= self.room

    @property
    def full_after(self) -> int | None:
        """In how many seconds the pool is empty, counted from when nobody has left yet; None: never."""
        if self.fits:
            return None
        if self.room <= self.hosts:
            return 0
        return math.floor((self.room - self.hosts) / self.per_second)

    @property
    def fitting_lease(self) -> int | None:
        """The longest lease for which the pool suffices, in whole minutes; None: there is none."""
        if self.room <= self.hosts or not self.per_second:
            return None
        minutes = math.floor((self.room - self.hosts) / self.per_second / MINUTE)
        return minutes * MINUTE if minutes * MINUTE >= LEAST_LEASE else None

    @property
    def fitting_prefix(self) -> int | None:
        """The length of the smallest IPv4 prefix that suffices; None: there is none."""
        wanted = (
            self.held + self.lasting + 3
        )  # the network, the broadcast and the gateway's address
        bits = max(2, (wanted - 1).bit_length())
        return 32 - bits if bits <= 24 else None  # 10.0.0.0/8 is the largest there is (RFC 1918)


def lending(
    charter: Charter, areas: Iterable[AreaPlan], devices: Iterable[DevicePlan]
) -> tuple[Lending, ...]:
    """What the areas lend, in their order."""
    known = tuple(devices)
    return tuple(_lending(charter.areas[area.name], area, known) for area in areas)


def _lending(said: Area, area: AreaPlan, devices: tuple[DevicePlan, ...]) -> Lending:
    kept = {a for d in devices if d.area == area.name for a in d.addresses4}
    hosts4 = intersect(area.hosts, ANY4)
    pool = subtract(hosts4, coding.addresses(kept))
    named = sum(_borrowed(device, area) for device in devices if not device.barred)
    expected = grown(said) - len(kept) if said.hosts is not None else 0
    return Lending(
        area=area.name,
        lease=said.lease,
        pool=pool if said.lease is not None else (),
        lasting=len(kept),
        hosts=max(named, expected),
        left=left_behind(said),
        per_second=_new(said),
    )


def _new(said: Area) -> Fraction:
    """How many new devices come in a second. Where strangers are refused, nobody is new."""
    if said.turnover is None or said.strangers_refused:
        return Fraction(0)
    return said.turnover.per_second


def _borrowed(device: DevicePlan, area: AreaPlan) -> int:
    """How many addresses of an area's pool a device may take."""
    if device.area == area.name:
        return len([h for h in device.hardware if own4(device, h) is None])
    return len(device.hardware) if device.roams else 0


def own4(device: DevicePlan, hardware: int) -> IPv4Address | None:
    """Which address a hardware address of a device always gets in its area, if any: its own where
    each has one, and the last where fewer are written. Another one it could not use: the filter
    takes a device for somebody else there (`bound`)."""
    four = [a for a in device.addresses4 if isinstance(a, IPv4Address)]
    place = device.hardware.index(hardware)
    return four[min(place, len(four) - 1)] if four else None


# What is wrong or doubtful


def doubts(
    charter: Charter, areas: Iterable[AreaPlan], devices: Iterable[DevicePlan]
) -> Iterator[Diagnostic]:
    """What is to be said of leases."""
    every = tuple(areas)
    networks = {area.name: area.v4 for area in every}
    for one in lending(charter, every, devices):
        yield from _unlikely(charter, charter.areas[one.area])
        if not one.fits:
            yield _short(charter, networks, one)


def _short(charter: Charter, networks: Mapping[str, IPv4Network], one: Lending) -> Diagnostic:
    said = charter.areas[one.area]
    key = "turnover" if said.turnover else "prefix" if said.prefixes else "hosts"
    return Diagnostic(
        "pool-too-small",
        "warning",
        f"{one.area} can have {_leases(one.held)} lent at a time ({_why(said, one)}), and its pool "
        f"has {one.room or 'none'}{_kept(one)}; {_full(one)}",
        charter.where("areas", one.area, key),
        help=_instead(charter, networks, one),
    )


def _leases(count: int) -> str:
    return "1 address" if count == 1 else f"{count} addresses"


def _why(said: Area, one: Lending) -> str:
    hosts = f"{one.hosts} {'host' if one.hosts == 1 else 'hosts'} without a lasting one"
    if not one.left or said.turnover is None or said.lease is None:
        return hosts
    pace = f"{said.turnover.number} new ones per {said.turnover.unit}"
    return (
        f"{hosts}; of {pace}, {one.left} within {told(said.lease)}, which is how long a lease lasts"
    )


def _kept(one: Lending) -> str:
    return f" beside {one.lasting} lasting" if one.lasting else ""


def _full(one: Lending) -> str:
    if not one.full_after:
        return "it is empty before all of them are there"
    return f"it is empty after {told(one.full_after)}"


def _instead(charter: Charter, networks: Mapping[str, IPv4Network], one: Lending) -> str:
    """What would do, in the order of what is changed most easily, and takes nothing of others."""
    found = []
    if one.fitting_lease is not None:
        found.append(f"`lease: {spelt(one.fitting_lease)}`")
    if one.fitting_prefix is not None:
        wider = roomier(charter, networks, one.area, one.fitting_prefix)
        found += [f"the prefix {wider}"] if wider is not None else []
    if not found:
        return f"expect fewer hosts in {one.area}, or make two areas of it"
    return f"give {one.area} {' or '.join(found)}"


def told(seconds: int) -> str:
    """A time as people say it, in its two largest units, what is left taken off."""
    parts = []
    for unit, name in ((DAY, "day"), (HOUR, "hour"), (MINUTE, "minute"), (1, "second")):
        count, seconds = divmod(seconds, unit)
        if count:
            parts.append(f"{count} {name}" + ("" if count == 1 else "s"))
    return " ".join(parts[:2]) or "no time"


def _unlikely(charter: Charter, said: Area) -> Iterator[Diagnostic]:
    if said.turnover is not None and (said.lease is None or said.strangers_refused):
        why = "nothing is lent there" if said.lease is None else "strangers are refused there"
        yield Diagnostic(
            "turnover-of-nobody",
            "warning",
            f"new devices take no address of {said.name}, since {why}",
            charter.where("areas", said.name, "turnover"),
            help="leave `turnover` out",
        )
    if said.lease is not None and not 2 * OUT <= said.lease <= LONG:
        yield _odd(charter, said, said.lease)


def _odd(charter: Charter, said: Area, lease: int) -> Diagnostic:
    if lease > LONG:
        message = f"who left {said.name} keeps an address for up to {told(lease)}"
    else:
        message = (
            f"devices in {said.name} renew every {told(lease // 2)}, and have no address any more "
            f"when the gateway is out for {told(OUT)}"
        )
    return Diagnostic(
        "odd-lease",
        "warning",
        message,
        charter.where("areas", said.name, "lease"),
        help="write between 10 min and 30 days, as `lease: 12h`",
    )
