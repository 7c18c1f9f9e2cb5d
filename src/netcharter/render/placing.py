"""Files of a kit that are to lie elsewhere on the gateway, and services that are to run with it.

`enact` puts them there (rollout). Every file that is placed begins, behind a line that names its
shell, with `OURS`, or as Lua has remarks, so that nobody's own file is ever written over or taken
away.
"""

from __future__ import annotations

from dataclasses import dataclass

OURS = "# Netcharter: "  # how every file of ours begins, behind the line that names the shell
OURS_IN_LUA = "-- Netcharter: "
CONTROL = "/usr/bin/systemctl"
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


def aside(theirs: str) -> str:
    """Lines of a unit of ours that keep the unit of a package from running while it runs.

    A mask until the next start of the machine counts for nothing where a unit of that name lies in
    /etc (systemd.unit(5)), and whoever has ended it may have begun it again. So ours does not begin
    beside it, and says why.
    """
    told = (
        f"{theirs} runs still, and could not be set aside: end it for good, systemctl disable --now"
    )
    return f"""\
ExecStartPre=-+{CONTROL} --runtime --now mask {theirs}
ExecStartPre=+/bin/sh -c 'if {CONTROL} -q is-active {theirs}; then echo "{told} {theirs}" >&2; exit 1; fi'"""


def aside_where(theirs: str, program: str, port: int) -> str:
    """The same where the unit's program has a port of ours, and only then: at another one it may do
    what this machine needs. Who listens is told by ss(8)."""
    return (
        f"ExecStartPre=-+/bin/sh -c 'ss -Hlntup sport = :{port} | grep -q {program} &&"
        f" {CONTROL} --runtime --now mask {theirs}'"
    )


def back(theirs: str) -> str:
    """Lines that bring it back once ours has ended."""
    return f"""\
ExecStopPost=-+{CONTROL} --runtime unmask {theirs}
ExecStopPost=-+/bin/sh -c '{CONTROL} -q is-enabled {theirs} && {CONTROL} --no-block start {theirs}'"""
