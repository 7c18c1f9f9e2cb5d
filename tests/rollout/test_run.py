"""What is done to a real disk and with real programs: whole or not at all, bounded, told in words.

Effects are tried in a temporary folder; a full and a read-only disk are file systems in memory, in
a namespace of their own.
"""

from __future__ import annotations

import errno
import json
import os
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from netcharter.rollout.placing import NEW
from netcharter.rollout.run import files, lock, programs, real
from netcharter.rollout.run.files import GONE
from netcharter.rollout.run.real import RealHost, perform
from netcharter.rollout.shapes import Folder, Point, Remove, Run, Write
from netcharter.rollout.store import Armed, Paths, Process, armed_text
from netcharter.rollout.trouble import EffectFailed, RolloutRefused
from tests.kernel import namespace

ROOT = Path(__file__).parents[2]
PYTHON = sys.executable


# --- files --------------------------------------------------------------------------------------


def test_a_file_is_written_whole_with_its_mode(tmp_path: Path) -> None:
    place = tmp_path / "file"
    perform(Write(str(place), b"one"))
    assert (place.read_bytes(), stat.S_IMODE(place.stat().st_mode)) == (b"one", 0o640)
    perform(Write(str(place), b"two", 0o600))
    assert (place.read_bytes(), stat.S_IMODE(place.stat().st_mode)) == (b"two", 0o600)
    assert os.listdir(tmp_path) == ["file"]


def test_what_a_killed_writer_left_is_taken_over_and_no_link_is_followed(tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.write_bytes(b"mine")
    (tmp_path / f"file{NEW}").symlink_to(other)
    perform(Write(str(tmp_path / "file"), b"new"))
    assert other.read_bytes() == b"mine"
    assert sorted(os.listdir(tmp_path)) == ["file", "other"]


def test_a_secret_is_never_readable_by_others_not_even_while_it_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    modes = []
    sync = os.fsync

    def seen(descriptor: int) -> None:
        modes.append(stat.S_IMODE(os.fstat(descriptor).st_mode))
        sync(descriptor)

    monkeypatch.setattr(os, "fsync", seen)
    perform(Write(str(tmp_path / "file"), b"secret", 0o600))
    assert modes[0] == 0o600


def test_each_write_is_on_the_disk_before_it_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """fsync of the file, then rename, then fsync of the folder (rename(2), fsync(2))."""
    calls: list[str] = []
    sync, rename = os.fsync, os.rename

    def synced(descriptor: int) -> None:
        folder = stat.S_ISDIR(os.fstat(descriptor).st_mode)
        calls.append("folder synced" if folder else "file synced")
        sync(descriptor)

    def renamed(old: str, new: str) -> None:
        calls.append("renamed")
        rename(old, new)

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(os, "rename", renamed)
    perform(Write(str(tmp_path / "file"), b"x"))
    assert calls == ["file synced", "renamed", "folder synced"]
    calls.clear()
    perform(Point(str(tmp_path / "kept"), "versions/0001"))
    assert calls == ["renamed", "folder synced"]
    calls.clear()
    perform(Folder(str(tmp_path / "a" / "b")))
    assert calls == ["folder synced", "folder synced"]
    calls.clear()
    perform(Remove(str(tmp_path / "a")))
    assert calls == ["renamed", "folder synced"]


def test_a_link_is_replaced_in_one_go_and_taken_away(tmp_path: Path) -> None:
    place = str(tmp_path / "kept")
    assert files.link(place) is None
    for target in ("versions/0001", "versions/0002"):
        perform(Point(place, target))
        assert files.link(place) == target
    perform(Point(place, None))
    perform(Point(place, None))
    assert os.listdir(tmp_path) == []


def test_a_folder_goes_all_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "trial"
    perform(Folder(str(place / "inside")))
    perform(Write(str(place / "trial.json"), b"{}"))
    deleted = files.shutil.rmtree  # type: ignore[attr-defined]

    def died(path: str) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(files.shutil, "rmtree", died)  # type: ignore[attr-defined]
    with pytest.raises(KeyboardInterrupt):
        perform(Remove(str(place)))
    assert os.listdir(tmp_path) == [f"trial{GONE}"]
    monkeypatch.setattr(files.shutil, "rmtree", deleted)  # type: ignore[attr-defined]
    perform(Remove(str(place)))
    perform(Remove(str(place)))
    assert os.listdir(tmp_path) == []


def test_a_folder_that_is_a_link_is_unlinked_not_emptied(tmp_path: Path) -> None:
    (tmp_path / "theirs").mkdir()
    (tmp_path / "theirs" / "file").write_bytes(b"x")
    (tmp_path / "trial").symlink_to("theirs")
    perform(Remove(str(tmp_path / "trial")))
    assert (tmp_path / "theirs" / "file").exists()
    assert not (tmp_path / "trial").is_symlink()


@pytest.mark.parametrize(
    "effect",
    [
        lambda at: Write(f"{at}/file/x", b""),
        lambda at: Write(f"{at}/nowhere/x", b""),
        lambda at: Write(f"{at}/a\0b", b""),
        lambda at: Folder(f"{at}/file/x"),
        lambda at: Folder(f"{at}/file"),
        lambda at: Point(f"{at}/nowhere/kept", "x"),
        lambda at: Point(f"{at}/kept", "a\0b"),
    ],
)
def test_what_can_not_be_done_is_told_and_leaves_no_litter(
    tmp_path: Path, effect: Callable[[Path], Write | Folder | Point]
) -> None:
    (tmp_path / "file").write_bytes(b"x")
    with pytest.raises(EffectFailed):
        perform(effect(tmp_path))
    assert os.listdir(tmp_path) == ["file"]


def test_reading_tells_what_is_there(tmp_path: Path) -> None:
    at = str(tmp_path)
    assert files.read(f"{at}/none") is None
    assert files.names(f"{at}/none") == ()
    assert files.files(f"{at}/none") == {}
    perform(Folder(f"{at}/kit/more"))
    perform(Write(f"{at}/kit/a", b"1"))
    perform(Write(f"{at}/kit/more/b", b"2"))
    assert files.files(f"{at}/kit") == {"a": b"1", "more/b": b"2"}
    assert files.names(f"{at}/kit") == ("a", "more")
    with pytest.raises(EffectFailed):
        files.read(f"{at}/kit")
    os.mkfifo(f"{at}/pipe")
    with pytest.raises(EffectFailed, match="no plain file"):
        files.read(f"{at}/pipe")


# --- programs -----------------------------------------------------------------------------------


def shell(script: str, stdin: bytes = b"", fails: bool = True, seconds: float = 20.0) -> Run:
    return Run(("sh", "-c", script), stdin, fails, seconds)


def test_a_program_has_a_clean_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LD_PRELOAD_OF_SOMEBODY", "x")
    monkeypatch.setenv("PATH", "/nowhere")
    said = programs.run(shell("env; pwd"))
    lines = set(said.out.decode().split())
    assert {"LC_ALL=C", "TZ=UTC", f"PATH={programs.SEARCHED}", "/"} <= lines
    assert b"SOMEBODY" not in said.out


def test_input_and_both_outputs_of_any_length_go_through() -> None:
    data = os.urandom(3_000_000)
    said = programs.run(shell("tee /dev/stderr", data))
    assert (said.out, said.err, said.code) == (data, data, 0)


def test_a_program_that_wants_no_input_is_no_failure() -> None:
    assert programs.run(shell("true", b"x" * 1_000_000)).code == 0


def test_a_failure_is_told_in_the_words_of_the_program() -> None:
    with pytest.raises(EffectFailed, match="no such luck"):
        programs.run(shell("echo no such luck >&2; exit 3"))
    assert programs.run(shell("exit 3", fails=False)).code == 3
    with pytest.raises(EffectFailed, match="no such program"):
        programs.run(Run(("there-is-none-of-this-name",)))


def test_a_program_that_takes_too_long_is_ended_with_all_it_started(tmp_path: Path) -> None:
    told = tmp_path / "pid"
    with pytest.raises(EffectFailed, match="not done after 0.5 s"):
        programs.run(shell(f"sleep 600 & echo $! > {told}; wait", seconds=0.5))
    pid = int(told.read_text())
    end = time.monotonic() + 10
    while lock.started(pid) is not None and time.monotonic() < end:
        time.sleep(0.02)
    assert lock.started(pid) is None


def test_a_program_that_prints_without_end_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(programs, "MOST", 100_000)
    with pytest.raises(EffectFailed, match="more than 100000 bytes"):
        programs.run(shell("yes"))


def test_a_program_dies_with_the_one_who_started_it(tmp_path: Path) -> None:
    told = tmp_path / "pid"
    script = (
        "from netcharter.rollout.run.programs import run\n"
        "from netcharter.rollout.shapes import Run\n"
        f"run(Run(('sh', '-c', 'echo $$ > {told}.new; mv {told}.new {told}; exec sleep 600')))\n"
    )
    with subprocess.Popen([PYTHON, "-c", script]) as parent:
        end = time.monotonic() + 20
        while not told.exists() and time.monotonic() < end:
            time.sleep(0.02)
        parent.kill()
    pid = int(told.read_text())
    while lock.started(pid) is not None and time.monotonic() < end:
        time.sleep(0.02)
    assert lock.started(pid) is None


def test_a_missing_program_and_a_missing_right_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(RolloutRefused, match="no there-is-none was found"):
        programs.demand(["sh", "there-is-none"])
    monkeypatch.setattr(programs, "SEARCHED", "/nowhere")
    with pytest.raises(RolloutRefused, match="install iproute2, nftables"):
        programs.demand(["ip", "nft", "tc"])


# --- the lock -----------------------------------------------------------------------------------


def test_two_at_once_are_told_of_each_other(tmp_path: Path) -> None:
    path = str(tmp_path / "lock")
    told = rf"process {os.getpid()} \(enact\) is changing"
    refused = pytest.raises(RolloutRefused, match=told)
    with lock.locked(path, "enact", 0.0), refused, lock.locked(path, "keep", 0.1):
        raise AssertionError("two have the lock")
    with lock.locked(path, "keep", 0.0):
        found = lock.holder(path)
        assert found is not None and found.what == "keep"


def test_a_disk_that_knows_no_locks_is_told_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ENOLCK, as flock(2) has it of a network disk."""

    def flock(descriptor: int, how: int) -> None:
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr(lock.fcntl, "flock", flock)  # type: ignore[attr-defined]
    told = pytest.raises(RolloutRefused, match="can't be locked.*No locks available; nothing was")
    with told, lock.locked(str(tmp_path / "lock"), "enact", 0.0):
        raise AssertionError("it has no lock")


@contextmanager
def another_has_it(path: str) -> Iterator[subprocess.Popen[bytes]]:
    script = (
        "import time\n"
        "from netcharter.rollout.run.lock import locked\n"
        f"with locked({path!r}, 'enact', 5.0):\n"
        "    print('has it', flush=True)\n"
        "    time.sleep(600)\n"
    )
    with subprocess.Popen([PYTHON, "-c", script], stdout=subprocess.PIPE) as other:
        try:
            assert other.stdout is not None and other.stdout.readline() == b"has it\n"
            yield other
        finally:
            other.kill()


def test_the_lock_goes_with_its_process(tmp_path: Path) -> None:
    path = str(tmp_path / "lock")
    with another_has_it(path) as other:
        told = rf"process {other.pid} \(enact\)"
        for _ in range(2):  # the first who is refused does not make the next one guess
            with pytest.raises(RolloutRefused, match=told), lock.locked(path, "keep", 0.0):
                raise AssertionError("two have the lock")
        with pytest.raises(RolloutRefused, match=told), lock.locked(path, "undo", 0.1):
            raise AssertionError("two have the lock")
        other.kill()
        other.wait()
        assert lock.holder(path) is None
        with lock.locked(path, "undo", 5.0):
            pass


def test_one_who_is_stuck_with_the_lock_is_ended_and_only_just_that_one(tmp_path: Path) -> None:
    path = str(tmp_path / "lock")
    with another_has_it(path) as other:
        os.kill(other.pid, signal.SIGSTOP)
        # As the undo timer does it: first it waits, and what it waits for is not forgotten by that.
        for _ in range(2):
            with pytest.raises(RolloutRefused), lock.locked(path, "undo timer", 0.1):
                raise AssertionError("two have the lock")
        assert lock.end_holder(path)
        assert other.wait(20) == -signal.SIGKILL
    assert not lock.end_holder(path)
    with lock.locked(path, "undo", 5.0):
        assert not lock.end_holder(path), "it would end itself"


def test_a_pid_that_another_process_has_now_is_not_taken_for_it() -> None:
    mine = lock.this_process()
    assert lock.lives(mine)
    assert not lock.lives(Process(mine.pid, mine.started + 1))
    assert not lock.lives(Process(2**22 + 1, 1))


# --- the undo timer's process -------------------------------------------------------------------


def stand_in(paths: Paths, script: str) -> RealHost:
    """A host whose timers run this script; it has `state`, `version` and the tools it needs."""
    text = (
        "import sys, time, os\n"
        "from netcharter.rollout.run.real import perform\n"
        "from netcharter.rollout.run.lock import this_process\n"
        "from netcharter.rollout.shapes import Write\n"
        "from netcharter.rollout.store import Armed, Paths, armed_text\n"
        "state, version = sys.argv[1], int(sys.argv[2])\n" + script
    )
    perform(Folder(paths.trial))
    return RealHost(timer=(PYTHON, "-c", text))


def test_a_timer_that_says_it_is_armed_is_a_process_of_its_own(tmp_path: Path) -> None:
    paths = Paths(str(tmp_path))
    host = stand_in(
        paths,
        "armed = armed_text(Armed(version, this_process()))\n"
        "perform(Write(Paths(state).armed, armed))\ntime.sleep(60)\n",
    )
    host.arm(paths, 7)
    armed = json.loads((tmp_path / "trial" / "armed").read_bytes())
    try:
        assert armed["version"] == 7
        assert os.getsid(armed["pid"]) == armed["pid"], "it leads a session"
        assert os.readlink(f"/proc/{armed['pid']}/fd/0") == "/dev/null"
        assert os.readlink(f"/proc/{armed['pid']}/cwd") == "/"
    finally:
        os.kill(armed["pid"], signal.SIGKILL)


def test_a_timer_that_dies_at_once_is_told_with_its_words(tmp_path: Path) -> None:
    paths = Paths(str(tmp_path))
    with pytest.raises(EffectFailed, match="no such luck"):
        stand_in(paths, "sys.exit('no such luck')").arm(paths, 7)


def test_a_timer_that_does_not_arm_is_ended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(real, "ARMED_WITHIN", 0.3)
    paths = Paths(str(tmp_path))
    other = Armed(6, lock.this_process())
    perform(Folder(paths.trial))
    perform(Write(paths.armed, armed_text(other)))  # another's: it does not count
    with pytest.raises(EffectFailed, match="it did not get ready"):
        stand_in(paths, "time.sleep(60)").arm(paths, 7)


# --- disks --------------------------------------------------------------------------------------

ON_A_DISK = """
mkdir disk
mount -t tmpfs -o size=2m none disk
PYTHONPATH={root} {python} -P -m tests.rollout.on_a_disk {what}
"""


@pytest.mark.kernel
@pytest.mark.parametrize("what", ["full", "read-only", "fills-up", "turns-read-only"])
def test_a_disk_that_can_not_be_written_is_told_and_nothing_is_lost(
    tmp_path: Path, what: str
) -> None:
    script = ON_A_DISK.format(root=ROOT, python=PYTHON, what=what)
    assert namespace.run(script, tmp_path, private=True) == "well\n"


@pytest.mark.parametrize(
    ("group", "ours"),
    [
        ("0::/system.slice/netcharter-steward.service\n", True),
        ("1:name=systemd:/system.slice/netcharter-steward.service\n0::/x\n", True),
        ("0::/system.slice/ssh.service\n", False),
        ("0::/user.slice/netcharter-steward.service\n", False),
        ("0::/system.slice/netcharter-steward.service/sub\n", False),
        ("0::/\n", False),
    ],
)
def test_who_may_not_look_at_systemd_knows_its_unit_by_the_control_group(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, group: str, ours: bool
) -> None:
    """cgroups(7), `/proc/PID/cgroup`."""
    (tmp_path / "cgroup").write_text(group)
    monkeypatch.setattr(real, "CGROUP", str(tmp_path / "cgroup"))
    monkeypatch.setattr(real, "SYSTEMD", str(tmp_path))
    assert real._of_a_unit_of_ours() is ours
    monkeypatch.setattr(real, "SYSTEMD", str(tmp_path / "nowhere"))
    assert not real._of_a_unit_of_ours()
