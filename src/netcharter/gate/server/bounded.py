"""Connections are bounded: how many there are, how many of one address, how long each lasts.

Who sends a byte now and then, or nothing, holds a place for `LIFE` seconds and no longer.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

LIFE = 15.0  # seconds; common practice, no source
MOST, MOST_OF_ONE = 128, 8  # connections at once


class Places:
    """Who has a connection."""

    def __init__(
        self, most: int = MOST, most_of_one: int = MOST_OF_ONE, life: float = LIFE
    ) -> None:
        self.life = life
        self._most, self._most_of_one = most, most_of_one
        self._held: Counter[str] = Counter()

    def enter(self, source: str) -> bool:
        """Whether there is room for one more."""
        if self._held.total() >= self._most or self._held[source] >= self._most_of_one:
            return False
        self._held[source] += 1
        return True

    def leave(self, source: str) -> None:
        self._held[source] -= 1
        if self._held[source] <= 0:
            del self._held[source]


def bounded(places: Places) -> type[H11Protocol]:
    """A protocol of uvicorn whose connections are among these."""

    class Bounded(H11Protocol):
        """HTTP/1.1 over a connection that ends in time."""

        source: str | None = None
        ending: asyncio.TimerHandle | None = None

        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            source = str((transport.get_extra_info("peername") or ("",))[0])
            if not places.enter(source):
                transport.abort()
                return
            self.source = source
            self.ending = self.loop.call_later(places.life, transport.abort)

        def connection_lost(self, exc: Exception | None) -> None:
            if self.ending is not None:
                self.ending.cancel()
            if self.source is not None:
                places.leave(self.source)
            self.source = self.ending = None
            super().connection_lost(exc)

    return Bounded
