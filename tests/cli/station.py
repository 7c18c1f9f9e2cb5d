"""What a machine beside the gateway does, as a program: it listens, calls, and says what it met.

    python station.py

One order a line, one answer a line, both JSON. Every wait is bounded.
"""

from __future__ import annotations

import json
import socket
import sys
import threading
import time
from typing import Any

PATIENCE = 6.0  # seconds for an answer: two words that are lost are sent again by then (RFC 6298)
STEP = 0.01  # seconds between two words of a conversation that is watched


class Station:
    """It keeps one conversation open, beside those that it only tries."""

    def __init__(self) -> None:
        self.open: socket.socket | None = None
        self.served: set[int] = set()

    def serve(self, port: int) -> bool:
        """Say back what is heard, from now on."""
        if port in self.served:
            return True
        self.served.add(port)
        if socket.has_dualstack_ipv6():
            listener = socket.create_server(
                ("", port), family=socket.AF_INET6, backlog=16, dualstack_ipv6=True
            )
        else:
            listener = socket.create_server(("", port), backlog=16)
        threading.Thread(target=_accepting, args=(listener,), daemon=True).start()
        return True

    def dial(self, address: str, port: int, source: str) -> list[Any]:
        """Open the conversation that stays; its own end."""
        self.open = socket.create_connection((address, port), PATIENCE, (source, 0))
        assert _answers(self.open)
        return list(self.open.getsockname())

    def say(self) -> bool:
        """Does the open conversation go on?"""
        return self.open is not None and _answers(self.open)

    def told(self) -> bool:
        """Is what is said in the open conversation answered with a reset?"""
        assert self.open is not None
        self.open.settimeout(PATIENCE)
        try:
            self.open.sendall(b"still there?")
            self.open.recv(99)
        except ConnectionResetError:
            return True
        except OSError:
            pass
        return False

    def probe(self, address: str, port: int, source: str, patience: float = PATIENCE) -> bool:
        """Is a new connection answered?"""
        try:
            with socket.create_connection((address, port), patience, (source, 0)) as one:
                return _answers(one)
        except OSError:
            return False

    def watch(self, seconds: float) -> dict[str, float | None]:
        """Talk in the open conversation until it has been silent for a second, or so long.

        last: when the last answer came; silent: whether it fell silent (0 or 1); both by the clock
        that all processes of a machine share (CLOCK_MONOTONIC).
        """
        assert self.open is not None
        end = time.monotonic() + seconds
        last: float | None = None
        self.open.settimeout(1.0)
        while time.monotonic() < end:
            try:
                self.open.sendall(b"still there?")
                if not self.open.recv(99):
                    return {"last": last, "silent": 1}
            except OSError:
                return {"last": last, "silent": 1}
            last = time.monotonic()
            time.sleep(STEP)
        return {"last": last, "silent": 0}


def _accepting(listener: socket.socket) -> None:
    while True:
        one, _ = listener.accept()
        threading.Thread(target=_echoing, args=(one,), daemon=True).start()


def _echoing(one: socket.socket) -> None:
    with one:
        try:
            while data := one.recv(999):
                one.sendall(data)
        except OSError:
            pass


def _answers(one: socket.socket) -> bool:
    one.settimeout(PATIENCE)
    try:
        one.sendall(b"still there?")
        return one.recv(99) == b"still there?"
    except OSError:
        return False


def main() -> None:
    station = Station()
    for line in sys.stdin:
        name, *words = json.loads(line)
        print(json.dumps(getattr(station, name)(*words)), flush=True)


if __name__ == "__main__":
    main()
