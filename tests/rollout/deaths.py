"""Deaths of an installer, one after another, and what the gateway is like after each.

    python -m tests.rollout.deaths FOLDER SEED|all

Runs as root of a namespace of its own. Prints one JSON object per death. What is tried: in every
step of an enact and a keep, from its first system call to its last; and after each death either
the undo timer does its work, or it dies as well and the machine starts anew.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from netcharter.rollout.run.lock import lives, started
from netcharter.rollout.store import Process
from tests.rollout.scene import NEW, OLD, Scene, said, written_kit
from tests.rollout.tracer import Traced, trace

TRIAL = 4  # seconds
PATIENCE = 60.0  # seconds for a timer that undoes
FRACTIONS = (0.0, 0.03, 0.5, 0.97)  # of a step: where in it all are killed when all is tried
AFTER = ("timer", "reboot")


@dataclass(frozen=True)
class Death:
    """Where one died, and what was seen. became: `old` or `new`, or how it differs from both."""

    step: str
    mark: int
    stop: int
    of: int
    after: str
    died: bool
    killed: int
    became: str
    kept: str
    tidy: bool
    answers: bool
    seconds: float


class Theatre:
    """A scene, a state folder in which the old charter is kept, and what old and new look like."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.scene = folder, Scene()
        self.state, self.saved = folder / "state", folder / "saved"
        self.marks = folder / "marks"
        self.kit = str(written_kit(NEW, folder / "new"))
        self.looks: dict[str, str] = {}
        self.steps: list[str] = []
        self.lengths: list[int] = []

    def prepared(self) -> None:
        """Keep the old charter, then see what the new one looks like and how long its steps are."""
        self.scene.started()
        old = str(written_kit(OLD, self.folder / "old"))
        said(self.scene.installer("install", str(self.state), old, "60", str(self.marks)))
        shutil.copytree(self.state, self.saved, symlinks=True)
        self.curtain()
        self.looks["old"] = self.scene.looks()
        survey = self.play(None, 0, False)
        assert survey.code == 0, survey
        self.looks["new"] = self.scene.looks()
        self.steps = self.marks.read_text(encoding="utf-8").splitlines()
        self.lengths = survey.lengths
        assert len(self.steps) == len(self.lengths)

    def curtain(self) -> None:
        """The gateway starts, and boot brings up the old charter."""
        shutil.rmtree(self.state)
        shutil.copytree(self.saved, self.state, symlinks=True)
        self.marks.unlink(missing_ok=True)
        self.scene.started()
        said(self.scene.installer("boot", str(self.state), ""))

    def play(self, mark: int | None, stop: int, spare: bool) -> Traced:
        command = self.scene.installer(
            "install", str(self.state), self.kit, str(TRIAL), str(self.marks)
        )
        return trace(command, mark, stop, spare)

    def death(self, mark: int, stop: int, after: str) -> Death:
        """Play until the death, see to what comes after it, and look."""
        began = time.monotonic()
        self.curtain()
        traced = self.play(mark, stop, after == "timer")
        if after == "timer":
            ended(traced.spared)
            said(self.scene.installer("undo", str(self.state)))
        else:
            self.scene.started()
            said(self.scene.installer("boot", str(self.state), "another boot"))
        kept = os.readlink(self.state / "kept")
        return Death(
            self.steps[mark],
            mark,
            stop,
            self.lengths[mark],
            after,
            traced.died,
            traced.killed,
            self.became(),
            {"versions/0001": "old", "versions/0002": "new"}.get(kept, kept),
            not (self.state / "trial" / "trial.json").exists(),
            self.scene.answers(),
            round(time.monotonic() - began, 2),
        )

    def became(self) -> str:
        seen = self.scene.looks()
        for name, looks in self.looks.items():
            if seen == looks:
                return name
        return "\n".join(
            f"not {name}: {_difference(looks, seen)}" for name, looks in self.looks.items()
        )


def _difference(one: str, other: str) -> str:
    first, second = one.splitlines(), other.splitlines()
    missing = [line for line in first if line not in second]
    more = [line for line in second if line not in first]
    return f"missing {missing[:5]}, more {more[:5]}, {len(missing)} and {len(more)} lines"


def ended(pids: list[int]) -> None:
    """Wait for processes that are on their own. Raises AssertionError if they do not end."""
    left = [Process(pid, began) for pid in pids if (began := started(pid)) is not None]
    end = time.monotonic() + PATIENCE
    while any(lives(process) for process in left):
        assert time.monotonic() < end, f"the undo timer does not end: {left}"
        time.sleep(0.05)


def positions(lengths: list[int], seed: str) -> Iterator[tuple[int, int, str]]:
    """(mark, stop, after): all that are tried, or one for each step, which a seed chooses."""
    chance = random.Random(seed)
    for mark, length in enumerate(lengths):
        if seed == "all":
            places = sorted({int(fraction * length) for fraction in FRACTIONS})
            yield from ((mark, place, after) for place in places for after in AFTER)
        else:
            yield mark, chance.randrange(max(length, 1)), chance.choice(AFTER)


def main(folder: str, seed: str) -> None:
    theatre = Theatre(Path(folder))
    try:
        theatre.prepared()
        for mark, stop, after in positions(theatre.lengths, seed):
            print(json.dumps(asdict(theatre.death(mark, stop, after))), flush=True)
    finally:
        theatre.scene.gone()


if __name__ == "__main__":
    main(*sys.argv[1:])
