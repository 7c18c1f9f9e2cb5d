"""Files put into a folder all whole, and what a killed run left while it was at it.

Namespaces end with their processes; what is on a disk does not. So files are made in a folder of
their own beside the place where they belong, with a lock that is held as long as its run lives.
The next run removes folders whose lock nobody holds. What belongs to somebody else is never
touched.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import stat
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

PREFIX = ".netcharter-lab-"
LOCK = "in-use"
MODE = 0o640  # for the owner and the group, as the kit's files
TRIES = 20  # to make a folder that no other run takes for a leftover meanwhile


def put(where: Path, files: Mapping[str, bytes]) -> None:
    """Put files into a folder, each whole or not at all; what else is there stays.

    The folder is made if there are any files. What killed runs of this user left in it is removed.
    Raises OSError if it cannot be written.
    """
    if where.is_dir():
        sweep(where)
    if not files:
        return
    where.mkdir(parents=True, exist_ok=True)
    with folder(where) as own:
        for name, data in files.items():
            (own / name).write_bytes(data)
            (own / name).chmod(MODE)
        for name in files:
            (own / name).replace(where / name)


@contextmanager
def folder(where: Path) -> Iterator[Path]:
    """A new folder in `where`, for this user only, which is gone afterwards.

    Raises OSError if it cannot be made.
    """
    path, lock = _made(where)
    try:
        yield path
    finally:
        shutil.rmtree(path, ignore_errors=True)
        os.close(lock)


def sweep(where: Path) -> tuple[Path, ...]:
    """Remove what this user's killed runs left in `where`; returns what was removed."""
    removed = []
    for path in sorted(where.glob(f"{PREFIX}*")):
        with suppress(OSError):  # gone meanwhile, or not ours to read: not ours to remove
            if _ours(path) and _left(path):
                removed.append(path)
    return tuple(removed)


def _made(base: Path) -> tuple[Path, int]:
    """A new folder with its lock held."""
    for _ in range(TRIES):
        path = Path(tempfile.mkdtemp(prefix=PREFIX, dir=base))
        try:
            lock = os.open(path / LOCK, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o600)
        except FileNotFoundError:  # swept before it had its lock
            continue
        except OSError:  # a disk that holds a folder, and no file
            path.rmdir()
            raise
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
    """Take the lock, unless somebody has it or has removed its file, or it can't be had at all
    (flock(2): a network disk without locks, no memory for another)."""
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return os.path.samestat(os.fstat(lock), (path / LOCK).lstat())
    except OSError:
        return False
