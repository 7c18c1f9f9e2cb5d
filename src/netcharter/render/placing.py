"""Files of a kit that are to lie elsewhere on the gateway, and services that are to run with it.

`enact` puts them there (rollout). Every file that is placed begins, behind a line that names its
shell, with `OURS`, or as Lua has remarks, so that nobody's own file is ever written over or taken
away.
"""

from __future__ import annotations

from dataclasses import dataclass

OURS = "# Netcharter: "  # how every file of ours begins, behind the line that names the shell
OURS_IN_LUA = "-- Netcharter: "
UNITS = "/etc/systemd/system"  # where the units of this machine's own lie, systemd.unit(5)


@dataclass(frozen=True, slots=True)
class Placed:
    """A file of the kit that is to lie elsewhere. at: with its whole path; mode: of the file."""

    file: str
    at: str
    mode: int = 0o644


@dataclass(frozen=True, slots=True)
class Service:
    """A unit of systemd that runs while the kit stands. files: names of files of the kit; where one
    of them is new or another one than before it is begun anew."""

    unit: str
    files: tuple[str, ...] = ()
