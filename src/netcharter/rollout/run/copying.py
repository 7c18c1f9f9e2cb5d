"""A real state folder read for a copy, the signing key made at its first use, and chance."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator

from netcharter.rollout import signing
from netcharter.rollout.backup import KEY, Sealing, Stored, belongs
from netcharter.rollout.bundle import MOST_BYTES, MOST_FILES
from netcharter.rollout.run import files
from netcharter.rollout.run.files import told
from netcharter.rollout.shapes import Folder, Write
from netcharter.rollout.store import Paths
from netcharter.rollout.trouble import EffectFailed


def stored(paths: Paths) -> tuple[Stored, ...]:
    """All files of a state folder that belong into a copy, with their modes.

    Links are not followed, and what is no plain file is left out. The caller has the lock. Raises
    EffectFailed, also where there is more than a copy may hold.
    """
    found: list[Stored] = []
    room = MOST_BYTES
    for path in _plain(paths.root):
        one = _read(paths.within(path), path, room)
        room -= len(one.data)
        found.append(one)
        if len(found) > MOST_FILES:
            raise EffectFailed(f"reading {paths.root}", f"it holds more than {MOST_FILES} files")
    return tuple(found)


def _plain(root: str) -> Iterator[str]:
    """Plain files below a folder, by their path in it."""
    for above, _, names in os.walk(root, onerror=_raised):
        for name in sorted(names):
            whole = os.path.join(above, name)
            path = os.path.relpath(whole, root)
            with told(f"reading {whole}"):
                if belongs(path) and stat.S_ISREG(os.lstat(whole).st_mode):
                    yield path


def _raised(problem: OSError) -> None:
    raise EffectFailed(f"reading {problem.filename}", problem.strerror or str(problem))


def _read(whole: str, path: str, room: int) -> Stored:
    with told(f"reading {whole}"):
        descriptor = os.open(whole, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK)
        with open(descriptor, "rb") as file:
            mode = os.fstat(descriptor).st_mode
            if not stat.S_ISREG(mode):
                raise ValueError("it is no plain file")
            data = file.read(room + 1)
        if len(data) > room:
            raise ValueError(f"the folder holds more than {MOST_BYTES // 2**20} MiB")
    return Stored(path, data, stat.S_IMODE(mode))


def signing_seed(paths: Paths) -> bytes:
    """The private key of this machine, made at its first use and readable by its owner only.

    The caller has the lock. Raises EffectFailed, and StateBroken for a file that is no key.
    """
    place = paths.within(KEY)
    data = files.read(place)
    if data is None:
        data = signing.key_text(os.urandom(signing.SEED))
        files.folder(Folder(paths.root))
        files.write(Write(place, data, 0o600))
    return signing.key_of(KEY, data)


def sealing(password: str) -> Sealing:
    """A password with fresh chance."""
    return Sealing(password, os.urandom(signing.SALT), os.urandom(signing.NONCE))
