"""Text in, charter out: what a charter says, or everything that is wrong with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from netcharter.charter import nodes
from netcharter.charter.build import build
from netcharter.charter.checks import check_services, check_site
from netcharter.charter.discovery import check_discovery
from netcharter.charter.lines import check_dialling
from netcharter.charter.list_checks import check_lists
from netcharter.charter.listed import check_listed
from netcharter.charter.model import Charter
from netcharter.charter.name_checks import check_names
from netcharter.charter.sentences import check_sentences
from netcharter.charter.shapes import (
    GUESSED,
    MISSING,
    MOST_TOLD,
    SAID,
    Enough,
    Fields,
    Walk,
    first_line,
)
from netcharter.charter.table import CHARTER, INCLUDE, LISTS, PART
from netcharter.charter.values import quoted
from netcharter.diagnostics import Diagnostic, Span

MOST_FILES = 64


class Unreadable(Exception):
    """An included file can't be had; the text says why, in a few words."""


class Loader(Protocol):
    def __call__(self, name: str) -> str | bytes:
        """The text of a file named relative to the charter's folder; raises Unreadable."""
        ...


@dataclass(frozen=True, slots=True)
class Reading:
    """What came of reading. The charter is None exactly if some diagnostic is an error.

    texts: the text of every file by the name its spans bear, for underlining.
    """

    charter: Charter | None
    diagnostics: tuple[Diagnostic, ...]
    texts: Mapping[str, str]


def read(text: str | bytes, name: str, load: Loader | None = None) -> Reading:
    """Read a charter and the files it includes; never raises, whatever the text.

    name: how to call the file in diagnostics; its folder is where `include` begins.
    """
    files = _Files(name, load)
    files.walk.spans[()] = nodes.whole(name)
    charter, rest = None, ""
    try:
        files.take(text, name, "", ())
        charter = _judge(files)
    except Enough:
        rest = f"reading stops here, after {MOST_TOLD} errors"
    if files.walk.untold:
        rest = rest or f"and {files.walk.untold} more that are no errors"
    return Reading(charter, _in_order(files.walk.found, files.texts, rest), files.texts)


def _judge(files: _Files) -> Charter | None:
    """The charter of files that could all be read, if no error is found in it."""
    walk, doc = files.walk, files.doc
    if files.stopped:
        return None
    check_site(walk, doc)
    check_dialling(walk, doc)
    check_listed(walk, doc)
    check_lists(walk, doc)
    services = check_services(walk, doc)
    check_sentences(walk, doc, services)
    check_names(walk, doc)
    check_discovery(walk, doc)
    return None if walk.errors else build(walk, doc, services)


def _in_order(
    found: list[Diagnostic], texts: Mapping[str, str], rest: str
) -> tuple[Diagnostic, ...]:
    """By file and place; at the end a word on what is left out, if anything is."""
    order = {name: i for i, name in enumerate(texts)}
    told = sorted(found, key=lambda d: (order.get(d.span.file, 0), d.span.line, d.span.column))
    if rest:
        told.append(Diagnostic("and-more", "note", rest, told[-1].span))
    return tuple(told)


@dataclass(slots=True)
class _Files:
    """The files of one charter as they are read, one after the other."""

    root: str
    load: Loader | None
    walk: Walk = field(default_factory=Walk)
    doc: Fields = field(default_factory=lambda: {GUESSED: frozenset()})
    texts: dict[str, str] = field(default_factory=dict)
    room: int = nodes.MOST_NODES
    stopped: bool = False

    def shown(self, inner: str) -> str:
        """The name of an included file as spans bear it: beside the charter's own name."""
        folder, slash, _ = self.root.rpartition("/")
        return folder + slash + inner

    def take(self, data: str | bytes, name: str, folder: str, chain: tuple[str, ...]) -> None:
        """Read one file into the document, then what it includes."""
        self.texts[name] = nodes.readable(data)
        try:
            text = nodes.decode(data, name)
            self.texts[name] = text
            tree, size = nodes.compose(text, name, self.room)
        except nodes.Stopped as stopped:
            self.walk.found.append(stopped.diagnostic)
            self.stopped = True
            return
        self.room -= size
        self.without_second_lists(tree)
        shape = CHARTER if not chain else PART
        fields = shape.read(self.walk, tree, ())
        self.merge(fields)
        for i, inner in enumerate(fields.get("include", ())):
            span = self.include_span(tree, i)
            self.include(folder + inner, span, (*chain, name))

    def include_span(self, tree: nodes.Mapping, index: int) -> Span:
        """The place of a file name in an `include` of this very file."""
        for key, value in tree.pairs:
            if isinstance(key, nodes.Scalar) and key.text == INCLUDE.name:
                listed = isinstance(value, nodes.Sequence) and index < len(value.items)
                return value.items[index].span if listed else value.span  # type: ignore[union-attr]
        return tree.span

    def include(self, inner: str, span: Span, chain: tuple[str, ...]) -> None:
        name = self.shown(inner)
        if name in chain:
            way = " -> ".join([*chain[chain.index(name) :], name][-6:])
            self.refuse("include-loop", span, f"this file includes itself: {way}",
                        "take one of these includes out")  # fmt: skip
        elif name in self.texts:
            self.refuse("include-twice", span, f"{quoted(inner)} is included already",
                        "include every file once")  # fmt: skip
        elif len(self.texts) >= MOST_FILES:
            self.refuse("too-many-files", span, f"more than {MOST_FILES} files make up this charter",
                        "put some of them together")  # fmt: skip
        else:
            data = self.loaded(inner, span)
            if data is not None:
                self.take(data, name, inner.rpartition("/")[0] + "/" * ("/" in inner), chain)

    def refuse(self, id: str, span: Span, message: str, help: str) -> None:
        self.walk.tell(id, span, message, help)
        self.stopped = True

    def loaded(self, inner: str, span: Span) -> str | bytes | None:
        """An included file; None if it can't be had, which is told."""
        reason = "files can't be included here"
        if self.load is not None:
            try:
                return self.load(inner)
            except FileNotFoundError:
                reason = "there is no such file"
            except (OSError, LookupError, ValueError, Unreadable) as error:
                reason = str(error.args[-1]) if error.args else "it can't be read"
        self.refuse("include-unreadable", span, f"{quoted(inner)} can't be included: {reason}",
                    "the name counts from the folder of the file it stands in")  # fmt: skip
        return None

    def without_second_lists(self, tree: nodes.Mapping) -> None:
        """Take a second list of rules, offers or promises out: their order would be a guess."""
        kept = []
        for key, value in tree.pairs:
            section = key.text if isinstance(key, nodes.Scalar) else ""
            if section in LISTS and section in self.doc:
                first = first_line(self.walk.where((section,)))
                self.walk.tell("split-list", key.span,
                               f"`{section}` stand in two files, and their order decides",
                               "keep all of them in one file",
                               related=((first, "here first"),))  # fmt: skip
            else:
                kept.append((key, value))
        tree.pairs = kept

    def merge(self, fields: Fields) -> None:
        for section, value in fields.items():
            if section in (GUESSED, SAID):
                self.doc[section] = self.doc.get(section, frozenset()) | value
            elif isinstance(value, dict) and isinstance(self.doc.get(section), dict):
                self.doc[section] = self.doc[section] | value
            elif section != "include":
                self.doc.setdefault(section, value)
        for section in fields[SAID] - fields.keys():
            self.doc[section] = MISSING
