"""The folder in which requests for release are kept.

One process writes there: the server, which faces everybody. Who reads trusts nothing: no link is
followed, nothing but a plain file of our size is read.
"""

from __future__ import annotations

import os
import stat
from contextlib import suppress

from netcharter.gate.requests import (
    LARGEST,
    LAST,
    Box,
    Request,
    box_of,
    data_of,
    file_of,
    last_data,
)
from netcharter.rollout.run import files
from netcharter.rollout.shapes import Write

MODE = 0o600
MOST_FILES = 4_000  # that are looked at; a sound folder has a tenth of that


class RequestFolder:
    """path: it need not be there to be read, and has to be there to be written to."""

    def __init__(self, path: str) -> None:
        self._path = path

    def box(self) -> Box:
        """Raises OSError."""
        return box_of(self._files(), self._read)

    def keep(self, number: int, request: Request) -> None:
        """Whole and on the disk, or not at all; first that its number is given. Raises EffectFailed."""
        place = os.path.join(self._path, LAST)
        files.write(Write(place, last_data(number), MODE))
        files.write(Write(self._place(number), data_of(request), MODE))

    def drop(self, number: int) -> bool:
        """Whether there was one of that number. Raises OSError."""
        with suppress(FileNotFoundError):
            os.unlink(self._place(number))
            files.sync_folder(self._path)
            return True
        return False

    def _place(self, number: int) -> str:
        return os.path.join(self._path, file_of(number))

    def _files(self) -> list[str]:
        found: list[str] = []
        with suppress(FileNotFoundError), os.scandir(self._path) as entries:
            for entry in entries:
                found.append(entry.name)
                if len(found) >= MOST_FILES:
                    break
        return found

    def _read(self, file: str) -> bytes | None:
        flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
        try:
            descriptor = os.open(os.path.join(self._path, file), flags)
        except OSError:
            return None
        try:
            told = os.fstat(descriptor)
            if not stat.S_ISREG(told.st_mode) or told.st_size > LARGEST:
                return None
            return os.read(descriptor, LARGEST)
        except OSError:
            return None
        finally:
            os.close(descriptor)
