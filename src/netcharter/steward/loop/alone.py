"""One steward at a time with one state folder, and whether there is one: a lock that the kernel lets
go with whoever has it."""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from netcharter.rollout.trouble import RolloutRefused

LOCK = "lock"
TRIES, MOMENT = 5, 0.1  # seconds between two


@contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Be the only steward of a folder. Raises RolloutRefused where there is one already, and where
    that can't be told (flock(2): a network disk without locks, no memory for another)."""
    try:
        descriptor = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    except OSError as problem:
        raise _unlocked(folder, problem) from None
    try:
        _taken(descriptor, folder)
        yield
    finally:
        os.close(descriptor)


def _taken(descriptor: int, folder: Path) -> None:
    """Who only looks whether a steward is at work has it for a moment."""
    for left in reversed(range(TRIES)):
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        except BlockingIOError:
            if left:
                time.sleep(MOMENT)
        except OSError as problem:
            raise _unlocked(folder, problem) from None
    raise RolloutRefused(
        "a steward is at work with this state folder already", "see `netcharter steward --status`"
    )


def _unlocked(folder: Path, problem: OSError) -> RolloutRefused:
    return RolloutRefused(
        f"the state folder can't be locked: {folder / LOCK}: {problem.strerror or problem}",
        "no steward was started; put the state folder on a disk of this machine's own",
    )


def at_work(folder: Path) -> bool | None:
    """Whether a steward is; None where that can't be told."""
    try:
        descriptor = os.open(folder / LOCK, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    except OSError:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return None
    finally:
        os.close(descriptor)
    return False
