"""A network namespace that lasts through a test, a kit's devices in it, and a runner of steps.

The runner is for tests only: it stops at the first failure and has no clock, files or locks.
"""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.shapes import AreaPlan, LinePlan, Plan
from netcharter.render import render
from netcharter.rollout.observe import Said, observing
from netcharter.rollout.shapes import HostState, Run, Step
from tests.kernel.namespace import needed

LIMIT = 60.0  # seconds for any one command
PATIENCE = 10.0  # seconds for a device to feel its other end
ENVIRONMENT = {**os.environ, "TZ": "UTC", "LC_ALL": "C"}
HOLD = "ip link set dev lo up && echo ready && read -r forever"


class Bench:
    """A namespace, reached by the process that holds it."""

    def __init__(self, holder: subprocess.Popen[bytes], private: bool) -> None:
        user = ("-U", "--preserve-credentials") if private else ()
        self.way = ("nsenter", "-t", str(holder.pid), *user, "-n")

    def run(self, argv: Iterable[str], text: bytes | str = b"") -> Said:
        data = text.encode("ascii") if isinstance(text, str) else text
        found = subprocess.run(
            [*self.way, *argv],
            input=data,
            capture_output=True,
            timeout=LIMIT,
            env=ENVIRONMENT,
            check=False,
        )
        return Said(found.returncode, found.stdout, found.stderr)

    def sure(self, argv: Iterable[str], text: bytes | str = b"") -> str:
        """Run and succeed."""
        argv = tuple(argv)
        said = self.run(argv, text)
        assert said.code == 0, f"{' '.join(argv)}\n{said.err.decode()}\n{said.out.decode()[-500:]}"
        return said.out.decode()

    def shell(self, script: str) -> str:
        return self.sure(("sh", "-eu", "-c", script))

    def devices(self, names: Iterable[str]) -> None:
        """Pairs of virtual Ethernet devices, one end named as asked; both ends are on."""
        lines = []
        for number, name in enumerate(dict.fromkeys(names)):
            lines += [
                f"link add name {name} type veth peer name peer{number}",
                f"link set dev peer{number} up",
                f"link set dev {name} up",
            ]
        self.sure(("ip", "-batch", "-"), "\n".join(lines) + "\n")
        self._connected()

    def _connected(self) -> None:
        """Wait until every device feels its other end, which the kernel sees to a little later."""
        end = time.monotonic() + PATIENCE
        while "NO-CARRIER" in self.shell("ip -o link"):
            assert time.monotonic() < end, "a device never felt its other end"
            time.sleep(0.02)

    def observe(self, settings: Collection[str] = ()) -> HostState:
        asking = observing(time.clock_gettime(time.CLOCK_BOOTTIME), settings)
        question = next(asking)
        while True:
            try:
                question = asking.send(self.run(question.argv, question.stdin))
            except StopIteration as end:
                state: HostState = end.value
                return state

    def take(self, steps: Iterable[Step]) -> None:
        for step in steps:
            for effect in step.effects:
                assert isinstance(effect, Run)
                said = self.run(effect.argv, effect.stdin)
                assert said.code == 0 or not effect.fails, (
                    f"{step.name}: {' '.join(effect.argv)}\n{said.err.decode()[-1500:]}\n"
                    f"{effect.stdin.decode()[:3000]}"
                )


@contextmanager
def bench() -> Iterator[Bench]:
    """A namespace of its own, as root's or as that of a user; gone afterwards."""
    way = needed()
    holder = subprocess.Popen(
        [*way, "sh", "-c", HOLD],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=ENVIRONMENT,
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"ready\n"
        yield Bench(holder, private="-Urnm" in way)
    finally:
        holder.kill()
        holder.wait(LIMIT)
        for pipe in (holder.stdin, holder.stdout):
            if pipe is not None:
                pipe.close()


def planned(text: str) -> Plan:
    charter = read(text, "charter.yaml")
    assert charter.charter is not None, charter
    return make_plan(charter.charter)


def kit_of(text: str) -> Mapping[str, bytes]:
    return render(planned(text)).files


def devices_of(*plans: Plan) -> list[str]:
    """Of lines and areas, and what VLANs would stand on."""
    found: list[str] = []
    for plan in plans:
        parts: tuple[LinePlan | AreaPlan, ...] = (*plan.lines, *plan.areas)
        found += [name for part in parts for name in (part.device, part.parent)]
    return found


def fitting(files: Mapping[str, bytes]) -> Mapping[str, bytes]:
    """A kit whose ruleset fits one transaction of a user namespace (`lab.loading`): as root the
    kit as it is, else its table with the sets that come and go alone."""
    if "-Urnm" not in needed():
        return files
    lines = files["nftables.nft"].decode("ascii").splitlines()
    sets = [line for line in lines if line.startswith("    ") and "flags timeout" in line]
    kept = [*lines[: lines.index("table inet netcharter {") + 1], *sets, "}", ""]
    return {**files, "nftables.nft": "\n".join(kept).encode("ascii")}
