"""Of two random charters, an attempt changes its fate exactly if a listed box holds it.

What an attempt's fate is, before and after, is told by the naive interpreter.
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

import pytest

from netcharter.proofs.compare import KINDS, Changes, changes
from tests.oracle.compared import NOW, Pair, both, pair, told
from tests.oracle.naive import Attempt, Environment, exists, fate
from tests.oracle.site import Address, Site
from tests.proofs.points import Clock, lies_in, point_of

PAIRS, ATTEMPTS, BOXES = 12, 400, 2000
MOST_PAIRS = 40  # until each kind of change was met


@dataclass(frozen=True)
class Change:
    """What the naive interpreter says of one attempt on either side of a change."""

    before: tuple[object, ...]
    after: tuple[object, ...]

    @property
    def kind(self) -> str | None:
        if self.before == self.after:
            return None
        if ("absent",) in (self.before, self.after) and "let" not in (*self.before, *self.after):
            return None  # what is absent and what is refused do not differ: nothing passes
        was, is_ = self.before[0] == "let", self.after[0] == "let"
        return "altered" if was == is_ else "opened" if is_ else "closed"


def edited(text: str, rng: Random) -> str:
    """The charter after one to three small edits of its rules and offers."""
    lines = text.split("\n")
    for _ in range(rng.randint(1, 3)):
        mine = [i for i, x in enumerate(lines) if x.lstrip().startswith(("- {let", "- {refuse"))]
        kind = rng.random()
        if kind < 0.4 and len(mine) > 1:
            del lines[rng.choice(mine)]
        elif kind < 0.7 and len(mine) > 1:
            a, b = rng.sample(mine, 2)
            lines[a], lines[b] = lines[b], lines[a]
        elif kind < 0.85:
            at = rng.choice(mine)
            lines[at] = (
                lines[at].replace("{let", "{refuse", 1)
                if "{let" in lines[at] and "emergency" not in lines[at]
                else lines[at].replace("with: anything", "with: https")
            )
        else:
            at = rng.choice(range(len(lines)))
            lines[at] = lines[at].replace(", sign-in: required", "").replace(
                ", strangers: refused", "").replace(", roams: true", "")  # fmt: skip
    return "\n".join(lines)


def neighbour(number: int) -> tuple[Pair, Pair]:
    """A random charter, and either one much like it or another random one."""
    old = pair(number)
    rng = Random(f"{old.seed} edits")
    if number % 3 == 2:
        return old, pair(number + 1)
    for _ in range(20):
        new = both(old.seed, edited(old.text, rng))
        if new is not None and new.text != old.text:
            return old, new
    return old, old


def said(site: Site, attempt: Attempt, environment: Environment) -> tuple[object, ...]:
    if attempt.entrance not in {*site.areas, *site.lines, "gateway"}:
        return ("absent",)
    up, led = environment.up & site.lines.keys(), environment.led & site.named
    here = Environment(frozenset(up), environment.who, environment.instant, frozenset(led))
    outcome = fate(site, attempt, here)
    return outcome.verdict, outcome.manner, outcome.delivered


def foreign(site: Site, *addresses: Address) -> bool:
    """Is one of them the unknown address of a line that the site has not, or knows?"""
    return any(
        isinstance(a, tuple) and not (a[1] in site.lines and site.lines[a[1]].automatic)
        for a in addresses
    )


def attempts(old: Pair, new: Pair) -> list[tuple[Attempt, Environment]]:
    """Attempts on either site, that exist in a world that has both."""
    return [
        (attempt, environment)
        for one in (old, new)
        for attempt, environment in one.attempts(ATTEMPTS)
        if exists(one.site, attempt, environment)
        and not any(foreign(s.site, attempt.source, attempt.destination) for s in (old, new))
    ]


def check(old: Pair, new: Pair, found: Changes) -> dict[str | None, int]:
    clock = Clock(found.universe, old.site, new.site)
    counted: dict[str | None, int] = {}
    for attempt, environment in attempts(old, new):
        change = Change(*(said(s.site, attempt, environment) for s in (old, new)))
        point = point_of(found.universe, clock.number(environment.instant), attempt, environment)
        kinds = [k for k in KINDS for box, _ in found.pieces[k] if lies_in(box, point)]
        assert kinds == ([change.kind] if change.kind else []), (
            f"{change}\n{kinds}\n{told(new, attempt, environment)}\n{told(old, attempt, environment)}"
        )
        counted[change.kind] = counted.get(change.kind, 0) + 1
    return counted


@pytest.mark.parametrize("number", range(PAIRS))
def test_an_attempt_changes_exactly_if_a_listed_box_holds_it(number: int) -> None:
    old, new = neighbour(number)
    found = changes(old.plan, new.plan, NOW, BOXES)
    if not found.complete:
        found = changes(old.plan, new.plan, NOW, 20 * BOXES)
    counted = check(old, new, found)
    assert found.same == (not any(found.totals.values()))
    assert all(found.totals[kind] for kind in KINDS if counted.get(kind))
    if found.complete:
        assert all(bool(found.pieces[kind]) == bool(found.totals[kind]) for kind in KINDS)


def test_random_changes_open_close_and_alter() -> None:
    counted: dict[str | None, int] = {}
    for number in range(MOST_PAIRS):
        old, new = neighbour(number)
        for kind, count in check(old, new, changes(old.plan, new.plan, NOW, 20 * BOXES)).items():
            counted[kind] = counted.get(kind, 0) + count
        if all(counted.get(kind, 0) > 10 for kind in (*KINDS, None)):
            return
    raise AssertionError(f"{MOST_PAIRS} pairs show too little: {counted}")
