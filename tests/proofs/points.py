"""Concrete attempts as points of a universe, found without the code that is under test."""

from __future__ import annotations

from datetime import date, datetime

from netcharter.plan import coding
from netcharter.plan.shapes import Plan
from netcharter.proofs.universe import Universe, service_value
from netcharter.space.model import Point, RawBox
from netcharter.space.ranges import has
from tests.oracle.naive import Attempt, Environment, is_open
from tests.oracle.site import Address, Site

Truth = tuple[bool, ...]


def point_of(universe: Universe, time: int, attempt: Attempt, environment: Environment) -> Point:
    """The point of an attempt in a time class."""
    known = universe.hardware
    hardware = len(known) + 1
    if attempt.hardware is not None:
        hardware = known.index(attempt.hardware) if attempt.hardware in known else len(known)
    return (
        universe.entrances.index(attempt.entrance),
        universe.people.index(environment.who),
        time,
        hardware,
        _address(universe, attempt.source),
        _address(universe, attempt.destination),
        service_value((attempt.protocol << 16) + attempt.number),
        sum(1 << bit for bit, name in enumerate(universe.lines) if name in environment.up),
        sum(1 << bit for bit, place in enumerate(universe.led) if place.name in environment.led),
    )


def _address(universe: Universe, address: Address) -> int:
    if isinstance(address, tuple):
        return coding.unknown(universe.lines.index(address[1]) + 1, address[2])
    return coding.address(address)


def lies_in(box: RawBox, point: Point) -> bool:
    return all(map(has, box, point))


class Clock:
    """Which time class of a universe an instant belongs to: the one with the same truths."""

    def __init__(self, universe: Universe, *sites: Site) -> None:
        self.used = [(site, *_used(plan)) for site, plan in zip(sites, universe.plans, strict=True)]
        self.numbers: dict[Truth, int] = {}
        for time in universe.times:
            truth = self.truth(time.earliest)
            assert truth not in self.numbers, "two classes in which all the same is true"
            self.numbers[truth] = time.number

    def number(self, instant: datetime) -> int:
        return self.numbers[self.truth(instant)]

    def truth(self, instant: datetime) -> Truth:
        """Every condition of the charters, true or not at an instant."""
        found: list[bool] = []
        for site, hours, untils in self.used:
            found += [is_open(site, name, instant) for name in hours]
            found += [instant.astimezone(site.zone).date() <= until for until in untils]
        return tuple(found)


def _used(plan: Plan) -> tuple[list[str], list[date]]:
    """The hours and last days on which anything depends."""
    whens = {region.when for row in plan.rows for region in row.regions}
    hours = {w.during for w in whens} | {p.during for p in plan.charter.promises}
    return sorted(h for h in hours if h), sorted(w.until for w in whens if w.until)
