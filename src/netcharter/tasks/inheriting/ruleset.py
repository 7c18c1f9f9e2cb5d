"""A ruleset as it was given: JSON as nft lists it, text as nft reads it, or this machine's own."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from netcharter.diagnostics import Diagnostic, Span
from netcharter.lab.reading import Machine, NotListed, listing_of
from netcharter.lab.trouble import LabFailed, LabImpossible
from netcharter.readback.listing import Listing, read_listing
from netcharter.readback.relocated import in_text, moved
from netcharter.readback.written import Places, includes, tokens, without_comments
from netcharter.tasks.sources import Unusable

BY_JSON = "give what `nft -j list ruleset` prints on the gateway itself"
_HEAD = re.compile(r"\s*(\ufeff\s*)?\{")
_INDEX = frozenset("iif oif device devices".split())


@dataclass(frozen=True, slots=True)
class Ruleset:
    """A listing with spans into the text that the user knows, and what was said while reading it."""

    listing: Listing
    problems: tuple[Diagnostic, ...]
    texts: Mapping[str, str]


def ruleset_of(data: bytes, name: str) -> Ruleset:
    """Read a ruleset, JSON or text. Raises Unusable."""
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as wrong:
        before = data[: wrong.start].decode("utf-8")
        line, column = before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1
        span = Span(name, line, column, line, column + 1)
        raise _unusable("not-utf-8", "this is not UTF-8 text", span, "", BY_JSON) from None
    if _HEAD.match(text):
        return _of_json(text, name)
    return _of_text(text, name)


def ruleset_of_machine(machine: Machine) -> Ruleset:
    """What this machine has loaded, told in the words of `nft list ruleset`."""
    found = _of_json(machine.listing, "nft -j list ruleset")
    name = "nft list ruleset"
    into = in_text(found.listing, machine.text, name)
    return Ruleset(into, moved(found.problems, found.listing, into), {name: machine.text})


def _of_json(text: str, name: str) -> Ruleset:
    listed = read_listing(text, name)
    if listed.listing is None:
        told = (replace(one, help=one.help or BY_JSON) for one in listed.problems)
        raise Unusable(tuple(told), {name: text})
    return Ruleset(listed.listing, listed.problems, {name: text})


def _of_text(text: str, name: str) -> Ruleset:
    """Loaded into namespaces of its own and listed there; spans point into the text."""
    place = includes(text)
    if place is not None:
        span = Places(text, name).span(*place)
        message = "the ruleset includes another file, and only what is named here is read"
        raise _unusable("ruleset-includes", message, span, text, BY_JSON)
    if "\0" in text:  # nft would read no further
        at = text.index("\0")
        message = "the ruleset holds a character that no text has (NUL)"
        span = Places(text, name).span(at, at + 1)
        raise _unusable("ruleset-not-loaded", message, span, text, BY_JSON)
    if not text.strip():
        raise _unusable("listing-empty", "the ruleset is empty", _whole(name), text, BY_JSON)
    try:
        found = _of_json(listing_of(without_comments(text), list(devices_by_index(text))), name)
    except Unusable as wrong:  # of the listing that nft made of it
        told = (replace(one, span=_whole(name), help=BY_JSON) for one in wrong.diagnostics)
        raise Unusable(tuple(told), {name: text}) from None
    except NotListed as fault:
        raise _not_loaded(fault, name, text) from None
    except (LabFailed, LabImpossible, TimeoutError) as fault:
        message = f"a text has to be loaded to be understood, and that is not possible: {fault}"
        raise _unusable("ruleset-not-loaded", message, _whole(name), text, BY_JSON) from None
    into = in_text(found.listing, text, name)
    return Ruleset(into, moved(found.problems, found.listing, into), {name: text})


def _not_loaded(fault: NotListed, name: str, text: str) -> Unusable:
    span = _whole(name)
    if fault.place is not None:
        line, first, last = fault.place
        span = Span(name, line, first, line, last + 1)
    message = f"nft does not take this ruleset: {fault.message}"
    return _unusable("ruleset-not-loaded", message, span, text, f"correct it, or {BY_JSON}")


def _unusable(ident: str, message: str, span: Span, text: str, instead: str) -> Unusable:
    return Unusable((Diagnostic(ident, "error", message, span, help=instead),), {span.file: text})


def _whole(name: str) -> Span:
    return Span(name, 1, 1, 1, 1)


def devices_by_index(text: str) -> Iterator[str]:
    """Names of network devices that a text speaks of by index, and that must be there to load it."""
    defined: dict[str, list[str]] = {}
    words = [token.text for token in tokens(text)]
    for at, word in enumerate(words):
        if word in ("define", "redefine") and at + 1 < len(words):
            defined[words[at + 1].rstrip("=")] = list(_values(words, at + 2))
        elif word in _INDEX:
            for name in _values(words, at + 1):
                yield from defined.get(name[1:], ()) if name.startswith("$") else (name,)


def _values(words: list[str], at: int) -> Iterator[str]:
    """The words of one value: a single one, or those between braces."""
    while at < len(words) and words[at].strip("=!") == "":
        at += 1
    if at < len(words) and words[at] != "{":
        yield words[at].strip('",=')
        return
    for word in words[at + 1 : at + 200]:
        if word == "}":
            return
        yield from (part.strip('"') for part in word.split(",") if part.strip('"'))
