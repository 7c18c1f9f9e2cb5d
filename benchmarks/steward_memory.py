"""How much memory an idle steward takes, and how much processor time a day of it costs.

A real process with the demo's charter (and one of 300 rules) in a state folder of its own, in a
network namespace with its kit loaded, after all duties have had turns: VmRSS and VmHWM from
proc_pid_status(5), Pss from /proc/PID/smaps_rollup, processor time from proc_pid_stat(5).

    python -m benchmarks.steward_memory

Target: 120 MB.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from benchmarks.charters import charter
from netcharter.render import render
from netcharter.steward.loop.door import ask
from netcharter.tasks.sources import Source, usable_plan

TARGET = 120.0  # MB
PATIENCE = 60.0
IDLE = 20.0  # seconds in which it is watched
DEMO = Path(__file__).parents[1] / "examples" / "tarn-hollow" / "charter.yaml"
MAIN = "from netcharter.cli import main; main()"


@contextmanager
def running(folder: Path) -> Iterator[tuple[int, str]]:
    """A steward's process id and socket."""
    path = str(folder / "s")
    way: list[str] = []
    if os.geteuid() == 0 and shutil.which("unshare") and shutil.which("nft"):
        load = f'nft -f "{folder}/nftables.nft" && exec "$@"'
        way = ["unshare", "-n", "sh", "-c", load, "sh"]
    command = [sys.executable, "-c", MAIN, "steward", "--state", str(folder), "--socket", path]
    process = subprocess.Popen([*way, *command], stderr=subprocess.DEVNULL)
    try:
        yield process.pid, path
    finally:
        process.terminate()
        process.wait(PATIENCE)


def ready(path: str) -> None:
    """Until every duty has had a turn that went well."""
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        try:
            found = json.loads(ask(path, {"ask": "status"}))
        except OSError:
            time.sleep(0.1)
            continue
        if all(duty["state"] == "well" for duty in found["duties"]):
            return
        time.sleep(0.1)
    raise TimeoutError("the steward did not get ready")


def megabytes(pid: int, file: str, name: str) -> float:
    text = Path(f"/proc/{pid}/{file}").read_text("ascii")
    found = re.search(rf"^{name}:\s+(\d+) kB", text, re.MULTILINE)
    assert found is not None
    return int(found[1]) * 1024 / 1e6


def ticks(pid: int) -> float:
    """Seconds of processor time, children that ended included."""
    words = Path(f"/proc/{pid}/stat").read_text("ascii").rpartition(")")[2].split()
    return sum(map(int, words[11:15])) / os.sysconf("SC_CLK_TCK")


def measured(name: str, text: str) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        version = folder / "versions" / "0001"
        version.mkdir(parents=True)
        (version / "charter.yaml").write_text(text, encoding="utf-8")
        kit = render(usable_plan(Source("charter.yaml", text.encode())).plan)
        (folder / "nftables.nft").write_bytes(kit.files["nftables.nft"])
        (folder / "kept").symlink_to("versions/0001")
        (folder / "steward.yaml").write_text("steward: 1\ntrust-clock: true\n")
        with running(folder) as (pid, path):
            ready(path)
            before = ticks(pid)
            time.sleep(IDLE)
            spent = ticks(pid) - before
            rss = megabytes(pid, "status", "VmRSS")
            print(
                f"{name:>9}  VmRSS {rss:5.1f} MB  VmHWM {megabytes(pid, 'status', 'VmHWM'):5.1f} MB"
                f"  Pss {megabytes(pid, 'smaps_rollup', 'Pss'):5.1f} MB"
                f"  {spent / IDLE:.2%} of a processor"
                f"  target {TARGET:.0f} MB: {'within' if rss <= TARGET else 'OVER'}"
            )


if __name__ == "__main__":
    print(f"idle steward, Python {sys.version.split()[0]}")
    measured("demo", DEMO.read_text("utf-8"))
    measured("300 rules", charter(300))
