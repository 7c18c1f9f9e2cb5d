"""What is typed at a terminal, a line at a time, without waiting for it longer than is wanted."""

from __future__ import annotations

import os
import select
import sys

MOST = 4096  # bytes of a line


class Typed:
    """Lines from a file, standard input if none is named; read by nobody else meanwhile."""

    def __init__(self, descriptor: int | None = None) -> None:
        self._descriptor = sys.stdin.fileno() if descriptor is None else descriptor
        self._rest = b""

    def line(self, seconds: float) -> str | None:
        """A line that is typed within so many seconds; None if none is. Raises EOFError where no
        more can come: the terminal is gone, or was closed by Ctrl-D."""
        if b"\n" not in self._rest:
            if not select.select([self._descriptor], [], [], max(0.0, seconds))[0]:
                return None
            self._rest += self._more()
        line, end, rest = self._rest.partition(b"\n")
        if not end:
            self._rest = self._rest[-MOST:]
            return None
        self._rest = rest
        return line.decode("utf-8", "replace")

    def _more(self) -> bytes:
        try:
            found = os.read(self._descriptor, MOST)
        except OSError:  # the terminal is gone
            found = b""
        if not found:
            raise EOFError
        return found
