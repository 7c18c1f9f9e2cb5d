"""The tracer itself: it stops where it is told to, kills all, and lets go whom it should."""

from __future__ import annotations

import fcntl
import os
import signal
import sys
from pathlib import Path

import pytest

from netcharter.rollout.run.lock import started
from tests.rollout.tracer import possible, trace

if not possible():
    pytest.skip("NOBODY WAS TRACED: this machine does not let it", allow_module_level=True)

BEGIN = """
import os, signal, subprocess, sys
signal.signal(signal.SIGURG, signal.SIG_IGN)
def mark(): os.kill(os.getpid(), signal.SIGURG)
def told(pid): open(sys.argv[1], "a").write(f"{pid}\\n")
"""


def command(script: str, *arguments: object) -> list[str]:
    return [sys.executable, "-c", BEGIN + script, *map(str, arguments)]


def test_an_exit_comes_through_and_calls_are_counted_between_marks() -> None:
    few = trace(
        command("mark(); os.getppid(); mark()\nfor _ in range(50): os.getppid()\nsys.exit(7)")
    )
    assert (few.code, few.died, len(few.lengths)) == (7, False, 2)
    assert 2 <= few.lengths[0] < 20
    assert 100 <= few.lengths[1] < 400


def test_calls_of_children_count_too() -> None:
    script = (
        "mark()\nif os.fork() == 0:\n  for _ in range(50): os.getppid()\n  os._exit(0)\nos.wait()"
    )
    assert trace(command(script)).lengths[0] >= 100


@pytest.mark.parametrize("stop", [0, 1, 2, 7, 20])
def test_one_dies_at_just_that_call(stop: int, tmp_path: Path) -> None:
    """A call has two stops, and takes effect between them: who dies at the first has not made it."""
    out = tmp_path / "out"
    descriptor = "f = os.open(sys.argv[1], os.O_WRONLY | os.O_CREAT)\n"
    found = trace(command(f"{descriptor}mark()\nwhile True: os.write(f, b'x')", out), 0, stop)
    assert (found.died, found.killed, found.lengths) == (True, 1, [stop])
    assert out.stat().st_size == stop // 2


def test_all_die_wherever_they_are(tmp_path: Path) -> None:
    pids = tmp_path / "pids"
    script = (
        "told(os.getpid())\n"
        "for detached in (False, True):\n"
        "  told(subprocess.Popen(['sleep', '600'], start_new_session=detached).pid)\n"
        "mark()\nwhile True: os.getppid()"
    )
    found = trace(command(script, pids), 0, 50)
    assert (found.died, found.killed, found.spared) == (True, 3, [])
    for pid in map(int, pids.read_text().split()):
        assert started(pid) is None


@pytest.mark.parametrize("stop", range(6))
def test_a_child_that_is_just_being_born_dies_too(stop: int, tmp_path: Path) -> None:
    """Nobody holds the file's lock afterwards: neither parent nor child is left."""
    locked = tmp_path / "lock"
    script = (
        "import fcntl\n"
        "f = open(sys.argv[1], 'w'); fcntl.flock(f, fcntl.LOCK_EX); mark()\n"
        "if os.fork() == 0: signal.pause()\n"
        "signal.pause()"
    )
    for _ in range(10):  # which of the two stops first is chance
        trace(command(script, locked), 0, stop)
        with locked.open() as file:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


def test_who_leads_a_session_is_let_go_and_lives_on_untraced(tmp_path: Path) -> None:
    pids = tmp_path / "pids"
    script = (
        "told(subprocess.Popen(['sleep', '600'], start_new_session=True).pid)\n"
        "mark()\nwhile True: os.getppid()"
    )
    found = trace(command(script, pids), 0, 50, spare=True)
    (pid,) = map(int, pids.read_text().split())
    try:
        assert found.spared == [pid]
        status = Path(f"/proc/{pid}/status").read_text()
        assert "TracerPid:\t0" in status
        assert "State:\tS" in status or "State:\tR" in status
    finally:
        os.kill(pid, signal.SIGKILL)
