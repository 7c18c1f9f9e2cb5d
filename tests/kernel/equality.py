"""From a ruleset's text to the agreement of kernel and plan, and to a second opinion about it."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from fcntl import LOCK_EX, flock
from ipaddress import ip_network
from pathlib import Path
from typing import Any

import netcharter
from netcharter.lab.agreement import kernel_equals_plan
from netcharter.plan import coding, fate, labels
from netcharter.plan.shapes import Plan
from netcharter.proofs.kernel import Agreement
from netcharter.proofs.kernel_fates import Fate
from netcharter.proofs.kernel_told import Disagreement
from tests.kernel.namespace import listing
from tests.kernel.packets import Decision, Kernel, Unknown
from tests.kernel.site import Bench, host, real

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
CORPUS = Path(__file__).with_name("corpus.json")

Listing = Mapping[str, Any]


def loaded(text: str | bytes, folder: Path) -> Listing:
    """What the kernel lists once it has loaded a ruleset. Raises AssertionError if it refuses."""
    data = text.encode("ascii") if isinstance(text, str) else text
    return listing(data, folder)


def judged(plan: Plan, found: Listing, known: bool = False) -> Agreement:
    """known: automatic lines have got the addresses that the concrete interpreter gives them."""
    lines = {line.name: [real(line.number, f) for f in (4, 6)] for line in plan.lines if known}
    return kernel_equals_plan(plan, NOW, json.dumps(found), lines=lines)


def bench(plan: Plan, found: Listing, exit_device: str | None = None) -> Bench:
    """The concrete interpreter with what the kernel listed. With a device: whatever lies
    in no network of the gateway's lies beyond it, and the gateway has all the addresses that a router has (RFC 4291 section 2.6.1)."""
    gateway = host(plan)
    if exit_device is not None:
        near6 = (line.v6.network for line in plan.lines if line.v6 is not None)
        routers = {n.network_address for n in near6 if n.prefixlen < 127}
        gateway = replace(gateway, anycast=gateway.anycast | routers)
    if exit_device:
        near = [(n, d) for n, d in gateway.routes if n.prefixlen]
        far = [(ip_network(whole), exit_device) for whole in ("0.0.0.0/0", "::/0")]
        gateway = replace(gateway, routes=(*near, *far))
    made = Bench(plan, Kernel(found, gateway))
    made.lines_known()
    return made


def second_opinion(plan: Plan, found: Listing, told: Disagreement) -> list[str]:
    """What is wrong with a disagreement, by the concrete interpreter and by the plan's decisions
    asked one after the other. Nothing where the interpreter does not know either: it does not
    follow what the gateway sends to itself."""
    if told.attempt is None or (told.device, told.exit) == ("", ""):
        return []
    problems = []
    if told.claim in ("decided", "unknown") and told.plan.fate is not None:
        expected = fate.fate(plan, told.attempt, told.environment)
        counters = (labels.row_name(expected.row.label),)
        planned = told.plan.fate
        same = (planned.let, planned.counters) == (expected.let, counters)
        if not same and not expected.row.routed:  # no line at all carries this family
            problems.append(f"the plan: {planned}, but really {expected}")
    if told.kernel.fate is None:
        return problems
    attempt = replace(told.attempt, hardware=told.hardware)
    try:
        seen = bench(plan, found, told.exit).decide(attempt, told.environment)
    except (Unknown, KeyError):  # a key that it has never heard of
        return problems
    return problems + _unlike(told.kernel.fate, seen, attempt.service)


def _unlike(said: Fate, seen: Decision, service: int) -> list[str]:
    manner: Any = said.manner
    if manner == "answered":
        manner = "reset" if service >> 16 == coding.TCP else "prohibited"
    delivered = None
    if seen.delivered is not None and said.delivered is not None:
        port = seen.delivered[1] if said.delivered[1] is not None else None
        delivered = (coding.address(seen.delivered[0]), port)
    pairs = (
        ("let", said.let, seen.let),
        ("manner", manner, seen.manner),
        ("counters", said.counters, tuple(seen.counters)),
        ("delivered", said.delivered, delivered),
        ("hidden", said.hidden, seen.let and seen.hidden),
    )
    return [f"{name}: {a} said, {b} seen" for name, a, b in pairs if a != b]


# --- charters on which kernel and plan once disagreed ------------------------------------------------


def corpus() -> list[dict[str, str]]:
    found: list[dict[str, str]] = json.loads(CORPUS.read_text())
    return found


def remember(seed: str, charter: str) -> None:
    """Keep a charter on which they disagree; not of a copy of the package, nor unattended: then it
    is printed, ready to be kept by hand."""
    entry = {"seed": seed, "charter": charter}
    ours = Path(netcharter.__file__).is_relative_to(CORPUS.parents[2])
    if not ours or os.environ.get("CI", "").lower() in ("1", "true"):
        print(json.dumps(entry, indent=1, ensure_ascii=False))
        return
    with CORPUS.open("r+") as file:
        flock(file, LOCK_EX)
        entries = json.load(file)
        if all(known["charter"] != charter for known in entries):
            entries.append(entry)
            file.seek(0)
            json.dump(entries, file, indent=1, ensure_ascii=False)
            file.write("\n")
            file.truncate()
