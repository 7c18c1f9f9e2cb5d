"""Rulesets and packets handed to a kernel in a namespace of its own, and what came of them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass
from pathlib import Path
from threading import Timer
from typing import Any, Self

import pytest

from tests.kernel.namespace import needed
from tests.readback.frames import Sent

ROOT = Path(__file__).resolve().parents[2]
TUN = "/dev/net/tun"
LIMIT = 60  # seconds for one ruleset, or the program in the namespace is ended
SECOND_LOOK = 0.02  # seconds waited after each packet whose outcome surprised


class NotLoaded(Exception):
    """nft refused a ruleset."""


@dataclass(frozen=True)
class Outcome:
    """What became of one packet.

    seen: (device, source, destination, number, port) wherever it was seen: "" is the host itself,
    "lo" its way back into the host; answers: "reset", "icmp 3/13" ...; said: the error the sender
    got; counters: by how much named counters rose.
    """

    seen: tuple[tuple[str, str, str, int, int], ...]
    answers: tuple[str, ...]
    said: str
    counters: Mapping[str, int]


@dataclass(frozen=True)
class Tried:
    """listing: what `nft -j list ruleset` said; outcomes: one for each packet."""

    listing: str
    outcomes: tuple[Outcome, ...]


class Kernel:
    """A kernel in a namespace of its own; `host` holds the three texts of `ip -j` about it."""

    host: Mapping[str, str]

    def __enter__(self) -> Self:
        way = needed()
        if not os.access(TUN, os.R_OK | os.W_OK):
            pytest.skip(f"THE KERNEL TESTS DID NOT RUN: {TUN} can't be opened here")
        self.program = subprocess.Popen(
            [*way, sys.executable, "-m", "tests.readback.inside"],
            cwd=ROOT,
            env={**os.environ, "TZ": "UTC", "LC_ALL": "C"},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.host = self._line()
        return self

    def __exit__(self, *fault: object) -> None:
        assert self.program.stdin and self.program.stdout
        self.program.stdin.close()  # the program ends with its input, and the namespace with it
        try:
            self.program.wait(10)
        except subprocess.TimeoutExpired:
            self.program.kill()
            self.program.wait()
        self.program.stdout.close()

    def _line(self) -> dict[str, Any]:
        assert self.program.stdout
        timer = Timer(LIMIT, self.program.kill)
        timer.start()
        try:
            line = self.program.stdout.readline()
        finally:
            timer.cancel()
        if not line:
            raise AssertionError(f"the program in the namespace ended: {self.program.wait()}")
        found: dict[str, Any] = json.loads(line)
        return found

    def tried(self, ruleset: str, packets: Sequence[Sent], patience: float = 0.0) -> Tried:
        """Load a ruleset and send packets, each as if it were the first ever."""
        assert self.program.stdin
        listed = [astuple(each) for each in packets]
        request = {"ruleset": ruleset, "packets": listed, "patience": patience}
        self.program.stdin.write(json.dumps(request) + "\n")
        self.program.stdin.flush()
        found = self._line()
        if "error" in found:
            raise NotLoaded(found["error"])
        outcomes = tuple(_outcome(each) for each in found["outcomes"])
        return Tried(found["listing"], outcomes)


def _outcome(said: Mapping[str, Any]) -> Outcome:
    seen = tuple((d, s, t, n, p) for d, s, t, n, p in said["seen"])
    return Outcome(seen, tuple(said["answers"]), said["said"], said["counters"])
