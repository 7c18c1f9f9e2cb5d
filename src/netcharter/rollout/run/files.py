"""Files of a real host: written whole or not at all, and on the disk before anything goes on.

Names of files being made do not depend on chance: whoever is killed leaves one at most, which the
next to write the same file takes over. All writers of a state folder have its lock.
"""

from __future__ import annotations

import errno
import os
import shutil
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from netcharter.rollout.placing import NEW, lying
from netcharter.rollout.shapes import Folder, Lying, Point, Remove, Write
from netcharter.rollout.trouble import EffectFailed

MOST = 256 * 2**20  # bytes of a file that is read
GONE = ".netcharter-gone"
MOST_LYING = 2**20  # bytes of a file that may be one of ours


@contextmanager
def told(what: str) -> Iterator[None]:
    """Complaints of the system become EffectFailed, in its words."""
    try:
        yield
    except (OSError, ValueError) as problem:
        said = problem.strerror if isinstance(problem, OSError) else None
        raise EffectFailed(what, said or str(problem)) from None


def write(effect: Write) -> None:
    """Raises EffectFailed, and leaves what was there."""
    new = effect.path + NEW
    with told(f"writing {effect.path}"):
        try:
            _poured(new, effect)
            os.rename(new, effect.path)
        except BaseException:
            with suppress(OSError):
                os.unlink(new)
            raise
        sync_folder(os.path.dirname(effect.path))


def _poured(path: str, effect: Write) -> None:
    with suppress(FileNotFoundError):
        os.unlink(path)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    descriptor = os.open(path, flags, effect.mode & 0o700)
    with open(descriptor, "wb") as file:
        file.write(effect.data)
        file.flush()
        os.fchmod(descriptor, effect.mode)
        os.fsync(descriptor)


def folder(effect: Folder) -> None:
    """Raises EffectFailed."""
    with told(f"making the folder {effect.path}"):
        _made(os.path.abspath(effect.path), effect.mode)


def _made(path: str, mode: int) -> None:
    if os.path.isdir(path):
        return
    above = os.path.dirname(path)
    _made(above, mode)
    with suppress(FileExistsError):
        os.mkdir(path, mode)
        os.chmod(path, mode)
    if not os.path.isdir(path):
        raise NotADirectoryError(f"{path} is no folder")
    sync_folder(above)


def point(effect: Point) -> None:
    """Raises EffectFailed, and leaves the link that was there."""
    if effect.target is None:
        remove(Remove(effect.path))
        return
    new = effect.path + NEW
    with told(f"pointing {effect.path} to {effect.target}"):
        with suppress(FileNotFoundError):
            os.unlink(new)
        os.symlink(effect.target, new)
        os.rename(new, effect.path)
        sync_folder(os.path.dirname(effect.path))


def remove(effect: Remove) -> None:
    """A folder goes all at once: it has another name before the first of its files is gone."""
    with told(f"removing {effect.path}"):
        gone = effect.path + GONE
        if _is_file(effect.path):
            os.unlink(effect.path)
            sync_folder(os.path.dirname(effect.path))
            return
        _deleted(gone)
        try:
            os.rename(effect.path, gone)
        except FileNotFoundError:
            return
        sync_folder(os.path.dirname(effect.path))
        _deleted(gone)


def _is_file(path: str) -> bool:
    try:
        return not stat.S_ISDIR(os.lstat(path).st_mode)
    except (FileNotFoundError, NotADirectoryError):
        return False


def _deleted(path: str) -> None:
    try:
        found = os.lstat(path)
    except (FileNotFoundError, NotADirectoryError):
        return
    if stat.S_ISDIR(found.st_mode):
        shutil.rmtree(path)
    else:
        os.unlink(path)


def sync_folder(path: str) -> None:
    """The names in a folder are on the disk."""
    descriptor = os.open(path or ".", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def read(path: str) -> bytes | None:
    """A file; None where there is none. Raises EffectFailed."""
    with told(f"reading {path}"):
        try:
            descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        except (FileNotFoundError, NotADirectoryError):
            return None
        with open(descriptor, "rb") as file:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                raise ValueError("it is no plain file")
            data = file.read(MOST + 1)
        if len(data) > MOST:
            raise ValueError(f"it is longer than {MOST} bytes")
        return data


def there(path: str) -> Lying | None:
    """What lies at a path of somebody else's folder; None for nothing. Raises EffectFailed."""
    with told(f"reading {path}"):
        try:
            found = os.lstat(path)
        except (FileNotFoundError, NotADirectoryError):
            return None
        plain = stat.S_ISREG(found.st_mode) and found.st_size <= MOST_LYING
        return lying(path, read(path) if plain else None, stat.S_IMODE(found.st_mode))


def names(path: str) -> tuple[str, ...]:
    """What is in a folder, sorted; nothing where there is none. Raises EffectFailed."""
    with told(f"reading {path}"):
        try:
            return tuple(sorted(os.listdir(path)))
        except FileNotFoundError:
            return ()


def files(path: str) -> dict[str, bytes]:
    """All files below a folder, by their path in it. Raises EffectFailed."""
    found: dict[str, bytes] = {}
    for above, _, here in os.walk(path):
        for name in sorted(here):
            whole = os.path.join(above, name)
            data = read(whole)
            if data is not None:
                found[os.path.relpath(whole, path)] = data
    return found


def link(path: str) -> str | None:
    """Where a link leads to, "" for what is there and is none; None where nothing is. Raises
    EffectFailed."""
    with told(f"reading {path}"):
        try:
            return os.readlink(path)
        except FileNotFoundError:
            return None
        except OSError as problem:
            if problem.errno != errno.EINVAL:  # readlink(2)
                raise
            return ""
