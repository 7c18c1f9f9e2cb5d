"""Folders of a run on disk, and what a killed run left of them.

Namespaces end with their processes; a folder does not. So every folder has a file that is locked
as long as its run lives. The next run removes those whose lock nobody holds; one that was kept on
purpose has no such file any more, and what belongs to somebody else is never touched.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

PREFIX = "netcharter-lab-"
LOCK = "in-use"
TRIES = 20  # to make a folder that no other run takes for a leftover meanwhile


@dataclass(slots=True)
class Folder:
    """A folder of this run. kept: whether it stays when the run ends well."""

    path: Path
    kept: bool = False

    def keep(self) -> Path:
        self.kept = True
        return self.path


@contextmanager
def folder(where: Path | None = None) -> Iterator[Folder]:
    """A new folder in `where` (else where temporary files go), for this user only.

    It is gone afterwards unless all went well and `keep` was called. Raises OSError if it cannot
    be made.
    """
    base = Path(tempfile.gettempdir()) if where is None else where
    path, lock = _made(base)
    try:
        found = Folder(path)
        try:
            yield found
        except BaseException:
            found.kept = False
            raise
        finally:
            if found.kept:
                (path / LOCK).unlink()
            else:
                shutil.rmtree(path, ignore_errors=True)
    finally:
        os.close(lock)


def sweep(where: Path | None = None) -> tuple[Path, ...]:
    """Remove what this user's killed runs left in `where`; returns what was removed."""
    base = Path(tempfile.gettempdir()) if where is None else where
    removed = []
    for path in sorted(base.glob(f"{PREFIX}*")):
        with suppress(OSError):  # gone meanwhile, or not ours to read: not ours to remove
            if _ours(path) and _left(path):
                removed.append(path)
    return tuple(removed)


def _made(base: Path) -> tuple[Path, int]:
    """A new folder with its lock held."""
    for _ in range(TRIES):
        path = Path(tempfile.mkdtemp(prefix=PREFIX, dir=base))
        with suppress(FileNotFoundError):  # swept before it had its lock
            lock = os.open(path / LOCK, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o600)
            if _locked(path, lock):
                return path, lock
            os.close(lock)
    raise OSError(f"no folder could be made in {base}")


def _ours(path: Path) -> bool:
    found = path.lstat()
    return stat.S_ISDIR(found.st_mode) and found.st_uid == os.geteuid()


def _left(path: Path) -> bool:
    """Remove a folder of ours if its run is dead; whether it was removed."""
    if not any(path.iterdir()):  # its run was killed, or has only just begun and will try again
        path.rmdir()
        return True
    lock = os.open(path / LOCK, os.O_RDWR | os.O_NOFOLLOW)
    try:
        if not _locked(path, lock):
            return False
        shutil.rmtree(path)
        return True
    finally:
        os.close(lock)


def _locked(path: Path, lock: int) -> bool:
    """Take the lock, unless somebody has it or has removed its file."""
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return os.path.samestat(os.fstat(lock), (path / LOCK).lstat())
    except (BlockingIOError, FileNotFoundError):
        return False
