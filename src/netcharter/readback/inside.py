"""What is inside a value of nft's JSON."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any


def walked(value: Any) -> Iterator[Any]:
    """A value of a listing and everything in it, without recursion."""
    waiting = [value]
    while waiting:
        one = waiting.pop()
        yield one
        if isinstance(one, dict):
            waiting.extend(reversed(list(one.values())))
        elif isinstance(one, list):
            waiting.extend(reversed(one))
