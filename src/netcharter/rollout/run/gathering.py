"""A real machine answers what it is asked before a kit comes; and its sockets are watched."""

from __future__ import annotations

import glob
import os
import stat
import time
from collections.abc import Callable, Iterable, Iterator

from netcharter.rollout.observe import Said
from netcharter.rollout.preparing.accounts import Accounts, names_in
from netcharter.rollout.preparing.asking import MOST_BYTES, MOST_FILES, Answers, Asked
from netcharter.rollout.preparing.ports import (
    PATIENCE,
    SETTLED,
    Carriers,
    Heard,
    Watch,
    looked,
    skipped,
)
from netcharter.rollout.run import programs
from netcharter.rollout.trouble import EffectFailed

LOOK = 0.2  # seconds between two looks at the sockets


def gather(asked: Asked, root: str = "") -> Answers:
    """Run and read all that is asked, without effect. What can't be had is left out.

    root: a folder in which the files are looked for instead of `/`.
    """
    said: dict[tuple[str, ...], Said] = {}
    for effect in asked.runs:
        try:
            said[effect.argv] = programs.run(effect)
        except EffectFailed:
            continue
    files: dict[str, bytes] = {}
    for path in _found(asked.files, root):
        data = _read(root + path)
        if data is not None:
            files[path] = data
    links: dict[str, str] = {}
    for path in _found(asked.links, root):
        try:
            links[path] = os.readlink(root + path)
        except OSError:
            continue
    accounts = {path: _accounts(root + path) for path in _found(asked.accounts, root)}
    return Answers(said, files, links, accounts)


def _found(patterns: Iterable[str], root: str) -> Iterator[str]:
    count = 0
    for pattern in patterns:
        for path in sorted(glob.glob(glob.escape(root) + pattern)):
            count += 1
            if count > MOST_FILES:
                return
            yield path.removeprefix(root)


def _read(path: str) -> bytes | None:
    """A plain file, or the beginning of a long one; None if it can't be read."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        with open(descriptor, "rb") as file:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                return None
            return file.read(MOST_BYTES)
    except OSError:
        return None


def _accounts(path: str) -> Accounts:
    """The names in a file of secrets; the rest of it is forgotten here."""
    data = _read(path)
    try:
        found = os.stat(path)
    except OSError:
        return Accounts(None, False)
    return Accounts(
        None if data is None else names_in(data), found.st_uid != 0 or bool(found.st_mode & 0o077)
    )


def carriers(sockets: Iterable[str], root: str = "") -> Carriers:
    """What each device feels of its cable; None where it can't be known."""
    found: dict[str, bool | None] = {}
    for name in sockets:
        data = _read(f"{root}/sys/class/net/{name}/carrier") if "/" not in name else None
        found[name] = None if data is None else data.strip() == b"1"
    return found


def _pause(seconds: float) -> bool:
    time.sleep(seconds)
    return False


def watching(
    watch: Watch,
    sockets: Iterable[str],
    settled: float = SETTLED,
    patience: float = PATIENCE,
    root: str = "",
    pause: Callable[[float], bool] = _pause,
) -> Iterator[tuple[Watch, Heard]]:
    """Look at the sockets until every cable is known or given up; yields after each look.

    pause: lets so many seconds pass, and tells whether the cable that is looked for is skipped.

    The devices must be switched on (`ip link set NAME up`), or they feel nothing. It ends by
    itself: each cable has `patience`, and each time several change at once it begins anew, at most
    ten times for a cable.
    """
    names = tuple(sockets)
    end = time.monotonic() + len(watch.todo) * (10 * patience + 1)
    while not watch.done and time.monotonic() < end:
        watch, heard = looked(watch, time.monotonic(), carriers(names, root), settled, patience)
        yield watch, heard
        if heard.saying == "wait" and pause(LOOK):
            watch = skipped(watch)
    yield watch, Heard("done")
