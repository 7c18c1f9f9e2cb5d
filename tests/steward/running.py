"""A real steward as a process of its own, and the service manager that hears it."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

PATIENCE = 60.0  # seconds for what should come at once
MAIN = "from netcharter.cli import main; main()"
ROOT = Path(__file__).parents[2]


@dataclass
class Manager:
    """The end of the service manager: what it has heard."""

    channel: socket.socket
    heard: list[str] = field(default_factory=list)

    def until(self, word: str, more: int = 1) -> None:
        """Hear until an assignment has come so many times more. Raises TimeoutError."""
        while more:
            for line in self.channel.recv(4096).decode("utf-8").split("\n"):
                self.heard.append(line)
                more -= line == word and more > 0


@contextmanager
def short() -> Iterator[Path]:
    """A folder for sockets: their paths have 107 bytes at most (unix(7)), and those of tests may be
    long."""
    with TemporaryDirectory(prefix="nc-") as folder:
        yield Path(folder)


@contextmanager
def manager(address: str) -> Iterator[Manager]:
    """address: as NOTIFY_SOCKET has it, with `@` for an abstract one."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        channel.bind("\0" + address[1:] if address.startswith("@") else address)
        channel.settimeout(PATIENCE)
        yield Manager(channel)


@dataclass
class Running:
    """A steward at work. log: its standard error, once it has ended."""

    process: subprocess.Popen[bytes]
    state: Path
    path: str
    log: Path

    def end(self, number: int = signal.SIGTERM) -> int:
        """End it, and its exit."""
        self.process.send_signal(number)
        return self.process.wait(PATIENCE)

    @property
    def said(self) -> str:
        return self.log.read_text("utf-8")


@contextmanager
def steward(
    state: Path, notify: str = "", watchdog: float | None = None, before: tuple[str, ...] = ()
) -> Iterator[Running]:
    """before: a program that starts it (`setpriv ...`)."""
    path, log = str(state / "steward.sock"), state / "log"
    environment = {"PATH": os.defpath, "LANG": "C.UTF-8", "PYTHONPATH": str(ROOT / "src")}
    environment |= {"NOTIFY_SOCKET": notify} if notify else {}
    environment |= {"WATCHDOG_USEC": str(int(watchdog * 1e6))} if watchdog else {}
    command = [sys.executable, "-c", MAIN, "steward", "--state", str(state), "--socket", path]
    with open(log, "ab") as errors:
        process = subprocess.Popen(
            [*before, *command], stdin=subprocess.DEVNULL, stderr=errors, env=environment
        )
    try:
        yield Running(process, state, path, log)
    finally:
        if process.poll() is None:
            process.kill()
        process.wait(PATIENCE)
