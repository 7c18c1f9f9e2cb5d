"""Units of ours for the service manager: installed, removed, and whether one brings up the network.

A unit is a file and, where it is enabled, a link to it: systemd.unit(5), "Unit File Load Path" and
"[Install] Section Options".
"""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from textwrap import wrap
from typing import Any

from netcharter.rollout.places import STATE
from netcharter.rollout.run import files
from netcharter.rollout.run.real import SYSTEMD, perform
from netcharter.rollout.trouble import EffectFailed, RolloutRefused
from netcharter.rollout.units import (
    BOOT_UNIT,
    Place,
    boot_unit,
    brings_up,
    installing,
    removing,
)
from netcharter.steward.unit import UNIT as STEWARD_UNIT

__all__ = [
    "BOOT_UNIT",
    "PROGRAM",
    "STEWARD_UNIT",
    "Fitted",
    "Units",
    "boot_text",
    "brought_up",
    "install",
    "remove",
]

FOLDER = "/etc/systemd/system"
PROGRAM = (sys.executable, "-m", "netcharter")  # this very one, wherever it is installed
WANTS = "multi-user.target.wants"


@dataclass(frozen=True, slots=True)
class Units:
    """Where units are. folder: of those of this machine; running: the folder that is there where
    systemd runs (sd_booted(3))."""

    folder: str = FOLDER
    running: str = SYSTEMD


HERE = Units()


@dataclass(frozen=True, slots=True)
class Fitted:
    """What came of a unit. state: `installed`, `removed` or `not there`; enabled: whether the
    service manager starts it at boot; runs: whether systemd runs here."""

    path: str
    state: str
    enabled: bool
    runs: bool

    def as_json(self) -> dict[str, Any]:
        """`ok`, `state`, `unit` (its path), `enabled`."""
        return {"ok": True, "state": self.state, "unit": self.path, "enabled": self.enabled}

    def lines(self, width: int) -> Iterator[str]:
        if self.state == "not there":
            yield f"{self.path} is not there: nothing was changed"
            return
        yield f"{self.path} is {self.state}"
        if self.state == "installed" and self.enabled:
            yield "the service manager starts it at boot"
        elif self.state == "installed":
            name = os.path.basename(self.path)
            what = "systemd does not run here, so it is not started at boot yet"
            yield from wrap(f"{what}; where it does, say: systemctl enable {name}", width)


def boot_text(state: str) -> str:
    """The unit that brings up at boot what is kept, by this very program. Raises RolloutRefused for
    a folder that no unit can name."""
    try:
        return boot_unit((*PROGRAM, "boot", "--state", state), state)
    except ValueError as fault:
        raise RolloutRefused(f"{fault}", "name another state folder; nothing was changed") from None


def install(name: str, text: str, units: Units = HERE, *, starts: bool = False) -> Fitted:
    """Install a unit, or a new text of it, and have it started at boot. starts: now, too.

    Raises RolloutRefused where a file of that name is not ours, EffectFailed.
    """
    place = _place(name, units, starts)
    for step in installing(place, text):
        for effect in step.effects:
            perform(effect)
    return Fitted(place.path, "installed", _enabled(name, units), place.runs)


def remove(name: str, units: Units = HERE, *, starts: bool = False) -> Fitted:
    """Take a unit of ours away. starts: end it, too. Raises as `install`."""
    place = _place(name, units, starts)
    steps = removing(place)
    for step in steps:
        for effect in step.effects:
            perform(effect)
    return Fitted(place.path, "removed" if steps else "not there", False, place.runs)


def brought_up(state: str, units: Units = HERE) -> bool:
    """Whether a reboot brings up what is kept in a state folder: its unit is there, and enabled."""
    try:
        there = _place(BOOT_UNIT, units).there
        return there is not None and brings_up(there, state) and _enabled(BOOT_UNIT, units)
    except (EffectFailed, RolloutRefused, ValueError):
        return False


def unfitted_words(state: str) -> str:
    """What a keeper is told where the unit for boot is missing."""
    more = "" if state == STATE else f" --state {shlex.quote(state)}"
    return (
        f"a reboot does not bring this up until its unit is there: netcharter boot --install{more}"
    )


def _place(name: str, units: Units, starts: bool = False) -> Place:
    place = Place(units.folder, name, None, os.path.isdir(units.running), starts)
    if os.path.islink(place.path):
        raise RolloutRefused(
            f"{place.path} is a link, and so not netcharter's (`systemctl mask` makes such)",
            "look where it leads, and take it away if nobody needs it; nothing was changed",
        )
    return Place(units.folder, name, files.read(place.path), place.runs, starts)


def _enabled(name: str, units: Units) -> bool:
    return os.path.lexists(os.path.join(units.folder, WANTS, name))
