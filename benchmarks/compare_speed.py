"""How long a whole comparison of two charters takes, in process, with every check of the checker.

Plans are made before and are not counted. Figures are processor time, the least of some rounds;
the checks are timed on their own as well, on the same lists.

Run it as ``python -m benchmarks.compare_speed``.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import TypeVar

from benchmarks.charters import charter
from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.proofs.compare import changes, compare
from netcharter.space.checker import Checker, check_disjoint, check_same

NOW = datetime(2027, 3, 1, 12, tzinfo=UTC)
LIMIT = 4000
T = TypeVar("T")


def planned(text: str) -> Plan:
    """The plan of a charter that has one."""
    found = read(text, "charter.yaml").charter
    assert found is not None
    return make_plan(found)


def one_rule_less(text: str, at: int) -> str:
    """The charter without the rule at (about) a place."""
    lines = text.splitlines(keepends=True)
    lets = [number for number, line in enumerate(lines) if line.startswith("  - {let: ")]
    del lines[lets[at]]
    return "".join(lines)


def timed(action: Callable[[], T], rounds: int) -> tuple[float, T]:
    """The least processor seconds of some rounds, and what came out."""
    best = float("inf")
    for _ in range(rounds):
        start = time.process_time()
        out = action()
        best = min(best, time.process_time() - start)
    return best, out


def cases() -> Iterator[tuple[str, str, str, int]]:
    """A name, two charters, and how often to time their comparison."""
    for rules in (300, 1000):
        text = charter(rules)
        yield f"{rules} rules, nothing edited", text, text, 5
        yield f"{rules} rules, one less", text, one_rule_less(text, rules // 3), 5
    yield "300 rules, unrelated", charter(300, 1), charter(300, 2), 1


def report(name: str, one: str, other: str, rounds: int) -> None:
    """Print what the whole takes, and its parts."""
    old, new = planned(one), planned(other)
    whole, told = timed(lambda: compare(old, new, NOW, LIMIT), rounds)
    boxes, found = timed(lambda: changes(old, new, NOW, LIMIT), rounds)
    listed = [(box, who) for pieces in found.pieces.values() for box, who in pieces]
    a, b = (checker.rules for checker in found.checkers)

    def each() -> bool:
        first, second = Checker(a), Checker(b)
        return all(
            first.decided(box, who[0], who[1]) and second.decided(box, who[2], who[3])
            for box, who in listed
        )

    bare = [box for box, _ in listed]
    seconds = {
        "every box": timed(each, rounds)[0],
        "nothing else": timed(lambda: check_same(a, b, except_=bare), rounds)[0],
        "none twice": timed(lambda: check_disjoint(bare), rounds)[0],
    }
    rows = len(told.opened) + len(told.closed) + len(told.altered)
    print(f"{name}: {whole:.2f} s, of it without words {boxes:.2f} s")
    print(
        f"  {len(a.entries)} and {len(b.entries)} entries, {len(bare)} boxes, {rows} rows", end=""
    )
    print(", all of it" if told.complete else ", cut")
    print("  checker: " + ", ".join(f"{key} {value:.3f} s" for key, value in seconds.items()))


if __name__ == "__main__":
    for case in cases():
        report(*case)
