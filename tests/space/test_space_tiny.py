"""Every answer equals brute force over all points, on random tiny universes.

At least 2 000 lists per run from a seed that changes with every commit; lists that ever failed are
in corpus.json and always replayed.
"""

from __future__ import annotations

import itertools
import random
from collections import Counter
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from contextlib import contextmanager

import pytest

from netcharter.space import cover
from netcharter.space.checker import Checker, check_difference
from netcharter.space.cover import OverBudget
from netcharter.space.diagram import Weight
from netcharter.space.engine import Engine
from netcharter.space.model import Covered, Point, RawBox, RuleList, Witness
from netcharter.space.partition import Difference, compare, survey
from tests.space import space_tiny as tiny

CHUNKS, CHUNK = 20, 110
Accept = Callable[[int | None, Hashable], bool]


@contextmanager
def remembered(number: int) -> Iterator[None]:
    try:
        yield
    except Exception:
        tiny.remember(number)
        raise


def numbers(chunk: int) -> range:
    start = tiny.seed() * 1_000_003 + chunk * CHUNK
    print(f"NETCHARTER_SEED={tiny.seed()}, lists {start}..{start + CHUNK - 1}")
    return range(start, start + CHUNK)


@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_rules_and_queries_equal_brute_force(chunk: int) -> None:
    for number in numbers(chunk):
        with remembered(number):
            one_list(number)


@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_differences_and_surveys_equal_brute_force(chunk: int) -> None:
    for number in numbers(chunk):
        with remembered(number):
            one_difference(number)


def test_lists_that_failed_before_stay_right() -> None:
    for number in tiny.corpus():
        one_list(number)
        one_difference(number)


def test_the_random_lists_are_not_all_easy() -> None:
    """Guards the generator: unions, gaps, removable rules, odd universes must really occur."""
    seen: Counter[str] = Counter()
    for number in range(400):
        rules, rng = tiny.tiny(number)
        engine = Engine(rules)
        for verdict in engine.dead().values():
            seen["covered by a union"] += isinstance(verdict, Covered) and len(verdict.core) > 1
            seen["alive"] += isinstance(verdict, Witness)
        for verdict in engine.redundant().values():
            seen["removable by two"] += isinstance(verdict, Covered) and len(verdict.core) > 1
            seen["default does the same"] += verdict == Covered(())
        seen["several universe boxes"] += len(rules.universe) > 1
        seen["no universe"] += not rules.universe
        seen["no entries"] += not rules.entries
        seen["empty box"] += any(not all(entry.box) for entry in rules.entries)
        outcomes: dict[int, set[Hashable]] = {}
        for entry in rules.entries:
            outcomes.setdefault(entry.rule, set()).add(entry.outcome)
        seen["mixed outcomes"] += any(len(found) > 1 for found in outcomes.values())
        seen["different"] += not compare(rules, tiny.edited(rules, rng)).same
    assert len(seen) == 10
    assert min(seen.values()) >= 10, seen


# ---- dead, redundant, decided, covered ----


def one_list(number: int) -> None:
    rules, rng = tiny.tiny(number)
    engine, checker = Engine(rules), Checker(rules)
    check_dead(rules, engine, checker)
    check_redundant(rules, engine, checker)
    for _ in range(3):
        check_decided(rules, engine, checker, rng)
        check_covered(rules, engine, checker, rng)
        check_reached(rules, engine, checker, rng)
    for rule in engine.rule_numbers():
        assert engine.overlapping(rule) == overlapping(rules, rule)
        mine = [p for p in tiny.points(rules) if tiny.decide(rules, p)[0] == rule]
        effective = engine.effective(rule)
        assert effective.complete
        assert effective.count == len(mine)
        assert sorted(p for box in effective.boxes for p in members(box)) == sorted(mine)
    for point in itertools.islice(tiny.points(rules), 20):
        assert engine.first(point) == tiny.decide(rules, point)


def check_dead(rules: RuleList, engine: Engine, checker: Checker) -> None:
    dead = engine.dead()
    assert {r for r, v in dead.items() if isinstance(v, Covered)} == tiny.brute_dead(rules)
    for rule, verdict in dead.items():
        if isinstance(verdict, Covered):
            boxes = [entry.box for entry in rules.entries if entry.rule == rule]
            assert checker.dead(rule, verdict.core)
            assert tiny.brute_cover(rules, boxes, verdict.core)
            for kept in without_one(verdict.core):
                assert not tiny.brute_cover(rules, boxes, kept)
                assert not checker.dead(rule, kept)
        else:
            assert isinstance(verdict, Witness)
            assert verdict.rule == rule
            assert tiny.decide(rules, verdict.point) == (rule, verdict.outcome)
            assert checker.witness(verdict.point, rule, verdict.outcome)


def check_redundant(rules: RuleList, engine: Engine, checker: Checker) -> None:
    redundant = engine.redundant()
    removable = {r for r, v in redundant.items() if isinstance(v, Covered)}
    assert removable == tiny.brute_removable(rules)
    for rule, verdict in redundant.items():
        if isinstance(verdict, Covered):
            assert checker.removable(rule, verdict.core)
            assert tiny.brute_superfluous(rules, rule, verdict.core)
            for kept in without_one(verdict.core):
                assert not checker.removable(rule, kept)
                assert not tiny.brute_superfluous(rules, rule, kept)
        else:
            assert isinstance(verdict, Witness)
            assert verdict.rule == rule
            assert tiny.decide(rules, verdict.point) == (rule, verdict.outcome)
            otherwise = tiny.decide(rules, verdict.point, without=rule)
            assert otherwise == (verdict.instead_rule, verdict.instead)
            assert checker.removal(verdict.point, rule, verdict.outcome, verdict.instead)


def check_decided(rules: RuleList, engine: Engine, checker: Checker, rng: random.Random) -> None:
    query, accept = tiny.query(rng, rules), some_accept(rules, rng)
    hits = [p for p in within(rules, query) if accept(*tiny.decide(rules, p))]
    verdict = engine.decided(query, accept)
    if isinstance(verdict, Covered):
        assert not hits
        assert checker.shielded(query, accept, verdict.core)
        assert tiny.brute_shielded(rules, query, accept, verdict.core)
        for kept in without_one(verdict.core):
            assert not checker.shielded(query, accept, kept)
            assert not tiny.brute_shielded(rules, query, accept, kept)
    else:
        assert isinstance(verdict, Witness)
        assert verdict.point in hits
        assert tiny.decide(rules, verdict.point) == (verdict.rule, verdict.outcome)


def some_accept(rules: RuleList, rng: random.Random) -> Accept:
    taken, only_even = rng.sample(["let", "no", "odd", rules.default], 2), rng.random() < 0.3
    return lambda rule, outcome: outcome in taken and not (only_even and rule and rule % 2)


def check_covered(rules: RuleList, engine: Engine, checker: Checker, rng: random.Random) -> None:
    query = tiny.query(rng, rules)
    by = None if rng.random() < 0.5 else [r for r in engine.rule_numbers() if rng.random() < 0.7]
    allowed = engine.rule_numbers() if by is None else by
    verdict = engine.covered(query, by)
    assert isinstance(verdict, Covered) == tiny.brute_cover(rules, query, allowed)
    if isinstance(verdict, Covered):
        assert set(verdict.core) <= set(allowed)
        assert checker.cover(query, verdict.core)
        assert checker.minimal(query, verdict.core)
        assert not any(tiny.brute_cover(rules, query, k) for k in without_one(verdict.core))
    else:
        assert isinstance(verdict, Witness)
        assert verdict.point in within(rules, query)
        assert not any(
            tiny.inside(e.box, verdict.point) for e in rules.entries if e.rule in allowed
        )


def check_reached(rules: RuleList, engine: Engine, checker: Checker, rng: random.Random) -> None:
    query = tiny.query(rng, rules)
    wanted = {rule for rule in engine.rule_numbers() if rng.random() < 0.4}
    hits = [p for p in within(rules, query) if tiny.decide(rules, p)[0] in wanted]
    verdict = engine.reached(query, wanted)
    if isinstance(verdict, Covered):
        assert not hits
        assert checker.shielded(query, lambda rule, _: rule in wanted, verdict.core)
        for kept in without_one(verdict.core):
            assert not checker.shielded(query, lambda rule, _: rule in wanted, kept)
    else:
        assert isinstance(verdict, Witness)
        assert verdict.point in hits
        assert tiny.decide(rules, verdict.point) == (verdict.rule, verdict.outcome)


def overlapping(rules: RuleList, rule: int) -> tuple[int, ...]:
    """By points of the whole space, whether or not they exist."""
    whole = tuple(((0, field.size - 1),) for field in rules.fields)
    meeting = set()
    for point in members(whole):
        here = {e.rule for e in rules.entries if tiny.inside(e.box, point)}
        meeting |= here if rule in here else set()
    return tuple(r for r in dict.fromkeys(e.rule for e in rules.entries) if r in meeting - {rule})


def without_one(core: Sequence[int]) -> list[list[int]]:
    return [[kept for kept in core if kept != rule] for rule in core]


def within(rules: RuleList, query: Sequence[RawBox]) -> list[Point]:
    return [p for p in tiny.points(rules) if any(tiny.inside(box, p) for box in query)]


def members(box: RawBox) -> list[Point]:
    sets = [[v for low, high in values for v in range(low, high + 1)] for values in box]
    return list(itertools.product(*sets))


# ---- differences and surveys ----


def one_difference(number: int) -> None:
    a, rng = tiny.tiny(number)
    b = tiny.edited(a, rng)
    focus = None if rng.random() < 0.6 else tiny.query(rng, a)
    kinds: list[Weight] = ["size", "one", "exists", "size"]
    weights = {field.name: rng.choice(kinds) for field in a.fields}
    check_counts(a, b, focus, weights, compare(a, b, focus=focus, count_weights=weights))
    check_survey(a, tiny.query(rng, a))


def check_counts(
    a: RuleList,
    b: RuleList,
    focus: Sequence[RawBox] | None,
    weights: Mapping[str, str],
    difference: Difference,
) -> None:
    changed: dict[tuple[Hashable, Hashable], set[Point]] = {}
    for point in tiny.points(a) if focus is None else within(a, focus):
        outcomes = (tiny.decide(a, point)[1], tiny.decide(b, point)[1])
        if outcomes[0] != outcomes[1]:
            changed.setdefault(outcomes, set()).add(point)
    assert difference.same == (not changed)
    assert difference.parts.keys() == changed.keys()
    project = projection(a, b, focus, weights)
    for outcomes, part in difference.parts.items():
        assert part.count == len({project(point) for point in changed[outcomes]})
        assert part.witness in changed[outcomes]
        assert tiny.decide(a, part.witness) == (part.rule_a, outcomes[0])
        assert tiny.decide(b, part.witness) == (part.rule_b, outcomes[1])
        assert part.complete(1000)
        rows = part.rows(1000)
        listed = [point for row in rows for point in members(row.box)]
        assert sorted(listed) == sorted(changed[outcomes])
        for row in rows:
            assert check_difference(a, b, row.box, *outcomes)
            for point in members(row.box):
                assert tiny.decide(a, point) == (row.rule_a, row.outcome_a)
                assert tiny.decide(b, point) == (row.rule_b, row.outcome_b)


def projection(
    a: RuleList, b: RuleList, focus: Sequence[RawBox] | None, weights: Mapping[str, str]
) -> Callable[[Point], tuple[object, ...]]:
    """A point as it is counted: its value, its class among all sets of the field, or nothing."""
    boxes = [e.box for rules in (a, b) for e in rules.entries] + [*a.universe, *(focus or ())]

    def project(point: Point) -> tuple[object, ...]:
        out: list[object] = []
        for f, field in enumerate(a.fields):
            if weights[field.name] == "size":
                out.append(point[f])
            elif weights[field.name] == "one":
                out.append(tuple(tiny.inside((box[f],), (point[f],)) for box in boxes))
        return tuple(out)

    return project


def check_survey(rules: RuleList, query: Sequence[RawBox]) -> None:
    found = survey(rules, query, limit=1000)
    expected = {point: tiny.decide(rules, point) for point in within(rules, query)}
    assert found.counts == Counter(expected.values())
    assert found.complete
    pieces = [(point, (p.rule, p.outcome)) for p in found.pieces for point in members(p.box)]
    assert len(pieces) == len(expected)
    assert dict(pieces) == expected


# ---- the two cover methods, each alone ----


@pytest.mark.parametrize("method", ["box cover", "diagram"])
def test_each_cover_method_alone_equals_brute_force(
    method: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OverBudget

    other = cover._Diagram if method == "box cover" else cover._BoxCover
    monkeypatch.setattr(other, "solve", refuse)
    rng = random.Random(tiny.seed())
    answers: Counter[bool] = Counter()
    for _ in range(600):
        width, atoms = rng.randrange(2, 5), rng.randrange(2, 5)
        boxes = [random_masks(rng, width, atoms) for _ in range(rng.randrange(1, 14))]
        target = random_masks(rng, width, atoms)
        masks = [[box[f] for box in boxes] for f in range(width)]
        holders = [
            [sum(1 << i for i, box in enumerate(boxes) if box[f] >> a & 1) for a in range(atoms)]
            for f in range(width)
        ]
        answer = cover.cover(target, range(len(boxes)), masks, holders, 1_000_000)
        answers[isinstance(answer, int)] += 1
        if isinstance(answer, int):
            used = [box for i, box in enumerate(boxes) if answer >> i & 1]
            assert not missed(target, used)
        else:
            assert set(missed(answer, [])) <= set(missed(target, boxes))
            assert all(answer)
    assert min(answers.values()) > 50


def random_masks(rng: random.Random, width: int, atoms: int) -> list[int]:
    full = (1 << atoms) - 1
    return [full if rng.random() < 0.4 else rng.randrange(1, full + 1) for _ in range(width)]


def missed(target: Sequence[int], boxes: Sequence[Sequence[int]]) -> list[Point]:
    points = itertools.product(*([a for a in range(8) if mask >> a & 1] for mask in target))
    return [
        p
        for p in points
        if not any(all(m >> v & 1 for m, v in zip(box, p, strict=True)) for box in boxes)
    ]
