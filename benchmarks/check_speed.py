"""How long `netcharter check` takes as a whole process, and where the time goes.

CPU time (user and system) of child processes, the median of several runs, since the wall clock
depends on what else the machine does. Charters are those of `benchmarks/charters.py`.

    python -m benchmarks.check_speed [RUNS]

Targets on the machine of the project: 300 rules in 0.5 s, 1 000 rules in 1.5 s, `--help` in 0.15 s.
"""

from __future__ import annotations

import cProfile
import os
import pstats
import resource
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from time import process_time

from benchmarks.charters import charter

TARGETS = {"--help": 0.15, "300": 0.5, "1000": 1.5}
SIZES = (300, 1000)
ROOMS = ("charter", "plan", "space", "proofs", "diagnostics", "tasks", "cli", "report")
AS_OF = "2026-11-02"
MAIN = "from netcharter.cli import main; main()"


def cpu_seconds(arguments: Sequence[str]) -> float:
    """User and system time of one run of netcharter in a process of its own."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [sys.executable, "-c", MAIN, *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        check=False,
        env={**os.environ, "COLUMNS": "100"},
    )
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stderr.decode(errors="replace"))
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def measured(name: str, arguments: Sequence[str], runs: int) -> None:
    """One line: the median, the spread, the target."""
    found = sorted(cpu_seconds(arguments) for _ in range(runs))
    median = statistics.median(found)
    verdict = "within" if median <= TARGETS[name] else "OVER"
    print(
        f"{name:>7}  median {median:6.3f} s  ({found[0]:.3f} to {found[-1]:.3f}, {runs} runs)"
        f"  target {TARGETS[name]:.2f} s: {verdict}"
    )


def steps(path: Path) -> None:
    """CPU time of each step of one check within this process, after everything is loaded."""
    from datetime import UTC, datetime

    from netcharter.charter.read import read
    from netcharter.diagnostics.text import render
    from netcharter.plan import make_plan
    from netcharter.proofs import Prover, prove
    from netcharter.proofs.promises import prove_promises

    now = datetime.fromisoformat(AS_OF).replace(tzinfo=UTC)
    text = path.read_bytes()
    marks = [("start", process_time())]

    def mark(name: str) -> None:
        marks.append((name, process_time()))

    reading = read(text, str(path))
    assert reading.charter is not None, reading.diagnostics
    mark("read")
    plan = make_plan(reading.charter)
    mark("plan")
    prover = Prover(plan, now)
    mark("universe and index")
    _ = prover.dead
    mark("what never decides, re-checked")
    _ = prover.redundant
    mark("what could be left out, re-checked")
    prove_promises(prover)
    mark("promises, re-checked")
    proof = prove(plan, now)
    mark("all findings once more, from the plan on")
    render(proof.findings, reading.texts, width=100, colour=False)
    mark("rendering")
    for (_, before), (name, after) in pairwise(marks):
        print(f"    {after - before:6.3f} s  {name}")
    counts = proof.counts()
    print(f"    {counts['decisions']} decisions, {len(proof.findings)} findings")


def rooms(path: Path) -> None:
    """Own time per room under the profiler (which slows everything down; only shares matter)."""
    from netcharter.cli import main

    profile = cProfile.Profile()
    stdout = sys.stdout
    with Path(os.devnull).open("w", encoding="utf-8") as nowhere:
        sys.stdout = nowhere
        profile.enable()
        try:
            main(["check", str(path), "--as-of", AS_OF], standalone_mode=False)
        except SystemExit:
            pass
        finally:
            profile.disable()
            sys.stdout = stdout
    own: dict[str, float] = {}
    for (file, _, _), (_, _, time, _, _) in pstats.Stats(profile).stats.items():  # type: ignore[attr-defined]
        parts = Path(file).parts
        at = parts.index("netcharter") + 1 if "netcharter" in parts else len(parts)
        room = parts[at] if at < len(parts) and parts[at] in ROOMS else "elsewhere"
        own[room] = own.get(room, 0.0) + time
    total = sum(own.values())
    told = ", ".join(
        f"{room} {100 * time / total:.0f} %" for room, time in sorted(own.items(), key=_largest)
    )
    print(f"    own time by room: {told}")


def _largest(pair: tuple[str, float]) -> float:
    return -pair[1]


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    print(f"CPU time of whole processes, Python {sys.version.split()[0]}")
    measured("--help", ["--help"], runs)
    with tempfile.TemporaryDirectory() as folder:
        for rules in SIZES:
            path = Path(folder) / f"{rules}.yaml"
            path.write_text(charter(rules), encoding="utf-8")
            measured(str(rules), ["check", str(path), "--as-of", AS_OF], runs)
            steps(path)
            rooms(path)


if __name__ == "__main__":
    main()
