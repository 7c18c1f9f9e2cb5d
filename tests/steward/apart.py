"""A coroutine run to its end, also where the browser's tests have left a loop in this thread."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

T = TypeVar("T")


def finished(work: Coroutine[Any, Any, T]) -> T:
    with ThreadPoolExecutor(max_workers=1) as apart:
        return apart.submit(asyncio.run, work).result()
