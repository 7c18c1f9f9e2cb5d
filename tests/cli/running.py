"""Commands as a person runs them: in this process, or as a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from netcharter.cli import main
from netcharter.diagnostics.escape import HIDDEN

DEMO = Path(__file__).parents[2] / "examples" / "tarn-hollow"
CHARTER, DRAFT = DEMO / "charter.yaml", DEMO / "first-draft.yaml"
WHEN = "2026-11-02"  # so that no test depends on the day it is run
MOST_SECONDS = 120


@dataclass(frozen=True)
class Ran:
    """What a command left: its exit code and both streams."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """The one JSON document on standard output; nothing may stand beside it."""
        return json.loads(self.out)

    @property
    def everything(self) -> str:
        return self.out + self.err


def run(*arguments: str | Path, answers: str | None = None) -> Ran:
    """A command in this process. A traceback is an error of the test."""
    result = CliRunner().invoke(main, [str(a) for a in arguments], input=answers)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return Ran(result.exit_code, result.stdout, result.stderr)


def process(*arguments: str | Path, folder: Path | None = None, answers: str = "") -> Ran:
    """A command as a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", "from netcharter.cli import main; main()", *map(str, arguments)],
        cwd=folder,
        input=answers,
        capture_output=True,
        text=True,
        timeout=MOST_SECONDS,
        check=False,
        env={"PATH": os.defpath, "LANG": "C.UTF-8", "COLUMNS": "100"},
    )
    return Ran(done.returncode, done.stdout, done.stderr)


def hidden(text: str) -> list[str]:
    """Characters that could repaint a terminal or make a line read otherwise; line ends aside."""
    return HIDDEN.findall(text.replace("\n", ""))
