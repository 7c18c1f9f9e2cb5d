"""What all tests share: the seed of the run, and which tests must not run side by side."""

from __future__ import annotations

import os
from collections.abc import Generator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

SEED = "NETCHARTER_SEED"  # chooses the random cases of a run; 1 unless said
NO_SKIPS = "NETCHARTER_NO_SKIPS"  # set where nothing may be missing: a skip is a failure
ALONE = ("kernel", "browser")  # areas and marks whose tests keep to one worker

settings.register_profile(
    "house", deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("house")


@pytest.fixture(scope="session")
def seed() -> int:
    """The number from which every random case of this run is derived."""
    return int(os.environ.get(SEED, "1"))


@pytest.fixture(scope="session")
def repository() -> Path:
    """The top folder of the checkout."""
    return Path(__file__).resolve().parents[1]


def pytest_report_header() -> str:
    return f"random cases: {SEED}={os.environ.get(SEED, '1')}"


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
