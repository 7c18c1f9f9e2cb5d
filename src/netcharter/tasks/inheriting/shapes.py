"""What is found on a running gateway, as frozen values: each with the place it was read from.

Three steps follow each other: what the gateway's files say (`Held`, `HostFacts`) and what its
ruleset does (`Facts`, `InheritedRule`, `InheritedOffer`), which of its devices are lines and
which areas (`Recognised`), and a charter that says the same (`Written`).

A *network device* is a network interface of the gateway (eth0, eth1.20, br0); a *known device*
is a piece of equipment, what a charter calls a device.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import Literal

from netcharter.charter.model import Address, Interface, Network
from netcharter.charter.services import Part
from netcharter.diagnostics import Diagnostic, Span

FileKind = Literal["dnsmasq", "dnsmasq-leases", "dhcpd", "dhcpd-leases", "csv"]
Role = Literal["main", "standby", "balanced"]

# What the files of a DHCP server say


@dataclass(frozen=True, slots=True)
class Reservation:
    """A fixed address, or only a name, for a piece of equipment.

    hardware: 48-bit numbers; name and area: as written, "" where nothing is; note: a comment or
    the lease time in words; ignored: the server is told not to answer it.
    """

    name: str
    hardware: tuple[int, ...]
    addresses: tuple[Address, ...]
    span: Span
    area: str = ""
    note: str = ""
    ignored: bool = False


@dataclass(frozen=True, slots=True)
class Lease:
    """An address that was lent. until: None for a lease that never ends, or one whose end is not
    known; active: False where the file itself says that it is over. hardware: None where only a
    client identifier is known.
    """

    address: Address
    hardware: int | None
    name: str
    span: Span
    client: str = ""
    until: datetime | None = None
    active: bool = True


@dataclass(frozen=True, slots=True)
class Pool:
    """Addresses that are lent out, first to last; both None for a subnet without any.

    device: the network device it is tied to, "" where it is not; network: its prefix, where said;
    routers: the default routers that hosts are told; tag: what the file calls the range.
    """

    first: Address | None
    last: Address | None
    span: Span
    network: Network | None = None
    device: str = ""
    routers: tuple[Address, ...] = ()
    tag: str = ""


@dataclass(frozen=True, slots=True)
class Held:
    """What files of leases, reservations and ranges say; several of them add up.

    devices: network devices that the server listens on; domains: local domain names;
    addresses: on which of its own addresses the server listens;
    problems: what was not understood, line by line, with counts where there is much of it.
    """

    reservations: tuple[Reservation, ...] = ()
    leases: tuple[Lease, ...] = ()
    pools: tuple[Pool, ...] = ()
    devices: tuple[str, ...] = ()
    domains: tuple[str, ...] = ()
    addresses: tuple[Address, ...] = ()
    problems: tuple[Diagnostic, ...] = ()

    def __add__(self, other: Held) -> Held:
        return Held(
            self.reservations + other.reservations,
            self.leases + other.leases,
            self.pools + other.pools,
            tuple(dict.fromkeys(self.devices + other.devices)),
            tuple(dict.fromkeys(self.domains + other.domains)),
            tuple(dict.fromkeys(self.addresses + other.addresses)),
            self.problems + other.problems,
        )


# What the machine says


@dataclass(frozen=True, slots=True)
class NetDevice:
    """A network device with its addresses (link-local and loopback ones left out).

    learnt: its IPv4 address has an end, so DHCP or the like gave it; kind: "" for a plain one,
    else "vlan", "bridge", "ppp", "tun", "wireguard" and so on; within: the bridge or bond it is a
    part of; parent and vlan: what a VLAN hangs on, and its id.
    """

    name: str
    hardware: int | None
    addresses: tuple[Interface, ...]
    span: Span
    learnt: bool = False
    up: bool = True
    kind: str = ""
    parent: str = ""
    vlan: int | None = None
    within: str = ""


@dataclass(frozen=True, slots=True)
class OldRoute:
    """A route. network: 0.0.0.0/0 or ::/0 for the default one; next_hop: None where it is on the
    link; several next hops of one route are several ways with one metric. table: "main" or its
    name or number.
    """

    network: Network
    next_hop: Address | None
    device: str
    span: Span
    metric: int = 0
    protocol: str = ""
    table: str = "main"
    weight: int = 1
    shared: bool = False  # one of several next hops of one route


@dataclass(frozen=True, slots=True)
class HostFacts:
    """The gateway's network devices and routes."""

    devices: tuple[NetDevice, ...] = ()
    ways: tuple[OldRoute, ...] = ()
    problems: tuple[Diagnostic, ...] = ()


# What its ruleset does: filled from readback


@dataclass(frozen=True, slots=True)
class Hiding:
    """A masquerade, or a translation of sources to `by`.

    exits: network devices by which it happens; sources: whose. Empty: any.
    """

    exits: tuple[str, ...]
    sources: tuple[Network, ...]
    by: Address | None
    span: Span


@dataclass(frozen=True, slots=True)
class Delivering:
    """A translation of destinations. entrances: network devices at which it happens; addresses:
    as sent. Empty: any. to: where it is delivered.
    """

    entrances: tuple[str, ...]
    addresses: tuple[Address, ...]
    to: Address
    span: Span


@dataclass(frozen=True, slots=True)
class Facts:
    """What a ruleset tells about lines and areas. devices: every network device that it names."""

    hiding: tuple[Hiding, ...] = ()
    delivering: tuple[Delivering, ...] = ()
    devices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Term:
    """Who starts or what is reached: one of four.

    `Term("office")`: an area, a line, a known device, or `anyone`, `anywhere`, `internet`,
    `gateway`. `Term(area="office", networks=...)`: these addresses of an area, as far as hosts can
    have them (the gateway's own are `gateway`); a known device is found or invented for them. `Term(networks=...)`: addresses beyond the lines; a place is
    invented for them, called `name` if that is given. `Term(hardware=...)`: whoever starts with
    one of these hardware addresses, in `area` or, where that is empty, in any.
    """

    name: str = ""
    networks: tuple[Network, ...] = ()
    area: str = ""
    hardware: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class InheritedRule:
    """One rule of the old ruleset (or a part of one) in the terms of the charter.

    services: (protocol, first, last) as in `charter.services`; empty: anything. quiet: refused
    without an answer. text: the old rule in its own words; comment: what it said about itself.
    """

    let: bool
    who: tuple[Term, ...]
    reach: tuple[Term, ...]
    services: tuple[Part, ...]
    text: str
    span: Span
    comment: str = ""
    quiet: bool = False


@dataclass(frozen=True, slots=True)
class InheritedOffer:
    """A service that the old ruleset offers to the internet: what comes to a line's own address
    for `services` (as sent) is let and delivered to `to`, at `port` where that differs.
    """

    services: tuple[Part, ...]
    lines: tuple[str, ...]  # names of lines
    to: Address
    text: str
    span: Span
    port: int | None = None
    who: tuple[Term, ...] = ()  # empty: anyone
    comment: str = ""


# What was recognised


@dataclass(frozen=True, slots=True)
class Named:
    """The user's own names: name -> network device."""

    lines: Mapping[str, str] = field(default_factory=dict)
    areas: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class FoundLine:
    """A line. device: its network device as the old gateway calls it; parent and vlan: as a
    charter writes it. reasons: why it is taken for a line; unsure: nothing settles it.
    """

    name: str
    device: str
    parent: str
    vlan: int | None
    addresses: tuple[Interface, ...]  # at most one per family; none: automatic
    next_hops: tuple[Address, ...]
    role: Role
    weight: int
    reasons: tuple[str, ...]
    unsure: bool
    span: Span


@dataclass(frozen=True, slots=True)
class FoundArea:
    """An area. gateway: the old gateway's own addresses in it; hosts: how many were seen."""

    name: str
    device: str
    parent: str
    vlan: int | None
    prefixes: tuple[Network, ...]  # at most one per family
    gateway: tuple[Address, ...]
    hosts: int
    reasons: tuple[str, ...]
    unsure: bool
    span: Span


@dataclass(frozen=True, slots=True)
class FoundDevice:
    """A piece of equipment that keeps its address."""

    name: str
    area: str
    hardware: tuple[int, ...]
    addresses: tuple[Address, ...]
    note: str
    span: Span


@dataclass(frozen=True, slots=True)
class Unsaid:
    """Something of the old gateway that a charter can't say, or that has to be decided anew.

    words: one or two sentences; instead: what to do about it; span: None where nothing can be
    underlined.
    """

    words: str
    instead: str = ""
    span: Span | None = None


@dataclass(frozen=True)
class Recognised:
    """The site as far as it can be told.

    aside: network devices that are neither line nor area, and why; seen: what every hardware address
    with a lease or a reservation is called, and the area it has a lease in ("" where none).
    """

    lines: tuple[FoundLine, ...]
    areas: tuple[FoundArea, ...]
    devices: tuple[FoundDevice, ...]
    aside: Mapping[str, str]  # network device -> why
    domains: tuple[str, ...] = ()
    unsaid: tuple[Unsaid, ...] = ()
    seen: Mapping[int, tuple[str, str]] = field(default_factory=dict)

    @cached_property
    def by_device(self) -> Mapping[str, str]:
        """The area or line of each network device of the old gateway."""
        return {part.device: part.name for part in self.parts}

    @cached_property
    def parts(self) -> tuple[FoundLine | FoundArea, ...]:
        """Lines, then areas."""
        return (*self.lines, *self.areas)

    @cached_property
    def names(self) -> frozenset[str]:
        """The names of lines, areas and known devices."""
        names = (part.name for part in self.parts)
        return frozenset((*names, *(device.name for device in self.devices)))


@dataclass(frozen=True, slots=True)
class Written:
    """A first charter as text, and what it could not say (told at its top as well).

    invented: places, devices and services that were made up for addresses and ports that had no
    name: name -> what it stands for, in words.
    """

    text: str
    unsaid: tuple[Unsaid, ...]
    invented: Mapping[str, str]
    problems: tuple[Diagnostic, ...] = ()
