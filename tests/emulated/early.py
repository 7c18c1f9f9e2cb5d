"""The archive from which the emulated kernel starts: one program, and the way to the disk."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path


def archive(early: Path, first: bytes) -> bytes:
    """early: the folder with the program and the kernel's modules; first: the script that is run."""
    files: dict[str, tuple[int, bytes]] = {
        name: (0o040755, b"") for name in ("bin", "dev", "modules", "proc", "sys", "disk")
    }
    files["bin/busybox"] = (0o100755, (early / "busybox").read_bytes())
    files["init"] = (0o100755, first)
    for path in sorted(early.glob("*.ko")):
        files[f"modules/{path.name}"] = (0o100644, path.read_bytes())
    return _cpio(files)


def _cpio(files: Mapping[str, tuple[int, bytes]]) -> bytes:
    """An archive that the kernel unpacks at its start: cpio's "newc", as
    Documentation/driver-api/early-userspace/buffer-format.rst of the kernel has it."""
    parts = []
    for number, (name, (mode, data)) in enumerate({**files, "TRAILER!!!": (0, b"")}.items(), 1):
        label = name.encode("ascii") + b"\0"
        fields = (number, mode, 0, 0, 1, 0, len(data), 0, 0, 0, 0, len(label), 0)
        head = b"070701" + b"".join(b"%08X" % field for field in fields) + label
        parts += [head + bytes(-len(head) % 4), data + bytes(-len(data) % 4)]
    return b"".join(parts)
