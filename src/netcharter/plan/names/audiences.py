"""Who a names rule is for, and for whom names are withheld at all."""

from __future__ import annotations

from netcharter.plan.names.shapes import Audience
from netcharter.plan.terms import Ground, device_addresses


def audience(ground: Ground, term: str) -> Audience:
    """What one term of `for` means."""
    if term == "anyone":
        return Audience(term, ground.all_areas)
    if term in ground.area:
        return Audience(term, frozenset({term}))
    device = ground.device[term]
    areas = ground.all_areas if device.roams else frozenset({device.area})
    return Audience(term, areas, device_addresses(device))


def withheld_from(ground: Ground) -> tuple[Audience, ...]:
    """For whom any names rule withholds names, at whatever hours; each term once, as the charter
    has them in order."""
    rules = (rule for rule in ground.charter.names if rule.action == "withhold")
    terms = dict.fromkeys(term for rule in rules for term in rule.who)
    return tuple(audience(ground, term) for term in terms)
