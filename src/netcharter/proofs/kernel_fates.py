"""What becomes of an attempt, in the words that plan and kernel share: the labels of both lists.

Two fates that show alike are equal, however they are written: a port that stays the same is no
translation, and a reset of TCP beside a "prohibited" of everything else is how refusals are
answered.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from typing import Literal

from netcharter.plan import coding
from netcharter.proofs.kernel_space import PORTED, TCP
from netcharter.space.ranges import Ranges, intersect, ranges, subtract

Manner = Literal["answered", "reset", "prohibited", "unreachable", "silent"]


@dataclass(frozen=True, slots=True)
class Fate:
    """One outcome, who decided, and what else shows.

    manner: how it is refused; "answered" is a reset for TCP and "prohibited" for the rest.
    delivered: (address, port), coded; None: as sent. hidden: it leaves with an address of the
    gateway's; `shown`: with just this one. counters: the named counters that went up.
    """

    let: bool
    manner: Manner | None
    counters: tuple[str, ...]
    delivered: tuple[int | None, int | None] | None = None
    hidden: bool = False
    shown: int | None = None


@dataclass(frozen=True, slots=True)
class Unsure:
    """The kernel's side, where more conditions are unknown than can be told apart, or a limit is
    not the plan's."""

    why: str


@dataclass(frozen=True, slots=True)
class Unfit:
    """The plan's side, where it says what no packet filter can do."""

    why: str


@dataclass(frozen=True, slots=True)
class Refused:
    """The plan's side, where nothing more is asked than that it is refused in one of these ways."""

    manners: frozenset[Manner]


@dataclass(frozen=True, slots=True)
class Perhaps:
    """The plan's side, where some kernels ask no decision, and drop in silence by themselves."""

    fate: Fate


@dataclass(frozen=True, slots=True)
class Nothing:
    """The kernel's side, where no decision holds an attempt."""


def alike(planned: Hashable, loaded: Hashable) -> bool:
    """Whether what the kernel does is what the plan asks for."""
    if isinstance(planned, Refused) and isinstance(loaded, Fate):
        return not loaded.let and loaded.manner in planned.manners
    if isinstance(planned, Perhaps):
        return loaded in (planned.fate, Fate(False, "silent", ()))
    return planned == loaded


def by_manner(manner: Manner, service: Ranges) -> Iterator[tuple[Ranges, Manner]]:
    """A refusal's services, parted where the manner is one that answers alike or not."""
    if manner not in ("reset", "prohibited"):
        yield service, manner
        return
    tcp = intersect(service, TCP)
    rest = subtract(service, TCP)
    yield tcp, "answered" if manner == "reset" else manner
    yield rest, "answered" if manner == "prohibited" else manner


def by_port(port: int | None, service: Ranges) -> Iterator[tuple[Ranges, int | None]]:
    """A delivery's services, parted where the port it gets there is the one it was sent to."""
    if port is None:
        yield service, None
        return
    same = ranges(*((p << 16 | port, p << 16 | port) for p in coding.PORTED))
    moved = subtract(intersect(service, PORTED), same)
    yield moved, port
    yield subtract(service, moved), None  # a protocol without ports has none to move
