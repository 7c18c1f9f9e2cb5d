"""What hosts of some areas find in others: kinds of services as the types that are asked for."""

from __future__ import annotations

from netcharter.charter.kinds import types_of
from netcharter.charter.model import Discovery
from netcharter.plan.shapes import DiscoveryPlan
from netcharter.plan.terms import Ground


def discovery(ground: Ground) -> tuple[DiscoveryPlan, ...]:
    """The sentences of a charter about it, in their order."""
    return tuple(_one(ground, number, one) for number, one in enumerate(ground.charter.discovery))


def _one(ground: Ground, number: int, one: Discovery) -> DiscoveryPlan:
    return DiscoveryPlan(
        name=one.name,
        who=tuple(area for area in ground.areas if area.name in one.who),
        find=one.find,
        types=types_of(one.find),
        where=tuple(area for area in ground.areas if area.name in one.where),
        because=one.because or "",
        span=ground.charter.where("discovery", number),
    )
