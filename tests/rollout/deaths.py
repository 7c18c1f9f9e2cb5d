"""Deaths of an installer, an undo and a boot, and what the gateway is like after each.

    python -m tests.rollout.deaths FOLDER SEED|all

Runs as root of a namespace of its own. Prints one JSON object per death. What is tried: in every
step of an enact with its keep, of an undo and of a boot, from its first system call to its last.
After each death either the undo timer does its work, or it dies as well and the machine starts
anew; a boot is done once more instead, on the same machine, as a service manager does.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from netcharter.rollout.run.lock import lives, started
from netcharter.rollout.store import Process
from tests.rollout import managed
from tests.rollout.scene import NEW, OLD, Scene, said, written_kit
from tests.rollout.tracer import Traced, trace

TRIAL = 10  # seconds; who dies while it waits has it undone that much later
PATIENCE = 60.0  # seconds for a timer that undoes
FRACTIONS = (0.0, 0.03, 0.5, 0.97)  # of a step: where in it all are killed when all is tried
ACTS = {"install": ("timer", "reboot"), "undo": ("timer", "reboot"), "boot": ("again", "reboot")}
FEW = {"undo": 3, "boot": 5}  # deaths of them, when one in every step of an enact is tried
DIALLING = NEW.replace(
    "areas:", "  fibre: {device: eth3, pppoe: {as: site@isp.example}}\nareas:", 1
)


@dataclass(frozen=True)
class Death:
    """Where one died, and what was seen. became: `old` or `new`, or how it differs from both."""

    act: str
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
        managed.furnished(folder)
        self.folder, self.scene = folder, Scene()
        self.state, self.saved = folder / "state", folder / "saved"
        self.marks = folder / "marks"
        self.kit = str(written_kit(DIALLING, folder / "new"))
        self.looks: dict[str, str] = {}
        self.steps: dict[str, list[str]] = {}
        self.lengths: dict[str, list[int]] = {}

    def prepared(self) -> None:
        """Keep the old charter, then see what the new one looks like and how long all steps are."""
        self.scene.started()
        old = str(written_kit(OLD, self.folder / "old"))
        said(self.scene.installer("install", str(self.state), old, "60", str(self.marks)))
        shutil.copytree(self.state, self.saved, symlinks=True)
        self.curtain("install")
        self.looks["old"] = self.scene.looks()
        for act in ACTS:
            self.curtain(act)
            survey = self.play(act, None, 0, False)
            assert survey.code == 0, (act, survey)
            if act == "install":
                self.looks["new"] = self.scene.looks()
            self.steps[act] = self.marks.read_text(encoding="utf-8").splitlines()
            self.lengths[act] = survey.lengths
            assert len(self.steps[act]) == len(self.lengths[act])

    def curtain(self, act: str) -> None:
        """The gateway starts; unless that is the act, boot brings up the old charter; before an
        undo the new one is put on trial."""
        shutil.rmtree(self.state)
        shutil.copytree(self.saved, self.state, symlinks=True)
        managed.bare()
        self.scene.started()
        if act != "boot":
            self.do("boot", "")
        if act == "undo":
            said(
                self.scene.installer("try", str(self.state), self.kit, str(TRIAL), str(self.marks))
            )
        self.marks.unlink(missing_ok=True)

    def do(self, what: str, *more: str) -> None:
        said(self.scene.installer(what, str(self.state), str(self.folder / "unread"), *more))

    def play(self, act: str, mark: int | None, stop: int, spare: bool) -> Traced:
        state, marks = str(self.state), str(self.marks)
        arguments = {
            "install": (state, self.kit, str(TRIAL), marks),
            "undo": (state, marks),
            "boot": (state, marks, ""),
        }
        return trace(self.scene.installer(act, *arguments[act]), mark, stop, spare)

    def death(self, act: str, mark: int, stop: int, after: str) -> Death:
        """Play until the death, see to what comes after it, and look."""
        began = time.monotonic()
        self.curtain(act)
        timer = self.timer()
        traced = self.play(act, mark, stop, after == "timer")
        self.went_on(after, [*timer, *traced.spared])
        kept = os.readlink(self.state / "kept")
        return Death(
            act,
            self.steps[act][mark],
            mark,
            stop,
            self.lengths[act][mark],
            after,
            traced.died,
            traced.killed,
            self.became(),
            {"versions/0001": "old", "versions/0002": "new"}.get(kept, kept),
            not (self.state / "trial" / "trial.json").exists(),
            self.scene.answers(),
            round(time.monotonic() - began, 2),
        )

    def timer(self) -> list[int]:
        """The process of the timer that was armed before the act."""
        armed = self.state / "trial" / "armed"
        return [json.loads(armed.read_bytes())["pid"]] if armed.exists() else []

    def went_on(self, after: str, timers: list[int]) -> None:
        """What comes after a death."""
        if after == "timer":
            ended(timers)
            self.do("undo")
            return
        for pid in timers:
            if started(pid) is not None:
                os.kill(pid, signal.SIGKILL)
        if after == "reboot":
            self.scene.started()
        self.do("boot", "another boot" if after == "reboot" else "")

    def became(self) -> str:
        """Which of the two it is like, or how it differs from both."""
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


def positions(lengths: dict[str, list[int]], seed: str) -> Iterator[tuple[str, int, int, str]]:
    """(act, mark, stop, after): all that are tried, or those that a seed chooses."""
    chance = random.Random(seed)
    for act, afters in ACTS.items():
        every = list(enumerate(lengths[act]))
        if seed == "all":
            for mark, length in every:
                places = sorted({int(fraction * length) for fraction in FRACTIONS})
                yield from ((act, mark, place, after) for place in places for after in afters)
            continue
        few = sorted(chance.sample(every, FEW.get(act, len(every))))
        for mark, length in few:
            yield act, mark, chance.randrange(max(length, 1)), chance.choice(afters)


def main(folder: str, seed: str) -> None:
    theatre = Theatre(Path(folder))
    try:
        theatre.prepared()
        for place in positions(theatre.lengths, seed):
            print(json.dumps(asdict(theatre.death(*place))), flush=True)
    finally:
        theatre.scene.gone()


if __name__ == "__main__":
    main(*sys.argv[1:])
