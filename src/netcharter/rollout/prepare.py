"""What is missing on a machine before a charter can be put in place: facts in, findings out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

from netcharter.rollout.preparing.asking import Answers, Asked, asked
from netcharter.rollout.preparing.judging_aside import aside_findings
from netcharter.rollout.preparing.judging_devices import device_findings, suggestions
from netcharter.rollout.preparing.judging_dialling import dialling_findings
from netcharter.rollout.preparing.judging_host import host_findings, missing_packages, needs
from netcharter.rollout.preparing.judging_names import names_findings
from netcharter.rollout.preparing.judging_pages import pages_findings
from netcharter.rollout.preparing.judging_placed import placed_findings
from netcharter.rollout.preparing.judging_serving import serving_findings
from netcharter.rollout.preparing.reading import facts_of
from netcharter.rollout.preparing.shapes import Facts, Found, Use, Wanted

__all__ = [
    "Answers",
    "Asked",
    "Facts",
    "Found",
    "Preparation",
    "Use",
    "Wanted",
    "asked",
    "facts_of",
    "prepare",
]

_WEIGHT = {"error": 0, "warning": 1, "note": 2}


@dataclass(frozen=True)
class Preparation:
    """What was found, and what is to be done about it. install: packages of Debian; devices: the
    charter's devices that are missing, with those that may be meant; memory, disk: bytes that are
    needed."""

    findings: tuple[Found, ...]
    install: tuple[str, ...]
    devices: dict[str, str]
    memory: int
    disk: int

    @property
    def ok(self) -> bool:
        """Nothing is missing: no finding is an error."""
        return all(one.severity != "error" for one in self.findings)

    @cached_property
    def commands(self) -> tuple[str, ...]:
        """What the keeper can type, in order."""
        if not self.install:
            return ()
        return ("apt-get update", f"apt-get install {' '.join(self.install)}")

    def as_json(self) -> dict[str, Any]:
        """`ok`, `findings` (as `Found.as_json`), `install`, `commands`, `devices` {charter's:
        machine's}, `needs` {`memory`, `disk`} in bytes."""
        return {
            "ok": self.ok,
            "findings": [one.as_json() for one in self.findings],
            "install": list(self.install),
            "commands": list(self.commands),
            "devices": dict(self.devices),
            "needs": {"memory": self.memory, "disk": self.disk},
        }

    def lines(self) -> tuple[str, ...]:
        """For a terminal; foreign text in it is escaped already."""
        found: list[str] = []
        for one in self.findings:
            found += [f"{one.severity}: {one.message} [{one.id}]", f"  {one.help}"]
            for path, text in one.files.items():
                found.append(f"  {path}:")
                found += [f"    {line}".rstrip() for line in text.splitlines()]
        if self.commands:
            found += ["", "To install what is missing:", *(f"  {one}" for one in self.commands)]
        found.append("")
        found.append(
            "Nothing is missing." if self.ok else "Something is missing; nothing was changed."
        )
        return tuple(found)


def prepare(wanted: Wanted, facts: Facts) -> Preparation:
    """Judge a machine by what a charter wants of it; errors first."""
    found = [
        *device_findings(wanted, facts),
        *dialling_findings(wanted, facts),
        *placed_findings(wanted, facts),
        *names_findings(wanted, facts),
        *pages_findings(wanted, facts),
        *serving_findings(wanted, facts),
        *aside_findings(wanted, facts),
        *host_findings(wanted, facts),
    ]
    found.sort(key=lambda one: _WEIGHT[one.severity])
    memory, disk = needs(wanted)
    return Preparation(
        _once(found),
        missing_packages(wanted, facts),
        suggestions(wanted.uses, facts.devices or {}, wanted.left),
        memory,
        disk,
    )


def _once(found: list[Found]) -> tuple[Found, ...]:
    """Each finding once."""
    kept: list[Found] = []
    for one in found:
        if one not in kept:
            kept.append(one)
    return tuple(kept)
