"""What is said through the steward's socket: one JSON object per line, an answer for each.

    {"ask": "status"}
    {"ask": "silence", "what": "health/memory", "seconds": 3600, "why": "it is being looked at"}
    {"ask": "restart", "duty": "hours"}
    {"ask": "wake"}                         all duties, or {"ask": "wake", "duty": "hours"}

An answer has `ok`; where that is false, `fault` says why in words.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

MOST_LINE = 4096  # bytes of a request, its end included
MOST_ANSWER = 1 << 20
MOST_CLIENTS = 8
MOST_REQUESTS = 100  # of one client, who may then come again
PATIENCE = 10.0  # seconds for a request to come, and for an answer to be taken
MOST_SECONDS = 31 * 86_400


class NotUnderstood(ValueError):
    """A request that is none; says why."""


@dataclass(frozen=True, slots=True)
class Status:
    """How things are."""


@dataclass(frozen=True, slots=True)
class BeSilent:
    """A matter, a duty or `all` is not told for some seconds; 0 ends a silence."""

    what: str
    seconds: int
    why: str


@dataclass(frozen=True, slots=True)
class BeginAnew:
    """A duty is begun again from its state on the disk."""

    duty: str


@dataclass(frozen=True, slots=True)
class Wake:
    """A duty has its next turn now; without a name, all have."""

    duty: str | None


Ask = Status | BeSilent | BeginAnew | Wake
_KEYS = {
    "status": set[str](),
    "silence": {"what", "seconds", "why"},
    "restart": {"duty"},
    "wake": {"duty"},
}


def understood(line: bytes) -> Ask:
    """The request of a line. Raises NotUnderstood."""
    try:
        said = json.loads(line)
    except (ValueError, RecursionError):
        raise NotUnderstood("a line is one JSON object") from None
    if not isinstance(said, dict) or not isinstance(said.get("ask"), str):
        raise NotUnderstood("a request is an object with `ask`")
    kind = said.pop("ask")
    if kind not in _KEYS:
        raise NotUnderstood(f"`ask` is one of {', '.join(_KEYS)}")
    if said.keys() - _KEYS[kind]:
        raise NotUnderstood(f"with {kind} can stand: {', '.join(sorted(_KEYS[kind])) or 'nothing'}")
    return _ask(kind, said)


def _ask(kind: str, said: Mapping[str, Any]) -> Ask:
    if kind == "status":
        return Status()
    if kind == "silence":
        return BeSilent(_text(said, "what"), _seconds(said), _text(said, "why", ""))
    if kind == "restart":
        return BeginAnew(_text(said, "duty"))
    return Wake(_text(said, "duty") if "duty" in said else None)


def _text(said: Mapping[str, Any], key: str, otherwise: str | None = None) -> str:
    found = said.get(key, otherwise)
    if not isinstance(found, str) or len(found) > 500:
        raise NotUnderstood(f"`{key}` is a text of 500 characters at most")
    return found


def _seconds(said: Mapping[str, Any]) -> int:
    found = said.get("seconds")
    if not isinstance(found, int) or isinstance(found, bool) or not 0 <= found <= MOST_SECONDS:
        raise NotUnderstood(f"`seconds` is a whole number from 0 to {MOST_SECONDS}")
    return found


def refusal(fault: str) -> dict[str, Any]:
    """The answer where something can't be done."""
    return {"ok": False, "fault": fault}


def line(content: Mapping[str, Any]) -> bytes:
    """A request or an answer as it is sent: ASCII, one line."""
    return json.dumps(content, ensure_ascii=True, separators=(",", ":")).encode("ascii") + b"\n"
