"""Questions to the certified engine: is there an attempt of this kind, and which?

A witness is the smallest point of what was asked for. Wishes narrow the question to what a lab can
send, so that a witness can be tried; they are given up where nothing else exists.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from netcharter.plan import coding, fate
from netcharter.plan.coding import HARDWARE_NONE, ICMP, ICMP6, TCP, UDP
from netcharter.plan.fate import Attempt, Environment
from netcharter.plan.housekeeping import LOOPBACK
from netcharter.plan.icmp import ECHO_REQUEST4, ECHO_REQUEST6
from netcharter.plan.shapes import Region, Row
from netcharter.probes.deciding import Decider
from netcharter.probes.foresight import NO_PAYLOAD, STATE, Foresight, foresee
from netcharter.probes.shapes import GATEWAY
from netcharter.probes.stage import (
    JOINED,
    LINK_LOCAL,
    MULTICAST,
    NO_DESTINATION,
    NUMBERS,
    UNSPECIFIED6,
    Stage,
)
from netcharter.probes.trials import ANY, Trial, region_family
from netcharter.probes.ways import Part
from netcharter.proofs.certify import Prover
from netcharter.proofs.universe import DESTINATION as TO
from netcharter.proofs.universe import (
    ENTRANCE,
    HARDWARE,
    LINES,
    SERVICE,
    SOURCE,
    TIME,
    WHO,
    service_code,
)
from netcharter.space.model import Point
from netcharter.space.ranges import Ranges, intersect, ranges, subtract, union

OWN_ICMP = {4: ICMP, 6: ICMP6}
ECHO = {
    4: coding.service(ICMP, ECHO_REQUEST4 << 8)[0],
    6: coding.service(ICMP6, ECHO_REQUEST6 << 8)[0],
}
TALKING: Ranges = ranges(coding.service(TCP, 1, 65535), coding.service(UDP, 1, 65535))


@dataclass(frozen=True, slots=True)
class Wish:
    """What would be nice in a witness. best: in the state in which most lines are up."""

    source: Ranges
    destination: Ranges
    service: Ranges
    best: bool


class Search:
    """One plan's engine, with the stage on which its answers are to be tried."""

    def __init__(self, stage: Stage, prover: Prover) -> None:
        self.stage = stage
        self.prover = prover
        self.decider = Decider(stage.plan)
        names = [line.name for line in stage.plan.lines]
        self._up = [
            frozenset(name for bit, name in enumerate(names) if state >> bit & 1)
            for state in range(1 << len(names))
        ]
        self._wishes: dict[tuple[str, int], tuple[Wish, ...]] = {}
        self._service = lru_cache(maxsize=4096)(intersect)

    def foresee(self, trial: Trial, row: Row) -> Foresight:
        """What a trial should show if that decision decides it."""
        attempt = trial.attempt
        outcome = fate.outcome(self.stage.plan, row, attempt.entrance, attempt.service)
        return foresee(self.stage, trial, outcome)

    def wishes(self, entrance: str, family: int) -> tuple[Wish, ...]:
        """What to find rather than anything else, in this order: the last is all that can be sent."""
        key = (entrance, family)
        if key not in self._wishes:
            wide = _sendable(self.stage, entrance, family)
            counted = subtract(wide.source, union(LINK_LOCAL, UNSPECIFIED6))
            self._wishes[key] = (
                _proper(self.stage, entrance, family, wide),
                replace(wide, source=counted, best=True),
                replace(wide, best=True),
                wide,
            )
        return self._wishes[key]

    def said(self, entrance: str, family: int) -> Wish:
        """Anything that has a payload: what cannot be tried then cannot for a better reason."""
        wide = self.wishes(entrance, family)[-1]
        return Wish(ANY[family], ANY[family], wide.service, best=False)

    def narrowed(
        self, regions: Iterable[Region], entrance: str, parts: Sequence[Part]
    ) -> list[Region]:
        """What regions and parts share at one entrance."""
        return [
            found
            for region in regions
            for part in parts
            if (found := self._shared(region, entrance, part)) is not None
        ]

    def witness(
        self, row: Row, regions: Iterable[Region], wish: Wish | None = None
    ) -> Trial | None:
        """An attempt of these regions, each of one entrance, that `row` decides; None: proven that
        there is none.
        """
        return self.among(frozenset({row.index}), regions, wish)

    def among(
        self, rows: frozenset[int], regions: Iterable[Region], wish: Wish | None = None
    ) -> Trial | None:
        """The same of whichever of some decisions, by their numbers."""
        wished = (self._wished(region, wish) if wish else region for region in regions)
        universe = self.prover.universe
        boxes = [box for region in wished if region and (box := universe.box(region)) is not None]
        found = self.prover.decided(boxes, rows)
        return None if found is None else self._trial(found.point)

    def _shared(self, region: Region, entrance: str, part: Part) -> Region | None:
        destination = intersect(region.destination, part.destination)
        states = self._states(region, entrance, part)
        if not destination or states == frozenset():
            return None
        source = region.source if part.source is None else intersect(region.source, part.source)
        service = region.service
        if part.service is not None:
            service = self._service(service, part.service)
        hardware = region.hardware
        if part.hardware is not None:
            hardware = intersect(hardware, part.hardware)
        if not source or not service or not hardware:
            return None
        return replace(
            at(region, entrance),
            hardware=hardware,
            source=source,
            destination=destination,
            service=service,
            lines=states,
        )

    def _states(self, region: Region, entrance: str, part: Part) -> frozenset[int] | None:
        states = region.lines
        if part.states is not None:
            states = part.states if states is None else states & part.states
        if states is None or entrance not in self.stage.lines:
            return states
        return frozenset(state for state in states if entrance in self._up[state])

    def _wished(self, region: Region, wish: Wish) -> Region | None:
        destination = intersect(region.destination, wish.destination)
        source = intersect(region.source, wish.source) if destination else ()
        service = self._service(region.service, wish.service) if source else ()
        if not service:
            return None
        states = self._best(region) if wish.best else region.lines
        return replace(
            region, source=source, destination=destination, service=service, lines=states
        )

    def _best(self, region: Region) -> frozenset[int]:
        """The state of a region in which most lines are up."""
        states = region.lines
        if states is None:
            return frozenset({len(self._up) - 1})
        return frozenset({max(states, key=lambda state: (state.bit_count(), -state))})

    def _trial(self, point: Point) -> Trial:
        universe = self.prover.universe
        entrance = universe.entrances[point[ENTRANCE]]
        value, hardware = point[HARDWARE], HARDWARE_NONE
        if value < universe.other_hardware:
            hardware = universe.hardware[value]
        elif value == universe.other_hardware:
            hardware = self.stage.seats.visitor(entrance).hardware
        return Trial(
            Attempt(entrance, point[SOURCE], hardware, point[TO], service_code(point[SERVICE])),
            Environment(
                self._up[point[LINES]],
                universe.people[point[WHO]],
                universe.times[point[TIME]].earliest,
            ),
        )


# --- wishes ---------------------------------------------------------------------------------------


def _proper(stage: Stage, entrance: str, family: int, wide: Wish) -> Wish:
    """From a proper source, by TCP, UDP or an echo request, with the lines up."""
    numbers = NUMBERS[family]
    if entrance in stage.areas:
        source = intersect(stage.areas[entrance].hosts, numbers)
    elif entrance in stage.lines:
        source = intersect(subtract(stage.plan.internet, stage.shadows), numbers)
    else:
        source = intersect(intersect(stage.plan.gateway, wide.source), numbers)
    services = union(TALKING, ((ECHO[family], ECHO[family]),))
    return Wish(source, subtract(wide.destination, stage.anycasts), services, best=True)


def _sendable(stage: Stage, entrance: str, family: int) -> Wish:
    """What can be sent and, if it is decided at all, is counted."""
    numbers = NUMBERS[family]
    unheard = union(stage.shadows, stage.odd)
    deaf = subtract(MULTICAST[family], JOINED)
    symbols = intersect(stage.known_symbols, ANY[family])
    to = union(subtract(numbers, union(NO_DESTINATION, LINK_LOCAL, deaf, unheard)), symbols)
    bad = union(stage.martians, unheard)
    if entrance == GATEWAY:
        to = subtract(union(to, intersect(LOOPBACK, numbers)), UNSPECIFIED6)
        own = intersect(stage.plan.gateway, union(numbers, symbols))
        bad = subtract(union(bad, LINK_LOCAL, UNSPECIFIED6, stage.anycasts), own)
        bad = union(bad, LINK_LOCAL, stage.anycasts)
        source = union(subtract(numbers, bad), subtract(symbols, bad))
    else:
        source = subtract(numbers, bad)
    return Wish(source, to, subtract(coding.REAL_SERVICES, _unsendable_services(family)), False)


def _unsendable_services(family: int) -> Ranges:
    """Protocols that are no payload, and messages that start nothing."""
    types = (coding.service(OWN_ICMP[family], t << 8, (t << 8) + 255) for t in STATE[family])
    return union(
        ranges(*(coding.service(p, 0, 0xFFFF) for p in NO_PAYLOAD[family])), ranges(*types)
    )


def regions_of(row: Row, entrance: str, family: int) -> Iterator[Region]:
    """The regions of a decision at one entrance in one family."""
    for region in row.regions:
        if entrance in region.entrances and region_family(region) == family:
            yield region


def at(region: Region, entrance: str) -> Region:
    """A region at one of its entrances."""
    return replace(region, entrances=frozenset({entrance}))
