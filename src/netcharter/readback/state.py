"""A box of first packets on its way through the hooks, and what has become of them so far."""

from __future__ import annotations

from dataclasses import dataclass

from netcharter.readback.sets import Sets
from netcharter.readback.shapes import Condition, Origin
from netcharter.space.ranges import Ranges

Box = tuple[int, ...]  # numbers of sets (see `sets`), in the order of shapes.FIELDS
Held = tuple[tuple[Condition, bool], ...]
Bits = tuple[int, int]  # mask of known bits, their value
ALL_BITS = 0xFFFFFFFF
# Bits of the conntrack status (nf_conntrack_common.h): the packet is beyond the hooks; source or
# destination was changed; that it be changed was settled, even to nothing.
CONFIRMED, SNAT, DNAT, SOURCED, DESTINED = 8, 16, 32, 128, 256


@dataclass(frozen=True, slots=True)
class Moved:
    """An address that is no longer as it was sent: one of `values`, or the one sent plus `by`."""

    values: Ranges = ()
    by: int = 0


@dataclass(frozen=True, slots=True)
class Course:
    """All of a packet that is not its box.

    family: 4 or 6. own: the host itself sends. hook: where it is. looped: it came back by `lo`.
    track: "none" (conntrack has not seen it), "new", "untracked", "invalid". status: conntrack's.
    destination, source, port, source_port: as they stand now, None where as they were sent.
    destined, sourced: destination or source translation was settled. touched: fields that
    statements wrote to, and where they did so last. ways: the devices it may leave by, once it is
    routed. undecided: it goes on, by which device was not looked for yet.
    """

    family: int
    own: bool
    hook: str
    looped: bool = False
    track: str = "none"
    status: Bits = (ALL_BITS, 0)
    mark: Bits = (ALL_BITS, 0)
    packet_mark: Bits = (ALL_BITS, 0)
    destination: Moved | None = None
    source: Moved | None = None
    port: Ranges | None = None
    source_port: Ranges | None = None
    destined: bool = False
    sourced: bool = False
    hidden: bool = False
    proxied: bool = False
    ways: Ranges = ()
    undecided: bool = False
    touched: frozenset[tuple[str, str]] = frozenset()
    counters: tuple[str, ...] = ()
    decider: tuple[int, Origin] | None = None


@dataclass(frozen=True, slots=True)
class State:
    """A box on its course, with the conditions taken for granted."""

    box: Box
    held: Held
    course: Course


def with_status(bits: Bits, add: int) -> Bits:
    """A status with more bits set."""
    return bits[0] | add, bits[1] | add


def narrowed(sets: Sets, box: Box, limits: tuple[tuple[int, int], ...]) -> Box | None:
    """The part of a box within limits (field, number of a set); None where nothing is left."""
    found: list[int] | None = None
    for field, limit in limits:
        now = (found or box)[field]
        met = sets.meet(now, limit)
        if met == 0:
            return None
        if met != now:
            found = found or list(box)
            found[field] = met
    return tuple(found) if found else box


def given(held: Held, condition: Condition, true: bool) -> Held | None:
    """The conditions with one more; None where the opposite is held."""
    for known, value in held:
        if known == condition:
            return held if value == true else None
    return (*held, (condition, true))


def meets(sets: Sets, a: Box, b: Box) -> bool:
    """Whether two boxes share a packet."""
    return all(map(sets.meet, a, b))


def holds(sets: Sets, outer: State, inner: State) -> bool:
    """Whether all packets that `inner` stands for are in `outer`."""
    return all(map(sets.within, inner.box, outer.box)) and (
        not outer.held or set(outer.held) <= set(inner.held)
    )


def covers(sets: Sets, outer: State, inner: State) -> bool:
    """The same, on the same course."""
    return outer.course == inner.course and holds(sets, outer, inner)
