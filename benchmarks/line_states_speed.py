"""How long it takes to judge every line state of the demo: all promises, offers, ways out.

The demo with as many further lines as make sixteen states. Processor time within one process, the
median of several runs; the judgement without line states stands beside it.

    python -m benchmarks.line_states_speed [RUNS]

Target on the machine of the project: twelve states in 2 s.
"""

from __future__ import annotations

import statistics
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from time import process_time

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.proofs import prove
from netcharter.proofs.outages import line_states

DEMO = Path(__file__).parents[1] / "examples" / "tarn-hollow" / "charter.yaml"
MORE = """\
  dish: {device: eth8, rate: {down: 20 Mbit/s, up: 2 Mbit/s}, prefix: 2001:db8:7b00::/48}
  barn-fibre: {device: eth9, role: standby}
areas:
"""
NOW = datetime(2026, 12, 1, tzinfo=UTC)


def seconds(work: Callable[[], object], runs: int) -> float:
    """Processor time of one piece of work, the median of so many runs."""
    found = []
    for _ in range(runs):
        start = process_time()
        work()
        found.append(process_time() - start)
    return statistics.median(found)


def main(runs: int) -> None:
    text = DEMO.read_text(encoding="utf-8").replace("areas:\n", MORE, 1)
    charter = read(text, "charter.yaml").charter
    assert charter is not None
    plan = make_plan(charter)
    proof = prove(plan, NOW)
    states = line_states(proof.prover, proof.promises)
    took = seconds(lambda: line_states(proof.prover, proof.promises), runs)
    whole = seconds(lambda: prove(plan, NOW), runs)
    print(f"{len(states)} line states x {len(charter.promises)} promises: {took:.3f} s")
    print(f"all else that is proven, promises over all states among it: {whole:.3f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
