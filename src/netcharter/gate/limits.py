"""How often somebody may come: so often at once, and then again as time goes by.

Who is counted: an address, an area, everybody. All of it is in memory, for as long as it takes to
forget, and nobody is told it.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable, Iterable
from dataclasses import dataclass

_NOTHING = 1e-6  # seconds: what sums of fractions may be wrong by
MOST = 4_096  # of those that are remembered; beyond it who came longest ago is forgotten


@dataclass(frozen=True, slots=True)
class Rate:
    """at_once: how many in quick succession; each: seconds after which one more is allowed."""

    at_once: int
    each: float


class Meter:
    """Counts as a bucket that empties evenly does. Seconds are those of a clock that only goes on."""

    def __init__(self, most: int = MOST) -> None:
        self._full: OrderedDict[Hashable, float] = OrderedDict()  # until when one counts as full
        self._most = most

    def takes(self, now: float, asked: Iterable[tuple[Hashable, Rate]]) -> float:
        """0.0 where all of these may, which is counted; else the seconds to wait, and none is."""
        found = [(key, rate, max(self._full.get(key, now), now)) for key, rate in asked]
        waits = max((at - now - (r.at_once - 1) * r.each for _, r, at in found), default=0.0)
        if waits > _NOTHING:
            return waits
        for key, rate, at in found:
            self._full[key] = at + rate.each
            self._full.move_to_end(key)
        while len(self._full) > self._most:
            self._full.popitem(last=False)
        return 0.0
