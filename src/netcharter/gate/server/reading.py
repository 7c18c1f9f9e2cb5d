"""Stores of lists on the disk, opened anew for every visit, since they are swapped while it runs."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial

from netcharter.gate.stores import Open, Piece

MOST_PIECE = 65_536  # bytes; a key has 255 at most
MOST_OPEN = 100  # files; a process may have 1 024 (systemd.exec(5), LimitNOFILE)


def _piece(descriptor: int, place: int, size: int) -> bytes:
    try:
        return os.pread(descriptor, min(size, MOST_PIECE), place)
    except OSError:
        return b""


def text_of(path: str, most: int) -> bytes:
    """The beginning of a file; nothing where it can't be read."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError:
        return b""
    try:
        return os.read(descriptor, most)
    except OSError:
        return b""
    finally:
        os.close(descriptor)


@contextmanager
def opened() -> Iterator[Callable[[str], Open]]:
    """The stores of a list by its folder, for as long as one visit takes. Each is opened once, however
    many decisions speak of the list, and the oldest goes where there are more than `MOST_OPEN`: only
    one is read at a time."""
    held: dict[str, int] = {}

    def store(folder: str, name: str) -> Piece | None:
        path = os.path.join(folder, f"{name}.cdb")
        if path not in held:
            if len(held) >= MOST_OPEN:
                os.close(held.pop(next(iter(held))))
            try:
                held[path] = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
            except OSError:
                return None
        return partial(_piece, held[path])

    try:
        yield lambda folder: partial(store, folder)
    finally:
        for descriptor in held.values():
            os.close(descriptor)
