"""The checker on two lists at once, and on what is listed: judged as brute force judges it."""

from __future__ import annotations

import itertools
import random
from collections import Counter
from collections.abc import Hashable
from dataclasses import replace
from functools import partial

import pytest

from netcharter.space import checker as module
from netcharter.space.checker import (
    Checker,
    Unproven,
    check_disjoint,
    check_nothing_else,
    check_same,
    measure,
)
from netcharter.space.model import Entry, Field, Point, RawBox, RuleList
from netcharter.space.partition import compare, survey
from netcharter.space.ranges import full, ranges, size
from tests.space import space_tiny as tiny
from tests.space.space_lists import charter_like

LISTS = 1500


def pair(number: int) -> tuple[RuleList, RuleList, random.Random]:
    a, rng = tiny.tiny(number)
    return a, tiny.edited(a, rng), rng


def held(boxes: list[RawBox]) -> set[Point]:
    return {
        point
        for box in boxes
        for point in itertools.product(
            *([v for low, high in values for v in range(low, high + 1)] for values in box)
        )
    }


def lenient(one: Hashable, other: Hashable) -> bool:
    """Equal, or one of them "odd": a likeness in which two outcomes like a third may differ."""
    return one == other or "odd" in (one, other)


@pytest.mark.parametrize("few", [0, 24])  # looks everywhere, or into each entry that is apart
def test_two_lists_are_the_same_just_where_no_point_differs(
    few: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_FEW", few)
    seen: Counter[object] = Counter()
    for number in range(LISTS):
        a, b, rng = pair(number)
        within = None if rng.random() < 0.4 else tiny.query(rng, a)
        aside = [] if rng.random() < 0.4 else tiny.query(rng, a)
        asked = set(tiny.points(a)) - held(aside)
        asked &= asked if within is None else held(within)
        for alike in (None, lenient):
            like = alike or (lambda one, other: one == other)
            expected = all(like(tiny.decide(a, p)[1], tiny.decide(b, p)[1]) for p in asked)
            found = (
                check_same(a, b, within, aside, alike=alike)
                if alike
                else check_same(a, b, within, aside)
            )
            assert found == expected, number
            seen[alike is None, expected, bool(aside), within is None] += 1
    assert len(seen) == 16 and min(seen.values()) > 20


def test_a_full_listing_is_proven_and_any_part_of_it_is_not() -> None:
    seen: Counter[str] = Counter()
    for number in range(LISTS):
        a, b, rng = pair(number)
        found = compare(a, b)
        rows = [row for part in found.parts.values() for row in part.rows(1000)]
        boxes = [row.box for row in rows]
        assert check_same(a, b, except_=boxes)
        assert check_same(a, b) == (not rows)
        assert check_disjoint(boxes)
        assert measure(boxes) == sum(part.count for part in found.parts.values())
        if rows:
            gone = rng.randrange(len(boxes))
            assert not check_same(a, b, except_=[*boxes[:gone], *boxes[gone + 1 :]])
            assert not check_disjoint([*boxes, boxes[gone]])
            for f, values in enumerate(boxes[gone]):
                if size(values) > 1:
                    smaller = (*boxes[gone][:f], ((values[0][0],) * 2,), *boxes[gone][f + 1 :])
                    assert not check_same(
                        a, b, except_=[*boxes[:gone], smaller, *boxes[gone + 1 :]]
                    )
                    seen["shrunk"] += 1
        seen["same" if not rows else "different"] += 1
    assert min(seen.values()) > 100


def test_a_box_counts_once_however_often_it_is_covered() -> None:
    for number in range(LISTS):
        rules, rng = tiny.tiny(number)
        boxes = [*tiny.query(rng, rules), *tiny.query(rng, rules)]
        assert measure(boxes) == len(held(boxes))
        assert check_disjoint(boxes) == (sum(len(held([box])) for box in boxes) == len(held(boxes)))
    assert measure([]) == 0
    assert measure([(full(2**130), ranges((3, 5)))]) == 3 * 2**130


def test_boxes_are_decided_as_brute_force_decides_them() -> None:
    seen: Counter[tuple[str, bool]] = Counter()
    for number in range(LISTS):
        rules, rng = tiny.tiny(number)
        checker = Checker(rules)
        for box in tiny.query(rng, rules):
            points = held([box])
            exists = bool(points) and points <= set(tiny.points(rules))
            rule, outcome = tiny.decide(rules, min(points)) if points else (None, "let")
            fates = {tiny.decide(rules, point) for point in points}
            uniform = exists and {fate[1] for fate in fates} == {outcome}
            decided = exists and fates == {(rule, outcome)}
            assert checker.uniform(box, outcome) == uniform
            assert checker.decided(box, rule, outcome) == decided
            assert not checker.decided(box, rule, "forged")
            assert not checker.decided(box, -1, outcome)
            query = tiny.query(rng, rules)
            inside = decided and points <= held(query)
            assert checker.decided_inside(query, box, rule, outcome) == inside
            seen["uniform", uniform] += 1
            seen["decided", decided] += 1
            seen["inside", inside] += 1
    assert len(seen) == 6 and min(seen.values()) > 20


def among(outcomes: set[str], _: int | None, outcome: Hashable) -> bool:
    return outcome in outcomes


def test_an_answer_that_leaves_something_out_is_refused() -> None:
    seen: Counter[bool] = Counter()
    for number in range(LISTS):
        rules, rng = tiny.tiny(number)
        query = tiny.query(rng, rules)
        pieces = survey(rules, query, limit=1000).pieces
        everything = [piece.box for piece in pieces]
        let = [piece.box for piece in pieces if piece.outcome == "let"]
        assert check_nothing_else(rules, query, everything, lambda *_: True)
        assert check_nothing_else(rules, query, let, lambda _, outcome: outcome == "let")
        for boxes, outcomes in ((everything, {"let", "no", "odd"}), (let, {"let"})):
            kept = [box for box in boxes if rng.random() < 0.7]
            missing = len(kept) < len(boxes)
            taken = partial(among, outcomes)
            found = check_nothing_else(rules, query, kept, taken)
            assert found == (not missing)
            seen[missing] += 1
    assert min(seen.values()) > 100


def test_too_much_work_is_admitted() -> None:
    a, b = charter_like(60, 1), charter_like(60, 2)
    boxes = [row.box for part in compare(a, b).parts.values() for row in part.rows(100_000)]
    assert check_same(a, b, except_=boxes)
    with pytest.raises(Unproven):
        check_same(a, b, except_=boxes, steps=10)
    with pytest.raises(Unproven):
        measure(boxes, steps=10)
    with pytest.raises(Unproven):
        check_disjoint(boxes, steps=10)
    with pytest.raises(Unproven):
        check_nothing_else(a, a.universe, boxes, lambda *_: True, steps=10)


def test_entries_that_changed_places_are_told_from_those_that_stayed() -> None:
    field = Field("only", 10)
    entries = [Entry((ranges((n, n + 1)),), n, "let" if n % 2 else "no") for n in (0, 3, 6, 7, 8)]
    a = RuleList((field,), tuple(entries), "no", ((full(10),),))
    apart = replace(a, entries=(entries[1], entries[0], *entries[2:]))
    crossed = replace(a, entries=(*entries[:3], entries[4], entries[3]))
    assert check_same(a, apart)  # they share no point
    assert not check_same(a, crossed)  # 8 is let first, and then is not
    assert check_same(a, crossed, except_=[(ranges((8, 8)),)])
    assert check_same(a, crossed, within=[(ranges((0, 7), (9, 9)),)])
    assert not check_same(a, replace(a, default="let"))
    assert not check_same(a, replace(a, entries=()))


def test_lists_about_different_things_cannot_be_compared() -> None:
    rules = RuleList((Field("only", 3),), (), "no", ((full(3),),))
    with pytest.raises(ValueError):
        check_same(rules, replace(rules, universe=((ranges((0, 1)),),)))
    with pytest.raises(ValueError):
        check_same(rules, replace(rules, fields=(Field("other", 3),)))
