"""This machine, and where one administers it from: read, never changed."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network
from typing import Any

from netcharter.lab import tools
from netcharter.lab.trouble import CommandFailed, LabImpossible
from netcharter.plan.shapes import Address, LinePlan, Plan
from netcharter.proofs.conversations import Conversation, Neighbour, seated
from netcharter.proofs.management import LOOP, Session, session_of
from netcharter.proofs.neighbours import neighbour_table
from netcharter.rollout.run.netlink import Netfilter
from netcharter.rollout.run.processes import fields_of
from netcharter.tasks.changes import Loaded, loaded_now
from netcharter.tasks.enacting import tracked
from netcharter.tasks.enacting.sshd import connection_of
from netcharter.tasks.sources import unusable

SSH = "SSH_CONNECTION"
PARENTS = 64  # processes that are asked for it, from this one up
MOST = 1 << 20  # bytes of an environment


@dataclass(frozen=True, slots=True)
class Here:
    """loaded: rules, addresses, routes. lines: the addresses that automatic lines have; up: names
    of the lines that are up. session: the SSH session this runs in; None at the console.
    """

    loaded: Loaded
    lines: Mapping[str, Sequence[Address]]
    up: frozenset[str]
    neighbours: Mapping[Address, Sequence[Neighbour]]
    session: Session | None


def here(plan: Plan, connection: str | None) -> Here:
    """What counts of this machine for a plan. connection: as `ssh_connection` finds it.

    Raises Unusable where it may not be read.
    """
    loaded = loaded_now()
    devices = _devices(loaded.machine.addresses)
    table = neighbour_table(_said(("ip", "-j", "neigh")))
    found = table.found if table is not None else {}
    session = session_of(connection) if connection else None
    if connection and session is None:  # it would count as the console, and its way in as nobody's
        raise unusable(
            "cannot-read",
            f"which SSH session this is can't be read from {SSH}",
            SSH,
            connection,
            "log in anew with ssh, or run it at the console",
        )
    if session is not None:
        session = seated(
            replace(session, device=session.device or _way_in(session, devices)), found
        )
    return Here(
        loaded,
        {line.name: _held(devices.get(line.device)) for line in plan.lines if line.automatic},
        frozenset(line.name for line in plan.lines if _is_up(line, devices)),
        found,
        session,
    )


def conversations() -> tuple[Conversation, ...]:
    """What connection tracking knows of; nothing where the kernel does not say."""
    try:
        with Netfilter() as kernel:
            return tracked.conversations(kernel)
    except OSError:
        return ()


def is_tracked(session: Session) -> bool:
    return any(one.is_of(session) for one in conversations())


def ssh_connection(environment: Mapping[str, str]) -> str | None:
    """The variable of an SSH session (ssh(1)), from this process or one that it stems from: what
    changes the user, `sudo` for one, takes it away. Failing that, by the sshd above."""
    said = environment.get(SSH)
    pid = os.getpid()
    for _ in range(PARENTS):
        if said or pid <= 1:
            break
        pid = _parent(pid)
        said = _variable(pid, SSH) or connection_of(pid)
    return said or None


def _parent(pid: int) -> int:
    fields = fields_of(pid)
    return int(fields[1]) if fields else 0


def _variable(pid: int, name: str) -> str:
    try:
        with open(f"/proc/{pid}/environ", "rb") as file:
            pairs = file.read(MOST).split(b"\0")
    except OSError:
        return ""
    begin = f"{name}=".encode("ascii")
    return next(
        (p[len(begin) :].decode("ascii", "replace") for p in pairs if p.startswith(begin)), ""
    )


def _said(command: Sequence[str]) -> str:
    try:
        return tools.run(command)
    except (CommandFailed, LabImpossible):
        return ""


def _way_in(session: Session, devices: Mapping[str, dict[str, Any]]) -> str | None:
    """The device by which the client comes in: by which it is answered, if it is at home there; else
    that with the address it uses, since by its route it may be answered over another line."""
    back = _way_back(session)
    if back == LOOP or any(session.client in one for one in _homes(devices.get(back or ""))):
        return back
    at = (name for name, one in devices.items() if session.server in _held(one))
    return next((name for name in at if name != LOOP), back)


def _homes(device: dict[str, Any] | None) -> Iterator[IPv4Network | IPv6Network]:
    """The segments that a device is in."""
    rows = device.get("addr_info") if device else None
    for row in rows if isinstance(rows, list) else ():
        try:
            yield ip_network(f"{row['local']}/{row['prefixlen']}", strict=False)
        except (ValueError, KeyError, TypeError):
            continue


def _way_back(session: Session) -> str | None:
    """The device by which this machine would answer the client."""
    try:
        found = json.loads(_said(("ip", "-j", "route", "get", str(session.client))) or "[]")
        device = found[0]["dev"]
    except (ValueError, LookupError, TypeError):
        return None
    return device if isinstance(device, str) else None


def _devices(text: str) -> dict[str, dict[str, Any]]:
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    rows = [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []
    return {str(one.get("ifname")): one for one in rows}


def _held(device: dict[str, Any] | None) -> tuple[Address, ...]:
    """The addresses of a device that are not its link's alone."""
    rows = device.get("addr_info") if device else None
    found = []
    for row in rows if isinstance(rows, list) else ():
        try:
            address = ip_address(str(row["local"]))
        except (ValueError, KeyError, TypeError):
            continue
        if not address.is_link_local:
            found.append(address)
    return tuple(found)


def _is_up(line: LinePlan, devices: Mapping[str, dict[str, Any]]) -> bool:
    flags = devices.get(line.device, {}).get("flags")
    return isinstance(flags, list) and {"UP", "LOWER_UP"} <= set(map(str, flags))
