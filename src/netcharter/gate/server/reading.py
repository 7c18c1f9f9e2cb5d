"""Stores of lists on the disk, opened anew for every visit, since they are swapped while it runs."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from functools import partial

from netcharter.gate.stores import Open, Piece

MOST_PIECE = 65_536  # bytes; a key has 255 at most


def _piece(descriptor: int, place: int, size: int) -> bytes:
    try:
        return os.pread(descriptor, min(size, MOST_PIECE), place)
    except OSError:
        return b""


@contextmanager
def opened() -> Iterator[Callable[[str], Open]]:
    """The stores of a list by its folder, for as long as one visit takes."""
    with ExitStack() as held:

        def store(folder: str, name: str) -> Piece | None:
            flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC
            with suppress(OSError):
                descriptor = os.open(os.path.join(folder, f"{name}.cdb"), flags)
                held.callback(os.close, descriptor)
                return partial(_piece, descriptor)
            return None

        yield lambda folder: partial(store, folder)
