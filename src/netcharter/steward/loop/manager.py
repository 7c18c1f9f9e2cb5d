"""Words to the service manager: the datagrams of sd_notify(3), written after that page."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping
from contextlib import suppress

NOTIFY, WATCHDOG, WATCHDOG_PID = "NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"


class Manager:
    """The service manager that started this process; nobody, where there is none."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._address = _address(environment.get(NOTIFY, ""))
        self.watchdog = _seconds(environment) if self._address else None

    def notify(self, *assignments: str) -> None:
        """Send assignments (`READY=1`). That nobody hears them is no reason to stop."""
        if self._address is None:
            return
        text = "\n".join(assignments).encode("utf-8", "replace")
        with (
            suppress(OSError),
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel,
        ):
            channel.setblocking(False)
            channel.sendto(text, self._address)


def _address(said: str) -> bytes | None:
    """A path, or a name in the abstract namespace, which begins with `@` (unix(7))."""
    if said.startswith("@"):
        return b"\0" + os.fsencode(said[1:])
    return os.fsencode(said) if said.startswith("/") else None


def _seconds(environment: Mapping[str, str]) -> float | None:
    """How often a sign of life is wanted at least (sd_watchdog_enabled(3)): seconds."""
    process = environment.get(WATCHDOG_PID, "")
    if process and process != str(os.getpid()):
        return None
    said = environment.get(WATCHDOG, "")
    return int(said) / 1e6 if said.isascii() and said.isdigit() and int(said) else None
