"""Random charters and random attempts, with real packets through a real kernel.

The charters and attempts are those of tests/oracle, where plan and naive interpreter agree about
them; here the kernel is asked the same. `NETCHARTER_LONG=1` asks it much more.
"""

from __future__ import annotations

import os
from collections import Counter

import pytest

from netcharter.lab.world import world
from netcharter.plan.fate import Environment
from netcharter.probes.programme import chosen
from netcharter.probes.shapes import Programme, World
from netcharter.probes.trials import Trial
from netcharter.render import render
from tests.kernel.namespace import needed
from tests.lab.rehearsing import played
from tests.oracle.compared import Pair, coded, pair

pytestmark = pytest.mark.kernel

LONG = os.environ.get("NETCHARTER_LONG") == "1"
CHARTERS, ATTEMPTS = (500, 400) if LONG else (20, 200)
LEAST = 0.4  # of the attempts that must turn out to be packets somebody can send


def programme_of(found: Pair, where: World) -> Programme:
    trials = []
    for number, (attempt, environment) in enumerate(found.attempts(ATTEMPTS)):
        state = Environment(environment.up, environment.who, environment.instant)
        if attempt.hardware is None or _one_machine(attempt.hardware):
            trials.append((Trial(coded(found.plan, attempt), state), f"attempt {number}"))
    return chosen(found.plan, where, trials)


def _one_machine(hardware: int) -> bool:
    """Nobody sends from a group's hardware address, or from none (IEEE 802.3 clause 3.2.3)."""
    return hardware != 0 and not hardware >> 40 & 1


@pytest.mark.parametrize("number", range(CHARTERS))
def test_the_kernel_does_with_real_packets_as_the_plan_says(number: int) -> None:
    needed()
    found = pair(number)
    where = world(found.plan)
    work = programme_of(found, where)
    why = Counter(each.why for each in work.unprobed)
    assert len(work.probes) > LEAST * ATTEMPTS, f"too few could be sent: {why}\n{found.text}"
    seen = played(found.plan, dict(render(found.plan).files), work, where)
    told = [(each.probe.told, each.probe.packet, each.differences) for each in seen.mismatches]
    assert told == [], f"seed {found.seed}\n{found.text}"
    assert seen.done == seen.agreed == len(work.probes)
