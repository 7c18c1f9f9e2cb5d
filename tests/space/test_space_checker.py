"""The checker believes nobody: forged certificates of every kind are refused."""

from __future__ import annotations

import itertools
import random
import re
from collections import Counter
from pathlib import Path

import pytest

from netcharter.space import checker as module
from netcharter.space.checker import (
    Checker,
    check_cover,
    check_difference,
    check_minimal,
    check_witness,
)
from netcharter.space.engine import Engine
from netcharter.space.model import Covered, Entry, Field, RuleList, Witness
from netcharter.space.ranges import full, ranges
from tests.space import space_tiny as tiny
from tests.space.space_lists import charter_like

LINE = (Field("x", 10), Field("y", 4))
EVERY = full(4)


def line(*sets: tuple[int, int], default: str = "no") -> RuleList:
    entries = tuple(
        Entry((ranges(pair), EVERY), at, "let" if at % 2 else "no")
        for at, pair in enumerate(sets, 1)
    )
    return RuleList(LINE, entries, default, ((ranges((0, 8)), EVERY),))


def test_the_checker_shares_no_code_with_the_engine() -> None:
    room = Path(module.__file__).parent
    for name in ("checker", "slices"):
        names = re.findall(r"netcharter\.\S+", (room / f"{name}.py").read_text())
        assert set(names) <= {"netcharter.space.model", "netcharter.space.slices"}
    for other in set(room.glob("*.py")) - {room / "checker.py", room / "slices.py"}:
        assert "slices import" not in other.read_text()


def test_a_true_witness_passes_and_forged_ones_do_not() -> None:
    rules = line((0, 3), (2, 6))
    assert check_witness(rules, (5, 0), 2, "no")
    assert check_witness(rules, (8, 0), None, "no")
    forged = [
        ((3, 0), 2, "no"),  # an earlier rule decides
        ((5, 0), 1, "let"),  # not in that rule
        ((5, 0), 2, "let"),  # another outcome
        ((9, 0), None, "no"),  # outside the universe
        ((8, 0), 2, "no"),  # the default decides
        ((5,), 2, "no"),  # no point of this space
    ]
    assert not any(check_witness(rules, *one) for one in forged)


def test_a_core_too_small_or_too_large_is_refused() -> None:
    rules = line((0, 3), (4, 6), (2, 5), (0, 8))
    boxes = [rules.entries[2].box]
    assert check_cover(rules, boxes, (1, 2))
    assert check_minimal(rules, boxes, (1, 2))
    assert not check_cover(rules, boxes, (1,))
    assert not check_cover(rules, boxes, ())
    assert not check_minimal(rules, boxes, (1, 2, 4))
    checker = Checker(rules)
    assert checker.dead(3, (1, 2))
    assert not checker.dead(3, (2,))
    assert not checker.dead(3, (4,))  # covers it, but comes later
    assert not checker.dead(3, (3,))  # itself
    assert not checker.dead(7, ())  # no such rule


def test_forged_differences_are_refused() -> None:
    a, b = line((0, 3), (2, 6)), line((0, 3), (2, 5), (6, 6))
    box = (ranges((6, 6)), EVERY)
    assert check_difference(a, b, box, "no", "let")
    assert not check_difference(a, b, box, "let", "no")
    assert not check_difference(a, b, (ranges((5, 6)), EVERY), "no", "let")
    assert not check_difference(a, b, (ranges((5, 7)), EVERY), "no", "let")
    assert not check_difference(a, b, (ranges((6, 6)), ()), "no", "let")
    assert not check_difference(a, b, (ranges((9, 9)), EVERY), "no", "no")  # does not exist
    inner_hole = (ranges((4, 8)), EVERY)  # both corners agree, the middle does not
    c, d = line((6, 6)), line((9, 9))
    assert not check_difference(c, d, inner_hole, "no", "no")


def test_forged_removals_are_refused() -> None:
    rules = line((0, 3), (2, 6), (2, 8))
    checker = Checker(rules)
    assert checker.removal((1, 0), 1, "let", "no")
    assert not checker.removal((3, 0), 1, "let", "let")
    assert not checker.removal((3, 0), 1, "no", "let")
    assert not checker.removal((7, 0), 2, "no", "let")
    assert not checker.removable(1, (2, 3))
    assert not checker.removable(2, ())  # rule 3 lets what rule 2 refuses


def test_mutated_certificates_of_real_answers_are_refused() -> None:
    """Swap the rule, the outcome, a value; drop a rule from a core: none may pass unless true."""
    seen: Counter[str] = Counter()
    for number in range(300):
        rules, rng = tiny.tiny(number)
        checker = Checker(rules)
        everyone = Engine(rules).rule_numbers()
        for rule, verdict in Engine(rules).dead().items():
            if isinstance(verdict, Witness):
                moved = tuple(rng.randrange(field.size) for field in rules.fields)
                exists = any(tiny.inside(box, moved) for box in rules.universe)
                true = exists and tiny.decide(rules, moved) == (rule, verdict.outcome)
                assert checker.witness(moved, rule, verdict.outcome) == true
                assert not checker.witness(verdict.point, rule, "forged")
                assert not checker.witness(verdict.point, None, verdict.outcome)
                seen["moved witness"] += not true
                assert not checker.dead(rule, everyone[: everyone.index(rule)])
            elif isinstance(verdict, Covered):
                for dropped in verdict.core:
                    assert not checker.dead(rule, [r for r in verdict.core if r != dropped])
                    seen["dropped rule"] += 1
    assert min(seen.values()) > 50


def test_every_random_claim_is_judged_as_brute_force_judges_it() -> None:
    rng = random.Random(tiny.seed())
    seen: Counter[tuple[str, bool]] = Counter()
    for number in range(300):
        rules, _ = tiny.tiny(number)
        checker = Checker(rules)
        core = [r for r in Engine(rules).rule_numbers() if rng.random() < 0.6]
        query = tiny.query(rng, rules)
        covers = checker.cover(query, core)
        assert covers == tiny.brute_cover(rules, query, core)
        seen["cover", covers] += 1

        def accept(rule: int | None, outcome: object) -> bool:
            return outcome == "let"

        shielded = checker.shielded(query, accept, core)
        assert shielded == tiny.brute_shielded(rules, query, accept, core)
        seen["shielded", shielded] += 1
        for rule in rule_numbers(rules):
            removable = checker.removable(rule, core)
            assert removable == tiny.brute_superfluous(rules, rule, core)
            seen["removable", removable] += 1
    assert len(seen) == 6
    assert min(seen.values()) > 10


def rule_numbers(rules: RuleList) -> list[int]:
    return sorted({entry.rule for entry in rules.entries})


def test_the_quick_scan_agrees_with_the_slow_one_on_real_sizes() -> None:
    rules = charter_like(120, 5)
    checker, rng = Checker(rules), random.Random(5)
    for entry, other in itertools.islice(itertools.combinations(rules.entries, 2), 0, None, 40):
        point = tuple(rng.choice((a or b)[0]) for a, b in zip(entry.box, other.box, strict=True))
        assert checker.decide(point) == tiny.decide(rules, point)


def test_what_is_remembered_is_bounded_and_forgetting_changes_no_answer(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rules = charter_like(80, 7)
    boxes = [entry.box for entry in rules.entries]
    cores = [[at, at + 1, at + 2] for at in range(len(boxes))]
    whole = Checker(rules)
    expected = [whole.cover([box], core) for box, core in zip(boxes, cores, strict=True)]
    monkeypatch.setattr(module, "MOST_PLACES", 200)
    monkeypatch.setattr(module, "MOST_PAIRS", 100)
    narrow = Checker(rules)
    longest = len(rules.entries)
    for box, core, covered in zip(boxes, cores, expected, strict=True):
        assert narrow.cover([box], core) == covered
        assert sum(map(len, narrow._meeting.values())) <= 200 + 2 * longest
        assert len(narrow._touching) <= 100 + longest * len(rules.fields)
    assert len(whole._touching) > 100
    assert sum(map(len, whole._meeting.values())) > 200 + 2 * longest
