"""How long new conversations of a host inside have to wait when a line fails.

A real gateway of namespaces with two lines and a steward at work. The line is pulled (no carrier), or
falls silent (its far side drops whatever comes), at some moment between two rounds of questions; then
a host inside dials until it is answered over the other line.

    python -m benchmarks.line_failover [TIMES]
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from tests.cli.gateway import gateway
from tests.steward.test_lines_move import (
    FAILS,
    LINES,
    WEB,
    eventually,
    far,
    new_line,
    stands,
    steward,
)

TARGET = 10.0  # seconds
APART = 0.37  # seconds by which each failure comes later between two rounds
LONG = 200.0  # seconds that a line may take to come back: longer each time


def measured(how: str, times: int) -> list[float]:
    """Seconds from each failure to the first answer over the other line."""
    pull, mend = FAILS[how]
    found = []
    for number in range(times):
        with tempfile.TemporaryDirectory() as folder, gateway(Path(folder)) as place:
            place.kept(LINES)
            place.far.do("serve", WEB)
            with steward(place) as path:
                eventually(lambda p=path: stands(p, "copper") == "up used", LONG)  # type: ignore[misc]
                time.sleep(number * APART)
                far(place, pull)
                began = time.monotonic()
                eventually(lambda p=path: stands(p, "copper") == "down left", LONG)  # type: ignore[misc]
                assert new_line(place) == 2
                found.append(time.monotonic() - began)
                far(place, mend)
    return found


def main() -> None:
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    for how in FAILS:
        found = sorted(measured(how, times))
        within = "within" if found[-1] <= TARGET else "ABOVE"
        print(
            f"{how:>9}  {found[0]:.1f} to {found[-1]:.1f} s, middle {found[len(found) // 2]:.1f} s"
            f"  target {TARGET:.0f} s: {within}"
        )


if __name__ == "__main__":
    main()
