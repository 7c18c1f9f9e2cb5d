"""The locked requirements: exact, hashed, without addresses, and in step with pyproject.toml."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from tests.house.litter import lock_breaches, locked

DIGEST = "--hash=sha256:" + "0" * 64


@pytest.fixture(scope="module")
def project(root: Path) -> dict[str, Any]:
    return tomllib.loads((root / "pyproject.toml").read_text("utf-8"))


def _lock(root: Path, name: str) -> str:
    return (root / "requirements" / f"{name}.txt").read_text("utf-8")


def test_the_locks_hold_what_the_project_asks_for(root: Path, project: dict[str, Any]) -> None:
    base = project["project"]["dependencies"]
    dev = project["project"]["optional-dependencies"]["dev"]
    assert lock_breaches(_lock(root, "build"), project["build-system"]["requires"]) == []
    assert lock_breaches(_lock(root, "base"), base) == []
    assert lock_breaches(_lock(root, "dev"), [*base, *dev]) == []


def test_running_and_developing_use_the_same_versions(root: Path) -> None:
    base, dev = locked(_lock(root, "base")), locked(_lock(root, "dev"))
    assert base.items() <= dev.items()
    assert locked(_lock(root, "build")).items() <= dev.items()


@pytest.mark.parametrize(
    "text",
    [
        "click==8.1.0",
        f"click>=8.1 {DIGEST}",
        f"--index-url https://example.org/simple\nclick==8.1.0 {DIGEST}",
        f"click @ https://example.org/click.whl {DIGEST}",
        "click==8.1.0 --hash=md5:00",
        f"click==8.0.0 {DIGEST}",
        f"rich==13.0.0 {DIGEST}",
    ],
)
def test_a_planted_loose_lock_is_found(text: str) -> None:
    assert lock_breaches(text, ["click>=8.1"])


def test_a_tight_lock_is_let() -> None:
    assert lock_breaches(f"click==8.1.0 \\\n    {DIGEST} \\\n    {DIGEST}\n", ["click>=8.1"]) == []
