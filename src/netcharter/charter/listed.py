"""What lists of addresses are for: addresses that are hostile, and places that are made of a list."""

from __future__ import annotations

from netcharter.charter.checks import KINDS, entries, kind_of, names_of
from netcharter.charter.shapes import MISSING, SAID, Fields, Path, Walk
from netcharter.charter.values import quoted
from netcharter.charter.words import suggest

SPARED = ("places", "devices")


def check_listed(walk: Walk, doc: Fields) -> None:
    """Places, and what is hostile."""
    for name, place in entries(doc, "places"):
        _place(walk, doc, ("places", name), place)
    hostile = doc.get("hostile", MISSING)
    if hostile is MISSING:
        return
    for i, name in enumerate(hostile.get("lists", ())):
        _of_addresses(walk, doc, ("hostile", "lists", i), name)
    for i, name in enumerate(hostile.get("except", ())):
        if isinstance(name, str):
            _spared(walk, doc, ("hostile", "except", i), name)


def _place(walk: Walk, doc: Fields, path: Path, place: Fields) -> None:
    said = [key for key in ("prefixes", "list") if key in place[SAID]]
    if not said:
        walk.tell("missing-key", walk.where(path), "a place lacks `prefixes` or `list`",
                  "add one of them: prefixes, list")  # fmt: skip
    elif len(said) > 1:
        walk.tell("too-much-said", walk.where((*path, "list")),
                  "a place says `prefixes` and `list`", "make two places of it",
                  related=((walk.where((*path, "prefixes")), "the other"),))  # fmt: skip
    if "list" in place:
        _of_addresses(walk, doc, (*path, "list"), place["list"])


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
    if kind in SPARED or any(doc.get(section) is MISSING for section in SPARED):
        return
    if kind is None:
        near = suggest(name, {n for section in SPARED for n in names_of(doc, section)})
        walk.tell("unknown-name", walk.where(path), f"nothing here is called {quoted(name)}",
                  f"write {near}" if near else "name a place or a device, or write a prefix")  # fmt: skip
    else:
        walk.tell("wrong-kind", walk.where(path), f"`{name}` is {KINDS[kind]}, which no list cuts off",
                  "name places and devices, or write prefixes")  # fmt: skip
