"""What happens on the gateway of `test_ways.py`: `python -m tests.steward.ways_inside PART FOLDER`."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

from netcharter.steward.loop.echoes import echoes
from netcharter.steward.loop.outward import kernel, lead
from netcharter.steward.schedule import ways
from netcharter.steward.ways import Ways, amiss, inside
from netcharter.tasks.sources import Source, usable_plan

PATIENCE = 20.0  # seconds in which an IPv6 address can be used (RFC 4862 section 5.4)


def known(folder: Path) -> Ways:
    return ways(usable_plan(Source("good.yaml", (folder / "good.yaml").read_bytes())).plan)


def asked(folder: Path) -> None:
    """Which legs have an answer, all of them if they can; as JSON."""
    found = known(folder)
    end = time.monotonic() + PATIENCE
    while True:
        answers = echoes(found.legs)
        heard = {
            f"{line}/{family}": [target for target, after in said.items() if after is not None]
            for (line, family), said in answers.items()
        }
        if all(heard.values()) or time.monotonic() > end or "--once" in sys.argv:
            print(json.dumps(heard))
            return


def told(folder: Path) -> None:
    """Each set of lines is taken out and put back; the kernel then has just that."""
    found = known(folder)
    every = [leg.key for leg in found.legs]
    for out in ([], [("copper", 4)], [("copper", 4), ("copper", 6)], every, [("mast", 6)], []):
        lead(found, out)
        held = kernel()
        assert amiss(found, out, held) == {}, (out, held)
        for leg in found.legs:
            assert inside(leg, held) is (leg.key not in out), (out, leg)


def led(folder: Path) -> None:
    """New conversations are led by all lines but those that are named, in IPv4."""
    lead(known(folder), [(line, 4) for line in sys.argv[3:]])


if __name__ == "__main__":
    {"asked": asked, "told": told, "led": led}[sys.argv[1]](Path(sys.argv[2]))
