"""What a walked ruleset does with one packet."""

from __future__ import annotations

from collections.abc import Mapping

from netcharter.readback.devices import Devices
from netcharter.readback.shapes import (
    EXIT,
    Answer,
    Condition,
    Decisions,
    Leaf,
    Packet,
)
from netcharter.space.ranges import Ranges, has, intersect, subtract


def decide(found: Decisions, packet: Packet, held: Mapping[Condition, bool]) -> Answer:
    """The leaves that may decide a packet, in order. held: what is known of conditions; one that
    is not named is open, and makes the answer `may` where it matters.

    Where routing leaves open by which device a packet leaves, each of its ways counts.
    """
    devices = Devices(name for name in found.devices if name)
    values = _values(packet, devices.number(packet.entrance))
    ways: Ranges | None = None  # those left, where not all were met
    leaves: list[Leaf] = []
    for leaf in found.leaves:
        if not all(v is None or has(inside, v) for inside, v in zip(leaf.box, values, strict=True)):
            continue
        truth = _truth(leaf, held)
        if truth is False or (ways is not None and not intersect(leaf.box[EXIT], ways)):
            continue
        leaves.append(leaf)
        if truth:
            ways = subtract(leaf.ways if ways is None else ways, leaf.box[EXIT])
            if not ways:
                break
    unfinished = not found.complete and ways != ()
    return Answer(tuple(leaves), len({leaf.verdict for leaf in leaves}) > 1 or unfinished)


def _values(packet: Packet, entrance: int) -> tuple[int | None, ...]:
    return (
        entrance,
        None,
        packet.hardware,
        packet.source,
        packet.destination,
        packet.service,
        packet.port,
    )


def _truth(leaf: Leaf, held: Mapping[Condition, bool]) -> bool | None:
    """Whether a leaf's conditions hold; None where that is open."""
    unsure = False
    for condition, true in leaf.held:
        known = held.get(condition)
        if known is None:
            unsure = True
        elif known != true:
            return False
    return None if unsure else True
