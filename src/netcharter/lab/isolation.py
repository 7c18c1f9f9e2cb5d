"""What the kernel offers to be by oneself, and Python 3.11 does not: unshare(2), setns(2), mount(2).

Nothing here knows what a lab is. All of it affects the calling thread or process only.
"""

from __future__ import annotations

import ctypes
import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager

# linux/sched.h
NEW_MOUNTS, NEW_USER, NEW_PROCESSES, NEW_NETWORK = 0x20000, 0x10000000, 0x20000000, 0x40000000
# linux/mount.h
_BIND, _RECURSIVE, _PRIVATE = 0x1000, 0x4000, 0x40000
_PR_SET_PDEATHSIG = 1  # linux/prctl.h
EVERY_USER = 0xFFFFFFFF  # how many users the first user namespace maps

_libc = ctypes.CDLL(None, use_errno=True)
_libc.mount.argtypes = (
    ctypes.c_char_p,
    ctypes.c_char_p,
    ctypes.c_char_p,
    ctypes.c_ulong,
    ctypes.c_char_p,
)


def unshare(flags: int) -> None:
    """New namespaces for this process; that for processes is entered by its children only.

    Raises OSError where the kernel refuses.
    """
    _checked(_libc.unshare(flags), "unshare")


def become_root_of_a_user_namespace(flags: int, user: int, group: int) -> None:
    """As `unshare`, as root of a new user namespace that maps one user and one group."""
    unshare(flags | NEW_USER)
    _written("/proc/self/setgroups", "deny")  # else a group may not be mapped without privilege
    _written("/proc/self/uid_map", f"0 {user} 1")
    _written("/proc/self/gid_map", f"0 {group} 1")


def really_root() -> bool:
    """Whether this process has the whole machine's user namespace and is root there."""
    with open("/proc/self/uid_map", encoding="ascii") as file:
        _, _, count = file.readline().split()
    return os.geteuid() == 0 and int(count) == EVERY_USER


def private_mounts() -> None:
    """What is mounted from now on is seen here only."""
    _mount(None, "/", None, _RECURSIVE | _PRIVATE)


def mount_memory(folder: str) -> None:
    """An empty file system in memory over a folder."""
    _mount("tmpfs", folder, "tmpfs", 0)


def new_network(path: str) -> None:
    """A new network namespace that `path`, a file made here, keeps and names; it is entered."""
    unshare(NEW_NETWORK)
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    _mount("/proc/thread-self/ns/net", path, None, _BIND)


@contextmanager
def coming_back() -> Iterator[None]:
    """Afterwards this thread is in the network namespace again in which it was before."""
    home = os.open("/proc/thread-self/ns/net", os.O_RDONLY | os.O_CLOEXEC)
    try:
        yield
    finally:
        try:
            _checked(_libc.setns(home, NEW_NETWORK), "setns")
        finally:
            os.close(home)


@contextmanager
def inside(path: str) -> Iterator[None]:
    """This thread is in the network namespace of a file; so is what it starts or opens there."""
    with coming_back():
        there = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        try:
            _checked(_libc.setns(there, NEW_NETWORK), "setns")
        finally:
            os.close(there)
        yield


def die_with_parent() -> None:
    """Be killed when the parent ends. Ask afterwards whether it still lives: it may be too late.

    Changing user or user namespace cancels it, so it is called after those.
    """
    _checked(_libc.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0), "prctl")


def _mount(what: str | None, folder: str, kind: str | None, flags: int) -> None:
    encoded = [None if text is None else os.fsencode(text) for text in (what, folder, kind)]
    _checked(_libc.mount(*encoded, flags, None), f"mount {folder}")


def _written(path: str, text: str) -> None:
    with open(path, "w", encoding="ascii") as file:
        file.write(text)


def _checked(result: int, what: str) -> None:
    if result != 0:
        number = ctypes.get_errno()
        raise OSError(number, f"{what}: {os.strerror(number)}")
