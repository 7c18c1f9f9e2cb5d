"""What comes out of reading a loaded ruleset: an ordered list of leaves, first match decides.

`docs/explanation/readback.md` says what each part means. Everything here is about the first packet
of a conversation as it was sent.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from netcharter.diagnostics import Diagnostic, Span
from netcharter.space.model import RawBox
from netcharter.space.ranges import Ranges

# Addresses: an IPv4 address is its number, an IPv6 address V6 plus its number; what a host says of
# addresses that nobody knows (a line's that changes) stands above SYMBOLS: even ones are IPv4, odd
# ones IPv6; a set in a rule holds them only if it holds the whole family. Services: protocol *
# 65536 plus a destination port (TCP, UDP, DCCP, SCTP, UDP-Lite), an ICMP type * 256 + code, or 0.
V6 = 1 << 32
SYMBOLS = V6 + (1 << 128)
ADDRESS_SIZE = SYMBOLS + 64
SOME_OWN = ADDRESS_SIZE - 2  # some address of the host, where none is known: IPv4; one more: IPv6
HARDWARE_NONE = 1 << 48  # no hardware address: a device without, or the host itself
SERVICE_SIZE = 256 << 16

FIELDS = ("entrance", "exit", "hardware", "source", "destination", "service", "port")
ENTRANCE, EXIT, HARDWARE, SOURCE, DESTINATION, SERVICE, PORT = range(len(FIELDS))

OWN = ""  # as an entrance: the host itself starts; as an exit: the host itself is reached
OTHER = "*"  # any device that neither host nor listing names

Manner = Literal["reset", "prohibited", "unreachable", "silent"]
Kind = Literal["set", "limit", "quota", "unread"]


@dataclass(frozen=True, slots=True)
class Host:
    """What a kernel knows beside its ruleset. Numbers above SYMBOLS may stand in any of the sets.

    devices: names of network devices. own: addresses delivered to the host itself, per device that
    holds them (loopback, multicast, broadcast and link-local ones need not be said). routes: which
    destinations may leave by which device, in order, the first that holds a destination counts; a
    tuple of several devices means: one of these, by circumstances. broadcast: its networks'
    broadcast addresses. anycast: addresses that are the host's without being *local* to `fib`
    (subnet-router anycast). known: False where addresses and routes are not known at all. forwards:
    the IP versions of which it passes packets on; a listing does not tell.
    """

    devices: tuple[str, ...] = ()
    own: Mapping[str, Ranges] = field(default_factory=dict)
    routes: tuple[tuple[Ranges, tuple[str, ...]], ...] = ()
    broadcast: Ranges = ()
    anycast: Ranges = ()
    known: bool = True
    forwards: frozenset[int] = frozenset({4, 6})


@dataclass(frozen=True, slots=True)
class Condition:
    """Something that a first packet alone does not settle, true or false for a given packet.

    set: whether the packet's `key` (nft's own words, "iifname . ip saddr") is in the set `name`,
    whose contents change while the host runs. limit, quota: whether the statement is *over* or
    within, as it was written (`name`: chain and place). unread: something that readback does not
    understand or that lies outside a first packet (`name` says it in nft's words).
    """

    kind: Kind
    name: str
    key: str = ""


@dataclass(frozen=True, slots=True)
class Origin:
    """A rule of the listing, or (number None) the policy of a base chain."""

    family: str
    table: str
    chain: str
    number: int | None  # the rule's place in its chain, from 1
    text: str  # in nft's words
    comment: str
    span: Span


@dataclass(frozen=True, slots=True)
class Verdict:
    """What happens to the packet. Addresses are coded; None: as it was sent.

    hidden: leaves with an address of the host (masquerade) or with `source`.
    """

    let: bool
    manner: Manner | None = None
    destination: int | None = None
    port: int | None = None
    hidden: bool = False
    source: int | None = None


@dataclass(frozen=True, slots=True)
class Leaf:
    """A box of attempts (in the order of FIELDS), the conditions that must hold, the verdict.

    decider: the rule or policy that gave the verdict. counters: named counters passed, in order.
    mark: what is known of the connection mark in the end: (mask of known bits, their value).
    ways: the devices by which such a packet may leave, by circumstances; the leaf speaks of those
    in its box, and where these are all (or `ways` is empty) no other leaf decides the packet.
    """

    box: RawBox
    held: tuple[tuple[Condition, bool], ...]
    verdict: Verdict
    decider: Origin
    counters: tuple[str, ...] = ()
    mark: tuple[int, int] = (0, 0)
    ways: Ranges = ()


@dataclass(frozen=True, slots=True)
class Decisions:
    """A loaded ruleset as an ordered list; the first leaf that fits decides. It is total: every
    attempt that exists meets one, unless `complete` is False (the work allowed was used up: what
    no leaf holds may do anything).

    devices: what the numbers of entrances and exits stand for (OTHER and OWN among them).
    notes: what was not understood, as diagnostics with spans into the listing.
    """

    devices: tuple[str, ...]
    leaves: tuple[Leaf, ...]
    complete: bool
    notes: tuple[Diagnostic, ...] = ()


@dataclass(frozen=True, slots=True)
class Packet:
    """One first packet, numbers as above; `entrance` a device name or OWN."""

    entrance: str
    source: int
    destination: int
    service: int
    hardware: int = HARDWARE_NONE
    port: int = 40000  # the source port, 0 where the protocol has none


@dataclass(frozen=True, slots=True)
class Answer:
    """The leaves that may decide a packet, most likely one. `may`: their verdicts differ, or the
    reading was not complete there.
    """

    leaves: tuple[Leaf, ...]
    may: bool
