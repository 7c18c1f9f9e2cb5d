"""These tests start machines of their own, minutes for each: only where that is asked for."""

from __future__ import annotations

import os

import pytest

from tests.emulated import packages

FLAG = "NETCHARTER_EMULATED"

# Not collected, rather than skipped: nothing is missing where nobody asked for it.
collect_ignore_glob = [] if os.environ.get(FLAG) == "1" else ["test_*.py"]


@pytest.fixture(scope="session", autouse=True)
def made() -> None:
    """The disk and the kernel, made where they are not there (`tools/setup emulated`)."""
    packages.make()
