"""A plan as a lab meets it in which names lead to addresses that are known: no place is made of names
any more, and what is decided by such places is decided by their addresses.

So a programme of probes is made as for any plan. That it says of every attempt what the plan says of it
in an environment in which these names lead there is tested (tests/probes/test_leading.py).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from netcharter.plan import coding
from netcharter.plan.leading import number
from netcharter.plan.shapes import Address, Plan, Region, Row
from netcharter.probes.shapes import World
from netcharter.space.ranges import Ranges, intersect, subtract, union


def settled(plan: Plan, world: World) -> Plan:
    """The plan in that world."""
    if not plan.by_names:
        return plan
    parts = dict(led_parts(plan, world))
    found = {name: coding.addresses(world.led.get(name, ())) for name in _names(plan)}
    return replace(
        plan,
        rows=tuple(_row(row, parts) for row in plan.rows),
        places={**plan.places, **found},
        by_names=(),
    )


def _names(plan: Plan) -> list[str]:
    return [place.name for place in plan.by_names]


def led_parts(plan: Plan, world: World) -> Iterator[tuple[int, Ranges]]:
    """Each set of places in which any address is, with these addresses; those in none come last."""
    names = _names(plan)
    every = {address for name in names for address in world.led.get(name, ())}
    by_set: dict[int, list[Address]] = {}
    for address in sorted(every, key=coding.address):
        held = [name for name in names if address in world.led.get(name, ())]
        by_set.setdefault(number(names, held), []).append(address)
    for held_in, addresses in by_set.items():
        yield held_in, coding.addresses(addresses)
    yield 0, subtract(union(coding.ANY4, coding.ANY6), coding.addresses(every))


def _row(row: Row, parts: dict[int, Ranges]) -> Row:
    return replace(row, regions=tuple(part for one in row.regions for part in _region(one, parts)))


def _region(region: Region, parts: dict[int, Ranges]) -> Iterator[Region]:
    if region.led is None:
        yield region
        return
    there = union(*(found for held, found in parts.items() if held in region.led))
    to = intersect(region.destination, there)
    if to:
        yield replace(region, destination=to, led=None)
