"""Attempts drawn from a plan's own decisions: their corners, and what lies just beside them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from random import Random

from netcharter.plan import coding
from netcharter.plan.coding import ANY4, ANY6, HARDWARE_NONE, LOCAL_HARDWARE, REAL_SERVICES
from netcharter.plan.fate import Attempt, Environment
from netcharter.plan.leading import held_in
from netcharter.plan.shapes import Plan, Region
from netcharter.space.ranges import Ranges, has, intersect

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


def attempts(plan: Plan, rng: Random, count: int) -> Iterator[tuple[Attempt, Environment]]:
    """Attempts that exist, each from a region of a decision chosen at random."""
    areas = {area.name: area for area in plan.areas}
    lines = [line.name for line in plan.lines]
    symbols = {line.number: line.automatic for line in plan.lines}
    people = ["", "*guest", *(person.name for person in plan.people)]
    for _ in range(count):
        row = rng.choice(plan.rows)
        if not row.regions:
            continue
        region = rng.choice(row.regions)
        entrance = rng.choice(sorted(region.entrances))
        family = ANY4 if intersect(region.source, ANY4) else ANY6
        source, destination = (
            _address(part, family, rng, symbols) for part in (region.source, region.destination)
        )
        area = areas.get(entrance)
        if area is not None and rng.random() < 0.7:
            source = _address(intersect(area.hosts, family), family, rng, symbols)
        elif area is None and entrance in lines and rng.random() < 0.7:
            source = _address(intersect(plan.internet, family), family, rng, symbols)
        elif entrance == "gateway" and rng.random() < 0.7:
            source = _address(intersect(plan.gateway, family), family, rng, symbols)
        hardware = _hardware(plan, region, entrance, rng) if area else HARDWARE_NONE
        who = rng.choice(people) if area is not None and area.sign_in else ""
        if area is not None and area.sign_in and region.who and rng.random() < 0.8:
            who = rng.choice(sorted(region.who))
        up = frozenset(name for name in lines if name == entrance or rng.random() < 0.7)
        yield (
            Attempt(entrance, source, hardware, destination, _service(region, rng)),
            Environment(
                up,
                who,
                NOW + timedelta(minutes=rng.randrange(500 * 1440)),
                _led(plan, region, destination, rng),
            ),
        )


def _led(plan: Plan, region: Region, destination: int, rng: Random) -> frozenset[str]:
    """The places whose names lead there: often such as the region asks for."""
    names = [place.name for place in plan.by_names]
    if not has(plan.internet, destination):
        return frozenset()
    sets = sorted(region.led) if region.led and rng.random() < 0.7 else range(1 << len(names))
    return frozenset(held_in(names, rng.choice(sets)))


def _value(found: Ranges, rng: Random) -> int:
    low, high = rng.choice(found)
    kind = rng.random()
    if kind < 0.6:
        return rng.choice((low, high))
    return rng.randint(low, high)


def _address(found: Ranges, family: Ranges, rng: Random, symbols: dict[int, bool]) -> int:
    """An address of the set, or next to it; never the unknown address of a line that has none."""
    while True:
        value = _value(found, rng) + rng.choice((0, 0, 0, 0, -1, 1))
        if not any(low <= value <= high for low, high in family):
            continue
        decoded = coding.decode(value)
        if not isinstance(decoded, tuple) or symbols.get(decoded[0], False):
            return value


def _hardware(plan: Plan, region: Region, entrance: str, rng: Random) -> int:
    known = [h for device in plan.devices if device.area == entrance for h in device.hardware]
    if known and rng.random() < 0.3:
        return rng.choice(known)
    return _value(intersect(region.hardware, LOCAL_HARDWARE) or LOCAL_HARDWARE, rng)


def _service(region: Region, rng: Random) -> int:
    """A service of the region, or next to it, among those that an attempt can have."""
    for _ in range(20):
        value = _value(intersect(region.service, REAL_SERVICES), rng) + rng.choice((0, 0, 0, -1, 1))
        if intersect(((value, value),) if value >= 0 else (), REAL_SERVICES):
            return value
    return coding.TCP << 16 | 80
