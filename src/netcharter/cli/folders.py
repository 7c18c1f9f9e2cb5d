"""Folders of ours: written as a whole or not at all, and never over somebody else's files."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from netcharter.tasks.sources import Unusable, unusable

if TYPE_CHECKING:
    from netcharter.tasks.rehearse import Rehearsed

MANIFEST = "manifest.json"


def write_folder(folder: Path, files: Mapping[str, bytes]) -> None:
    """Put the files where `folder` is said to be or leads to, in the place of an earlier kit.

    The files are readable by their owner and group only. Raises Unusable where the folder holds
    something that is no kit, or cannot be written.
    """
    folder = Path(os.path.realpath(folder))
    try:
        taken = folder.exists() and (not folder.is_dir() or not _is_ours(folder))
    except OSError as fault:
        raise _cannot(folder, fault) from None
    if taken:
        raise unusable(
            "not-a-kit",
            "there is something here that is no kit, and it is left as it is",
            str(folder),
            "",
            "name a new folder, or an empty one",
        )
    try:
        _replace(folder, files)
    except OSError as fault:
        raise _cannot(folder, fault) from None


def write_captures(folder: Path, found: Rehearsed) -> None:
    """Put the frames of mismatches into a folder. Raises Unusable where that can't be."""
    try:
        found.write_captures(folder)
    except OSError as fault:
        raise _cannot(folder, fault) from None


def is_kit(folder: Path) -> bool:
    """Whether a folder holds a kit and nothing else."""
    try:
        return folder.is_dir() and bool(_listed(folder / MANIFEST)) and _is_ours(folder)
    except OSError:
        return False


def _is_ours(folder: Path) -> bool:
    """Empty, or a kit and nothing else: the manifest names every file that is there."""
    inside = {path.name for path in folder.iterdir()}
    return not inside or inside == _listed(folder / MANIFEST)


def _listed(manifest: Path) -> set[str]:
    """A kit's manifest and the files that it names; nothing if it is no kit's manifest."""
    try:
        said = json.loads(manifest.read_bytes())
    except (OSError, ValueError, RecursionError):
        return set()
    ours = isinstance(said, dict) and "netcharter" in said and isinstance(said.get("files"), dict)
    return {*said["files"], manifest.name} if ours else set()


def _replace(folder: Path, files: Mapping[str, bytes]) -> None:
    folder.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
    old = beside / "old"
    try:
        new = beside / "new"
        new.mkdir(mode=0o750)
        for name, data in files.items():
            path = new / name
            path.write_bytes(data)
            path.chmod(0o640)
        if folder.exists():
            folder.rename(old)
        new.rename(folder)
    except BaseException:  # Ctrl-C too: the earlier kit comes back
        if old.exists() and not folder.exists():
            old.rename(folder)
        raise
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _cannot(folder: Path, fault: OSError) -> Unusable:
    reason = (fault.strerror or "unknown reason").lower()
    return unusable(
        "cannot-write",
        f"it can't be written: {reason}",
        str(folder),
        "",
        "name a folder that you may write to",
    )
