"""In a world in which names lead to known addresses a plan without names decides the same."""

from __future__ import annotations

from dataclasses import replace

import pytest

from netcharter.lab.world import world
from netcharter.plan.coding import address, decode
from netcharter.plan.fate import Environment, fate
from netcharter.plan.shapes import Plan
from netcharter.probes.leading import settled
from netcharter.probes.shapes import World
from netcharter.space.ranges import has
from tests.oracle.compared import coded, pair
from tests.oracle.naive import Attempt
from tests.oracle.site import Address


def led(plan: Plan, where: World, destination: Address) -> frozenset[str]:
    return frozenset(name for name, found in where.led.items() if destination in found)


@pytest.mark.parametrize("number", range(8))
def test_every_attempt_fares_alike(number: int) -> None:
    found = pair(number)
    where = world(found.plan)
    plan = settled(found.plan, where)
    assert not plan.by_names
    known = [one for each in where.led.values() for one in each]
    for attempt, environment in found.attempts(300):
        some = [one for one in known if one.version == getattr(attempt.source, "version", 0)]
        for to in (attempt.destination, *some):
            tried: Attempt = replace(attempt, destination=to)
            there = led(found.plan, where, to)
            before, after = (
                fate(one, coded(one, tried), Environment(environment.up, environment.who,
                                                         environment.instant, names))
                for one, names in ((found.plan, there), (plan, frozenset[str]()))
            )  # fmt: skip
            assert (before.row.label, before.let, before.manner) == (
                after.row.label, after.let, after.manner,
            )  # fmt: skip


def test_places_share_an_address_of_the_internet_that_is_nothing_else() -> None:
    found = next(one for one in map(pair, range(40)) if len(one.plan.by_names) > 1)
    where = world(found.plan)
    each = [set(addresses) for addresses in where.led.values()]
    shared = set.intersection(*each)
    assert {one.version for one in shared} == {4, 6}
    assert all(len(one) == 4 for one in each)
    for one in set.union(*each):
        assert has(found.plan.internet, address(one))
        assert not any(has(held, address(one)) for held in found.plan.places.values())
        assert decode(address(one)) == one
