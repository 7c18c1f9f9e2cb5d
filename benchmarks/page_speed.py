"""How fast the page is made that says why a name is withheld, and how fast a name is found in the stores
of a million. Run: `python -m benchmarks.page_speed`.
"""

from __future__ import annotations

import subprocess
import tempfile
import time
from collections.abc import Callable

from netcharter.gate.limits import Meter
from netcharter.gate.server.reading import opened
from netcharter.gate.stores import listed
from netcharter.lab.tools import path_of
from netcharter.plan.names.reading import read
from netcharter.render.cdb import STORES, laid_out
from tests.gate.site import asked, gate, visit

SECONDS = 3.0
NAMES = 1_000_000
APART = 100.0  # seconds between two visits by the clock of the limits


def a_second(work: Callable[[int], object]) -> float:
    """How often a second."""
    began, count = time.perf_counter(), 0
    while time.perf_counter() - began < SECONDS:
        work(count)
        count += 1
    return count / (time.perf_counter() - began)


def pages() -> float:
    at = gate(meter=Meter())
    return a_second(lambda number: asked(visit(), at=at, clock=number * APART))


def look_ups(folder: str) -> float:
    text = b"".join(b"n%d.list.example\n" % number for number in range(NAMES))
    layout = laid_out(read([text], "plain").entries)
    for store in STORES:
        command = [path_of("cdb") or "cdb", "-c", "-t", "-", f"{folder}/{store}.cdb"]
        subprocess.run(command, input=b"".join(layout.records(store)), check=True)

    def one(number: int) -> None:
        with opened() as stores_of:
            name = f"www.n{number * 37 % NAMES}.list.example"
            assert listed("all", name, stores_of(folder)) is not None

    return a_second(one)


def main() -> None:
    print(f"pages        {pages():8,.0f} a second")
    with tempfile.TemporaryDirectory() as folder:
        print(f"look-ups     {look_ups(folder):8,.0f} a second, in stores of {NAMES:,} names")


if __name__ == "__main__":
    main()
