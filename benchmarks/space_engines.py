"""The same question to several engines in one run: which rules of a list never decide?

Ours (build and `dead`, and with certificates checked), z3 with one incremental solver, and two
libraries of binary decision diagrams over the bits of the fields (destination and source first).
All read the same generated lists; every finished engine must give the same answer. Times are
processor seconds of one process. A foreign engine is stopped after CAP seconds and said to be.

    python benchmarks/space_engines.py [SIZE ...]        (300 1000 10000 unless said)
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import z3
from dd import cudd
from oxidd.bcdd import BCDDManager

sys.path.insert(0, str(Path(__file__).parents[1]))

from netcharter.space.checker import Checker
from netcharter.space.engine import Engine
from netcharter.space.model import Covered, RawBox, RuleList, Undecided, Witness
from tests.space.space_lists import charter_like, firewall_like

CAP = 20.0
SIZES = (300, 1000, 10_000)


class Stopped(Exception):
    """The cap was reached after this many rules."""


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    start = time.process_time()
    result = work()
    return time.process_time() - start, result


# ---- ours ----


def ours(rules: RuleList) -> set[int]:
    dead = Engine(rules).dead()
    assert not any(isinstance(verdict, Undecided) for verdict in dead.values())
    return {rule for rule, verdict in dead.items() if isinstance(verdict, Covered)}


def ours_all(rules: RuleList) -> None:
    engine = Engine(rules)
    engine.dead()
    engine.redundant()


def ours_checked(rules: RuleList) -> None:
    engine, checker = Engine(rules), Checker(rules)
    for rule, verdict in engine.dead().items():
        if isinstance(verdict, Covered):
            assert checker.dead(rule, verdict.core)
        elif isinstance(verdict, Witness):
            assert checker.witness(verdict.point, rule, verdict.outcome)
    for rule, verdict in engine.redundant().items():
        if isinstance(verdict, Covered):
            assert checker.removable(rule, verdict.core)
        elif isinstance(verdict, Witness):
            assert checker.removal(verdict.point, rule, verdict.outcome, verdict.instead)


# ---- foreign: all share one walk down the list ----


def by_rule(rules: RuleList) -> Iterator[tuple[int, list[RawBox]]]:
    boxes: list[RawBox] = []
    for at, entry in enumerate(rules.entries):
        boxes.append(entry.box)
        if at + 1 == len(rules.entries) or rules.entries[at + 1].rule != entry.rule:
            yield entry.rule, boxes
            boxes = []


def walk(rules: RuleList, hidden: Callable[[list[RawBox]], bool]) -> set[int]:
    """`hidden` says whether these boxes lie within all those it was shown before."""
    start, found = time.process_time(), set()
    for count, (rule, boxes) in enumerate(by_rule(rules)):
        if time.process_time() - start > CAP:
            raise Stopped(count)
        if hidden(boxes):
            found.add(rule)
    return found


def width(size: int) -> int:
    return max(1, (size - 1).bit_length())


def solver(rules: RuleList) -> set[int]:
    names = [z3.BitVec(field.name, width(field.size)) for field in rules.fields]

    def holds(box: RawBox) -> z3.BoolRef:
        tests = []
        for name, field, values in zip(names, rules.fields, box, strict=True):
            if values != ((0, field.size - 1),) or field.size != 1 << width(field.size):
                ways = [
                    name == a if a == b else z3.And(z3.UGE(name, a), z3.ULE(name, b))
                    for a, b in values
                ]
                tests.append(z3.Or(ways))
        return z3.And(tests)

    one = z3.Solver()
    one.add(z3.Or([holds(box) for box in rules.universe]))

    def hidden(boxes: list[RawBox]) -> bool:
        match = z3.Or([holds(box) for box in boxes])
        one.push()
        one.add(match)
        answer = one.check()
        one.pop()
        one.add(z3.Not(match))
        return bool(answer == z3.unsat)

    return walk(rules, hidden)


def diagrams(rules: RuleList, variables: list[Any], true: Any, false: Any) -> set[int]:
    """The walk with diagrams: `variables` are the bits of all fields, highest first."""
    bits: list[list[Any]] = []
    rest = list(variables)
    for f in order(rules):
        count = width(rules.fields[f].size)
        bits.append(rest[:count])
        rest = rest[count:]
    known: dict[tuple[int, object], Any] = {}

    def compared(names: list[Any], bound: int, below: bool) -> Any:
        result = true
        for place, name in enumerate(reversed(names)):  # from the lowest bit up
            one = bound >> place & 1
            if below:
                result = (~name | result) if one else (~name & result)
            else:
                result = (name & result) if one else (name | result)
        return result

    def member(level: int, values: object) -> Any:
        made = known.get((level, values))
        if made is None:
            made = false
            for low, high in values:  # type: ignore[attr-defined]
                names = bits[level]
                made = made | (compared(names, low, False) & compared(names, high, True))
            known[level, values] = made
        return made

    def holds(boxes: Iterable[RawBox]) -> Any:
        union = false
        for box in boxes:
            product = true
            for level, f in enumerate(order(rules)):
                if box[f] != ((0, rules.fields[f].size - 1),):
                    product = product & member(level, box[f])
            union = union | product
        return union

    seen = ~holds(rules.universe)

    def hidden(boxes: list[RawBox]) -> bool:
        nonlocal seen
        match = holds(boxes)
        answer = (match & ~seen) == false
        seen = seen | match
        return bool(answer)

    return walk(rules, hidden)


def order(rules: RuleList) -> list[int]:
    first = [f for f, field in enumerate(rules.fields) if field.name in ("source", "destination")]
    return first + [f for f in range(len(rules.fields)) if f not in first]


def oxidd(rules: RuleList) -> set[int]:
    manager = BCDDManager(1 << 23, 1 << 20, 1)
    count = sum(width(field.size) for field in rules.fields)
    variables = [manager.var(v) for v in manager.add_vars(count)]
    return diagrams(rules, variables, manager.true(), manager.false())


def cudd_library(rules: RuleList) -> set[int]:
    manager = cudd.BDD()
    manager.configure(reordering=False)
    names = [f"b{i}" for i in range(sum(width(field.size) for field in rules.fields))]
    manager.declare(*names)
    return diagrams(rules, [manager.var(name) for name in names], manager.true, manager.false)


FOREIGN = {"z3, incremental": solver, "oxidd BCDD": oxidd, "dd with cudd": cudd_library}


def report(name: str, rules: RuleList) -> None:
    count = len({entry.rule for entry in rules.entries})
    best, dead = min((timed(lambda: ours(rules)) for _ in range(3)), key=lambda one: one[0])
    both = min(timed(lambda: ours_all(rules))[0] for _ in range(3))
    checked = min(timed(lambda: ours_checked(rules))[0] for _ in range(3))
    print(f"{name}, {count} rules, {len(rules.entries)} entries: {len(dead)} never decide")
    print(f"  ours: build + dead {best:.3f} s")
    print(f"  ours: build + dead + redundant {both:.3f} s; with every check {checked:.3f} s")
    for label, engine in FOREIGN.items():
        start = time.process_time()
        try:
            answer = engine(rules)
        except Stopped as stopped:
            spent = time.process_time() - start
            done = f"stopped after {stopped.args[0]} of {count} rules"
            print(f"  {label}: > {spent:.1f} s ({done}), > {spent / best:.0f} times ours")
            continue
        except MemoryError:
            print(f"  {label}: out of the memory given to it")
            continue
        spent = time.process_time() - start
        agreed = "same answer" if answer == dead else "ANOTHER ANSWER"
        print(f"  {label}: {spent:.3f} s, {spent / best:.1f} times ours, {agreed}")
    sys.stdout.flush()


if __name__ == "__main__":
    for size in [int(one) for one in sys.argv[1:]] or SIZES:
        report("firewall-like, five fields", firewall_like(size, 1))
        report("charter-like, eight fields", charter_like(size, 1))
