"""Tiny random rule lists, and brute force over all their points: the stupid oracle."""

from __future__ import annotations

import hashlib
import itertools
import json
import os
import random
import subprocess
from collections.abc import Callable, Hashable, Iterator, Sequence
from pathlib import Path

import netcharter
from netcharter.space.model import Entry, Field, Point, RawBox, RuleList

CORPUS = Path(__file__).with_name("corpus.json")


def seed() -> int:
    """NETCHARTER_SEED, or a number that changes with every commit. Printed by the tests."""
    given = os.environ.get("NETCHARTER_SEED")
    if given:
        return int(given)
    here = Path(__file__).parent
    head = subprocess.run(
        ["git", "rev-parse", "HEAD"], cwd=here, capture_output=True, text=True, check=False
    )
    return int(hashlib.sha256(head.stdout.strip().encode()).hexdigest()[:8], 16)


def _normal(values: Sequence[int]) -> tuple[tuple[int, int], ...]:
    out: list[tuple[int, int]] = []
    for value in sorted(set(values)):
        if out and value == out[-1][1] + 1:
            out[-1] = (out[-1][0], value)
        else:
            out.append((value, value))
    return tuple(out)


def _set(rng: random.Random, size: int) -> tuple[tuple[int, int], ...]:
    kind = rng.random()
    if kind < 0.35:
        return _normal(range(size))
    if kind < 0.40:
        return ()
    if kind < 0.75:
        low = rng.randrange(size)
        return _normal(range(low, rng.randrange(low, size) + 1))
    return _normal([v for v in range(size) if rng.random() < 0.5])


def _universe(rng: random.Random, sizes: Sequence[int]) -> tuple[RawBox, ...]:
    whole = tuple(_normal(range(size)) for size in sizes)
    if rng.random() < 0.35:
        return (whole,)
    boxes: list[RawBox] = []
    for _ in range(rng.randrange(0, 5)):
        box = tuple(_set(rng, size) for size in sizes)
        if not any(all(_meets(a, b) for a, b in zip(box, other, strict=True)) for other in boxes):
            boxes.append(box)
    return tuple(boxes)


def _meets(a: Sequence[tuple[int, int]], b: Sequence[tuple[int, int]]) -> bool:
    return any(x[0] <= y[1] and y[0] <= x[1] for x in a for y in b)


def tiny(number: int) -> tuple[RuleList, random.Random]:
    """The tiny list with this number, and the generator to go on with."""
    rng = random.Random(number)
    sizes = [rng.randrange(1, 6) for _ in range(rng.randrange(1, 5))]
    fields = tuple(Field(f"f{i}", size) for i, size in enumerate(sizes))
    universe = _universe(rng, sizes)
    return RuleList(fields, entries(rng, sizes), rng.choice(["let", "no"]), universe), rng


def entries(rng: random.Random, sizes: Sequence[int]) -> tuple[Entry, ...]:
    found: list[Entry] = []
    rule = 0
    for _ in range(rng.randrange(0, 9)):
        rule += rng.randrange(1, 3)
        outcome: Hashable = rng.choice(["let", "no", "no", "odd"])
        for _ in range(rng.choice([1, 1, 1, 2, 3])):
            if rng.random() < 0.2:
                outcome = rng.choice(["let", "no"])
            found.append(Entry(tuple(_set(rng, size) for size in sizes), rule, outcome))
    return tuple(found)


def edited(rules: RuleList, rng: random.Random) -> RuleList:
    """The same list with a few entries dropped, moved, or written anew."""
    changed = list(rules.entries)
    sizes = [field.size for field in rules.fields]
    for _ in range(rng.randrange(0, 4)):
        kind = rng.randrange(4)
        if kind == 0 and changed:
            changed.pop(rng.randrange(len(changed)))
        elif kind == 1 and changed:
            changed.insert(rng.randrange(len(changed)), changed.pop(rng.randrange(len(changed))))
        elif kind == 2:
            box = tuple(_set(rng, size) for size in sizes)
            changed.insert(rng.randrange(len(changed) + 1), Entry(box, 99, rng.choice("ab")))
        else:
            return RuleList(rules.fields, entries(rng, sizes), rules.default, rules.universe)
    default = rng.choice([rules.default, rules.default, "let"])
    numbered = tuple(Entry(e.box, at, e.outcome) for at, e in enumerate(changed))
    return RuleList(rules.fields, numbered, default, rules.universe)


def query(rng: random.Random, rules: RuleList) -> list[RawBox]:
    return [
        tuple(_set(rng, field.size) for field in rules.fields) for _ in range(rng.randrange(1, 4))
    ]


# ---- brute force ----


def inside(box: RawBox, point: Point) -> bool:
    return all(
        any(low <= value <= high for low, high in values)
        for values, value in zip(box, point, strict=True)
    )


def points(rules: RuleList) -> Iterator[Point]:
    for point in itertools.product(*(range(field.size) for field in rules.fields)):
        if any(inside(box, point) for box in rules.universe):
            yield point


def decide(
    rules: RuleList, point: Point, without: int | None = None
) -> tuple[int | None, Hashable]:
    for entry in rules.entries:
        if entry.rule != without and inside(entry.box, point):
            return entry.rule, entry.outcome
    return None, rules.default


def brute_dead(rules: RuleList) -> set[int]:
    return {e.rule for e in rules.entries} - {decide(rules, p)[0] for p in points(rules)}


def brute_removable(rules: RuleList) -> set[int]:
    needed = set()
    for point in points(rules):
        rule, outcome = decide(rules, point)
        if rule is not None and decide(rules, point, without=rule)[1] != outcome:
            needed.add(rule)
    return {e.rule for e in rules.entries} - needed


def brute_cover(rules: RuleList, boxes: Sequence[RawBox], core: Sequence[int]) -> bool:
    return all(
        any(e.rule in core and inside(e.box, p) for e in rules.entries)
        for p in points(rules)
        if any(inside(box, p) for box in boxes)
    )


def brute_shielded(
    rules: RuleList,
    boxes: Sequence[RawBox],
    accept: Callable[[int | None, Hashable], bool],
    core: Sequence[int],
) -> bool:
    """Among accepted entries and those of the core, no point's first match is accepted."""
    kept = tuple(e for e in rules.entries if accept(e.rule, e.outcome) or e.rule in core)
    part = RuleList(rules.fields, kept, rules.default, rules.universe)
    return not any(
        accept(*decide(part, p)) for p in points(rules) if any(inside(box, p) for box in boxes)
    )


def brute_superfluous(rules: RuleList, rule: int, core: Sequence[int]) -> bool:
    """Wherever `rule` matches first among itself and the earlier rules of the core, the first of
    the later core rules and of the later entries with another outcome decides alike."""
    places = [at for at, entry in enumerate(rules.entries) if entry.rule == rule]
    for point in points(rules):
        own = [at for at in places if inside(rules.entries[at].box, point)]
        before = rules.entries[: places[0]]
        if not own or any(e.rule in core and inside(e.box, point) for e in before):
            continue
        outcome = rules.entries[own[0]].outcome
        kept = [
            entry
            for entry in rules.entries[places[-1] + 1 :]
            if entry.rule in core or entry.outcome != outcome
        ]
        rest = RuleList(rules.fields, tuple(kept), rules.default, rules.universe)
        if decide(rest, point)[1] != outcome:
            return False
    return True


# ---- the corpus of lists that once failed ----


def corpus() -> list[int]:
    """Numbers of tiny lists that failed before; always replayed."""
    return list(json.loads(CORPUS.read_text())["tiny"])


def remember(number: int) -> None:
    """Note a failure, unless it is a copy of the package, with a fault planted, that failed."""
    known, ours = corpus(), Path(netcharter.__file__).is_relative_to(CORPUS.parents[2])
    if ours and number not in known:
        CORPUS.write_text(json.dumps({"tiny": [*known, number]}) + "\n")
