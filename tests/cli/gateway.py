"""A gateway in a namespace, with machines around it, on which the real commands are run.

    desk -- eth2  gateway  eth0, eth9 -- far (beyond both lines)

Everything is gone when the block ends.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.kernel.namespace import needed
from tests.rollout.bench import HOLD, Bench, bench

CHARTER = """\
charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: desk}
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
  mast: {device: eth9, address: 192.0.2.18/28, next-hop: 192.0.2.17, role: standby}
areas:
  office: {device: eth2, prefix: 10.7.0.0/27}
  barn: {device: eth5, prefix: 10.7.1.0/28}
devices:
  desk: {area: office, hardware: '02:00:00:aa:00:01', address: 10.7.0.5}
  spare: {area: office, hardware: '02:00:00:aa:00:02', address: 10.7.0.6}
places:
  bank: {prefixes: [198.51.100.64/28]}
hours:
  day: {weekly: {daily: "08:00-16:00"}}
rules:
  - {let: bank, reach: gateway, with: ssh, because: care from afar}
  - {let: office, reach: internet, with: [http, https], because: daily work}
"""
DESK, SERVER = "10.7.0.5", "10.7.0.1"
FAR, COPPER, MAST = "198.51.100.66", "203.0.113.10", "192.0.2.18"
SSH = 22
NFT = "/usr/sbin/nft"
HURRY = ("--yes", "--waive", "rehearsal", "--because", "it was rehearsed before")
LIMIT = 110.0  # seconds for one command
STATION = Path(__file__).with_name("station.py")
LOOK = """\
ip -o address show scope global | sed "s/ tentative//"
ip route show table all type unicast | sort
ip rule
nft -s list ruleset
sysctl net.ipv4.ip_forward net.ipv6.conf.all.forwarding
"""


@dataclass(frozen=True)
class Ran:
    """What a command came to."""

    code: int
    out: str
    err: str

    @property
    def told(self) -> str:
        return self.out + self.err

    def json(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.out)
        return found


class Machine:
    """A machine beside the gateway, or the programs on it (station.py, or another like it)."""

    def __init__(self, way: tuple[str, ...], program: Path = STATION) -> None:
        self.way = way
        self._process = subprocess.Popen(
            [*way, sys.executable, str(program)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def begin(self, *words: object) -> None:
        assert self._process.stdin
        self._process.stdin.write(json.dumps(words) + "\n")
        self._process.stdin.flush()

    def end(self) -> Any:
        assert self._process.stdout
        return json.loads(self._process.stdout.readline())

    def do(self, *words: object) -> Any:
        self.begin(*words)
        return self.end()

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            assert pipe
            pipe.close()


@dataclass
class Gateway:
    """The gateway and what is around it. session: the words of SSH_CONNECTION, none at a console."""

    bench: Bench
    folder: Path
    desk: Machine
    far: Machine
    session: str = ""

    def write(self, name: str, text: str) -> None:
        (self.folder / name).write_text(text, encoding="utf-8")

    def run(self, *words: str, before: str = "", as_json: bool = True, **more: str) -> Ran:
        """A netcharter command on the gateway. before: shell lines that come first, in mounts of
        their own; more: variables of the environment."""
        asked = [sys.executable, "-m", "netcharter", *words, "--state", "state"]
        return self.bare([*apart(before), *asked, *["--json"] * as_json], **more)

    def bare(self, command: list[str], **more: str) -> Ran:
        found = subprocess.run(
            [*self.bench.way, *command],
            cwd=self.folder,
            env=self.environment(more),
            capture_output=True,
            text=True,
            timeout=LIMIT,
            check=False,
            stdin=subprocess.DEVNULL,
        )
        return Ran(found.returncode, found.stdout, found.stderr)

    def environment(self, more: Mapping[str, str]) -> dict[str, str]:
        plain = {k: v for k, v in os.environ.items() if not k.startswith("SSH_")}
        session = {"SSH_CONNECTION": self.session} if self.session else {}
        return {**plain, "LC_ALL": "C", "TZ": "UTC", **session, **more}

    def look(self) -> str:
        """Addresses, routes, rules and settings, as their own programs write them."""
        return self.bench.shell(LOOK)

    def kept(self, text: str = CHARTER) -> None:
        """A version that is kept."""
        self.write("good.yaml", text)
        done = self.run("enact", "good.yaml", *HURRY)
        assert done.code == 0, done.told
        assert self.run("keep").code == 0

    def logged_in(self) -> None:
        """The administrator's conversation stands, from the desk."""
        host, port = self.desk.do("dial", SERVER, SSH, DESK)
        self.session = f"{host} {port} {SERVER} {SSH}"


def apart(before: str) -> list[str]:
    """What a command is put after, to have these shell lines before it, in mounts of its own."""
    script = f'set -e; {before}\nexec "$@"'
    return ["unshare", "-m", "sh", "-c", script, "sh"] if before else []


def faked(place: Gateway, name: str, first: str) -> str:
    """Shell lines that put a program in the place of nft: `first`, and else the real one, as $real."""
    real = place.folder / "nft.real"
    place.write(name, f'#!/bin/sh\nreal={real}\n{first}\nexec "$real" "$@"\n')
    (place.folder / name).chmod(0o755)
    return f"cp -n {NFT} {real}; mount --bind {name} {NFT}"


BLOCK = re.compile(r"^\t(?:chain|set|map) .*?^\t}\n", re.MULTILINE | re.DOTALL)


def unordered(look: str) -> tuple[str, list[str]]:
    """What was looked at, but for the order in which chains and sets were made: nft lists a table in
    that order, and it decides nothing (base chains have priorities, the others are called by name)."""
    return BLOCK.sub("", look).replace("\n\n", "\n"), sorted(BLOCK.findall(look))


@contextmanager
def beside(gateway: Bench) -> Iterator[Bench]:
    """A namespace more, which the gateway's own may give devices to."""
    holder = subprocess.Popen(
        [*gateway.way, "unshare", "-n", "sh", "-c", HOLD],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    try:
        assert holder.stdout is not None and holder.stdout.readline() == b"ready\n"
        yield Bench(holder, private="-Urnm" in needed())
    finally:
        holder.kill()
        holder.wait(LIMIT)
        for pipe in (holder.stdin, holder.stdout):
            if pipe is not None:
                pipe.close()


@contextmanager
def gateway(folder: Path, listens: bool = True) -> Iterator[Gateway]:
    """A stock machine with its devices, and the desk and the far host, which speak. listens:
    whether what is heard at the port of ssh is said back; else something else is to stand there."""
    with ExitStack() as stack:
        here = stack.enter_context(bench())
        desk, far = (stack.enter_context(beside(here)) for _ in range(2))
        here.devices(("eth0", "eth9", "eth2", "eth5"))
        for place, devices in ((desk, ("peer2",)), (far, ("peer0", "peer1"))):
            pid = place.way[place.way.index("-t") + 1]
            for device in devices:
                here.sure(("ip", "link", "set", device, "netns", pid))
        here.shell(f"ip address add {SERVER}/27 dev eth2")
        desk.shell(
            "ip link set peer2 address 02:00:00:aa:00:01; ip link set peer2 up;"
            f"ip address add {DESK}/27 dev peer2; ip route add default via {SERVER}"
        )
        far.shell(
            f"ip address add {FAR}/32 dev lo; ip link set peer0 up; ip link set peer1 up;"
            "ip address add 203.0.113.9/29 dev peer0; ip address add 192.0.2.17/28 dev peer1"
        )
        stations = []
        for place in (here, desk, far):
            stations.append(Machine(place.way))
            stack.callback(stations[-1].close)
        if listens:
            stations[0].do("serve", SSH)
        yield Gateway(here, folder, stations[1], stations[2])
