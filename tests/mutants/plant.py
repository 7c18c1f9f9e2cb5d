"""Plant one fault in a copy of the package and see whether chosen tests notice it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

PASSED, FAILED = 0, 1  # exit codes of pytest; all others mean that the tests did not run
MOST_SECONDS = 300


@dataclass(frozen=True, slots=True)
class Fault:
    """One small mistake that somebody could make.

    file: below src; old: text that stands there exactly once; new: what the mistake makes of it;
    tests: arguments for pytest, as few tests as can notice it.
    """

    name: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What came of it: pytest's exit code and what it printed."""

    code: int
    output: str

    @property
    def caught(self) -> bool:
        return self.code == FAILED


def mistaken(text: str, fault: Fault) -> str:
    """The text with the fault in it; ValueError where it does not fit exactly once."""
    if (count := text.count(fault.old)) != 1:
        raise ValueError(f"{fault.name}: the old text stands {count} times in {fault.file}")
    if fault.new == fault.old:
        raise ValueError(f"{fault.name}: changes nothing")
    made = text.replace(fault.old, fault.new)
    if fault.file.endswith(".py"):
        compile(made, fault.file, "exec")
    return made


def plant(source: Path, fault: Fault | None, folder: Path) -> Path:
    """Copy the folder `source` into `folder`, with what is compiled of it, and plant the fault
    there; the copy's path."""
    copy = folder / "src"
    shutil.copytree(source, copy, ignore=shutil.ignore_patterns("*.egg-info", "*.pyc.*"))
    if fault:
        target = copy / fault.file
        target.write_text(mistaken(target.read_text("utf-8"), fault), encoding="utf-8")
        for compiled in target.parent.glob(f"__pycache__/{target.stem}.*.pyc"):
            compiled.unlink()
    return copy


def try_tests(copy: Path, tests: tuple[str, ...], repository: Path) -> Verdict:
    """Run the tests in the repository against the package in `copy`."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith("PYTEST_")}
    scratch = copy.parent
    environment = {
        **kept,
        "PYTHONPATH": str(copy),
        "PYTHONDONTWRITEBYTECODE": "1",
        "NETCHARTER_SEED": "1",  # whether a fault is noticed must not be a matter of chance
        "PYTHONHASHSEED": "1",
        "HYPOTHESIS_STORAGE_DIRECTORY": str(scratch / "hypothesis"),
    }
    options = ["-q", "-x", "--tb=line", "-p", "no:cacheprovider", "--hypothesis-seed=1"]
    finished = subprocess.run(
        [sys.executable, "-m", "pytest", *options, f"--basetemp={scratch / 'temp'}", *tests],
        cwd=repository,
        env=environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=MOST_SECONDS,
        check=False,
    )
    return Verdict(finished.returncode, finished.stdout + finished.stderr)
