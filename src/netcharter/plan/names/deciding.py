"""One look-up: which decision it meets, and with what it is answered."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date

from netcharter.charter.model import Address
from netcharter.plan.names.domains import suffixes
from netcharter.plan.names.lookup import Match
from netcharter.plan.names.shapes import Audience, NamesPlan, NamesRow, What
from netcharter.space.ranges import has

Holds = Callable[[str | None, date | None], bool]  # during and until, at the instant that is meant
Find = Callable[[str, str], Match | None]  # the entry of a known list that names a name


@dataclass(frozen=True, slots=True)
class Asker:
    """Who asks. source: the coded address; None: one that is no device's."""

    area: str
    source: int | None = None


@dataclass(frozen=True, slots=True)
class Met:
    """A decision that a look-up meets. what: the term that names it; list, entry: the list and its
    entry, where a list does. sure: not, where the list's contents are not known."""

    row: NamesRow
    what: What
    list: str | None = None
    entry: Match | None = None
    sure: bool = True


@dataclass(frozen=True, slots=True)
class Verdict:
    """What becomes of a look-up. may: decisions that would come first if a list that nobody has told
    yet named it; addresses: those that are answered, of the type asked for, with `local`; pointer:
    the name that an address has, with `local`; found: whether there is such a name at all."""

    met: Met
    may: tuple[Met, ...] = ()
    addresses: tuple[Address, ...] = ()
    pointer: str | None = None
    found: bool = True

    @property
    def certain(self) -> bool:
        """Whether no list that is not known could change it."""
        row = self.met.row
        return all((one.row.action, one.row.to) == (row.action, row.to) for one in self.may)


def decide(
    names: NamesPlan, asker: Asker, name: str, type: str, holds: Holds, find: Find
) -> Verdict:
    """The verdict on a normal name ("" is the root) for one type of record (A, AAAA, HTTPS, ...),
    which only what the gateway answers itself depends on."""
    return Decider(names, asker, holds)(name, type, find)


class Decider:
    """The decisions that concern one asker at one instant, laid out for many look-ups: about a quarter
    of a million a second among a million listed names."""

    def __init__(self, names: NamesPlan, asker: Asker, holds: Holds) -> None:
        self._names, self._area = names, asker.area
        # By name: the first decision, by its place, that is about the name itself, or what is below.
        self._itself: dict[str, tuple[int, Verdict]] = {}
        self._below: dict[str, tuple[int, Verdict]] = {}
        self._listing: list[tuple[int, NamesRow]] = []
        for row in names.rows:
            if any(asks(one, asker) for one in row.audience) and holds(row.during, row.until):
                self._take_in(row)

    def _take_in(self, row: NamesRow) -> None:
        for name, what in row.named.items():
            found = row.index, Verdict(Met(row, what), found=row.action != "none")
            self._itself.setdefault(name, found)
            if what.below:
                self._below.setdefault(name, found)
        if row.listing:
            self._listing.append((row.index, row))

    def __call__(self, name: str, type: str, find: Find) -> Verdict:
        """As `decide` does."""
        first, verdict = self._by_name(name)
        may: tuple[Met, ...] = ()
        for place, row in self._listing:
            if place >= first:
                break
            met = _by_lists(self._names, row, name, find)
            if met is not None and met.sure:
                return Verdict(met, may, found=row.action != "none")
            if met is not None:
                may = (*may, met)
        if verdict.met.row.action == "local":
            return _local(self._names, verdict.met, may, name, type, self._area)
        return replace(verdict, may=may) if may else verdict

    def _by_name(self, name: str) -> tuple[int, Verdict]:
        """The first decision of which a term is the name, or one that it is below of: the longest, if
        there are several. The last decision is about everything."""
        below = self._below
        best = self._itself.get(name) or below[""]
        place = name.find(".")
        while place >= 0:
            found = below.get(name[place + 1 :])
            if found is not None and found[0] < best[0]:
                best = found
            place = name.find(".", place + 1)
        root = below[""]
        return root if root[0] < best[0] else best


def asks(audience: Audience, asker: Asker) -> bool:
    """Is this one of them?"""
    if asker.area not in audience.areas:
        return False
    return audience.source is None or (
        asker.source is not None and has(audience.source, asker.source)
    )


def meets(names: NamesPlan, row: NamesRow, name: str, find: Find) -> Met | None:
    """How a decision speaks of a name: surely by one of its terms, or perhaps, or not."""
    for place, suffix in enumerate((*suffixes(name), "") if name else ("",)):
        what = row.named.get(suffix)
        if what is not None and (what.below or place == 0):
            return Met(row, what)
    return _by_lists(names, row, name, find)


def _by_lists(names: NamesPlan, row: NamesRow, name: str, find: Find) -> Met | None:
    perhaps: Met | None = None
    for what in row.listing:
        for list_name in what.lists:
            if names.lists[list_name].entries is None:
                perhaps = perhaps or Met(row, what, list_name, sure=False)
            elif (match := find(list_name, name)) is not None:
                return Met(row, what, list_name, match)
    return perhaps


def _local(
    names: NamesPlan, met: Met, may: tuple[Met, ...], name: str, type: str, area: str
) -> Verdict:
    """What the gateway answers by itself; no list says that."""
    local = names.local.get(name, ())
    local = tuple(one for one in local if one.offer is not None) or local
    if not local:
        above = (names.local.get(suffix, ()) for suffix in suffixes(name))
        local = next((tuple(one for one in found if one.below) for found in above if found), ())
    local = tuple(one for one in local if one.area in (None, area))
    version = {"A": 4, "AAAA": 6}.get(type)
    held = dict.fromkeys(a for one in local for a in one.addresses if a.version == version)
    pointer = names.reverse.get(name) if type == "PTR" else None
    known = bool(local) or name in names.reverse or name == names.domain
    return Verdict(met, may, tuple(held), pointer, known)
