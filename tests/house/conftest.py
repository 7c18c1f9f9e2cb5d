"""The package as it stands, read once, and a way to plant a breach."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.house.law import Module, read_package

ROOT = Path(__file__).resolve().parents[2]
Plant = Callable[..., dict[str, Module]]


@pytest.fixture(scope="session")
def root() -> Path:
    return ROOT


@pytest.fixture(scope="session")
def package(root: Path) -> dict[str, Module]:
    return read_package(root / "src")


@pytest.fixture
def plant() -> Plant:
    """plant({"netcharter.plan.bad": "text"}) makes modules that exist nowhere but here."""

    def planted(texts: dict[str, str]) -> dict[str, Module]:
        return {name: Module(name, text, name.count(".") < 2) for name, text in texts.items()}

    return planted
