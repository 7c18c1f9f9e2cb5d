"""The values that go into the engine and come out of it.

A *field* is one dimension of a decision (a destination address, an hour of the week, ...); a
*box* is a product of one set of values per field; a *rule list* is an ordered list of boxes with
outcomes in which the first match decides. Everything here is plain, raw data: no atoms, no masks.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

from netcharter.space.ranges import Ranges

RawBox = tuple[Ranges, ...]
"""One set of values per field, in the order of the fields. Empty if any of them is empty."""

Point = tuple[int, ...]
"""One value per field, in the order of the fields."""


@dataclass(frozen=True, slots=True)
class Field:
    """One dimension: its values are 0..size-1. `size` may exceed 2**128."""

    name: str
    size: int


@dataclass(frozen=True, slots=True)
class Entry:
    """One box of a rule. Entries sharing a `rule` number stand together; their outcomes may differ."""

    box: RawBox
    rule: int
    outcome: Hashable


@dataclass(frozen=True, slots=True)
class RuleList:
    """Entries in order of precedence: the first whose box holds a point decides that point.

    `default` decides what no entry matches. Points outside the `universe` (a union of pairwise
    disjoint boxes) do not exist: an IPv4 source with an IPv6 destination, for example.
    """

    fields: tuple[Field, ...]
    entries: tuple[Entry, ...]
    default: Hashable
    universe: tuple[RawBox, ...]


@dataclass(frozen=True, slots=True)
class Covered:
    """Proven: nothing is left over. `core` holds the rule numbers that prove it, minimal: without
    any one of them there would be a gap. Ascending in order of precedence.
    """

    core: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Witness:
    """Proven: this `point` is left over. `rule` and `outcome` say what decides it (rule None: the
    default does). `instead` is set only where a question compares two decisions: what the point's
    outcome would be otherwise (without the rule asked about), and `instead_rule` who would decide.
    """

    point: Point
    rule: int | None
    outcome: Hashable
    instead: Hashable = None
    instead_rule: int | None = None


@dataclass(frozen=True, slots=True)
class Undecided:
    """The work budget ran out before an answer was proven. Never an answer in disguise."""

    reason: str


Verdict = Covered | Witness | Undecided
