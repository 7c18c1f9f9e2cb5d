"""What a walked ruleset does with one packet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from netcharter.readback.devices import Devices
from netcharter.readback.shapes import (
    EXIT,
    Answer,
    Condition,
    Decisions,
    Leaf,
    Packet,
)
from netcharter.space.ranges import Ranges, full, has, intersect, subset, subtract, union

Held = tuple[tuple[Condition, bool], ...]
STEPS = 2_000  # of looking for a case in which a leaf comes first


def decide(found: Decisions, packet: Packet, held: Mapping[Condition, bool]) -> Answer:
    """The leaves that may decide a packet, in order. held: what is known of conditions; one that
    is not named is open, and makes the answer `may` where it matters.

    Where routing leaves open by which device a packet leaves, each of its ways counts.
    """
    devices = Devices(name for name in found.devices if name)
    values = _values(packet, devices.number(packet.entrance))
    ways: Ranges | None = None  # those left, where not all were met
    leaves: list[Leaf] = []
    before: list[tuple[Ranges, Held]] = []
    everywhere = full(len(found.devices))
    for leaf in found.leaves:
        if not all(v is None or has(inside, v) for inside, v in zip(leaf.box, values, strict=True)):
            continue
        truth = _truth(leaf, held)
        if truth is False or (ways is not None and not intersect(leaf.box[EXIT], ways)):
            continue
        asked = tuple(pair for pair in leaf.held if pair[0] not in held)
        cases = circumstances(leaf.box[EXIT], leaf.ways, everywhere)
        if not comes(cases, asked, before):
            continue
        leaves.append(leaf)
        before.append((cases, asked))
        if truth:
            ways = subtract(leaf.ways if ways is None else ways, leaf.box[EXIT])
            if not ways:
                break
    unfinished = not found.complete and ways != ()
    return Answer(tuple(leaves), len({leaf.verdict for leaf in leaves}) > 1 or unfinished)


def circumstances(exits: Ranges, ways: Ranges, everywhere: Ranges) -> Ranges:
    """The exits under which a leaf of those exits applies: every one where it speaks of all ways
    that its packets may take, else its own and those that they never take."""
    return everywhere if subset(ways, exits) else union(exits, subtract(everywhere, ways))


def comes(cases: Ranges, asked: Held, before: Sequence[tuple[Ranges, Held]]) -> bool:
    """Whether a leaf may be the first of those that hold a packet: in one of the circumstances
    under which it applies, its own conditions can be true while, of each leaf before it there, one
    is not. Two leaves that ask the same the other way round leave nothing to a third. True, too,
    where that takes too much work.
    """
    if not before:
        return True
    for case in (e for low, high in cases for e in range(low, high + 1)):
        others = [held for known, held in before if has(known, case)]
        if _leaves_room(dict(asked), others, [STEPS]):
            return True
    return False


def _leaves_room(truth: dict[Condition, bool], others: Sequence[Held], steps: list[int]) -> bool:
    """Whether the open conditions can be such that none of `others` is met."""
    steps[0] -= 1
    if steps[0] < 0:
        return True
    for at, held in enumerate(others):
        if any(truth.get(condition, true) != true for condition, true in held):
            continue
        fixed = dict(truth)
        for condition, true in held:
            if condition in truth:
                continue
            if _leaves_room({**fixed, condition: not true}, others[at + 1 :], steps):
                return True
            fixed[condition] = true
        return False
    return True


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
