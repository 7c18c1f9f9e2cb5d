"""Netcharter by a clock that is ahead by the seconds in a file; they may change while it runs.

python -P tests/steward/shifted.py FILE ARGUMENTS...
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

from netcharter.cli import common, main
from netcharter.steward.loop.world import RealWorld
from netcharter.tasks import steward

COMMAND = (sys.executable, "-P", __file__)
lead = RealWorld.lead
file = ""


def ahead() -> float:
    return float(Path(file).read_text())


def clock() -> datetime:
    return datetime.now(UTC) + timedelta(seconds=ahead())


if __name__ == "__main__":
    file = sys.argv.pop(1)
    common.clock = clock
    RealWorld.now = lambda self: clock()  # type: ignore[method-assign]
    RealWorld.lead = lambda self: lead(self) + ahead()  # type: ignore[method-assign]
    vars(steward)["PROGRAM"] = (*COMMAND, file)  # for those that it starts
    main()
