"""Probes as frozen values: the machines of the lab, the packets, what should become of them.

`docs/explanation/rehearsal.md` says what each part means.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from ipaddress import IPv4Interface, IPv6Interface
from typing import Literal

from netcharter.plan.shapes import Address

# plain: one packet. talk: a real connection by the stations' own kernels, data both ways (TCP, UDP).
# fragments: one UDP datagram (or echo) in several pieces. extension: IPv6 with a destination-options
# header before the transport header. source-routed: IPv6 routing header type 0. no-start: TCP with
# ACK alone that belongs to no conversation. no-question: an ICMP reply or error nobody asked for.
Shape = Literal[
    "plain", "talk", "fragments", "extension", "source-routed", "no-start", "no-question"
]
Answered = Literal["answered", "reset", "prohibited", "unreachable", "silent"]

GATEWAY = "gateway"  # the name of the gateway's own station


@dataclass(frozen=True, slots=True)
class World:
    """Addresses the charter does not say, chosen by the lab: for each automatic line its address
    and next hop in both families; led: for each place that is made of names, where these lead.
    """

    lines4: Mapping[str, tuple[IPv4Interface, Address]] = field(default_factory=dict)
    lines6: Mapping[str, tuple[IPv6Interface, Address]] = field(default_factory=dict)
    led: Mapping[str, tuple[Address, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Station:
    """A machine of the lab behind one entrance. At a line: its next hop, which stands for the whole
    internet beyond it (it answers to every address that is not the site's) and for all neighbours
    on the line. In an area: one machine per hardware address.
    """

    name: str
    entrance: str
    hardware: int
    addresses: tuple[Address, ...]


@dataclass(frozen=True, slots=True)
class Place:
    """Where a station really is: the file of its network namespace, its network device there (the
    gateway has many: ""), that device's hardware address as a number.
    """

    station: str
    namespace: str
    device: str
    hardware: int


@dataclass(frozen=True, slots=True)
class Packet:
    """What is really sent. number: destination port, ICMP type * 256 + code, or 0."""

    source: Address
    destination: Address
    protocol: int
    number: int
    port: int  # source port; the identifier of an echo request
    hardware: int | None  # the Ethernet source address; None where the gateway sends


@dataclass(frozen=True, slots=True)
class Setting:
    """The state of the site while a probe runs. open: names of the time sets that are filled.
    joins: names of the identity sets that hold the probe's (device, address, hardware).
    identity: the class written into the mark of those signed in; None: nobody.
    """

    up: frozenset[str]
    open: frozenset[str] = frozenset()
    joins: frozenset[str] = frozenset()
    identity: int | None = None


@dataclass(frozen=True, slots=True)
class Expected:
    """What should be seen.

    answer: what the sender gets back ("silent" too where it is let but nobody answers such a
    packet; `arrives` tells the difference). counters: the named counters that go up by one.
    arrives: stations one of which receives it (empty: none). destination, number, sources: how it
    looks there after translation; `sources` are the addresses it may show, by station.
    """

    answer: Answered
    counters: tuple[str, ...]
    arrives: frozenset[str] = frozenset()
    destination: Address | None = None
    number: int | None = None
    sources: Mapping[str, Address] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Probe:
    """One thing to try. row: the label of the decision that decides it ("" where none does).
    purpose: why it is tried, in words ("decided by rule 3: office to internet", "just outside ...").
    told: the attempt as a short sentence with names and addresses.
    """

    number: int
    station: str
    packet: Packet
    shape: Shape
    setting: Setting
    expected: Expected
    row: str
    purpose: str
    told: str


@dataclass(frozen=True, slots=True)
class Unprobed:
    """A class of connections that exists and is not tried, and why."""

    what: str
    why: str


@dataclass(frozen=True, slots=True)
class Programme:
    """All that a rehearsal tries, in an order that needs few changes of setting. around: the rows of
    the ways around, in words, each with the number of the probe that tries it.
    """

    stations: tuple[Station, ...]
    probes: tuple[Probe, ...]
    unprobed: tuple[Unprobed, ...]
    around: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Arrival:
    """A probe's packet as it reached a station."""

    station: str
    source: Address
    destination: Address
    number: int


@dataclass(frozen=True, slots=True)
class Seen:
    """What a probe really did."""

    answer: Answered
    arrivals: tuple[Arrival, ...]
    counters: Mapping[str, int]  # of those that changed


@dataclass(frozen=True, slots=True)
class Mismatch:
    """A probe that was not seen as predicted: each difference as a sentence with both sides."""

    probe: Probe
    seen: Seen
    differences: tuple[str, ...]
    capture: str | None = None  # the file that holds its packets
