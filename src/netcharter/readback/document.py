"""The text of a listing as JSON items that know where they stand. Bounded: size, depth, numbers."""

from __future__ import annotations

import json
import re
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from netcharter.diagnostics import Diagnostic, Severity, Span

MOST_CHARACTERS = 64 * 1024 * 1024
MOST_DEPTH = 64  # nft nests no deeper than twenty
MOST_DIGITS = 40  # an IPv6 address has 39; nothing in a listing is larger
MOST_TOLD = 50  # diagnostics of one kind are not useful beyond that
_HEAD = re.compile(r'\ufeff?\s*\{\s*"nftables"\s*:\s*\[\s*')
_SPACE = re.compile(r"\s*")
_NUMBER = re.compile(rf"-?\d{{{MOST_DIGITS + 1},}}")


class Refused(Exception):
    """The listing can't be used; carries what to tell."""

    def __init__(self, diagnostic: Diagnostic) -> None:
        super().__init__(diagnostic.message)
        self.diagnostic = diagnostic


class _TooLarge(ValueError):
    """A number beyond all that a listing holds."""


@dataclass(frozen=True, slots=True)
class Item:
    """One object of the list: its kind, what it says, where it stands, keys that stood twice."""

    kind: str
    said: dict[str, Any]
    span: Span
    twice: tuple[str, ...] = ()


class Document:
    """A text and its lines, for spans."""

    def __init__(self, text: str, name: str) -> None:
        self.text = text
        self.name = name
        self._starts = [0, *(m.end() for m in re.finditer("\n", text[:MOST_CHARACTERS]))]

    def span(self, start: int, end: int | None = None) -> Span:
        """The stretch between two offsets (one character where no end is given)."""
        end = start + 1 if end is None else end
        return Span(self.name, *self._place(start), *self._place(end))

    def _place(self, offset: int) -> tuple[int, int]:
        line = bisect_right(self._starts, offset)
        return line, offset - self._starts[line - 1] + 1

    def tell(
        self, id: str, severity: Severity, message: str, span: Span, help: str | None = None
    ) -> Diagnostic:
        return Diagnostic(id, severity, message, span, help=help)

    def refuse(self, id: str, message: str, start: int, help: str | None = None) -> Refused:
        return Refused(self.tell(id, "error", message, self.span(start), help))


def items(document: Document) -> Iterator[Item]:
    """The items of `{"nftables": [...]}` in order. Raises Refused."""
    text = document.text
    at = _begin(document)
    if text[at : at + 1] == "]":
        _end(document, at + 1)
        return
    decoder = _Decoder(document)
    while True:
        item, at = decoder.item(at)
        yield item
        at = _skip(text, at)
        mark = text[at : at + 1]
        if mark == "]":
            _end(document, at + 1)
            return
        if mark != ",":
            raise _broken(document, at, "a comma or the end of the list")
        at = _skip(text, at + 1)


def _begin(document: Document) -> int:
    text = document.text
    if len(text) > MOST_CHARACTERS:
        raise document.refuse(
            "listing-too-large",
            f"the listing has {len(text):,} characters; at most {MOST_CHARACTERS:,} are read",
            0,
        )
    head = _HEAD.match(text)
    if head:
        return head.end()
    if not text.strip():
        raise document.refuse("listing-empty", "the listing is empty", 0)
    start = _skip(text, 0)
    raise document.refuse(
        "listing-not-json",
        'the text does not begin with {"nftables": [, so it is no JSON listing of a ruleset',
        start,
        "Write the listing with: nft -j list ruleset",
    )


def _end(document: Document, at: int) -> None:
    at = _skip(document.text, at)
    if document.text[at : at + 1] != "}":
        raise _broken(document, at, "the closing brace of the listing")
    at = _skip(document.text, at + 1)
    if at < len(document.text):
        raise _broken(document, at, "the end of the text")


def _skip(text: str, at: int) -> int:
    found = _SPACE.match(text, at)
    return found.end() if found else at


def _broken(document: Document, at: int, wanted: str) -> Refused:
    if at >= len(document.text):
        return document.refuse(
            "listing-truncated", f"the listing ends where {wanted} was expected", at
        )
    return document.refuse("listing-not-json", f"{wanted} was expected here", at)


class _Decoder:
    """JSON with an eye on keys that stand twice, on depth and on the size of numbers."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self._twice: list[str] = []
        self._json = json.JSONDecoder(
            object_pairs_hook=self._object, parse_int=_integer, parse_constant=_constant
        )

    def _object(self, pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) != len(pairs):
            seen: set[str] = set()
            for key, _ in pairs:
                if key in seen:
                    self._twice.append(key)
                seen.add(key)
        return found

    def item(self, at: int) -> tuple[Item, int]:
        """The item that begins at an offset, and where it ends."""
        self._twice = []
        value, end = self._decoded(at)
        span = self.document.span(at, end)
        if not isinstance(value, dict) or len(value) != 1:
            raise Refused(
                self.document.tell(
                    "listing-shape",
                    "error",
                    "an item of the listing is not an object with one key that says what it is",
                    span,
                )
            )
        ((kind, said),) = value.items()
        if not isinstance(said, dict):
            message = f"the {kind[:40]} is not an object"
            raise Refused(self.document.tell("listing-shape", "error", message, span))
        if _too_deep(said):
            raise self._depth(at)
        return Item(kind, said, span, tuple(self._twice)), end

    def _decoded(self, at: int) -> tuple[Any, int]:
        document = self.document
        try:
            return self._json.raw_decode(document.text, at)
        except RecursionError:
            raise self._depth(at) from None
        except _TooLarge:
            found = _NUMBER.search(document.text, at)
            message = f"a number has more than {MOST_DIGITS} digits"
            start = found.start() if found else at
            raise document.refuse("listing-number", message, start) from None
        except json.JSONDecodeError as wrong:
            rest = document.text[wrong.pos :].strip()
            unended = not rest or wrong.msg.startswith("Unterminated")
            if unended:
                end = len(document.text)
                message = "the listing ends in the middle of an item"
                raise document.refuse("listing-truncated", message, end) from None
            message = f"this is not JSON: {wrong.msg[0].lower()}{wrong.msg[1:]}"
            raise document.refuse("listing-not-json", message, wrong.pos) from None
        except ValueError as wrong:
            raise document.refuse("listing-not-json", f"this is not JSON: {wrong}", at) from None

    def _depth(self, at: int) -> Refused:
        message = f"objects and lists are nested more than {MOST_DEPTH} deep"
        return self.document.refuse("listing-too-deep", message, at)


def _integer(text: str) -> int:
    if len(text) > MOST_DIGITS:
        raise _TooLarge
    return int(text)


def _constant(text: str) -> float:
    raise ValueError(f"{text} is no number of JSON")


def _too_deep(said: Any) -> bool:
    level: list[Any] = [said]
    for _ in range(MOST_DEPTH):
        below: list[Any] = []
        for value in level:
            if isinstance(value, dict):
                below += [v for v in value.values() if isinstance(v, dict | list)]
            else:
                below += [v for v in value if isinstance(v, dict | list)]
        if not below:
            return False
        level = below
    return True
