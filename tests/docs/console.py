"""Console blocks of a page as transcripts that can be run and compared.

A block is fenced with ```console. A line that begins with `$ ` is a command (`> ` continues it),
the lines after it are what it prints, both streams together. A line `...` stands for any number
of lines, `...` within a line for anything in that line.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

MARK = "-- end of step --"
MOST_SECONDS = 120


@dataclass(frozen=True, slots=True)
class Step:
    """One command and what the page says it prints. line: where it stands in the page."""

    line: int
    command: str
    shown: str


def blocks(page: str) -> list[list[Step]]:
    """The steps of each console block of a page in Markdown."""
    found = []
    for match in re.finditer(r"^```console\n(.*?)^```$", page, re.MULTILINE | re.DOTALL):
        first = page.count("\n", 0, match.start(1)) + 1
        found.append(list(_steps(match[1], first)))
    return found


def _steps(block: str, first: int) -> Iterator[Step]:
    if not block.startswith("$ "):
        raise ValueError(f"line {first}: a console block begins with a command")
    for match in re.finditer(r"^\$ (.*(?:\n> .*)*)\n((?:(?!\$ ).*\n)*)", block, re.MULTILINE):
        line = first + block.count("\n", 0, match.start())
        yield Step(line, match[1].replace("\n> ", "\n"), match[2])


def run(steps: list[Step], folder: Path) -> list[str]:
    """Run the commands of one block in one shell in `folder`; what each of them printed."""
    script = ["status=0"]
    for step in steps:
        # `$?` stays what the command before left, as it would at a terminal.
        script += ["(exit $status)", step.command, "status=$?", f"echo '{MARK}'"]
    here = str(Path(sys.executable).parent)
    environment = {
        "PATH": os.pathsep.join([here, os.environ.get("PATH", os.defpath), "/usr/sbin", "/sbin"]),
        "HOME": str(folder),
        "LANG": "C.UTF-8",
        "COLUMNS": "100",
        "NO_COLOR": "1",
    }
    finished = subprocess.run(
        ["sh", "-c", "\n".join(script)],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=MOST_SECONDS,
        check=False,
    )
    printed = finished.stdout.split(f"{MARK}\n")[:-1]
    if len(printed) != len(steps):
        raise RuntimeError(f"only {len(printed)} of {len(steps)} commands ended\n{finished.stdout}")
    return printed


def agrees(shown: str, printed: str) -> bool:
    """Whether what a page shows is what was printed, leaving out what it leaves out."""
    pattern = ""
    for line in shown.splitlines():
        if line.strip() == "...":
            pattern += r"(?:[^\n]*\n)*?"
        else:
            pattern += r"[^\n]*?".join(map(re.escape, line.rstrip().split("..."))) + r"[ ]*\n"
    return re.fullmatch(pattern, printed) is not None
