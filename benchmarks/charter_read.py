"""How long it takes to read a charter: text in, checked and frozen charter out.

Reading is measured in processor time, importing by the clock.

Run it as ``python -m benchmarks.charter_read [RULES ...]``; 300, 1 000 and 3 000 unless said.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

from benchmarks.charters import charter
from netcharter.charter.read import read

ROUNDS = 15
IMPORT = "import netcharter.charter.read"


def milliseconds(text: str) -> list[float]:
    """One figure per round, after one that is not counted."""
    read(text, "charter.yaml")
    figures = []
    for _ in range(ROUNDS):
        start = time.process_time()
        found = read(text, "charter.yaml")
        figures.append(1000 * (time.process_time() - start))
        assert found.charter is not None, found.diagnostics[:3]
    return figures


def process_milliseconds(code: str) -> float:
    """The least time of a whole interpreter that runs some code."""
    figures = []
    for _ in range(5):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-c", code], check=True)
        figures.append(1000 * (time.perf_counter() - start))
    return min(figures)


if __name__ == "__main__":
    bare = process_milliseconds("pass")
    print(f"importing the reader: {process_milliseconds(IMPORT) - bare:.0f} ms")
    for rules in map(int, sys.argv[1:] or ("300", "1000", "3000")):
        text = charter(rules)
        figures = milliseconds(text)
        print(
            f"{rules:6} rules, {len(text) / 1000:.0f} kB: "
            f"median {statistics.median(figures):.1f} ms, best {min(figures):.1f} ms"
        )
