"""What places are made of, lists of addresses and domain names among it, and what is hostile."""

from __future__ import annotations

from netcharter.charter.checks import KINDS, entries, kind_of, names_of
from netcharter.charter.shapes import MISSING, SAID, Fields, Path, Walk
from netcharter.charter.values import quoted
from netcharter.charter.words import suggest

SPARED = ("places", "devices")
MADE_OF = ("prefixes", "list", "domains")
# Every set of them in which an address may be is told apart in what is proven.
MOST_BY_NAMES = 8


def check_listed(walk: Walk, doc: Fields) -> None:
    """Places, and what is hostile."""
    for name, place in entries(doc, "places"):
        _place(walk, doc, ("places", name), place)
    named = by_names(doc)
    for name in named[MOST_BY_NAMES:]:
        walk.tell("too-many-places", walk.where(("places", name, "domains")),
                  f"`{name}` is place number {named.index(name) + 1} that is made of domain names; "
                  f"a charter has at most {MOST_BY_NAMES}",
                  "put names together that rules never tell apart")  # fmt: skip
    hostile = doc.get("hostile", MISSING)
    if hostile is MISSING:
        return
    for i, name in enumerate(hostile.get("lists", ())):
        _of_addresses(walk, doc, ("hostile", "lists", i), name)
    for i, name in enumerate(hostile.get("except", ())):
        if isinstance(name, str):
            _spared(walk, doc, ("hostile", "except", i), name)


def _place(walk: Walk, doc: Fields, path: Path, place: Fields) -> None:
    said = [key for key in MADE_OF if key in place[SAID]]
    if not said:
        walk.tell("missing-key", walk.where(path), "a place lacks `prefixes`, `list` or `domains`",
                  f"add one of them: {', '.join(MADE_OF)}")  # fmt: skip
    elif len(said) > 1:
        walk.tell("too-much-said", walk.where((*path, said[1])),
                  f"a place says `{said[0]}` and `{said[1]}`", "make two places of it",
                  related=((walk.where((*path, said[0])), "the other"),))  # fmt: skip
    if "list" in place:
        _of_addresses(walk, doc, (*path, "list"), place["list"])


def by_names(doc: Fields) -> list[str]:
    """The places that are made of domain names."""
    return [name for name, place in entries(doc, "places") if "domains" in place[SAID]]


def has_addresses(walk: Walk, doc: Fields, path: Path, name: str, instead: str) -> None:
    """Tell where a place stands that is made of names, and nothing but addresses can."""
    if name in by_names(doc):
        walk.tell("place-of-names", walk.where(path),
                  f"`{name}` is made of domain names, which are only reached", instead,
                  related=((walk.where(("places", name, "domains")), "its names"),))  # fmt: skip


def _of_addresses(walk: Walk, doc: Fields, path: Path, name: str) -> None:
    known = doc.get("lists", {})
    if known is MISSING or known.get(name) is MISSING:
        return
    if name not in known:
        near = suggest(name, known)
        walk.tell("unknown-name", walk.where(path), f"there is no list {quoted(name)}",
                  f"write {near}" if near else "define it below `lists:`")  # fmt: skip
    elif known[name].get("of") != "addresses":
        walk.tell("wrong-kind", walk.where(path), f"`{name}` is a list of names, not of addresses",
                  "write `of: addresses` at the list, if that is what it holds",
                  related=((walk.where(("lists", name)), "defined here"),))  # fmt: skip


def _spared(walk: Walk, doc: Fields, path: Path, name: str) -> None:
    kind = kind_of(doc, name)
    has_addresses(walk, doc, path, name, "name a place that is made of prefixes or a list")
    if kind in SPARED or any(doc.get(section) is MISSING for section in SPARED):
        return
    if kind is None:
        near = suggest(name, {n for section in SPARED for n in names_of(doc, section)})
        walk.tell("unknown-name", walk.where(path), f"nothing here is called {quoted(name)}",
                  f"write {near}" if near else "name a place or a device, or write a prefix")  # fmt: skip
    else:
        walk.tell("wrong-kind", walk.where(path), f"`{name}` is {KINDS[kind]}, which no list cuts off",
                  "name places and devices, or write prefixes")  # fmt: skip
