"""The plan as frozen values: the site with its addresses, and the ordered decisions.

A decision (`Row`) is a union of regions; first match decides. `docs/explanation/model.md`
says what each part means.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from ipaddress import IPv4Interface, IPv4Network, IPv6Address, IPv6Interface, IPv6Network
from typing import Literal

from netcharter.charter.kinds import ServiceType
from netcharter.charter.lines import ETHERNET
from netcharter.charter.model import (
    Address,
    Charter,
    Exit,
    Hours,
    NamedList,
    Names,
    Offer,
    Person,
    PerSource,
    Promise,
    Rate,
    Rule,
    Term,
    Watch,
    Window,
)
from netcharter.charter.values import interface_of
from netcharter.diagnostics import Diagnostic, Span
from netcharter.plan.listed import Listed
from netcharter.plan.names.shapes import NamesPlan
from netcharter.space.ranges import Ranges

# The rooms behind the plan know the charter's sentences through it.
__all__ = [
    "ALWAYS",
    "NEVER",
    "Address",
    "AreaPlan",
    "ByNames",
    "Delivery",
    "DevicePlan",
    "DiscoveryPlan",
    "Exit",
    "ExitPlan",
    "Hours",
    "Kind",
    "Limit",
    "LinePlan",
    "NamedList",
    "Names",
    "Offer",
    "PerSource",
    "Plan",
    "Promise",
    "Rate",
    "Region",
    "Row",
    "Rule",
    "ServiceType",
    "Subnet6",
    "Term",
    "When",
    "Window",
]

Kind = Literal["housekeeping", "management", "emergency", "sign-in", "offer", "rule", "default"]


@dataclass(frozen=True, slots=True)
class When:
    """True at an instant if `during` (a name of hours) is open and `until` has not passed."""

    during: str | None = None
    until: date | None = None


ALWAYS = When()
NEVER = When(until=date.min)  # that day has passed at every instant


@dataclass(frozen=True, slots=True)
class Region:
    """A product of one set per field. Addresses, services, hardware are coded (`plan.coding`).

    Every region belongs to one family: source and destination never mix IPv4 and IPv6. A field
    that does not matter is the whole one: ANY4 or ANY6, ANY_SERVICE, ANY_HARDWARE, None.
    """

    entrances: frozenset[str]
    source: Ranges
    destination: Ranges
    service: Ranges
    hardware: Ranges
    who: frozenset[str] | None = None  # names of people, NOBODY, GUEST; None: whoever
    when: When = ALWAYS
    lines: frozenset[int] | None = None  # line states (bit i: line i up); None: any
    # The sets of places made of names in which the destination is (`plan.leading`); None: any.
    led: frozenset[int] | None = None


@dataclass(frozen=True, slots=True)
class Delivery:
    """Where a translated attempt really goes."""

    device: str
    address: Address
    port: int | None  # the port it gets there; None: the one it was sent to


@dataclass(frozen=True, slots=True)
class Limit:
    """What one source that comes by certain devices may do at most: the offer that says so, all of
    whose rows count together, the kernel's names of those devices, and what it says."""

    offer: str
    devices: tuple[str, ...]
    said: PerSource

    def __str__(self) -> str:
        begun, open_ = self.said.begun, self.said.at_once
        parts = [f"{begun} new per {self.said.unit}"] if begun is not None else []
        parts += [f"{open_} at once"] if open_ is not None else []
        return f"{' and '.join(parts)} per source"


@dataclass(frozen=True, slots=True)
class Row:
    """One decision. `index` is its place in the order; `label` its stable name."""

    index: int
    label: str  # "forged", "rule 3", "offer 1", "default"; unique within a plan
    kind: Kind
    let: bool
    quiet: bool  # refused without an answer, also towards areas
    regions: tuple[Region, ...]
    because: str
    basis: str | None = None  # the published source of a housekeeping decision
    span: Span | None = None
    delivery: Delivery | None = None
    routed: bool = False  # decided by routing (no way out), not by the packet filter
    charter_index: int | None = None  # which rule or offer of the charter
    limit: Limit | None = None
    # When it counts for conversations that are open already, besides its own time if it lets, and
    # in place of that if it refuses; None: it counts for them as for new ones.
    finishing: When | None = None


@dataclass(frozen=True, slots=True)
class LinePlan:
    name: str
    number: int  # 1.., also its ct mark value
    device: str  # kernel device, VLAN included: "eth1" or "eth1.20"
    parent: str
    vlan: int | None
    rate: Rate | None
    v4: IPv4Interface | None
    v6: IPv6Interface | None
    automatic: bool
    next_hop4: Address | None
    next_hop6: Address | None
    role: str
    weight: int
    prefix: IPv6Network | None
    own: Ranges  # its own addresses, coded: numbers, or the unknown-address symbols
    span: Span
    watch: Watch = field(default_factory=Watch)
    mtu: int | None = None  # bytes of its largest packet; None: what the device has
    more4: tuple[IPv4Interface, ...] = ()  # its further addresses, on which only offers are met
    pppoe: str | None = None  # the user name of its PPPoE session, whose device `device` is then
    translator: IPv6Network | None = None  # its addresses lead to IPv4 ones, the last 32 bits
    delegated: bool = False  # its prefix is asked for; without one nobody has told it yet
    stands_in: bool = False  # `prefix` only stands in for the one that will be delegated

    @property
    def ethernet(self) -> str:
        """The device its frames leave by: `device`, or what a PPPoE session runs over."""
        return interface_of(self.parent, self.vlan)

    @property
    def held(self) -> tuple[IPv4Interface | IPv6Interface, ...]:
        """All its numbers, the one that others are hidden behind first."""
        return tuple(one for one in (self.v4, *self.more4, self.v6) if one is not None)

    @property
    def narrow(self) -> bool:
        """Whether it takes smaller packets than Ethernet, so that both ends have to be told."""
        return self.mtu is not None and self.mtu < ETHERNET

    @property
    def learns(self) -> bool:
        """Whether its next hop is learnt on the line itself. That of a session that is dialled comes
        with the session, into a table of its own."""
        return self.automatic and self.pppoe is None

    @property
    def carries4(self) -> bool:
        return self.v4 is not None or self.automatic

    @property
    def carries6(self) -> bool:
        return self.v6 is not None or self.automatic or self.prefix is not None


@dataclass(frozen=True, slots=True)
class Subnet6:
    network: IPv6Network  # a /64
    gateway: IPv6Address  # identifier 1
    line: str | None  # whose prefix it comes from; None: the site's local prefix


@dataclass(frozen=True, slots=True)
class AreaPlan:
    name: str
    number: int  # 1.., stable: also the subnet number inside /48 prefixes
    device: str
    parent: str
    vlan: int | None
    v4: IPv4Network
    gateway4: Address
    subnets6: tuple[Subnet6, ...]
    whole: Ranges  # coded, both families
    hosts: Ranges  # coded, both families
    sign_in: bool
    strangers_refused: bool
    apart: bool
    quiet: bool
    span: Span

    @property
    def networks(self) -> tuple[IPv4Network | IPv6Network, ...]:
        """All that its hosts' addresses are in, IPv4 first."""
        return (self.v4, *(subnet.network for subnet in self.subnets6))

    @property
    def gateways(self) -> tuple[Address, ...]:
        """The gateway's addresses in it, IPv4 first."""
        return (self.gateway4, *(subnet.gateway for subnet in self.subnets6))


@dataclass(frozen=True, slots=True)
class DevicePlan:
    name: str
    area: str
    hardware: tuple[int, ...]
    addresses4: tuple[Address, ...]  # one per hardware address, in order, when lasting
    addresses6: tuple[Address, ...]
    lasting: bool  # addresses are known: chosen or written out
    barred: bool
    roams: bool
    exempt: bool
    span: Span


@dataclass(frozen=True, slots=True)
class ByNames:
    """A place that is made of domain names, in their normal form, each with all names below it."""

    name: str
    domains: Names
    span: Span


@dataclass(frozen=True, slots=True)
class ExitPlan:
    """By which lines new conversations leave. The first exit that matches decides."""

    name: str
    number: int  # 1.., also in the mark of packets
    regions: tuple[Region, ...]  # whom it is about, as sent
    lines: Names  # in order of preference
    refused: bool  # where none of them is up; else the others follow, by their roles
    together: bool
    because: str
    span: Span


@dataclass(frozen=True, slots=True)
class DiscoveryPlan:
    """Hosts of some areas find services of these types in others."""

    name: str
    who: tuple[AreaPlan, ...]
    find: Names  # as it is written
    types: tuple[ServiceType, ...]
    where: tuple[AreaPlan, ...]
    because: str
    span: Span


@dataclass(frozen=True, slots=True)
class Plan:
    """All that follows from the charter, resolved."""

    charter: Charter
    site: str
    timezone: str
    local_prefix: IPv6Network
    lines: tuple[LinePlan, ...]
    areas: tuple[AreaPlan, ...]
    devices: tuple[DevicePlan, ...]
    people: tuple[Person, ...]
    hours: Mapping[str, Hours]
    gateway: Ranges
    internet: Ranges
    rows: tuple[Row, ...]
    places: Mapping[str, Ranges] = field(default_factory=dict)
    by_names: tuple[ByNames, ...] = ()  # places that are in no set of addresses beforehand
    hostile: Ranges = ()  # refused both ways
    lists: Mapping[str, Listed] = field(default_factory=dict)  # lists of addresses, as far as known
    exits: tuple[ExitPlan, ...] = ()
    discovery: tuple[DiscoveryPlan, ...] = ()
    names: NamesPlan = field(default_factory=NamesPlan)  # what is decided about look-ups of names
    notes: tuple[Diagnostic, ...] = ()  # what was wrong or doubtful while resolving
    # Areas by number with their prefixes, those that are gone among them (None: taken since).
    numbered: Mapping[str, IPv4Network | None] = field(default_factory=dict)
