"""What all tests share: how a run is seeded, and which tests must not run side by side."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Generator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

ROOT = Path(__file__).resolve().parents[1]
SEED = "NETCHARTER_SEED"  # chooses the random cases of a run; unless said, the commit does
NO_SKIPS = "NETCHARTER_NO_SKIPS"  # set where nothing may be missing: a skip is a failure
ALONE = ("kernel", "browser")  # areas and marks whose tests keep to one worker

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


# First, because the distribution over workers reads the groups in the same hook.
@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        folders = item.path.relative_to(Path(__file__).parent).parts[:-1]
        for name in ALONE:
            if name in folders or item.get_closest_marker(name):
                item.add_marker(name)
                item.add_marker(pytest.mark.xdist_group(name))


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
