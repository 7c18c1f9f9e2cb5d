"""What a roll-out does on a disk that is full or can't be written: run in a namespace of its own.

The disk is real, a small file system in memory mounted on `disk`; the network is the pretended one.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from netcharter.rollout.host import Work
from netcharter.rollout.looks import look
from netcharter.rollout.run import files
from netcharter.rollout.run.lock import locked, this_process
from netcharter.rollout.run.real import perform
from netcharter.rollout.shapes import Effect, Run, Write
from netcharter.rollout.store import Armed, Paths, armed_text
from netcharter.rollout.trouble import RolloutRefused
from netcharter.rollout.work import Kept, Undone, Waiting, boot, enact, keep, undo
from tests.rollout.pretended import WAYS, Pretended, making

STATE = "disk/state"
OLD, NEW = {"address": "old"}, {"address": "new"}


class OnADisk(Pretended):
    """A pretended network with real files."""

    def perform(self, effect: Effect) -> None:
        super().perform(effect) if isinstance(effect, Run) else perform(effect)

    def read(self, path: str) -> bytes | None:
        return files.read(path)

    def names(self, path: str) -> tuple[str, ...]:
        return files.names(path)

    def files(self, path: str) -> dict[str, bytes]:
        return files.files(path)

    def link(self, path: str) -> str | None:
        return files.link(path)

    @contextmanager
    def locked(self, paths: Paths, what: str, patience: float | None = None) -> Iterator[None]:
        with locked(paths.lock, what, 0.0):
            yield

    def arm(self, paths: Paths, version: int) -> None:
        self.perform(Write(paths.armed, armed_text(Armed(version, this_process()))))


def fine() -> tuple[str, ...]:
    return ()


def fill() -> None:
    """Not a block is left, and no file can be begun."""
    with open("disk/filling", "wb", buffering=0) as file, suppress(OSError):
        while True:
            file.write(b"x" * 4096)


def read_only() -> None:
    subprocess.run(["mount", "-o", "remount,ro", "disk"], check=True)


def refused(work: Work, said: str) -> None:
    """An enact that is refused, with these words, and changes nothing."""
    try:
        enact(work, making(**NEW), 60, fine)
    except RolloutRefused as problem:
        assert said in str(problem), problem
    else:
        raise AssertionError("it was not refused")


def main(what: str) -> None:
    host = OnADisk()
    work = Work(host, Paths(STATE), WAYS, "the keeper")
    if what == "read-only":
        read_only()
        refused(work, "Read-only file system")
        assert os.listdir("disk") == []
        return
    assert isinstance(enact(work, making(**OLD), 60, fine), Waiting)
    assert keep(work) == Kept(1)
    if what == "full":
        fill()
        refused(work, "No space left on device")
        assert look(work).situation == "quiet"
    else:
        assert isinstance(enact(work, making(**NEW), 60, fine), Waiting)
        fill() if what == "fills-up" else read_only()
        done = undo(work, "no longer wanted")
        assert isinstance(done, Undone) and done.left == () and done.notes, done
    assert host.settings["address"] == "old"
    host.rebooted()
    assert boot(work).version == 1
    assert host.settings["address"] == "old"


if __name__ == "__main__":
    main(sys.argv[1])
    print("well")
