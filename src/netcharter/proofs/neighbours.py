"""The neighbour table of a machine as text: read, and nothing guessed.

`ip -j neigh` prints JSON (ip-neighbour(8)).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from ipaddress import ip_address
from typing import Any

from netcharter.plan.shapes import Address
from netcharter.proofs.conversations import Neighbour

_GONE = frozenset({"FAILED", "INCOMPLETE"})  # states in which nobody answered


def neighbours_of(text: str) -> dict[Address, tuple[Neighbour, ...]]:
    """The neighbour table as `ip -j neigh` prints it; empty where the text is none."""
    try:
        entries = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    found: dict[Address, tuple[Neighbour, ...]] = {}
    for entry in entries if isinstance(entries, list) else ():
        one = _neighbour(entry) if isinstance(entry, dict) else None
        if one is not None:
            found[one[0]] = (*found.get(one[0], ()), one[1])
    return found


def _neighbour(entry: Mapping[str, Any]) -> tuple[Address, Neighbour] | None:
    address, device = _address(str(entry.get("dst", ""))), entry.get("dev")
    states = entry.get("state", ())
    gone = isinstance(states, list) and any(one in states for one in _GONE)
    if address is None or not isinstance(device, str) or gone:
        return None
    return address, Neighbour(device, _hardware(entry.get("lladdr")))


def _hardware(said: object) -> int | None:
    """A hardware address of 48 bits; others tell nothing that a plan could use."""
    parts = said.split(":") if isinstance(said, str) else []
    if len(parts) != 6 or any(len(part) != 2 for part in parts):
        return None
    try:
        return int("".join(parts), 16)
    except ValueError:
        return None


def _address(text: str) -> Address | None:
    try:
        return ip_address(text)
    except ValueError:
        return None
