"""What the steward's tests share."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.steward.running import short


@pytest.fixture
def short_path() -> Iterator[Path]:
    """A folder whose sockets have short paths."""
    with short() as folder:
        yield folder
