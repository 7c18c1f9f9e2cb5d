"""The programs a lab needs, and how they are run: bounded in time, in UTC, without a terminal."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterable, Mapping, Sequence
from functools import cache

from netcharter.lab.trouble import CommandFailed, LabImpossible

LIMIT = 60.0  # seconds for one command
SAID = 2000  # characters of a complaint that are kept
PACKAGES: Mapping[str, str] = {
    "ip": "iproute2",
    "bridge": "iproute2",
    "nft": "nftables",
    "sysctl": "procps",
}
# Debian keeps them where only root's search path looks; others come with the environment of Python.
SEARCHED = f"{os.defpath}:/usr/local/sbin:/usr/sbin:/sbin:{os.path.dirname(sys.executable)}"


def demand(names: Iterable[str]) -> None:
    """Raises LabImpossible unless this machine has all these programs."""
    absent = [name for name in names if path_of(name) is None]
    if absent:
        packages = sorted({PACKAGES.get(name, name) for name in absent})
        raise LabImpossible(
            f"no {' and no '.join(absent)} was found on this machine",
            f"install {', '.join(packages)}",
        )


def run(command: Sequence[str], text: str = "", *, limit: float = LIMIT, folder: str = "/") -> str:
    """Run a command with `text` as its input, in this thread's network namespace.

    Returns what it printed. Raises LabImpossible if there is no such program; CommandFailed if it
    fails, takes longer than `limit` seconds or complains without failing, as `ip -force` does.
    """
    name, *arguments = command
    demand((name,))
    told = " ".join(command)
    try:
        found = subprocess.run(
            [path_of(name) or name, *arguments],
            input=text.encode("utf-8"),
            capture_output=True,
            check=False,
            timeout=limit,
            cwd=folder,
            env={**os.environ, "TZ": "UTC", "LC_ALL": "C"},
        )
    except subprocess.TimeoutExpired:
        raise CommandFailed(told, f"not done after {limit:g} s") from None
    except OSError as problem:
        raise CommandFailed(told, str(problem)) from None
    complaint = found.stderr.decode("utf-8", "replace").strip()
    if found.returncode != 0 or complaint:
        raise CommandFailed(told, complaint[:SAID] or f"exit {found.returncode}")
    return found.stdout.decode("utf-8", "replace")


@cache
def path_of(name: str) -> str | None:
    """Where a program is; None: this machine has none of that name."""
    return shutil.which(name, path=f"{os.environ.get('PATH', '')}:{SEARCHED}")
