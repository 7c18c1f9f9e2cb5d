"""The ends of a walk: boxes with their verdicts, in order."""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.readback.devices import Devices
from netcharter.readback.sets import Sets
from netcharter.readback.shapes import (
    DESTINATION,
    EXIT,
    Condition,
    Leaf,
    Manner,
    Origin,
    Verdict,
)
from netcharter.readback.state import Box, Held, State, given
from netcharter.space.ranges import Ranges, ranges, size, subtract, union

MOST_SINGLE = 256  # addresses of a moved block that are told one by one


class Leaves:
    """Leaves as they are found."""

    def __init__(self, sets: Sets, devices: Devices) -> None:
        self.sets = sets
        self.devices = devices
        self.found: list[Leaf] = []

    def refused(self, state: State, manner: Manner, origin: Origin) -> None:
        """A packet that was sent elsewhere before may have had other ways than the one sent."""
        box = state.box
        if state.course.destination is not None:
            unused = subtract(self.devices.all, state.course.ways)
            everywhere = self.sets.of(union(self.sets.ranges(box[EXIT]), unused))
            box = (*box[:EXIT], everywhere, *box[EXIT + 1 :])
        self._add(state, box, state.held, Verdict(False, manner), origin)

    def let(self, state: State, origin: Origin) -> None:
        box, course = state.box, state.course
        sources = course.source.values if course.source else ()
        single = sources[0][0] if size(sources) == 1 else None
        for part, held, destination in self._delivered(box, state):
            for held_too, port in _either(held, course.port, "port"):
                verdict = Verdict(True, None, destination, port, course.hidden, single)
                self._add(state, part, held_too, verdict, origin)

    def _delivered(self, box: Box, state: State) -> Iterator[tuple[Box, Held, int | None]]:
        moved = state.course.destination
        if moved is None:
            yield box, state.held, None
        elif moved.values:
            for held, value in _either(state.held, moved.values, "address"):
                yield box, held, value
        else:
            yield from self._block(box, state.held, moved.by)

    def _block(self, box: Box, held: Held, by: int) -> Iterator[tuple[Box, Held, int | None]]:
        """Each address its own delivery; of many, the first and the last stand for all."""
        here = self.sets.ranges(box[DESTINATION])
        if size(here) <= MOST_SINGLE:
            for low, high in here:
                for address in range(low, high + 1):
                    one = self.sets.of(((address, address),))
                    yield (*box[:DESTINATION], one, *box[DESTINATION + 1 :]), held, address + by
            return
        ends: Ranges = ranges((here[0][0] + by, here[0][0] + by), (here[-1][1] + by,) * 2)
        for part, value in _either(held, ends, "address"):
            yield box, part, value

    def _add(self, state: State, box: Box, held: Held, verdict: Verdict, origin: Origin) -> None:
        course = state.course
        mark = course.mark if course.track == "new" else (0, 0)
        raw = tuple(self.sets.ranges(number) for number in box)
        self.found.append(Leaf(raw, held, verdict, origin, course.counters, mark, course.ways))


def _either(held: Held, found: Ranges | None, what: str) -> Iterator[tuple[Held, int | None]]:
    """One value; of several, the lowest and the highest stand for all that may be."""
    if found is None:
        yield held, None
        return
    low, high = found[0][0], found[-1][1]
    if low != high:
        condition = Condition("unread", f"translation takes the lowest {what} it may")
        taken = given(held, condition, True)
        if taken is not None:
            yield taken, low
    yield held, high
