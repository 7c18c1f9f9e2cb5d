"""Real-sized lists against z3, a foreign solver reading the raw ranges.

50 lists as a rule, 200 with NETCHARTER_LONG=1. Every certificate passes the checker.
"""

from __future__ import annotations

import os
import random
from dataclasses import replace

import pytest

from netcharter.space.checker import Checker, check_difference
from netcharter.space.engine import Engine
from netcharter.space.model import Covered, Entry, RuleList, Undecided, Witness
from netcharter.space.partition import compare
from netcharter.space.ranges import union
from tests.space import space_tiny as tiny
from tests.space.space_lists import charter_like, firewall_like
from tests.space.space_z3 import Foreign

LISTS = 200 if os.environ.get("NETCHARTER_LONG") == "1" else 50


def planted(rules: RuleList, rng: random.Random) -> RuleList:
    """Generated lists are too easy: plant rules covered only by a union, and removable ones."""
    entries = list(rules.entries)
    for _ in range(len(entries) // 20):
        at = rng.randrange(len(entries) - 1)
        a, b = entries[at].box, entries[rng.randrange(len(entries))].box
        f = rng.randrange(len(a))
        box = (*a[:f], union(a[f], b[f]), *a[f + 1 :])
        entries.append(Entry((*a[:f], b[f], *a[f + 1 :]), 0, rng.choice(["let", "no"])))
        entries.append(Entry(box, 0, entries[at].outcome))
    rule, numbered = 0, []
    for at, entry in enumerate(entries):
        alone = entry.rule == 0 or at == 0 or entries[at - 1].rule != entry.rule
        rule += alone
        numbered.append(replace(entry, rule=rule))
    return replace(rules, entries=tuple(numbered))


def real_sized(number: int) -> tuple[RuleList, random.Random]:
    seed = tiny.seed() + number
    rng = random.Random(seed)
    if number % 2:
        rules = firewall_like(rng.randrange(60, 110), seed, rng.choice(["no", "let", "none"]))
    else:
        rules = charter_like(rng.randrange(25, 60), seed)
    return planted(rules, rng), rng


@pytest.mark.parametrize("number", range(LISTS))
def test_a_real_sized_list_equals_z3(number: int) -> None:
    print(f"NETCHARTER_SEED={tiny.seed()}")
    rules, rng = real_sized(number)
    engine, checker, foreign = Engine(rules), Checker(rules), Foreign(rules)
    dead, redundant = engine.dead(), engine.redundant()
    assert not any(isinstance(v, Undecided) for v in [*dead.values(), *redundant.values()])
    assert {r for r, v in dead.items() if isinstance(v, Covered)} == foreign.dead()
    assert {r for r, v in redundant.items() if isinstance(v, Covered)} == foreign.removable()
    for rule, verdict in dead.items():
        if isinstance(verdict, Covered):
            assert checker.dead(rule, verdict.core)
        elif isinstance(verdict, Witness):
            assert checker.witness(verdict.point, rule, verdict.outcome)
    for rule, verdict in redundant.items():
        if isinstance(verdict, Covered):
            assert checker.removable(rule, verdict.core)
        elif isinstance(verdict, Witness):
            assert checker.removal(verdict.point, rule, verdict.outcome, verdict.instead)
    some = rng.choice(list(engine.rule_numbers()))
    for rule in (some, next((r for r, v in redundant.items() if isinstance(v, Covered)), some)):
        equivalence(rules, rule, foreign, isinstance(redundant[rule], Covered))


def equivalence(rules: RuleList, rule: int, foreign: Foreign, expected: bool) -> None:
    smaller = replace(rules, entries=tuple(e for e in rules.entries if e.rule != rule))
    difference = compare(rules, smaller)
    assert difference.same == foreign.same(smaller) == expected
    for (before, after), part in difference.parts.items():
        assert Checker(rules).decide(part.witness) == (part.rule_a, before)
        assert Checker(smaller).decide(part.witness) == (part.rule_b, after)
        for row in part.rows(20):
            assert check_difference(rules, smaller, row.box, before, after)
