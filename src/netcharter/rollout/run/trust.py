"""Whose a state folder is: what boot loads into the kernel is read from it, as root."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator

from netcharter.rollout.trouble import RolloutRefused

ROOT = 0
UNMAPPED = "/proc/sys/kernel/overflowuid"  # user_namespaces(7): whoever has no number in here
MAPPED = "/proc/self/uid_map"
EVERYBODY = ["0", "0", "4294967295"]


def demand_own(path: str) -> None:
    """Raises RolloutRefused where others could change what is in a folder, or put another in its
    place: by its owner or mode, or those of a folder above it. One that is not there yet is judged
    by those above it."""
    own = {ROOT, os.geteuid()}
    # A group of one's own is the rule with people, who change nothing here; root has none.
    others = stat.S_IWOTH | (stat.S_IWGRP if os.geteuid() == ROOT else 0)
    state = os.path.realpath(path)
    for folder in _above(path):
        try:
            found = os.stat(folder)
        except PermissionError:
            raise _refusal(folder, state, "can't be looked at", "run it as root") from None
        except OSError:  # it is not there, which whoever wants to use it tells
            continue
        at_last = os.path.realpath(folder) == state
        if found.st_uid not in own and not (not at_last and found.st_uid == _unmapped()):
            remedy = f"have root own it (chown root {folder}), or name another folder with --state"
            raise _refusal(folder, state, f"belongs to user {found.st_uid}", remedy)
        # Where names are protected (sticky), nobody puts another in the place of what is not theirs.
        if found.st_mode & others and (at_last or not found.st_mode & stat.S_ISVTX):
            remedy = f"take that away (chmod go-w {folder}), or name another folder with --state"
            raise _refusal(folder, state, "can be written by others", remedy)


def _above(path: str) -> Iterator[str]:
    """The folders on the way to one, as it is called and as it is in the end, from the top."""
    seen = set()
    for way in (os.path.abspath(path), os.path.realpath(path)):
        parts = way.split(os.sep)
        for count in range(1, len(parts) + 1):
            folder = os.sep.join(parts[:count]) or os.sep
            if folder not in seen:
                seen.add(folder)
                yield folder


def _unmapped() -> int | None:
    """The number of all who have none in this user namespace; None where everybody has one."""
    with open(MAPPED, encoding="ascii") as file:
        if file.read().split() == EVERYBODY:
            return None
    with open(UNMAPPED, encoding="ascii") as file:
        return int(file.read())


def _refusal(folder: str, state: str, what: str, remedy: str) -> RolloutRefused:
    which = "the state folder" if os.path.realpath(folder) == state else "a folder above it,"
    return RolloutRefused(
        f"{which} {folder} {what}: whoever may write there decides what this machine does",
        f"{remedy}; nothing was read or changed",
    )
