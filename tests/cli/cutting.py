"""How long a conversation that a new kit refuses goes on once the packet filter is exchanged."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from tests.cli.gateway import CHARTER, COPPER, DESK, FAR, HURRY, SSH, Gateway, Machine, apart

CARE = "  - {let: bank, reach: gateway, with: ssh, because: care from afar}\n"
WORK = "with: [http, https]"
LESS = CHARTER.replace(CARE, "").replace(WORK, "with: https")
HTTP = 80
SWAP = "the packet filter is exchanged"  # the name of the step, told before it is done
MOST = 60.0  # seconds in which an enact is through
TRACKED = "/proc/net/nf_conntrack"


@dataclass(frozen=True)
class Cut:
    """One conversation at an enact. last: seconds from just before the exchange to the last answer;
    silent: none came any more; tracked: whether the kernel still has it when the enact is through;
    swapped, through: when the exchange began and the enact was through (CLOCK_MONOTONIC)."""

    name: str
    last: float
    silent: bool
    tracked: bool
    swapped: float
    through: float


@contextmanager
def talking(place: Gateway) -> Iterator[dict[str, tuple[Machine, int]]]:
    """Two conversations that LESS refuses, with the port that each comes from: one to the gateway
    itself, one through it."""
    through = Machine(place.desk.way)
    try:
        place.far.do("serve", HTTP)
        yield {
            "to the gateway": (place.far, place.far.do("dial", COPPER, SSH, FAR)[1]),
            "through the gateway": (through, through.do("dial", FAR, HTTP, DESK)[1]),
        }
    finally:
        through.close()


def enacted(place: Gateway, name: str, before: str) -> tuple[int, float]:
    """Enact, as a person sees it; the exit code, and when the exchange began (CLOCK_MONOTONIC)."""
    asked = [sys.executable, "-m", "netcharter", "enact", name, *HURRY, "--state", "state"]
    with subprocess.Popen(
        [*place.bench.way, *apart(before), *asked],
        cwd=place.folder,
        env=place.environment({}),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stderr
        began = 0.0
        for line in process.stderr:
            if SWAP in line and not began:
                began = time.monotonic()
    return process.returncode, began


def cuts(place: Gateway, before: str = "") -> list[Cut]:
    """Enact LESS where CHARTER is kept and an administrator is there; what became of two that talk.

    before: shell lines, as in `Gateway.run`. Leaves the trial open.
    """
    place.write("less.yaml", LESS)
    with talking(place) as ends:
        for machine, _ in ends.values():
            machine.begin("watch", MOST)
        code, swapped = enacted(place, "less.yaml", before)
        through = time.monotonic()
        assert code == 0 and swapped, "it was not put in place"
        listed = place.bench.sure(("cat", TRACKED))
        found = []
        for name, (machine, port) in ends.items():
            seen = machine.end()
            gone = f"sport={port} " not in listed
            last, silent = seen["last"] - swapped, bool(seen["silent"])
            found.append(Cut(name, last, silent, not gone, swapped, through))
        return found
