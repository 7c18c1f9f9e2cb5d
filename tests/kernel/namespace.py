"""A network namespace for one script: it exists as long as the script runs, and no longer."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import pytest

LIMIT = 120  # seconds


@cache
def way_in() -> tuple[str, ...] | None:
    """How a namespace can be had here: as root, or as root of a user namespace of one's own."""
    ways: list[tuple[str, ...]] = [("unshare", "-n")] if os.geteuid() == 0 else []
    for way in (*ways, ("unshare", "-Urnm")):
        try:
            found = subprocess.run(
                [*way, "nft", "list", "tables"], capture_output=True, timeout=20, check=False
            )
        except OSError:
            continue
        if found.returncode == 0:
            return way
    return None


def needed() -> tuple[str, ...]:
    """The way in, or a skip that nobody can overlook."""
    way = way_in()
    if way is None:
        pytest.skip(
            "THE KERNEL TESTS DID NOT RUN: neither root nor user namespaces, or no nft here"
        )
    return way


def run(script: str, folder: Path, private: bool = False) -> str:
    """Run a shell script in a new namespace, in `folder`; stops at the first failure.

    private: with mounts of its own too.
    """
    way = needed()
    if private and way == ("unshare", "-n"):
        way = ("unshare", "-nm")
    environment = {**os.environ, "TZ": "UTC", "LC_ALL": "C"}
    found = subprocess.run(
        [*way, "sh", "-eu", "-c", script],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=LIMIT,
        check=False,
    )
    if found.returncode != 0:
        raise AssertionError(f"exit {found.returncode}\n{found.stderr}\n{found.stdout[-2000:]}")
    return found.stdout


def written(files: Mapping[str, bytes], folder: Path) -> None:
    for name, data in files.items():
        (folder / name).write_bytes(data)


def made(devices: Iterable[str]) -> str:
    """Shell lines that make pairs of virtual Ethernet devices, one end named as asked."""
    lines = ["ip link set dev lo up"]
    for number, device in enumerate(dict.fromkeys(devices)):
        lines += [
            f"ip link add name {device} type veth peer name peer{number}",
            f"ip link set dev peer{number} up",
            f"ip link set dev {device} up",
        ]
    return "\n".join(lines) + "\n"


def listing(ruleset: bytes, folder: Path) -> dict[str, Any]:
    """Load a ruleset twice, to see that it replaces itself, and list what the kernel then has."""
    (folder / "nftables.nft").write_bytes(ruleset)
    out = run("nft -f nftables.nft; nft -f nftables.nft; nft -j list ruleset", folder)
    found: dict[str, Any] = json.loads(out)
    return found
