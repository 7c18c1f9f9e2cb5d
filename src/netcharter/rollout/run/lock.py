"""The lock of a state folder on a real host, and who has it."""

from __future__ import annotations

import errno
import fcntl
import os
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime

from netcharter.rollout.reading import instant_text
from netcharter.rollout.run.processes import fields_of
from netcharter.rollout.store import Holder, Process, holder_of, holder_text
from netcharter.rollout.trouble import RolloutRefused, StateBroken

STEP = 0.05  # seconds between two looks
MOST = 4096  # bytes that are read of who has it
_UNWRITABLE = (errno.EROFS, errno.ENOSPC, errno.EDQUOT, errno.EIO)


def this_process() -> Process:
    """The process that asks."""
    return Process(os.getpid(), started(os.getpid()) or 0)


def lives(process: Process) -> bool:
    """Whether just this process is there, and not only waits for being buried."""
    return started(process.pid) == process.started


def started(pid: int) -> int | None:
    """When a process was started, in ticks from boot (proc_pid_stat(5), field 22)."""
    fields = fields_of(pid)
    return None if not fields or fields[0] in "ZX" else int(fields[19])


@contextmanager
def locked(path: str, what: str, patience: float) -> Iterator[None]:
    """Have the lock. Raises RolloutRefused if another has it for longer than `patience` seconds,
    and says who."""
    descriptor = _opened(path)
    try:
        _taken(descriptor, path, patience)
        try:
            _told(descriptor, what)
            yield
        finally:  # not where another has it: who that is stands there
            with suppress(OSError):  # nobody is to be taken for its holder any more
                os.ftruncate(descriptor, 0)
    finally:
        os.close(descriptor)


def _opened(path: str) -> int:
    """A disk that can't be written any more does not keep a trial from being undone."""
    flags = os.O_NOFOLLOW | os.O_CLOEXEC
    try:
        try:
            return os.open(path, os.O_RDWR | os.O_CREAT | flags, 0o640)
        except OSError as problem:
            if problem.errno not in _UNWRITABLE:
                raise
            return os.open(path, os.O_RDONLY | flags)
    except OSError as problem:
        raise _unlocked(path, problem) from None


def _unlocked(path: str, problem: OSError) -> RolloutRefused:
    return RolloutRefused(
        f"the state folder can't be locked: {path}: {problem.strerror}", "nothing was changed"
    )


def _taken(descriptor: int, path: str, patience: float) -> None:
    end = time.monotonic() + patience
    while True:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        except BlockingIOError:
            if time.monotonic() >= end:
                raise RolloutRefused(_who(holder(path)), "try again when it is done") from None
        except OSError as problem:  # a network disk without locks, for one (flock(2))
            raise _unlocked(path, problem) from None
        time.sleep(STEP)


def _who(found: Holder | None) -> str:
    if found is None:
        return "another process is changing this host"
    since = instant_text(found.since)
    return f"process {found.process.pid} ({found.what}) is changing this host since {since}"


def _told(descriptor: int, what: str) -> None:
    text = holder_text(Holder(this_process(), what, datetime.now(UTC)))
    with suppress(OSError):  # a full disk: it is locked all the same
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, text, 0)


def holder(path: str) -> Holder | None:
    """Who has told of having the lock, and lives; None where nobody has."""
    try:
        with open(path, "rb") as file:
            found = holder_of("lock", file.read(MOST))
    except (OSError, StateBroken):
        return None
    return found if lives(found.process) else None


def end_holder(path: str) -> bool:
    """End the process of ours that has the lock, for it is stuck; whether there was one."""
    found = holder(path)
    if found is None or found.process.pid == os.getpid():
        return False
    with suppress(ProcessLookupError):
        os.kill(found.process.pid, signal.SIGKILL)
    return True
