"""A name in the lists of a plan: the entry that names it, and so the line of the list."""

from __future__ import annotations

from netcharter.plan.names.lookup import Lookup, Match, compiled
from netcharter.plan.names.shapes import NamesPlan


class Finder:
    """Looks names up in all lists of a plan, which are taken in when the first is asked for."""

    def __init__(self, names: NamesPlan) -> None:
        self._names = names
        self._lookup: Lookup | None = None
        self._name, self._found = "", dict[str, Match]()

    def __call__(self, found: str, name: str) -> Match | None:
        """The entry of a list that names a normal name; None where none does."""
        if self._lookup is None:
            known = self._names.lists.items()
            self._lookup = compiled({one: p.entries for one, p in known if p.entries is not None})
        if self._name != name:
            self._name = name
            self._found = {match.list: match for match in self._lookup.find(name)}
        return self._found.get(found)
