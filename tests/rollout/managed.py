"""A machine's own /etc and a service manager that stands in for systemd, in mounts of one's own.

Only for a process that has a mount namespace to itself; the machine it runs on sees nothing of it.
Run as a program it is the undo timer of such a machine:

    python tests/rollout/managed.py STATE VERSION
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

from netcharter.rollout.host import Work
from netcharter.rollout.run.real import RealHost
from netcharter.rollout.run.timer import watch
from netcharter.rollout.store import Paths
from netcharter.rollout.ways import WAYS

TIMER = (sys.executable, "-P", str(Path(__file__).resolve()))
STAND_IN = Path(__file__).with_name("stand_in_systemctl.sh")
PROGRAMS = Path("/usr/local/sbin")  # the first place in which a roll-out looks for programs
MANAGER = PROGRAMS / "manager"
# What lies there and what runs, by which files it was begun, and what is enabled.
LOOKS = (
    "cd /etc; find netcharter ppp systemd/system -type f -path '*netcharter*' -printf '%m %p\\n'"
    + " -exec cat {} + 2>/dev/null | sort || :",
    f"cd {MANAGER}; for kind in running enabled; do grep -r '' $kind | sort || :; done",
)


def is_furnished() -> bool:
    return (MANAGER / "running").is_dir()


def host(boot: str | None = None) -> RealHost:
    """The host with its stand-in; where there is none, as any other, whose /etc is left alone."""
    return RealHost(boot, timer=TIMER, managed=True) if is_furnished() else RealHost(boot)


def furnished(folder: Path) -> None:
    """Mount both; folder: an empty one, on which they lie."""
    there = folder / "etc"
    # What only root may read stays out where root is one of a user namespace.
    subprocess.run(["cp", "-a", "/etc", str(there)], capture_output=True, check=False)
    programs = folder / "sbin"
    programs.mkdir()
    shutil.copy(STAND_IN, programs / "systemctl")
    (programs / "systemctl").chmod(0o755)
    for kind in ("loaded", "running", "enabled"):
        (programs / "manager" / kind).mkdir(parents=True)
    for one, other in ((there, "/etc"), (programs, str(PROGRAMS))):
        subprocess.run(["mount", "--bind", str(one), other], check=True)
    bare()


def bare() -> None:
    """Nothing of ours lies there, and nothing runs."""
    assert is_furnished(), "this is the machine's own"
    for path in (Path("/etc/netcharter"), Path("/etc/ppp")):
        shutil.rmtree(path, ignore_errors=True)
    for path in Path("/etc/systemd/system").glob("netcharter-*"):
        path.unlink()
    switched_off()


def switched_off() -> None:
    """The machine starts anew: nothing runs, and files lie there still."""
    for kind in ("loaded", "running"):
        for path in (MANAGER / kind).iterdir():
            path.unlink()


if __name__ == "__main__":
    sys.exit(watch(Work(host(), Paths(sys.argv[1]), WAYS, "undo timer"), int(sys.argv[2])))
