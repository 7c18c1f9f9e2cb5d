"""Exits: by which lines the conversations that areas and devices start leave.

The first exit that matches an attempt decides its lines; what none matches takes the lines by
their roles. An IPv6 source inside a line's prefix leaves by that line whatever an exit says, since
no other provider takes it (BCP 38). So an exit changes what is let in one case only: with
`or-else: refused`, where none of its lines is up, or an IPv6 source belongs to none of them.

What lies in a line's own network is reached there directly, unless that is not the way it may take:
then it goes by its own line, through the internet. The route of an automatic line can't be told
apart from those into the networks of the others, so it leads to no such network (`beside`).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from typing import Any

from netcharter.charter.model import Exit
from netcharter.plan.coding import ANY6, network
from netcharter.plan.shapes import ExitPlan, LinePlan, Region
from netcharter.plan.terms import (
    Ground,
    all_reached,
    all_starters,
    line_states,
    regions,
    service_set,
)
from netcharter.space.ranges import Ranges, intersect, subtract

_SETS = ("source", "destination", "service", "hardware")
NO_EXIT = "no-exit"  # the decision that refuses what has no way out by its exit


def exits(ground: Ground) -> tuple[ExitPlan, ...]:
    """The exits of a charter in their order, numbered from 1."""
    return tuple(_exit(ground, n, one) for n, one in enumerate(ground.charter.exits, 1))


def _exit(ground: Ground, number: int, one: Exit) -> ExitPlan:
    to = intersect(all_reached(ground, one.reach), ground.internet)
    what = service_set(ground, one.services)
    return ExitPlan(
        name=one.name,
        number=number,
        regions=tuple(regions(all_starters(ground, one.who), to, what)),
        lines=tuple(dict.fromkeys(one.lines)),
        refused=one.refused,
        together=one.together,
        because=one.because or "",
        span=ground.charter.where("exits", number - 1),
    )


def refused(ground: Ground) -> Iterator[Region]:
    """What exits refuse: attempts with the line states in which they have no way out."""
    earlier: list[Region] = []
    for one in exits(ground):
        lines = [ground.line[name] for name in one.lines]
        for region in one.regions if one.refused else ():
            for part in minus(region, earlier):
                yield from _closed(ground, part, lines)
        earlier += one.regions


def beside(lines: Sequence[LinePlan], mine: Collection[str], family: int) -> Ranges:
    """The networks of an IP version that the charter says other lines than these are in."""
    others = (held for line in lines if line.name not in mine for held in line.held)
    return network(*(held.network for held in others if held.version == family))


def _closed(ground: Ground, part: Region, lines: list[LinePlan]) -> Iterator[Region]:
    if not intersect(part.source, ANY6):
        yield from _closed4(ground, part, lines)
        return
    for line in ground.lines:
        source = intersect(part.source, network(line.prefix)) if line.prefix is not None else ()
        if source and line not in lines:
            yield replace(part, source=source)


def _closed4(ground: Ground, part: Region, lines: list[LinePlan]) -> Iterator[Region]:
    there = {line.name for line in lines if line.carries4}
    told = {line.name for line in lines if line.carries4 and not line.learns}
    near = beside(ground.lines, [line.name for line in lines], 4) if told != there else ()
    far, close = subtract(part.destination, near), intersect(part.destination, near)
    states = line_states(ground, lambda up: not up & there)
    if far and states:
        yield replace(part, destination=far, lines=states)
    if close:
        without = line_states(ground, lambda up: not up & told) if told else None
        yield replace(part, destination=close, lines=without)


def common(one: Region, other: Region) -> Region | None:
    """What two regions share; who and when are everybody and always in both."""
    entrances = one.entrances & other.entrances
    if not entrances:
        return None
    found = replace(one, entrances=entrances)
    for name in _SETS:
        both = intersect(getattr(one, name), getattr(other, name))
        if not both:
            return None
        found = _with(found, name, both)
    return found


def minus(region: Region, others: list[Region]) -> list[Region]:
    """A region less others, as disjoint regions; who and when are everybody and always in all."""
    left = [region]
    for other in others:
        left = [part for one in left for part in _less(one, other)]
    return left


def _less(one: Region, other: Region) -> Iterator[Region]:
    """Peeled off field by field: what is left in the end lies in both."""
    shared = common(one, other)
    if shared is None:
        yield one
        return
    if one.entrances - other.entrances:
        yield replace(one, entrances=one.entrances - other.entrances)
    one = replace(one, entrances=shared.entrances)
    for name in _SETS:
        rest = subtract(getattr(one, name), getattr(other, name))
        if rest:
            yield _with(one, name, rest)
        one = _with(one, name, getattr(shared, name))


def _with(region: Region, name: str, found: Ranges) -> Region:
    """The region with another set in one of its fields."""
    changed: dict[str, Any] = {name: found}
    return replace(region, **changed)
