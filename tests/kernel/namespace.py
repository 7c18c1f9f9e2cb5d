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

from netcharter.lab.loading import pieces

LIMIT = 120  # seconds

# The beginning of a script that makes hosts as namespaces of their own behind the gateway's devices.
# `ip netns` wants a /run of ours.
HOSTS = """
mount -t tmpfs none /run; mkdir -p /run/netns
ip link set dev lo up
for key in default all; do echo 0 > /proc/sys/net/ipv6/conf/$key/accept_dad; done
host() { # name, gateway's device, hardware, IPv4, gateway, IPv6, gateway
  ip netns add $1
  ip link add name $2 type veth peer name $2 netns $1
  ip -n $1 link set dev lo up
  ip -n $1 link set dev $2 address $3
  ip -n $1 link set dev $2 up; ip link set dev $2 up
  ip -n $1 address add $4 dev $2; ip -n $1 address add $6 dev $2 nodad
  ip -n $1 route add default via $5; ip -n $1 -6 route add default via $7
}
"""


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
    if (folder / "nftables.nft").exists():
        script = _loading(way, folder) + script
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


def _loading(way: tuple[str, ...], folder: Path) -> str:
    """The shell function `load_ruleset`.

    Root loads the file as it is, in one transaction. In a user namespace nft may not enlarge its
    socket's buffer and a transaction ends at some 200 kB, so there the same text goes in pieces.
    """
    if way == ("unshare", "-n"):
        return "load_ruleset() { nft -f nftables.nft; }\n"
    parts = pieces((folder / "nftables.nft").read_text(encoding="ascii"))
    names = [f"piece{number:03}.nft" for number in range(len(parts))]
    for name, part in zip(names, parts, strict=True):
        (folder / name).write_text(part, encoding="ascii")
    return "load_ruleset() {\n" + "".join(f"nft -f {name}\n" for name in names) + "}\n"


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
    out = run("load_ruleset; load_ruleset; nft -j list ruleset", folder)
    found: dict[str, Any] = json.loads(out)
    return found
