"""What the catalogue says of one kind of diagnostic."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Entry:
    """title: in a few words; what is found; why it matters; instead: what to do about it."""

    title: str
    what: str
    why: str
    instead: str
