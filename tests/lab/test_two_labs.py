"""Two labs at once know nothing of each other; and a hostile charter makes a lab like any other."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from netcharter.lab.site import Site
from tests.kernel.test_loading import hostile_plan
from tests.lab.sites import ROOT, at_site, each_way, possible, stations

pytestmark = pytest.mark.kernel

# Comes up, says so, waits for the other, and talks.
ONE = """
import sys, time
from pathlib import Path
from tests.lab.sites import at_site, demo, tcp

go, as_user = Path(sys.argv[1]), sys.argv[2] == "as-user"

def work(site):
    Path(sys.argv[1] + sys.argv[3]).touch()
    end = time.monotonic() + 60
    while not go.exists() and time.monotonic() < end:
        time.sleep(0.01)
    seen = tcp(site, "duty-laptop", "", "copper", "9.9.9.9", 443)
    return seen.outcome, {name: n for name, n in site.counters().items() if n}

print(*at_site(demo(), work, as_user))
"""


@each_way
def test_two_labs_at_once_do_not_disturb_each_other(as_user: bool, tmp_path: Path) -> None:
    possible(as_user)
    go = tmp_path / "go"
    way = "as-user" if as_user else "as-root"
    labs = [
        subprocess.Popen(
            [sys.executable, "-c", ONE, str(go), way, number],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        for number in "12"
    ]
    try:
        end = time.monotonic() + 60
        while len(list(tmp_path.iterdir())) < 2 and time.monotonic() < end:
            time.sleep(0.01)
        go.touch()
        told = [lab.communicate(timeout=60)[0].strip() for lab in labs]
    finally:
        for lab in labs:
            lab.kill()
            lab.wait()
    assert told == ["answered {'nc_row_rule_4': 1}"] * 2


@each_way
def test_a_charter_with_hostile_names_comes_up_like_any_other(as_user: bool) -> None:
    possible(as_user)
    plan = hostile_plan()
    counters = at_site(plan, Site.counters, as_user)
    assert set(counters.values()) == {0}
    assert len(stations(plan)) > len(plan.lines)
