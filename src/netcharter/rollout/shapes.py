"""The values of a roll-out: what a host is like, what is to be done to it, what is under way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from ipaddress import IPv4Interface, IPv4Network, IPv6Interface, IPv6Network
from typing import Literal

Interface = IPv4Interface | IPv6Interface
Network = IPv4Network | IPv6Network
Family = Literal[4, 6]

# --- a host --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Link:
    """A network device. parent, tag: of a VLAN device (IEEE 802.1Q); up: switched on; mtu: bytes of
    its largest packet, None where that is not known or does not matter."""

    name: str
    up: bool
    parent: str | None = None
    tag: int | None = None
    mtu: int | None = None


@dataclass(frozen=True, slots=True)
class Held:
    """An address that a device holds. words: the rest as `ip` takes it back (`broadcast 10.0.0.7`).

    Of several in one network on one device the first is the one the kernel sends from; they stand
    in the kernel's order.
    """

    device: str
    interface: Interface
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Route:
    """A route, but for those that the kernel makes itself.

    words: all of it as `ip route add` takes it (`default via 203.0.113.9 dev eth0 table 101 ...`).
    """

    family: Family
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """A rule that chooses among routing tables. words: as `ip rule add` takes it, `pref` first."""

    family: Family
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A table of nftables. text: as `nft -s list table` prints it, so that it loads again, without
    counts; elements of sets that come and go stand in `living`."""

    family: str
    name: str
    text: str
    living: tuple[Element, ...] = ()


@dataclass(frozen=True, slots=True)
class Element:
    """An element of a set or map with a time limit. text: as nft writes it, without its times;
    seconds: how long it is to stay from `HostState.at` on; value: what a map leads to."""

    set: str
    text: str
    seconds: float
    value: str = ""


@dataclass(frozen=True, slots=True)
class Lying:
    """A file that lies on a host. text: one character for each byte, or else, where it is not ours,
    the SHA-256 of what can be read of it; mode: as `chmod` has it."""

    text: str
    mode: int = 0o644
    ours: bool = True


@dataclass(frozen=True, slots=True)
class Running:
    """A service. on: the service manager has it run; well: and it is not begun again and again;
    enabled: it is begun with the machine by the service manager itself."""

    on: bool = False
    well: bool = False
    enabled: bool = False


@dataclass(frozen=True, slots=True)
class HostState:
    """What of a host a roll-out reads and writes. Lists are sorted; equal states compare equal once
    `at`, living elements and `lent` are put aside (`converge.unlike`).

    at: seconds of the clock that counts from boot, sleep included; settings: kernel settings by
    name with slashes (`net/ipv4/ip_forward`); shaping: what `tc` prints per device, to compare;
    lent: addresses with an end, which a DHCP client or the kernel looks after. They are known so
    that nobody touches them. files: what lies at the paths that were asked for, None for nothing;
    services: how the units are that were asked for, none where no service manager runs.
    """

    at: float
    links: tuple[Link, ...] = ()
    addresses: tuple[Held, ...] = ()
    routes: tuple[Route, ...] = ()
    choices: tuple[Choice, ...] = ()
    tables: tuple[Table, ...] = ()
    settings: Mapping[str, str] = field(default_factory=dict)
    shaping: Mapping[str, str] = field(default_factory=dict)
    lent: tuple[Held, ...] = ()
    files: Mapping[str, Lying | None] = field(default_factory=dict)
    services: Mapping[str, Running] = field(default_factory=dict)


# --- what is done --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Run:
    """A program is run. fails: whether another exit than 0 is a failure of the step; seconds: after
    which it is ended, and has failed; tried: what is tried without effect in its stead, empty where
    that says nothing, since it stands on what other runs have done; None: its own text."""

    argv: tuple[str, ...]
    stdin: bytes = b""
    fails: bool = True
    seconds: float = 60.0
    tried: bytes | None = None


@dataclass(frozen=True, slots=True)
class Write:
    """A file with these contents, whole or not at all, and on the disk when this is done."""

    path: str
    data: bytes
    mode: int = 0o640


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder, made with those above it."""

    path: str
    mode: int = 0o750


@dataclass(frozen=True, slots=True)
class Point:
    """A symbolic link, put in the place of an earlier one in one go. target None: no link."""

    path: str
    target: str | None


@dataclass(frozen=True, slots=True)
class Remove:
    """A file or folder that is gone afterwards, whether it was there or not."""

    path: str


Effect = Run | Write | Folder | Point | Remove
FILTERING = "the packet filter is exchanged"  # how the name of that step begins


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a roll-out with its name in words ("the packet filter is exchanged")."""

    name: str
    effects: tuple[Effect, ...]
