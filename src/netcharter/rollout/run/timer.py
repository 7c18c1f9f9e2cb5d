"""The undo timer: a process of its own that undoes a trial unless it is kept in time.

    python -m netcharter.rollout.run.timer STATE VERSION

It looks every second, by the clock that counts while the machine sleeps. A trial whose installer
died in the middle is undone at once. One who has the lock long after the deadline is stuck, as on
a terminal that is gone, and is ended: a keeper who is locked out is not kept waiting.
"""

from __future__ import annotations

import signal
import sys
from collections.abc import Sequence

from netcharter.rollout.host import Work
from netcharter.rollout.looks import trial_now
from netcharter.rollout.run.real import RealHost
from netcharter.rollout.shapes import Write
from netcharter.rollout.store import Armed, Paths, Trial, armed_text
from netcharter.rollout.trouble import EffectFailed, RolloutRefused
from netcharter.rollout.units import GIVEN_UP, REFUSED
from netcharter.rollout.ways import WAYS
from netcharter.rollout.work import Undone, timer_despairs, timer_look, timer_work

LOOK = 1.0  # seconds between two looks
GRACE = 30.0  # seconds after the deadline in which another may finish what it is at
PAUSES = (1.0, 5.0, 15.0, 30.0)  # seconds before a work that failed is tried again


def main(arguments: Sequence[str]) -> int:
    """Returns the exit code: 0, the trial is over; otherwise it is not, and why is in words."""
    try:
        root, version = arguments[0], int(arguments[1])
    except (IndexError, ValueError):
        print("expected: STATE VERSION", file=sys.stderr)
        return REFUSED
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    return watch(Work(RealHost(), Paths(root), WAYS, "undo timer"), version)


def watch(work: Work, version: int) -> int:
    """Arm, wait, and undo; returns the exit code."""
    try:
        trial = trial_now(work.host, work.paths)
        if trial is None or trial.version != version:
            return 0
        armed = Armed(version, work.host.this_process())
        work.host.perform(Write(work.paths.armed, armed_text(armed)))
    except (EffectFailed, RolloutRefused) as problem:
        print(problem, file=sys.stderr, flush=True)
        return REFUSED
    failed = 0  # in a row: moments in which nothing could be read, hours apart, are no despair
    while failed < len(PAUSES):
        over = _looked(work, version)
        if over:
            return 0
        failed = 0 if over is None else failed + 1
        work.host.wait(LOOK if over is None else PAUSES[failed - 1])
    return _despairing(work, trial)


def _despairing(work: Work, trial: Trial) -> int:
    """The last try, for which nothing is needed but what the host was like before."""
    try:
        done = timer_despairs(work, trial, GRACE)
    except (EffectFailed, RolloutRefused) as problem:
        print(problem, file=sys.stderr, flush=True)
        return GIVEN_UP
    return GIVEN_UP if done is not None and not done.over else 0


def _looked(work: Work, version: int) -> bool | None:
    """Whether the trial is over; None while it goes on, False if it should be undone, and could
    not, or can't be read."""
    try:
        does = timer_look(work, version)
        done = _tried(work, version) if does == "undo" else does
    except (EffectFailed, RolloutRefused) as problem:
        print(problem, file=sys.stderr, flush=True)
        return False
    if isinstance(done, Undone):
        return done.over
    return True if done in ("end", "tidy") else None


def _tried(work: Work, version: int) -> object:
    """Undo, if the lock can be had; what was done, or None."""
    trial = trial_now(work.host, work.paths)
    late = trial is not None and work.host.clock() >= trial.deadline_boot
    try:
        return timer_work(work, version, GRACE if late else 0.0)
    except RolloutRefused:
        if late:
            work.host.end_holder(work.paths)
            return timer_work(work, version, GRACE)
        return None


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
