"""What a kernel says no more than so often: who may be asked how many times.

A kernel answers IPv4 packets that have no route by at most five refusals of one source in quick
succession, and by one a second from then on (Linux, `ip_error`; the setting is not one of a network
namespace). So a rehearsal lets such packets come from many sources.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from ipaddress import IPv4Address
from itertools import islice

from netcharter.plan.coding import ANY4, V6
from netcharter.plan.shapes import AreaPlan
from netcharter.probes.foresight import Foresight, foresee
from netcharter.probes.stage import Stage
from netcharter.probes.trials import Trial, moved
from netcharter.space.ranges import has, intersect

BURST = 3  # of the five: some may be tried again
CANDIDATES = 400  # sources that are looked at for one trial
WHY = "a kernel refuses for want of a route five times in quick succession, and then once a second"


class Pacer:
    """Counts refusals by routing, source by source, wherever it is used."""

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self._asked: Counter[int] = Counter()
        self._refused: set[int] = set()  # sources of which a refusal is to be seen
        self._owned = {int(a) for device in stage.plan.devices for a in device.addresses4}

    def paced(self, trial: Trial, foresight: Foresight) -> Trial | None:
        """The trial, from another source of the same kind if this one has asked often enough; None
        if none is left.
        """
        area = self.stage.areas.get(trial.attempt.entrance)
        if trial.family == 6:
            return trial
        if area is None or not foresight.unrouted:
            return trial if self._leaves_room(foresight) else None
        for candidate in islice(self._sources(area, trial), CANDIDATES):
            source = candidate.attempt.source
            if self._asked[source] < BURST and self._alike(candidate, trial, foresight):
                self._asked[source] += 1
                self._refused.add(source)
                return candidate
        return None

    def _leaves_room(self, foresight: Foresight) -> bool:
        """Whoever answers what came by a line without a way back asks, too: count it, unless what
        was to be refused of theirs would not be any more."""
        expected = foresight.expected
        if expected is None or not expected.arrives or expected.answer == "answered":
            return True
        if not isinstance(expected.destination, IPv4Address):
            return True
        number = int(expected.destination)
        if number in self._refused and self._asked[number] >= BURST:
            return False
        self._asked[number] += 1
        return True

    def _sources(self, area: AreaPlan, trial: Trial) -> Iterator[Trial]:
        yield trial
        if not has(area.hosts, trial.attempt.source):  # forged: any other one will do
            for step in range(1, CANDIDATES):
                yield moved(trial, source=min(trial.attempt.source + step, V6 - 1))
            return
        visitor = self.stage.seats.visitor(area.name).hardware
        for low, high in intersect(area.hosts, ANY4):
            for number in range(low, high + 1):
                if number not in self._owned and self._asked[number] < BURST:
                    holder = self.stage.seats.holder(area.name, IPv4Address(number))
                    hardware = visitor if holder.hardware == visitor else trial.attempt.hardware
                    yield moved(trial, source=number, hardware=hardware)

    def _alike(self, candidate: Trial, trial: Trial, foresight: Foresight) -> bool:
        return candidate == trial or foresee(self.stage, candidate) == foresight
