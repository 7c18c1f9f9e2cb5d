"""What the test of deaths kills: an installer, a boot, an undo, as processes of their own.

    python -m tests.rollout.installer install STATE KIT SECONDS MARKS
    python -m tests.rollout.installer try STATE KIT SECONDS MARKS
    python -m tests.rollout.installer boot STATE MARKS BOOT
    python -m tests.rollout.installer undo STATE MARKS

Before each step it writes the step's name to the file of marks and sends itself the mark that the
tracer waits for.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path

from netcharter.rollout.host import Work
from netcharter.rollout.phases import Making
from netcharter.rollout.run.files import files
from netcharter.rollout.shapes import Step
from netcharter.rollout.store import Paths
from netcharter.rollout.ways import WAYS
from netcharter.rollout.work import Waiting, boot, enact, keep, undo
from tests.rollout import managed
from tests.rollout.tracer import MARK


def install(state: str, kit: str, seconds: str, marks: str) -> None:
    """Enact a kit and keep it."""
    tried(state, kit, seconds, marks)
    notes = keep(_work(state, marks)).notes
    if notes:
        sys.exit(str(notes))


def tried(state: str, kit: str, seconds: str, marks: str) -> None:
    """Enact a kit."""
    making = Making(files(kit), b"charter: 1\n", "the keeper")
    done = enact(_work(state, marks), making, float(seconds), lambda: ())
    if not isinstance(done, Waiting):
        sys.exit(str(done))


def marker(path: Path) -> Callable[[Step], None]:
    def told(step: Step) -> None:
        with path.open("a", encoding="utf-8") as file:
            file.write(step.name.partition(":")[0] + "\n")
        os.kill(os.getpid(), MARK)

    return told


def brought_up(state: str, marks: str, boot_id: str) -> None:
    """As after a start of the machine: another boot, if it is named, than that of the trial."""
    left = boot(_work(state, marks, boot_id or None)).left
    if left:
        sys.exit(str(left))


def undone(state: str, marks: str) -> None:
    done = undo(_work(state, marks))
    if done is not None and done.left:
        sys.exit(str(done.left))


def _work(state: str, marks: str, boot_id: str | None = None) -> Work:
    return Work(managed.host(boot_id), Paths(state), WAYS, "the keeper", marker(Path(marks)))


COMMANDS: dict[str, Callable[..., None]] = {
    "install": install,
    "try": tried,
    "boot": brought_up,
    "undo": undone,
}

if __name__ == "__main__":
    signal.signal(MARK, signal.SIG_IGN)
    COMMANDS[sys.argv[1]](*sys.argv[2:])
