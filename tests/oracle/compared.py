"""Both readings of one charter side by side: the plan's and the naive one.

This is the only file here, with the tests themselves, that knows the package.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
from dataclasses import dataclass
from datetime import UTC, datetime
from fcntl import LOCK_EX, flock
from functools import lru_cache
from ipaddress import ip_address
from pathlib import Path
from random import Random
from typing import Any

import netcharter
from netcharter.charter.read import read
from netcharter.plan import coding, fate, make_plan
from netcharter.plan.shapes import Plan, Row
from tests.oracle import naive
from tests.oracle.naive import Attempt, Environment
from tests.oracle.random_attempts import Attempts
from tests.oracle.random_charters import random_charter
from tests.oracle.site import Address, Site, prepare

CORPUS = Path(__file__).with_name("corpus.json")
NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)
CHARTERS, ATTEMPTS = 50, 2000
TRIES = 20  # how many charters may be drawn until one is free of errors


@dataclass(frozen=True)
class Pair:
    """One charter and what both sides made of it."""

    seed: str
    text: str
    plan: Plan
    site: Site
    tried: int  # how many charters had to be drawn

    def attempts(self, count: int = ATTEMPTS) -> list[tuple[Attempt, Environment]]:
        source = Attempts(self.site, Random(f"{self.seed} attempts"), NOW)
        return [source.draw() for _ in range(count)]


@lru_cache(maxsize=1)
def rotating_seed() -> str:
    """NETCHARTER_SEED, or one that changes with each commit; the same throughout a run."""
    said = os.environ.get("NETCHARTER_SEED")
    if said:
        return said
    here = Path(__file__).parent
    found = subprocess.run(
        ["git", "rev-parse", "HEAD"], cwd=here, capture_output=True, text=True, check=False
    )
    return hashlib.sha256(found.stdout.encode()).hexdigest()[:12]


@lru_cache(maxsize=2)
def pair(number: int) -> Pair:
    """The random charter of that number, drawn again while the package finds errors in it."""
    for tried in range(1, TRIES + 1):
        seed = f"{rotating_seed()}/{number}/{tried}"
        text = random_charter(Random(seed))
        found = both(seed, text, tried)
        if found is not None:
            print(f"NETCHARTER_SEED={rotating_seed()}, charter {number}, draw {tried}")
            return found
    raise AssertionError(f"no valid charter in {TRIES} draws from {rotating_seed()}/{number}")


def both(seed: str, text: str, tried: int = 1) -> Pair | None:
    """Read a charter twice; None if the package finds an error in it."""
    reading = read(text, "charter.yaml")
    if reading.charter is None or any(d.severity == "error" for d in reading.diagnostics):
        return None
    plan = make_plan(reading.charter)
    if any(d.severity == "error" for d in plan.notes):
        return None
    return Pair(seed, text, plan, prepare(text, addresses(plan)), tried)


def addresses(plan: Plan) -> dict[str, Any]:
    """What the plan chose, for the naive interpreter to take over."""
    return {
        "local": plan.local_prefix,
        "prefixes": {line.name: line.prefix for line in plan.lines},
        "areas": {
            area.name: {"v4": area.v4, "v6": [(s.network, s.line) for s in area.subnets6]}
            for area in plan.areas
        },
        "devices": {device.name: list(device.addresses4) for device in plan.devices},
    }


# --- from one side's values to the other's -------------------------------------------------------


def coded_address(plan: Plan, address: Address) -> int:
    if not isinstance(address, tuple):
        return coding.address(address)
    line = next(line for line in plan.lines if line.name == address[1])
    return coding.unknown(line.number, address[2])


def plain_address(plan: Plan, code: int) -> Address:
    found = coding.decode(code)
    if not isinstance(found, tuple):
        return found
    return ("unknown", next(x.name for x in plan.lines if x.number == found[0]), found[1])


def coded(plan: Plan, attempt: Attempt) -> fate.Attempt:
    return fate.Attempt(
        entrance=attempt.entrance,
        source=coded_address(plan, attempt.source),
        hardware=coding.HARDWARE_NONE if attempt.hardware is None else attempt.hardware,
        destination=coded_address(plan, attempt.destination),
        service=(attempt.protocol << 16) + attempt.number,
    )


def decider(plan: Plan, row: Row) -> str:
    """A decision by the name the charter knows it by: an offer is one, on however many lines."""
    if row.charter_index is None:
        return row.label
    sentences = plan.charter.offers if row.kind == "offer" else plan.charter.rules
    return sentences[row.charter_index].name


def plan_says(plan: Plan, attempt: Attempt, environment: Environment) -> naive.Fate:
    """The plan's answer in the naive interpreter's terms."""
    found = fate.fate(
        plan,
        coded(plan, attempt),
        fate.Environment(environment.up, environment.who, environment.instant, environment.led),
    )
    verdict = "let" if found.let else "refused"
    row = found.row
    return naive.Fate(verdict, found.manner, found.delivered, decider(plan, row), row.kind)


# --- the corpus of what once went wrong ----------------------------------------------------------


def as_json(attempt: Attempt, environment: Environment) -> dict[str, Any]:
    def told(address: Address) -> Any:
        return list(address) if isinstance(address, tuple) else str(address)

    return {
        "entrance": attempt.entrance,
        "source": told(attempt.source),
        "hardware": attempt.hardware,
        "destination": told(attempt.destination),
        "protocol": attempt.protocol,
        "number": attempt.number,
        "up": sorted(environment.up),
        "who": environment.who,
        "instant": environment.instant.isoformat(),
        "led": sorted(environment.led),
    }


def from_json(said: dict[str, Any]) -> tuple[Attempt, Environment]:
    def told(address: Any) -> Address:
        return ip_address(address) if isinstance(address, str) else tuple(address)

    attempt = Attempt(
        said["entrance"],
        told(said["source"]),
        said["hardware"],
        told(said["destination"]),
        said["protocol"],
        said["number"],
    )
    instant = datetime.fromisoformat(said["instant"])
    led = frozenset(said.get("led", ()))
    return attempt, Environment(frozenset(said["up"]), said["who"], instant, led)


def corpus() -> list[dict[str, Any]]:
    entries: list[dict[str, Any]] = json.loads(CORPUS.read_text())
    return entries


def keeps() -> bool:
    """Whether a disagreement is written down: not of a copy with a fault planted, nor unattended."""
    ours = Path(netcharter.__file__).is_relative_to(CORPUS.parents[2])
    return ours and os.environ.get("CI", "").lower() not in ("1", "true")


def remember(found: Pair, attempt: Attempt, environment: Environment) -> None:
    """Keep a disagreement, so that it is tried again first from now on; one per seed.

    Where it must not be kept it is printed, ready to be put into the corpus by hand.
    """
    if not keeps():
        told = as_json(attempt, environment)
        entry = {"seed": found.seed, "charter": found.text, "attempt": told}
        print(json.dumps(entry, indent=1, ensure_ascii=False))
        return
    with CORPUS.open("r+") as file:
        flock(file, LOCK_EX)
        entries = json.load(file)
        if all(entry["seed"] != found.seed for entry in entries):
            entries.append(
                {
                    "seed": found.seed,
                    "charter": found.text,
                    "attempt": as_json(attempt, environment),
                }
            )
            file.seek(0)
            json.dump(entries, file, indent=1, ensure_ascii=False)
            file.write("\n")
            file.truncate()


def told(found: Pair, attempt: Attempt, environment: Environment) -> str:
    return f"seed {found.seed}\n{found.text}\n{attempt}\n{environment}"
