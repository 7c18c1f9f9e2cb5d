"""What all tests share: how a run is seeded, in which order, and that nothing is skipped."""

from __future__ import annotations

import gc
import os
import subprocess
from collections.abc import Generator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

ROOT = Path(__file__).resolve().parents[1]
SEED = "NETCHARTER_SEED"  # chooses the random cases of a run; unless said, the commit does
NO_SKIPS = "NETCHARTER_NO_SKIPS"  # set where nothing may be missing: a skip is a failure
MARKED = ("kernel", "browser")  # folders whose tests bear the mark of that name
# The files that take long, and so are begun first: a worker takes a whole file, and one that begins
# such a file when all else is done keeps everybody waiting. Most of these wait more than they compute;
# those that only compute stand between them, so that neither of two processors is idle.
LONG = (
    "steward/test_lines_move.py",
    "kernel/test_kernel_equals_plan.py",
    "steward/test_till_and_call.py",
    "rollout/test_deaths.py",
    "steward/test_hours_end.py",
    "steward/test_lines_led.py",
    "tasks/test_changes.py",
    "lab/test_rehearsal_random.py",
    "tasks/test_stores.py",
    "tasks/test_inherit.py",
)

settings.register_profile(
    "house", deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("house")


@pytest.fixture(scope="session")
def seed() -> int:
    """The number from which random cases of this run are derived."""
    return int(os.environ.get(SEED) or _of_the_commit())


def _of_the_commit() -> int:
    command = ["git", "rev-parse", "--short=7", "HEAD"]
    found = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    return int(found.stdout.strip() or "1", 16)


@pytest.fixture(scope="session")
def repository() -> Path:
    """The top folder of the checkout."""
    return ROOT


def pytest_report_header() -> str:
    return f"random cases: {SEED}={os.environ.get(SEED) or 'derived from the commit'}"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    tests = Path(__file__).parent
    for item in items:
        folders = item.path.relative_to(tests).parts[:-1]
        for name in MARKED:
            if name in folders:
                item.add_marker(name)
    last = len(LONG)
    place = {tests / name: number for number, name in enumerate(LONG)}
    items.sort(key=lambda item: place.get(item.path, last))


def pytest_collection_finish() -> None:
    """What stands once all tests are collected stays to the end: no round of the garbage collector
    needs to walk it again (over a tenth of a run's time)."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    if report.skipped and not hasattr(report, "wasxfail"):
        _refuse_skip(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    report = yield
    if report.skipped:
        _refuse_skip(report)
    return report


def _refuse_skip(report: pytest.TestReport | pytest.CollectReport) -> None:
    if os.environ.get(NO_SKIPS):
        report.outcome = "failed"
        report.longrepr = f"skipped where nothing may be missing: {report.longrepr}"
