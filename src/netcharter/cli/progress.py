"""A progress bar for work that tells how far it is: on a terminal, and on standard error only."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager

OFTEN = 0.1  # seconds between two looks of it


@contextmanager
def progress() -> Iterator[Callable[[int, int, str], None]]:
    """What to call with how much is done, of how much, and with what in words.

    No thread draws it: the work may fork, and then a thread would be lost with its locks.
    """
    if sys.stderr is None or not sys.stderr.isatty():
        yield lambda done, total, words: None
        return
    with ExitStack() as stack:
        bars: list[Callable[[int, int, str], None]] = []

        def told(done: int, total: int, words: str) -> None:
            if not bars:
                bars.append(_bar(stack))
            bars[0](done, total, words)

        yield told


def _bar(stack: ExitStack) -> Callable[[int, int, str], None]:
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    from netcharter.cli.common import safe

    columns = (BarColumn(), MofNCompleteColumn(), TextColumn("{task.description}"))
    shown = stack.enter_context(
        Progress(*columns, console=Console(stderr=True), transient=True, auto_refresh=False)
    )
    task = shown.add_task("", total=None)
    drawn = 0.0

    def told(done: int, total: int, words: str) -> None:
        nonlocal drawn
        now = time.monotonic()
        if now - drawn >= OFTEN:
            drawn = now
            shown.update(task, completed=done, total=total, description=escape(safe(words)))
            shown.refresh()

    return told
