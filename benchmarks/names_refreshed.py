"""`netcharter refresh` with a list of a million names: what it takes from the text to the stores.

    python -m benchmarks.names_refreshed [NAMES]

The list comes for the first time, then another day's (a tenth more), in a process of its own each: the
text is counted, judged, kept, read as the plan reads it, and laid out for look-ups. Who fetches it over
HTTPS is left aside. Told: seconds, the highest use of memory, and the room on the disk.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from netcharter.lab.tools import path_of
from netcharter.rollout.run import files
from netcharter.rollout.run.real import perform
from netcharter.rollout.shapes import Effect, Run
from netcharter.rollout.store import Paths, Standing
from netcharter.tasks.enacting import acts, refreshing
from netcharter.tasks.sources import Source

CHARTER = b"""
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk]}
lines: {copper: {device: eth0}}
areas: {hall: {device: eth3, hosts: 5}}
devices: {desk: {area: hall, hardware: '02:00:00:aa:00:01', address: lasting}}
lists: {far: {from: 'https://lists.example.org/far'}}
names:
  - {withhold: far, for: hall}
"""
FEW = 9_973  # names that the others are below of


class Disk:
    """This machine's own disk; stores are made by the tinycdb that is there for tests."""

    def __init__(self) -> None:
        self.names, self.read = files.names, files.read

    def utc(self) -> datetime:
        return datetime.now(UTC)

    def clock(self) -> float:
        return time.monotonic()

    @contextmanager
    def locked(self, *_: object) -> Iterator[None]:
        yield

    def perform(self, effect: Effect) -> None:
        if isinstance(effect, Run) and effect.argv[0] == "cdb":
            command = [path_of("cdb") or "cdb", *effect.argv[1:]]
            subprocess.run(command, input=effect.stdin, check=True, timeout=600)
        else:
            perform(effect)


def published(path: Path, count: int) -> None:
    with path.open("w") as out:
        out.writelines(f"host{number}.some-{number % FEW}.example\n" for number in range(count))


def refreshed(folder: Path) -> None:
    """Once, in this process."""
    work: Any = SimpleNamespace(host=Disk(), paths=Paths(str(folder / "state")), who="bench")
    here: Any = acts
    here.standing = lambda _: Standing(1, None, "quiet")
    here.kept_source = lambda _: Source("hut.yaml", CHARTER)
    began = time.perf_counter()
    text = folder / "published"
    found = refreshing.refresh(work, datetime.now(UTC), ["far"], (), lambda _: text.read_bytes())
    seconds = time.perf_counter() - began
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10
    print(f"{found.state}, {found.lists[0].text}: {seconds:.1f} s, {most} MB at most", flush=True)


def main(count: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for names in (count, count + count // 10):
            published(folder / "published", names)
            command = [sys.executable, "-m", "benchmarks.names_refreshed", "in", name]
            subprocess.run(command, check=True, timeout=1_800)
        found = (path.stat().st_size for path in (folder / "state").rglob("*") if path.is_file())
        print(f"on the disk {sum(found) >> 20} MB")


if __name__ == "__main__":
    if sys.argv[1:2] == ["in"]:
        refreshed(Path(sys.argv[2]))
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
