"""Families that defeat simpler methods; `netcharter.space.cover` publishes them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from netcharter.space.checker import Checker
from netcharter.space.engine import Engine
from netcharter.space.model import Covered, RuleList, Undecided, Witness
from tests.space.space_lists import combed_pigeons, pigeons, ring_of_slabs, slabs_and_slices

FAMILIES = [
    (slabs_and_slices, range(41, 1041)),
    (ring_of_slabs, range(51, 2051)),
    (pigeons, range(1, 197)),
    (combed_pigeons, range(1, 253)),
]


@pytest.mark.parametrize(("family", "needed"), FAMILIES)
def test_the_closing_rule_is_proven_dead(family: Callable[[], RuleList], needed: range) -> None:
    rules = family()
    last = rules.entries[-1].rule
    verdict = Engine(rules).covered(rules.universe, by=range(1, last))
    assert verdict == Covered(tuple(needed))
    assert Checker(rules).dead(last, verdict.core)
    for dropped in (needed[0], needed[len(needed) // 2], needed[-1]):
        assert not Checker(rules).dead(last, [rule for rule in needed if rule != dropped])


@pytest.mark.parametrize(("family", "needed"), FAMILIES)
def test_one_slit_in_it_is_found(family: Callable[[], RuleList], needed: range) -> None:
    rules = family()
    last = rules.entries[-1].rule
    for dropped in (needed[0], needed[len(needed) // 2], needed[-1]):
        open_rules = replace(rules, entries=tuple(e for e in rules.entries if e.rule != dropped))
        verdict = Engine(open_rules).covered(
            rules.universe, by=[rule for rule in range(1, last) if rule != dropped]
        )
        assert isinstance(verdict, Witness)
        assert Checker(open_rules).witness(verdict.point, last, "let")


@pytest.mark.parametrize("family", [lambda: ring_of_slabs(60), pigeons, lambda: combed_pigeons(5)])
def test_all_questions_about_a_small_one_are_decided(family: Callable[[], RuleList]) -> None:
    rules = family()
    engine, checker = Engine(rules), Checker(rules)
    for rule, verdict in engine.dead().items():
        if isinstance(verdict, Covered):
            assert checker.dead(rule, verdict.core)
        else:
            assert isinstance(verdict, Witness)
            assert checker.witness(verdict.point, rule, verdict.outcome)
    for rule, verdict in engine.redundant().items():
        if isinstance(verdict, Covered):
            assert checker.removable(rule, verdict.core)
        else:
            assert isinstance(verdict, Witness)
            assert checker.removal(verdict.point, rule, verdict.outcome, verdict.instead)


def test_too_small_a_budget_is_admitted() -> None:
    rules = pigeons()
    last = rules.entries[-1].rule
    verdict = Engine(rules, budget=50).dead()[last]
    assert isinstance(verdict, Undecided)
    assert "50 steps" in verdict.reason
    assert isinstance(Engine(rules, budget=50).redundant()[last], Undecided)
    query = rules.universe
    assert isinstance(Engine(rules, budget=50).covered(query), Covered)  # by the last rule itself
    assert isinstance(Engine(rules, budget=50).covered(query, by=range(1, last)), Undecided)
    never = Engine(rules, budget=50).decided(query, lambda rule, outcome: rule == last)
    assert isinstance(never, Undecided)
