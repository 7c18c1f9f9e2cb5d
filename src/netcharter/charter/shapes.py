"""Shapes of a document: each reads a node, tells what is wrong with it, and knows its schema.

One table of shapes (`table`) is the source of the reader, of the JSON Schema for editors and of
the reference page.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from netcharter.charter import nodes
from netcharter.charter.core import resolve
from netcharter.charter.values import Wrong, quoted
from netcharter.charter.words import by_letters, by_meaning, suggest
from netcharter.diagnostics import Diagnostic, Severity, Span

Path = tuple[str | int, ...]
Fields = dict[str, Any]  # the values that could be read, by key, and the two sets below
SAID = "?said"  # the keys that are there, rightly spelt or not, whatever their values
GUESSED = "?guessed"  # those of them that were misspelt
Schema = dict[str, Any]


class _Missing:
    """The value of what could not be read; it has been told already."""


MISSING: Final = _Missing()


MOST_DATES = 20_000
MOST_TOLD = 200  # errors, and as many of the rest: more than anybody mends at once


class Enough(Exception):
    """So much is wrong that reading on is of no use."""


@dataclass(slots=True)
class Walk:
    """One reading: what was found wrong so far, and where everything stands."""

    spans: dict[Path, Span] = field(default_factory=dict)
    found: list[Diagnostic] = field(default_factory=list)
    errors: int = 0
    untold: int = 0  # what is no error, beyond what is told
    dates: int = MOST_DATES  # how many more dated exceptions there may be

    def tell(
        self,
        id: str,
        span: Span,
        message: str,
        help: str | None = None,
        related: tuple[tuple[Span, str], ...] = (),
        severity: Severity = "error",
    ) -> None:
        if severity != "error" and len(self.found) - self.errors >= MOST_TOLD:
            self.untold += 1
            return
        self.found.append(Diagnostic(id, severity, message, span, help=help, related=related))
        self.errors += severity == "error"
        if self.errors >= MOST_TOLD:
            raise Enough

    def where(self, path: Path) -> Span:
        """The place of a value, or of the nearest thing around it."""
        while path not in self.spans:
            path = path[:-1]
        return self.spans[path]


def kind_of(node: nodes.Node) -> str:
    if isinstance(node, nodes.Sequence):
        return "a list"
    return "a mapping" if isinstance(node, nodes.Mapping) else quoted(node.text)


def is_null(node: nodes.Node) -> bool:
    return isinstance(node, nodes.Scalar) and node.plain and resolve(node.text) is None


def missing_value(walk: Walk, span: Span, what: str) -> _Missing:
    walk.tell("no-value", span, f"no value is given here; {what} is expected",
              "write the value, or leave the key out")  # fmt: skip
    return MISSING


@dataclass(frozen=True, slots=True)
class Shape:
    """What may stand at one place. `what`: in words, as the reference page says it."""

    what: str

    def read(self, walk: Walk, node: nodes.Node, path: Path) -> Any:
        raise NotImplementedError

    def schema(self) -> Schema:
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Value(Shape):
    """A scalar. `wants`: the type it must have by the core schema."""

    parse: Callable[[Any], Any]
    wants: type = str
    pattern: str | None = None
    limits: tuple[int, int] | None = None
    spelling: bool = False  # the text counts as it is written, whatever its type

    def read(self, walk: Walk, node: nodes.Node, path: Path) -> Any:
        walk.spans[path] = node.span
        return self.take(walk, node)

    def take(self, walk: Walk, node: nodes.Node) -> Any:
        """The value, without keeping its place."""
        if not isinstance(node, nodes.Scalar):
            walk.tell("wrong-type", node.span, f"{self.what} is expected here, not {kind_of(node)}")
            return MISSING
        value = resolve(node.text) if node.plain else node.text
        if value is None:
            return missing_value(walk, node.span, self.what)
        if self.spelling:
            value = node.text
        elif type(value) is not self.wants:
            walk.tell(
                "wrong-type", node.span, self.mistyped(node, value), self.retyped(node, value)
            )
            return MISSING
        try:
            return self.parse(value)
        except Wrong as wrong:
            walk.tell(wrong.id, node.span, wrong.message, wrong.help)
            return MISSING

    def mistyped(self, node: nodes.Scalar, value: object) -> str:
        if self.wants is str:
            kind = "true or false" if isinstance(value, bool) else "a number"
            return f"{self.what} is expected here, and {quoted(node.text)} is read as {kind}"
        return f"{self.what} is expected here, not {quoted(node.text)}"

    def retyped(self, node: nodes.Scalar, value: object) -> str | None:
        if self.wants is str:
            return f'write "{node.text}"' if len(node.text) < 30 else "put it in quotes"
        if self.wants is bool:
            yes = node.text.lower() in ("yes", "on", "y", "1", "true")
            no = node.text.lower() in ("no", "off", "n", "0", "false")
            return "write true" if yes else "write false" if no else "write true or false"
        return "write the number alone, without quotes" if self.wants is int else None

    def schema(self) -> Schema:
        if self.wants is bool:
            return {"type": "boolean"}
        if self.wants is int:
            low, high = self.limits or (0, 0)
            return {"type": "integer", "minimum": low, "maximum": high}
        return {"type": "string"} | ({"pattern": self.pattern} if self.pattern else {})


def number(what: str, low: int, high: int) -> Value:
    """A whole number within limits."""

    def parse(value: int) -> int:
        if not low <= value <= high:
            raise Wrong("bad-number", f"{quoted(str(value))} is not {what}",
                        f"it goes from {low} to {high}")  # fmt: skip
        return value

    return Value(f"{what}, {low} to {high}", parse, int, limits=(low, high))


@dataclass(frozen=True, slots=True)
class Choice(Shape):
    """One of a few words, each with its value."""

    options: Mapping[str, Any]

    def read(self, walk: Walk, node: nodes.Node, path: Path) -> Any:
        walk.spans[path] = node.span
        names = " or ".join(f"`{word}`" for word in self.options)
        if isinstance(node, nodes.Scalar) and node.text in self.options:
            return self.options[node.text]
        if is_null(node):
            return missing_value(walk, node.span, names)
        help = None
        if isinstance(node, nodes.Scalar):
            near = suggest(node.text, self.options)
            help = f"write {near}" if near else None
        walk.tell("bad-word", node.span, f"{names} is expected here, not {kind_of(node)}", help)
        return MISSING

    def schema(self) -> Schema:
        return {"enum": list(self.options)}


@dataclass(frozen=True, slots=True)
class Several(Shape):
    """One value or a list of them; always read as a tuple."""

    one: Value

    def read(self, walk: Walk, node: nodes.Node, path: Path) -> Any:
        walk.spans.setdefault(path, node.span)
        if not isinstance(node, nodes.Sequence):
            value = self.item(walk, node, (*path, 0))
            return MISSING if value is MISSING else (value,)
        if not node.items:
            walk.tell("empty-list", node.span, f"this list is empty; {self.one.what} is expected",
                      "write at least one, or leave the key out")  # fmt: skip
            return MISSING
        values = [self.item(walk, item, (*path, i)) for i, item in enumerate(node.items)]
        if MISSING in values:
            return MISSING
        first: dict[Any, Span] = {}
        for item, value in zip(node.items, values, strict=True):
            if value in first:
                walk.tell("said-twice", item.span, "this stands in the list already",
                          "delete one of them", severity="warning",
                          related=((first[value], "here first"),))  # fmt: skip
            else:
                first[value] = item.span
        return tuple(first)

    def item(self, walk: Walk, node: nodes.Node, path: Path) -> Any:
        walk.spans[path] = node.span
        return self.one.take(walk, node)

    def schema(self) -> Schema:
        one = self.one.schema()
        return {"anyOf": [one, {"type": "array", "items": one, "minItems": 1}]}


@dataclass(frozen=True, slots=True)
class WordOr(Shape):
    """A certain word, or something else."""

    word: str
    value: Any
    other: Shape

    def read(self, walk: Walk, node: nodes.Node, path: Path) -> Any:
        if isinstance(node, nodes.Scalar):
            if node.text == self.word:
                walk.spans[path] = node.span
                return self.value
            if by_meaning(node.text, (self.word,)) or by_letters(node.text, (self.word,)):
                walk.spans[path] = node.span
                walk.tell("bad-word", node.span,
                          f"`{self.word}` or {self.other.what} is expected, not {kind_of(node)}",
                          f"write {self.word}")  # fmt: skip
                return MISSING
        return self.other.read(walk, node, path)

    def schema(self) -> Schema:
        return {"anyOf": [{"const": self.word}, self.other.schema()]}


def pairs_of(
    walk: Walk, node: nodes.Mapping, what: str
) -> Iterator[tuple[str, nodes.Scalar, nodes.Node]]:
    """The pairs of a mapping by the text of their keys; keys that are no text or double, told."""
    seen: dict[str, Span] = {}
    for key, value in node.pairs:
        if not isinstance(key, nodes.Scalar):
            walk.tell("wrong-type", key.span, f"{kind_of(key)} can't be a key of {what}")
        elif key.text in seen:
            walk.tell("duplicate-key", key.span, f"{quoted(key.text)} stands twice in {what}",
                      "keep one of them", related=((seen[key.text], "here first"),))  # fmt: skip
        else:
            seen[key.text] = key.span
            yield key.text, key, value


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a record. `default`: in words, for the reference page."""

    name: str
    shape: Shape
    meaning: str
    required: bool = False
    default: str = ""


@dataclass(frozen=True, slots=True)
class Record(Shape):
    """A mapping with known keys. `never`: keys that can't be, with the id, and what to say of each."""

    keys: tuple[Key, ...]
    never: Mapping[str, tuple[str, str, str]] = field(default_factory=dict)

    def read(self, walk: Walk, node: nodes.Node, path: Path) -> Any:
        walk.spans.setdefault(path, node.span)
        required = [key.name for key in self.keys if key.required]
        if is_null(node) and not required:
            return {SAID: frozenset(), GUESSED: frozenset()}
        if not isinstance(node, nodes.Mapping):
            known = ", ".join(f"`{key.name}`" for key in self.keys[:6])
            walk.tell("wrong-type", node.span,
                      f"{self.what} is a mapping of keys such as {known}; here is {kind_of(node)}")  # fmt: skip
            return MISSING
        chosen, excused = self.choose(walk, node)
        fields: Fields = {}
        for key in self.keys:
            if key.name in chosen:
                value = key.shape.read(walk, chosen[key.name], (*path, key.name))
                if value is not MISSING:
                    fields[key.name] = value
            elif key.required and key.name not in excused:
                self.lacks(walk, walk.spans[path], key)
        fields[SAID], fields[GUESSED] = frozenset(chosen), excused
        return fields

    def choose(
        self, walk: Walk, node: nodes.Mapping
    ) -> tuple[dict[str, nodes.Node], frozenset[str]]:
        """The value of each known key, a misspelt key counting as the one it means."""
        known = {key.name for key in self.keys}
        chosen: dict[str, nodes.Node] = {}
        strange: list[tuple[str, nodes.Scalar, nodes.Node]] = []
        for text, key, value in pairs_of(walk, node, self.what):
            if text in known:
                chosen[text] = value
            else:
                strange.append((text, key, value))
        excused: set[str] = set()
        for text, key, value in strange:
            meant = self.unknown(walk, text, key, known - chosen.keys() - excused)
            if meant is not None:
                excused.add(meant)
                chosen.setdefault(meant, value)
        return chosen, frozenset(excused)

    def unknown(self, walk: Walk, text: str, key: nodes.Scalar, free: set[str]) -> str | None:
        """Tell of a key that is not known here; the one that is meant, if one can tell."""
        if text in self.never:
            id, message, help = self.never[text]
            walk.tell(id, key.span, message, help)
            return None
        foreign = by_meaning(text, free)
        if foreign is not None:
            walk.tell("foreign-word", key.span,
                      f"{quoted(text)} is called `{foreign}` in {self.what}",
                      f"write {foreign}")  # fmt: skip
            return foreign
        near = suggest(text, free)
        if near is None:
            help = "the keys here: " + ", ".join(k.name for k in self.keys)
            if text == "<<":
                help = "merge keys are no part of YAML 1.2; write the keys out"
            walk.tell("unknown-key", key.span, f"{self.what} has no key {quoted(text)}", help)
            return None
        walk.tell("unknown-key", key.span, f"{self.what} has no key {quoted(text)}",
                  f"write {near}")  # fmt: skip
        return near

    def lacks(self, walk: Walk, span: Span, key: Key) -> None:
        walk.tell("missing-key", first_line(span), f"{self.what} lacks `{key.name}`",
                  f"add `{key.name}:`: {key.meaning}")  # fmt: skip

    def schema(self) -> Schema:
        properties = {}
        for key in self.keys:
            said = key.meaning + (f"; default: {key.default}" if key.default else "")
            properties[key.name] = {"description": said} | key.shape.schema()
        found: Schema = {"type": "object", "properties": properties, "additionalProperties": False}
        required = [key.name for key in self.keys if key.required]
        if required:
            return found | {"required": required}
        return found | {"type": ["object", "null"]}


@dataclass(frozen=True, slots=True)
class Short(Record):
    """A record, or the value of its key `alone` by itself."""

    alone: str = ""

    def read(self, walk: Walk, node: nodes.Node, path: Path) -> Any:
        if isinstance(node, nodes.Scalar) and not is_null(node):
            key = nodes.Scalar(node.span, self.alone, True)
            node = nodes.Mapping(node.span, [(key, node)])
        return Record.read(self, walk, node, path)

    def schema(self) -> Schema:
        alone = next(key.shape for key in self.keys if key.name == self.alone)
        return {"anyOf": [alone.schema(), Record.schema(self)]}


def first_line(span: Span) -> Span:
    """The first character of a long stretch, to point at what is absent from it."""
    if span.end_line == span.line:
        return span
    return Span(span.file, span.line, span.column, span.line, span.column + 1)


@dataclass(frozen=True, slots=True)
class Named(Shape):
    """A mapping from names to records or values; a name's place is that of its key."""

    name: Value
    each: Shape

    def read(self, walk: Walk, node: nodes.Node, path: Path) -> Any:
        walk.spans.setdefault(path, node.span)
        if not isinstance(node, nodes.Mapping):
            walk.tell("wrong-type", node.span,
                      f"{self.what} is expected here, not {kind_of(node)}")  # fmt: skip
            return MISSING
        found: Fields = {}
        for text, key, value in pairs_of(walk, node, self.what):
            name = self.name.take(walk, key)
            known = found.get(name) if isinstance(name, str) else None
            if known is not None:
                walk.tell("duplicate-key", key.span, f"{quoted(text)} stands twice in {self.what}",
                          "keep one of them",
                          related=((walk.where((*path, name)), "here first"),))  # fmt: skip
                continue
            shown = name if isinstance(name, str) else text
            first = walk.spans.setdefault((*path, shown), key.span)
            if first is not key.span and isinstance(name, str):
                walk.tell("defined-twice", key.span, f"{quoted(text)} is defined in two files",
                          "keep one of them", related=((first, "here first"),))  # fmt: skip
                continue
            read = self.each.read(walk, value, (*path, shown))
            if isinstance(name, str):
                found[name] = read
        return found

    def schema(self) -> Schema:
        return {
            "type": "object",
            "propertyNames": self.name.schema(),
            "additionalProperties": self.each.schema(),
        }


@dataclass(frozen=True, slots=True)
class Listed(Shape):
    """A list of records."""

    each: Record

    def read(self, walk: Walk, node: nodes.Node, path: Path) -> Any:
        walk.spans.setdefault(path, node.span)
        if not isinstance(node, nodes.Sequence):
            walk.tell("wrong-type", node.span,
                      f"{self.what} is expected here, not {kind_of(node)}",
                      "begin every item on a line of its own with `- `")  # fmt: skip
            return MISSING
        found = []
        for i, item in enumerate(node.items):
            if is_null(item):
                found.append(missing_value(walk, item.span, self.each.what))
            else:
                found.append(self.each.read(walk, item, (*path, i)))
        return found

    def schema(self) -> Schema:
        return {"type": "array", "items": self.each.schema()}


@dataclass(frozen=True, slots=True)
class NamedOrListed(Shape):
    """Names with records, or a bare list of names, each then with an empty record."""

    named: Named

    def read(self, walk: Walk, node: nodes.Node, path: Path) -> Any:
        if not isinstance(node, nodes.Sequence):
            return self.named.read(walk, node, path)
        pairs = [(item, nodes.Scalar(item.span, "", True)) for item in node.items]
        return self.named.read(walk, nodes.Mapping(node.span, [*pairs]), path)

    def schema(self) -> Schema:
        listed = {"type": "array", "items": self.named.name.schema()}
        return {"anyOf": [self.named.schema(), listed]}
