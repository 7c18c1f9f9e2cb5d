"""The times of names rules, each by a key under which the gateway tells which of them hold now."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from netcharter.plan.names.shapes import NamesRow

_DIGITS = 16  # of a digest, hexadecimal


@dataclass(frozen=True, slots=True)
class NamesTime:
    """It holds while `during` is open and `until` has not passed."""

    key: str
    during: str | None
    until: date | None


def key_of(during: str | None, until: date | None) -> str:
    """The same in every plan that says the same, so that who tells and who is told may be of two."""
    said = f"{during or ''}|{until.isoformat() if until else ''}"
    return hashlib.sha256(said.encode("utf-8")).hexdigest()[:_DIGITS]


def times(rows: Iterable[NamesRow]) -> tuple[NamesTime, ...]:
    """Each once, in the order of the rules."""
    said = dict.fromkeys((row.during, row.until) for row in rows if row.during or row.until)
    return tuple(NamesTime(key_of(*one), *one) for one in said)
