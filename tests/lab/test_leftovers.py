"""Folders on disk: gone with their run, or with the next one; never anybody else's."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from netcharter.lab.leftovers import LOCK, PREFIX, folder, put, sweep

HOLDING = """
import sys, time
from pathlib import Path
from netcharter.lab.leftovers import folder
with folder(Path(sys.argv[1])) as found:
    (found / "some.pcap").write_bytes(b"packets")
    print(found, flush=True)
    time.sleep(600)
"""


def names(where: Path) -> list[str]:
    return sorted(path.name for path in where.iterdir())


def holder(where: Path) -> tuple[subprocess.Popen[str], Path]:
    """A run in a process of its own that has a folder in use."""
    run = subprocess.Popen(
        [sys.executable, "-c", HOLDING, str(where)], stdout=subprocess.PIPE, text=True
    )
    assert run.stdout is not None
    return run, Path(run.stdout.readline().strip())


def ended(run: subprocess.Popen[str], number: signal.Signals) -> None:
    run.send_signal(number)
    run.communicate(timeout=20)


def test_files_are_put_whole_and_nothing_else_is_left(tmp_path: Path) -> None:
    where = tmp_path / "deep" / "frames"
    put(where, {"one.pcapng": b"old"})
    (where / "letter").write_text("mine")
    put(where, {"one.pcapng": b"new", "two.pcapng": b"packets"})
    assert names(where) == ["letter", "one.pcapng", "two.pcapng"]
    assert (where / "one.pcapng").read_bytes() == b"new"
    assert (where / "two.pcapng").stat().st_mode & 0o777 == 0o640
    assert (where / "letter").read_text() == "mine"


def test_without_files_no_folder_is_made(tmp_path: Path) -> None:
    put(tmp_path / "frames", {})
    assert names(tmp_path) == []


def test_no_file_is_there_if_one_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="too long"):
        put(tmp_path, {"one.pcapng": b"packets", "x" * 300: b"packets"})
    assert names(tmp_path) == []


def test_what_a_killed_run_left_goes_also_if_there_is_nothing_to_put(tmp_path: Path) -> None:
    dead, left = holder(tmp_path)
    ended(dead, signal.SIGKILL)
    assert left.is_dir()
    put(tmp_path, {})
    assert names(tmp_path) == []


def test_a_folder_is_for_this_user_only_and_gone_after_a_failure(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt), folder(tmp_path) as found:
        assert found.stat().st_mode & 0o777 == 0o700
        raise KeyboardInterrupt
    assert names(tmp_path) == []


def test_a_killed_runs_folder_goes_with_the_next_and_a_living_ones_stays(tmp_path: Path) -> None:
    living, used = holder(tmp_path)
    dead, left = holder(tmp_path)
    try:
        ended(dead, signal.SIGKILL)
        assert left.is_dir()
        assert sweep(tmp_path) == (left,)
        assert not left.exists()
        assert names(used) == sorted([LOCK, "some.pcap"])
    finally:
        ended(living, signal.SIGINT)
    assert names(tmp_path) == []


def test_a_folder_whose_run_was_killed_before_it_had_its_lock_goes_too(tmp_path: Path) -> None:
    (tmp_path / f"{PREFIX}empty").mkdir()
    assert sweep(tmp_path) == (tmp_path / f"{PREFIX}empty",)


def test_what_only_looks_like_a_leftover_stays(tmp_path: Path) -> None:
    inside = tmp_path / "inside"
    inside.mkdir()
    precious = inside / "precious"
    precious.write_text("mine")
    (inside / LOCK).touch()
    (tmp_path / f"{PREFIX}link").symlink_to(inside)
    (tmp_path / f"{PREFIX}file").write_text("a file")
    without = tmp_path / f"{PREFIX}without-lock"
    without.mkdir()
    (without / "letter").write_text("somebody's")
    linked = tmp_path / f"{PREFIX}linked-lock"
    linked.mkdir()
    (linked / LOCK).symlink_to(precious)
    other = tmp_path / "other-tool-x"
    other.mkdir()
    before = names(tmp_path)
    assert sweep(tmp_path) == ()
    assert names(tmp_path) == before
    assert precious.read_text() == "mine"


@pytest.mark.skipif(os.geteuid() != 0, reason="giving a folder to somebody else takes root")
def test_what_belongs_to_somebody_else_stays(tmp_path: Path) -> None:
    foreign = tmp_path / f"{PREFIX}foreign"
    foreign.mkdir()
    (foreign / LOCK).touch()
    os.chown(foreign, 12345, 12345)
    assert sweep(tmp_path) == ()
    assert names(foreign) == [LOCK]


def test_a_folder_that_is_swept_while_it_is_made_is_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between making a folder and locking it, another run may take it for a leftover."""
    really = os.open
    tries: list[tuple[Path, ...]] = []

    def swept(path: str | Path, *said: int) -> int:
        if Path(path).name == LOCK and not tries:
            tries.append(sweep(tmp_path))
        return really(path, *said)

    monkeypatch.setattr(os, "open", swept)
    with folder(tmp_path) as found:
        assert len(tries[0]) == 1
        assert names(tmp_path) == [found.name]


def test_nothing_stays_where_the_lock_cannot_be_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> int:
        raise OSError(errno.ENOSPC, "no space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, "open", full)
        with pytest.raises(OSError, match="no space"), folder(tmp_path):
            pass
    assert list(tmp_path.iterdir()) == []
