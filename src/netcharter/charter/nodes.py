"""Text to a tree of nodes that know their places; limits and syntax errors as diagnostics.

The parser gives a flat row of events, so neither nesting nor aliases can exhaust the stack.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from netcharter.charter.syntax import explain
from netcharter.charter.values import quoted
from netcharter.diagnostics import Diagnostic, Span

MOST_BYTES = 4 * 1024 * 1024
MOST_NODES = 200_000
MOST_DEPTH = 64
UNPRINTABLE = re.compile(  # outside c-printable of YAML 1.2.2 section 5.1, or a break only in 1.1
    "[^\t\n\r\x20-\x7e\xa0-\u2027\u202a-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]"
)
BREAK = re.compile(r"\r\n|\r|\n")
CORE_TAG = "tag:yaml.org,2002:"
CORE_TAGS = {
    "scalar": {"!", *(CORE_TAG + t for t in ("str", "int", "float", "bool", "null"))},
    "mapping": {"!", CORE_TAG + "map"},
    "sequence": {"!", CORE_TAG + "seq"},
}
_LOADER: Any = getattr(yaml, "CBaseLoader", yaml.BaseLoader)


@dataclass(slots=True)
class Scalar:
    span: Span
    text: str
    plain: bool  # written without quotes and without a tag that makes it text
    last: int = 0  # the last line of a block text, which may be blank; 0 of other values


@dataclass(slots=True)
class Mapping:
    span: Span
    pairs: list[tuple[Node, Node]] = field(default_factory=list)


@dataclass(slots=True)
class Sequence:
    span: Span
    items: list[Node] = field(default_factory=list)


Node = Scalar | Mapping | Sequence


class Stopped(Exception):
    """Reading of one file ends here; carries what to tell."""

    def __init__(self, diagnostic: Diagnostic) -> None:
        super().__init__(diagnostic.message)
        self.diagnostic = diagnostic


def whole(name: str) -> Span:
    """The beginning of a file, for what can't be said of any other place."""
    return Span(name, 1, 1, 1, 1)


def place(text: str, offset: int, name: str, length: int = 1) -> Span:
    """The span of some characters of one line, by their position in the text."""
    before = BREAK.split(text[:offset])
    line, column = len(before), len(before[-1]) + 1
    return Span(name, line, column, line, column + length)


def stop(id: str, message: str, span: Span, help: str | None = None) -> Stopped:
    return Stopped(Diagnostic(id, "error", message, span, help=help))


def decode(data: str | bytes, name: str) -> str:
    """The text of a file, or Stopped: too large, binary, not UTF-8, unprintable characters."""
    if len(data) > MOST_BYTES:
        raise stop(  # how much more is not known here: a reader of files stops somewhere
            "too-large",
            "this file is too large for a charter: more than 4 million characters",
            whole(name),
            "move long lists of prefixes out of the charter, or split it with `include`",
        )
    text = data if isinstance(data, str) else _decode_bytes(data, name)
    text = text.removeprefix("\ufeff")
    bad = UNPRINTABLE.search(text)
    if bad is None:
        return text
    code = f"U+{ord(bad.group()):04X}"
    span = place(text, bad.start(), name)
    if bad.group() == "\0":
        raise stop("binary", "this is not a text file: it contains a NUL character", span)
    raise stop(
        "unprintable",
        f"a character that can't be seen stands here: {code}",
        span,
        'delete it; where it is meant, write it in double quotes as "\\u...."',
    )


def _decode_bytes(data: bytes, name: str) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        good = data[: error.start].decode("utf-8", errors="replace").removeprefix("\ufeff")
        if b"\0" in data:
            raise stop("binary", "this is not a text file", whole(name)) from None
        raise stop(
            "not-utf-8",
            f"this file is not UTF-8 text: byte 0x{data[error.start]:02X} can't stand here",
            place(good, len(good), name),
            "save the file as UTF-8",
        ) from None


def readable(data: str | bytes) -> str:
    """The text to show for a file, whatever it is; long ones by their beginning only."""
    head = data[:MOST_BYTES]
    text = head if isinstance(head, str) else head.decode("utf-8", errors="replace")
    return text.removeprefix("\ufeff")


def compose(text: str, name: str, room: int = MOST_NODES) -> tuple[Mapping, int]:
    """The document's root and the number of its nodes, aliases counted as often as they stand.

    room: how many nodes there may be. Raises Stopped.
    """
    try:
        return _Composer(name, room).run(_events(text))
    except yaml.YAMLError as error:
        raise Stopped(explain(error, text, name)) from None


def _events(text: str) -> Iterator[Any]:
    loader = _LOADER(text)
    try:
        while True:
            event = loader.get_event()
            if event is None:
                return
            yield event
    finally:
        loader.dispose()


@dataclass(slots=True)
class _Open:
    node: Mapping | Sequence
    anchor: str | None
    size_before: int
    key: Node | None = None


class _Composer:
    """The events of one document made into nodes."""

    def __init__(self, name: str, room: int) -> None:
        self.name = name
        self.room = room
        self.size = 0
        self.open: list[_Open] = []
        self.anchors: dict[str, tuple[Node, int] | None] = {}  # None: not complete yet
        self.root: Node | None = None

    def run(self, events: Iterator[Any]) -> tuple[Mapping, int]:
        documents = 0
        for event in events:
            kind = type(event)
            if kind is yaml.ScalarEvent:
                self.scalar(event)
            elif kind is yaml.MappingStartEvent:
                self.start(event, Mapping(self.span(event)), "mapping")
            elif kind is yaml.SequenceStartEvent:
                self.start(event, Sequence(self.span(event)), "sequence")
            elif kind is yaml.MappingEndEvent or kind is yaml.SequenceEndEvent:
                self.end(event)
            elif kind is yaml.AliasEvent:
                self.alias(event)
            elif kind is yaml.DocumentStartEvent:
                documents += 1
                if documents > 1:
                    raise stop(
                        "several-documents",
                        "a second document begins here; a charter is one document",
                        self.span(event),
                        "delete the line `---`, or keep the second document in its own file",
                    )
        return self.checked_root(), self.size

    def checked_root(self) -> Mapping:
        if self.root is None or (isinstance(self.root, Scalar) and not self.root.text):
            raise stop("empty", "this file says nothing", whole(self.name),
                       "begin with `charter: 1`")  # fmt: skip
        if not isinstance(self.root, Mapping):
            raise stop("not-a-mapping", "this file is not made of `key: value` lines",
                       self.root.span, "begin with `charter: 1`")  # fmt: skip
        return self.root

    def span(self, event: Any) -> Span:
        start, end = event.start_mark, event.end_mark
        return Span(self.name, start.line + 1, start.column + 1, end.line + 1, end.column + 1)

    def count(self, size: int, span: Span, alias: bool = False) -> None:
        self.size += size
        if self.size <= self.room:
            return
        if alias:
            raise stop("alias-budget", "the aliases (`*name`) make this charter too large", span,
                       "write the values out, or give them a name as a group, place or service")  # fmt: skip
        raise stop("too-many", f"more than {MOST_NODES} values: too many for a charter", span)

    def check_tag(self, event: Any, kind: str) -> None:
        if event.tag is not None and event.tag not in CORE_TAGS[kind]:
            at = self.span(event)
            raise stop("unknown-tag", f"{quoted(event.tag)} means nothing in a charter",
                       Span(at.file, at.line, at.column, at.line, at.column + 1),
                       "leave the tag out")  # fmt: skip

    def scalar(self, event: Any) -> None:
        span = self.span(event)
        last = 0
        if event.style in ("|", ">"):
            end = event.end_mark
            last = end.line if end.column == 0 else end.line + 1
            span = Span(self.name, span.line, span.column, span.line, span.column + 1)
        self.count(1, span)
        if event.tag is not None:
            self.check_tag(event, "scalar")
        plain = event.implicit[0] or event.tag in CORE_TAGS["scalar"] - {"!", CORE_TAG + "str"}
        node = Scalar(span, event.value, plain, last)
        if event.anchor is not None:
            self.anchors[event.anchor] = (node, 1)
        self.add(node)

    def start(self, event: Any, node: Mapping | Sequence, kind: str) -> None:
        self.check_tag(event, kind)
        if len(self.open) >= MOST_DEPTH:
            raise stop("too-deep", f"nested more than {MOST_DEPTH} levels deep", node.span)
        self.open.append(_Open(node, event.anchor, self.size))
        self.count(1, node.span)
        if event.anchor is not None:
            self.anchors[event.anchor] = None

    def end(self, event: Any) -> None:
        done = self.open.pop()
        node, start = done.node, done.node.span
        if event.end_mark.column > event.start_mark.column:  # a bracket, so a place of its own
            end_line, end_column = event.end_mark.line + 1, event.end_mark.column + 1
        else:
            last = _last(node)
            end = start if last is None else last.span
            end_line, end_column = max(
                (end.end_line, end.end_column), (start.end_line, start.end_column)
            )
        node.span = Span(self.name, start.line, start.column, end_line, end_column)
        if done.anchor is not None:
            self.anchors[done.anchor] = (node, self.size - done.size_before)
        self.add(node)

    def alias(self, event: Any) -> None:
        span = self.span(event)
        if event.anchor not in self.anchors:
            raise stop("alias-unknown", f"`*{event.anchor}` refers to nothing above it", span,
                       f"write `&{event.anchor}` before the value that is meant, above this place")  # fmt: skip
        known = self.anchors[event.anchor]
        if known is None:
            raise stop("alias-loop", f"`*{event.anchor}` stands within the very value it means",
                       span, "write the value out")  # fmt: skip
        node, size = known
        self.count(size, span, alias=True)
        self.add(node)

    def add(self, node: Node) -> None:
        if not self.open:
            self.root = node
            return
        top = self.open[-1]
        if isinstance(top.node, Sequence):
            top.node.items.append(node)
        elif top.key is None:
            top.key = node
        else:
            top.node.pairs.append((top.key, node))
            top.key = None


def _last(node: Mapping | Sequence) -> Node | None:
    if isinstance(node, Sequence):
        return node.items[-1] if node.items else None
    if not node.pairs:
        return None
    key, value = node.pairs[-1]
    empty = isinstance(value, Scalar) and value.plain and not value.text
    return key if empty else value
