"""A keeper at a terminal, within the namespace of a test: `python keeper.py PLAY.json RESULT.json`.

PLAY is a list of [words, [[expected, deed], ...]]: a command is started on a terminal of its own;
whenever the expected text has come, the deed is done: `type ...`, `run ...` (a command beside it),
`key C-c`, or `close` (the terminal goes). RESULT gets [exit code, all that was shown] of each.
"""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

LIMIT = 60.0  # seconds for each text that is expected


def shown(keeper: int, text: str, expected: str | None) -> str:
    """What is shown until the expected text has come; None: until the end."""
    end = time.monotonic() + LIMIT
    while time.monotonic() < end and (expected is None or expected not in text):
        if not select.select([keeper], [], [], 0.5)[0]:
            continue
        try:
            data = os.read(keeper, 4096)
        except OSError:
            return text
        if not data:
            return text
        text += data.decode("utf-8", "replace")
    return text


def done(keeper: int, deed: str) -> None:
    verb, _, rest = deed.partition(" ")
    if verb == "type":
        os.write(keeper, rest.encode() + b"\n")
    elif verb == "key":
        os.write(keeper, b"\x03")
    elif verb == "run":
        subprocess.run(["sh", "-c", rest], check=False, timeout=LIMIT, capture_output=True)


def ended(pid: int) -> int:
    """The exit code of a process that is to end now; it is killed where it does not."""
    end = time.monotonic() + LIMIT
    while time.monotonic() < end:
        found, status = os.waitpid(pid, os.WNOHANG)
        if found:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.05)
    os.kill(pid, signal.SIGKILL)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def play(words: list[str], deeds: list[list[str]]) -> tuple[int, str]:
    pid, keeper = pty.fork()
    if pid == 0:
        os.execvp(words[0], words)
    told, text = "", ""
    for expected, deed in deeds:
        text = shown(keeper, text, expected)
        before, found, text = text.partition(expected)
        told += before + found
        if not found:
            os.kill(pid, signal.SIGKILL)
        elif deed == "close":
            os.close(keeper)
            return ended(pid), told
        else:
            done(keeper, deed)
    told += shown(keeper, text, None)
    return ended(pid), told


if __name__ == "__main__":
    plays = json.loads(Path(sys.argv[1]).read_text("utf-8"))
    Path(sys.argv[2]).write_text(json.dumps([play(*one) for one in plays]), "utf-8")
