"""What is decided about names, as frozen values. First match decides.

`docs/explanation/model.md`, section 11, says what each part means. Names are in their normal form
(`domains.normal`); the root of all names is "".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cached_property
from typing import Literal

from netcharter.charter.model import DOMAIN, Address, NamedList, Resolver
from netcharter.diagnostics import Span
from netcharter.plan.names.entries import Entries
from netcharter.plan.names.reading import Form, Reading, in_pieces, read
from netcharter.space.ranges import Ranges

# answer: as the world answers; withhold: not so; rewrite: with the answers of another name; local:
# from what the gateway knows itself; none: there is no such name, and nobody outside is asked.
Action = Literal["answer", "withhold", "rewrite", "local", "none"]
Kind = Literal["housekeeping", "emergency", "rule", "default"]


@dataclass(frozen=True, slots=True)
class Audience:
    """Who asks: hosts of some areas. source: their addresses, coded; None: whatever they have."""

    term: str  # the area or device as the charter calls it, or "anyone"
    areas: frozenset[str]
    source: Ranges | None = None


@dataclass(frozen=True, slots=True)
class What:
    """What is asked for. name: a name, and with `below` all names below it; None: what `lists` hold."""

    term: str  # as the charter says it
    name: str | None = None
    below: bool = True
    lists: tuple[str, ...] = ()


@dataclass(frozen=True)
class NamesRow:
    """One decision. It holds for every type of record (A, AAAA, HTTPS, SVCB and all others)."""

    index: int
    label: str  # unique within a plan, but for the canary, which may stand several times
    kind: Kind
    action: Action
    audience: tuple[Audience, ...]
    what: tuple[What, ...]
    because: str
    to: str | None = None  # whose answers are given, with rewrite
    during: str | None = None
    until: date | None = None
    basis: str | None = None  # the published source of a housekeeping decision
    span: Span | None = None
    charter_index: int | None = None  # which names rule of the charter

    @cached_property
    def named(self) -> Mapping[str, What]:
        """Its terms that are names, by their names."""
        found = sorted(
            self.what, key=lambda what: what.below
        )  # what takes in more has the last word
        return {what.name: what for what in found if what.name is not None}

    @cached_property
    def listing(self) -> tuple[What, ...]:
        """Its terms that are lists or topics."""
        return tuple(what for what in self.what if what.lists)


@dataclass(frozen=True, slots=True)
class LocalName:
    """A name that the gateway answers itself. offer: the offer that is known by it outside; area: where
    it is asked for, None: anywhere; below: names below it get the same."""

    name: str
    addresses: tuple[Address, ...]
    offer: str | None = None
    area: str | None = None
    below: bool = False


@dataclass(frozen=True)
class ListPlan:
    """A list of names. text: what it holds, None: nobody has told it yet; fetched: when it came, None
    where it stands in the charter or beside it, or nobody knows."""

    said: NamedList
    text: bytes | None
    fetched: datetime | None = None

    @property
    def name(self) -> str:
        return self.said.name

    @cached_property
    def reading(self) -> Reading | None:
        """None where the contents are not known."""
        if self.text is None:
            return None
        return read(in_pieces(self.text), form_of(self.said))

    @property
    def entries(self) -> Entries | None:
        """None where the contents are not known, or can't be used."""
        found = self.reading
        return None if found is None or found.unusable else found.entries


def form_of(said: NamedList) -> Form | None:
    """In which form a list is written; None where that is to be recognised."""
    forms: Mapping[str, Form] = {
        "plain": "plain", "hosts": "hosts", "response-policy": "response-policy"
    }  # fmt: skip
    return "plain" if said.entries else forms[said.form] if said.form else None


@dataclass(frozen=True, slots=True)
class NamesPlan:
    """All that is decided about names.

    inside: addresses that no answer from outside may hold (rebinding), coded; local: by name;
    reverse: names by the name under which their address is asked for; lists: those that rules use.
    """

    domain: str = DOMAIN
    rows: tuple[NamesRow, ...] = ()
    local: Mapping[str, tuple[LocalName, ...]] = field(default_factory=dict)
    reverse: Mapping[str, str] = field(default_factory=dict)
    lists: Mapping[str, ListPlan] = field(default_factory=dict)
    resolvers: tuple[Resolver, ...] = ()
    inside: Ranges = ()
