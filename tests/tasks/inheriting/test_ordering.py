"""Rules in the order in which a charter says them: whatever packet is looked up in that order, and
refused where nothing fits, fares as in the ruleset."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from netcharter.readback.points import Points, frame
from netcharter.readback.structure import Structure
from netcharter.space.ranges import has
from netcharter.tasks.inheriting.ordering import Group, Ordering
from tests.readback import test_points
from tests.readback.auditing import HOUSE, House, by, out, tcp
from tests.readback.made import ACCEPT, DROP, Item

JUMP: Item = {"jump": {"target": "more"}}
CASES = 30


def ordered(house: House) -> tuple[Points, list[Group]]:
    found = test_points.read(house)
    points = Points(frame(found, hosts=(HOUSE,)), found, HOUSE)
    return points, list(Ordering(points, Structure(house.listing())).groups())


def drawn(draw: random.Random) -> House:
    """A house with a chain that several rules lead to."""
    house = test_points.drawn(draw)
    more = [rule for rule in test_points.drawn(draw).input if len(rule) > 1]
    leads = [(by(draw.choice(("lan0", "lan1", "up0"))), JUMP), (tcp(draw.choice((80, 443))), JUMP)]
    forward = [*house.forward, *leads]
    draw.shuffle(forward)
    policies = {**house.policies, "input": "drop"}
    return replace(house, forward=forward, more=more, policies=policies)


@pytest.mark.parametrize("case", range(CASES))
def test_the_order_is_one_in_which_the_first_that_fits_decides(case: int, seed: int) -> None:
    draw = random.Random(f"{seed} ordering {case}")
    points, groups = ordered(drawn(draw))
    numbers = [points.leaf(n) for n in points.boxes]
    conditions = dict.fromkeys(c for leaf in numbers for c, _ in leaf.held)
    for packet in draw.sample(list(test_points.packets()), 120):
        held = {condition: draw.random() < 0.5 for condition in conditions}
        for number in test_points.looked_up(points, packet, held, 0):
            exit_ = points.exits(number)[0][0]
            point = test_points.point_of(points, packet, exit_, held, 0)
            first = next(
                (
                    points.leaf(n).verdict.let
                    for group in groups
                    for n in group.leaves
                    if all(map(has, points.boxes[n], point))
                ),
                False,
            )
            if points.leaf(number).decider.chain:
                assert first == points.leaf(number).verdict.let, (seed, case, packet)


def names(groups: list[Group]) -> list[tuple[str, int | None]]:
    return [(group.origin.chain, group.origin.number) for group in groups]


def test_rules_stand_in_the_order_of_the_listing() -> None:
    house = House(
        forward=[
            (by("lan1"), out("up0"), ACCEPT),
            (by("lan0"), JUMP),
            (by("up0"), tcp(80), ACCEPT),
        ],
        more=[(tcp(443), ACCEPT)],
        input=[],
    )
    assert names(ordered(house)[1]) == [("forward", 1), ("more", 1), ("forward", 3)]


def test_a_refusal_is_told_where_a_later_rule_would_let_and_nowhere_else() -> None:
    refuses = (by("lan1"), tcp(80), DROP)
    house = House(forward=[refuses, (by("lan*"), out("up0"), ACCEPT)], input=[])
    assert names(ordered(house)[1]) == [("forward", 1), ("forward", 2)]
    house = House(forward=[refuses, (by("lan0"), out("up0"), ACCEPT)], input=[])
    assert names(ordered(house)[1]) == [("forward", 2)]


def test_a_chain_that_refuses_at_several_places_is_told_at_each() -> None:
    """Its refusal stands after what is let before it, and before what it is an exception from."""
    leads = [(by("lan0"), JUMP), (by("lan1"), JUMP)]
    house = House(
        forward=[
            (by("lan0"), tcp(80), ACCEPT),
            leads[0],
            (by("lan*"), tcp(443), ACCEPT),
            leads[1],
            (by("lan1"), out("up0"), ACCEPT),
        ],
        more=[(DROP,)],
        input=[],
    )
    found = names(ordered(house)[1])
    assert found.count(("more", 1)) >= 2
    assert found.index(("forward", 1)) < found.index(("more", 1)) < found.index(("forward", 3))
