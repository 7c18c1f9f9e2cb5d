"""The neighbour table of a machine as text: read, and nothing guessed.

`ip -j neigh` prints JSON (ip-neighbour(8)).
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from ipaddress import ip_address
from typing import Any

from netcharter.plan.shapes import Address
from netcharter.proofs.conversations import Neighbour

_GONE = frozenset({"FAILED", "INCOMPLETE"})  # states in which nobody answered
_HARDWARE = re.compile(r"([0-9a-f]{2}:){5}[0-9a-f]{2}", re.IGNORECASE | re.ASCII)


@dataclass(frozen=True, slots=True)
class Table:
    """Who answered, by address; odd: entries of a form that is never printed, which are left out."""

    found: Mapping[Address, tuple[Neighbour, ...]]
    odd: int


def neighbour_table(text: str) -> Table | None:
    """The neighbour table as `ip -j neigh` prints it; None where the text is none."""
    try:
        entries = json.loads(text)
    except (ValueError, RecursionError):
        return None
    if not isinstance(entries, list):
        return None
    found: dict[Address, list[Neighbour]] = {}
    odd = 0
    for entry in entries:
        one = _neighbour(entry) if isinstance(entry, dict) else None
        odd += one is None
        if one is not None and not _GONE & {*entry.get("state", ())}:
            found.setdefault(one[0], []).append(one[1])
    return Table({address: tuple(there) for address, there in found.items()}, odd)


def _neighbour(entry: Mapping[str, Any]) -> tuple[Address, Neighbour] | None:
    """Address and neighbour of an entry, whatever its state; None for one that is odd."""
    address, device = _address(str(entry.get("dst", ""))), entry.get("dev")
    states, said = entry.get("state", []), entry.get("lladdr", "")
    told = isinstance(states, list) and all(isinstance(one, str) for one in states)
    if address is None or not isinstance(device, str) or not told or not isinstance(said, str):
        return None
    # Hardware addresses that have not 48 bits tell nothing that a plan could use.
    known = int(said.replace(":", ""), 16) if _HARDWARE.fullmatch(said) else None
    return address, Neighbour(device, known)


def _address(text: str) -> Address | None:
    try:
        return ip_address(text)
    except ValueError:
        return None
