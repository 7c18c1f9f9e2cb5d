"""Whoever is killed, and wherever: the gateway is as before or as kept, and answers its manager.

An installer that enacts and keeps a charter on a real network is killed with all it has started, at
a system call. Then its undo timer does the work, or the timer is killed at the same moment and the
machine starts anew. What the gateway is like is asked of `ip`, `nft` and `sysctl` in their plain
words, not of the code that put it there.

As a rule one death in every step is tried, which the seed chooses; `NETCHARTER_LONG=1` tries them
all over, and writes benchmarks/FIGURES-deaths.md if `NETCHARTER_FIGURES=1` says so.
"""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from tests.kernel.namespace import needed
from tests.rollout import tracer

pytestmark = pytest.mark.kernel

ROOT = Path(__file__).parents[2]
LONG = os.environ.get("NETCHARTER_LONG") == "1"
FIGURES = os.environ.get("NETCHARTER_FIGURES") == "1"
LIMIT = 3600 if LONG else 900  # seconds
BEFORE = "the version is kept"  # the step in which the decision falls
Row = dict[str, Any]
INTRODUCTION = """\
`NETCHARTER_LONG=1 NETCHARTER_FIGURES=1 pytest tests/rollout/test_deaths.py`: an installer enacts \
and keeps a charter on a real network in a namespace, and is killed with all it has started at a \
system call (a stop is the entry of a call or its return). Then its undo timer does the work, or it \
is killed at the same moment and the machine starts anew. An undo and a boot are killed alike; a \
boot is done once more, on the same machine or after another start. All that is compared is in \
`LOOKS` of `tests/rollout/scene.py` and `managed.py`: addresses, devices, routes, choices, the \
ruleset, the kernel's settings of IPv4, IPv6 and netfilter, also of a device that no charter names, \
files of ours in a /etc of its own, and which services a manager that stands in for systemd runs, by \
what files. *Too late* \
are deaths whose step was over before, since the number of calls varies."""
HEAD = (
    "| of | step | stops | deaths | too late | then old | then new | between | no answer |\n"
    "|---|---|---|---|---|---|---|---|---|"
)


@pytest.fixture(scope="module")
def deaths(seed: int, tmp_path_factory: pytest.TempPathFactory) -> list[Row]:
    way = needed()
    if way == ("unshare", "-n"):
        way = ("unshare", "-nm")
    if not tracer.possible():
        pytest.skip("NOBODY WAS KILLED: this machine lets no process be traced")
    folder = tmp_path_factory.mktemp("deaths")
    command = [*way, sys.executable, "-m", "tests.rollout.deaths", str(folder)]
    found = subprocess.run(
        [*command, "all" if LONG else str(seed)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=LIMIT,
        check=False,
    )
    assert found.returncode == 0, found.stderr[-4000:]
    rows = [json.loads(line) for line in found.stdout.splitlines()]
    if FIGURES:
        page = table(rows, occasion())
        (ROOT / "benchmarks" / "FIGURES-deaths.md").write_text(page, encoding="utf-8")
    return rows


def test_the_gateway_is_as_before_or_as_kept_and_never_between(deaths: list[Row]) -> None:
    assert [row for row in deaths if row["became"] != row["kept"]] == []


def test_the_manager_reaches_the_gateway_after_every_death(deaths: list[Row]) -> None:
    assert [row for row in deaths if not row["answers"]] == []


def test_nothing_is_on_trial_afterwards(deaths: list[Row]) -> None:
    assert [row for row in deaths if not row["tidy"]] == []


def test_before_the_decision_it_is_the_old_charter_and_after_it_the_new(
    deaths: list[Row],
) -> None:
    decided = max(row["mark"] for row in deaths if row["step"] == BEFORE)
    for row in deaths:
        if row["act"] != "install":
            assert row["became"] == "old", row
        elif row["died"] and row["mark"] != decided:
            assert row["became"] == ("old" if row["mark"] < decided else "new"), row


def test_those_who_were_to_die_died_and_in_every_step(deaths: list[Row]) -> None:
    """How many calls a step makes varies a little: a death near its end may come too late."""
    for act in ("install", "undo", "boot"):
        rows = [row for row in deaths if row["act"] == act]
        died = {row["mark"] for row in rows if row["died"]}
        assert len(died) * 3 >= len({row["mark"] for row in rows}) * 2, act
    survived = [row for row in deaths if not row["died"] and row["act"] == "install"]
    assert [row for row in survived if row["became"] != "new"] == []
    steps = {row["step"] for row in deaths}
    assert {"the packet filter is exchanged", BEFORE, "the trial is told"} <= steps
    assert {"services are ended", "files are placed", "services are begun"} <= steps


def occasion() -> str:
    """When, of what, and where: day, commit (or what has changed since), kernel."""
    command = ["git", "describe", "--always", "--dirty= with changes", "--exclude=*"]
    commit = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    day = date.today()
    kernel = ".".join(platform.release().split(".")[:2])
    return f"{day.day} {day:%B %Y}, commit {commit.strip()}, Linux {kernel}"


def table(deaths: Sequence[Row], when: str) -> str:
    """The page: one row for each step."""
    lines = ["# Deaths of an installer", "", INTRODUCTION, "", f"## {when}", "", HEAD]
    for act, mark in dict.fromkeys((row["act"], row["mark"]) for row in deaths):
        rows = [row for row in deaths if (row["act"], row["mark"]) == (act, mark)]
        counts = [
            sum(row["died"] for row in rows),
            sum(not row["died"] for row in rows),
            sum(row["became"] == "old" for row in rows),
            sum(row["became"] == "new" for row in rows),
            sum(row["became"] != row["kept"] for row in rows),
            sum(not row["answers"] for row in rows),
        ]
        cells = [act, rows[0]["step"], rows[0]["of"], *counts]
        lines.append(f"| {' | '.join(map(str, cells))} |")
    died = sum(row["died"] for row in deaths)
    seconds = sum(row["seconds"] for row in deaths)
    lines += ["", f"{len(deaths)} attempts, {died} deaths, in {seconds:.0f} s.", ""]
    return "\n".join(lines)
