"""The values of preparing: what a charter wants of a machine, what the machine is like, findings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from netcharter.diagnostics import Severity
from netcharter.rollout.preparing.accounts import Accounts

Manager = Literal["ifupdown", "systemd-networkd", "NetworkManager", "a DHCP client"]
How = Literal["dhcp", "static", "manual", "unmanaged", "unknown", "within another device"]


@dataclass(frozen=True, slots=True)
class Use:
    """What a charter makes of a network device. name: of the line or area; automatic: of a line
    that is told its address; rate: the faster direction that was contracted, in bit/s; pppoe: the
    user name of the PPPoE session that runs over it."""

    kind: Literal["line", "area"]
    name: str
    device: str
    vlan: int | None = None
    automatic: bool = False
    rate: int | None = None
    pppoe: str | None = None

    @property
    def interface(self) -> str:
        return self.device if self.vlan is None else f"{self.device}.{self.vlan}"

    @property
    def called(self) -> str:
        return f"{self.kind} {self.name}"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to come. uses: of devices now; left: of areas that stay elsewhere for now; ruleset:
    the kit's, to see what the kernel must be able to do; kit_bytes: size of the kit and charter;
    versions: how many of them are to be kept; timed: whether something depends on the time of day;
    packages: Debian's names of what the kit needs besides, each with what for; placed: files of the
    kit that are to lie elsewhere, by path."""

    uses: tuple[Use, ...]
    left: tuple[Use, ...] = ()
    ruleset: str = ""
    kit_bytes: int = 0
    versions: int = 20
    timed: bool = False
    packages: Mapping[str, str] = field(default_factory=dict)
    placed: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class NetDevice:
    """A network device. carrier: None where it can't be known, as while it is switched off; kind:
    "" of a real one, else as the kernel calls it; speed: bit/s; addresses: with their lengths;
    lent: whether one of them was given for a time; bus, driver: where it is, and by what driven."""

    name: str
    up: bool
    carrier: bool | None
    hardware: str = ""
    kind: str = ""
    parent: str = ""
    tag: int | None = None
    master: str = ""
    addresses: tuple[str, ...] = ()
    lent: bool = False
    speed: int | None = None
    bus: str = ""
    driver: str = ""

    @property
    def real(self) -> bool:
        return self.kind == ""


@dataclass(frozen=True, slots=True)
class Managed:
    """Somebody else sets a device up. where: the file and line that says so, or the process;
    active: whether it does so by itself; False where it waits to be told."""

    by: Manager
    device: str
    how: How
    where: str
    active: bool = True


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of the service manager that loads rules. enabled: None if that is not known; empties:
    whether starting or stopping it empties the whole ruleset."""

    name: str
    where: str
    enabled: bool | None
    empties: bool


@dataclass(frozen=True, slots=True)
class Facts:
    """What a machine is like, as far as it told; None: it did not.

    packages: versions by name, of those that are installed; tables: family and name of what nft
    lists; features: what the kernel can do, by words; memory, disk: bytes that are free; clock:
    whether it is synchronised; other_kernels: of which modules are there, though not of this one;
    files: contents by path; accounts: whose passwords pppd has, by file.
    """

    devices: Mapping[str, NetDevice] | None
    managed: tuple[Managed, ...] = ()
    running: frozenset[str] = frozenset()
    packages: Mapping[str, str] | None = None
    tables: tuple[tuple[str, str], ...] | None = None
    units: tuple[Unit, ...] = ()
    features: Mapping[str, bool | None] = field(default_factory=dict)
    kernel: str = ""
    other_kernels: tuple[str, ...] = ()
    nft: tuple[int, ...] | None = None
    memory: int | None = None
    disk: int | None = None
    clock: bool | None = None
    files: Mapping[str, bytes] = field(default_factory=dict)
    accounts: Mapping[str, Accounts] = field(default_factory=dict)
    keeps_rules: bool = True  # whether systemd-networkd is told to leave routes and rules of others

    waiting: str = ""  # what `ss` prints of those who wait for datagrams


@dataclass(frozen=True, slots=True)
class Found:
    """A finding about a machine, which has no place in a charter. about: the device, file, unit or
    package; help: what to do; files: texts to be written, by path, as a proposal."""

    id: str
    severity: Severity
    message: str
    help: str
    about: str = ""
    files: Mapping[str, str] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """`id`, `severity`, `message`, `help`, `about`, `files` {path: text}."""
        return {
            "id": self.id,
            "severity": self.severity,
            "message": self.message,
            "help": self.help,
            "about": self.about,
            "files": dict(self.files),
        }
