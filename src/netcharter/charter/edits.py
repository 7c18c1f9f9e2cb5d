"""Edits of a charter's text that keep all the rest of it: remarks, order, and every place.

A value is exchanged where it stands. What is taken out becomes a remark, its first column overwritten
with `#`, or spaces where only a part of a line goes; so line and column of everything else stay
what they are, and a finding about the edited text underlines the right place in the text that its
writer knows. Whoever edits reads the result again and compares:
what these functions can't do (an anchor that is needed elsewhere, say) shows there.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from netcharter.charter import nodes
from netcharter.charter.core import resolve
from netcharter.charter.read import Loader, Unreadable
from netcharter.diagnostics import Span

Texts = Mapping[str, str]
_PLAIN = re.compile(r"[A-Za-z_][A-Za-z0-9_.@+-]*")
_PROPERTIES = re.compile(r"(?:[&!]\S*\s+)*")  # an anchor, a tag
_LISTS = ("rules", "offers", "promises", "exits", "names", "discovery")
_NAMED = ("areas", "devices")
_WHO_AND_WHAT = ("let", "refuse", "reach", "from", "never", "always", "only", "for", "in")


# --- exchanging values ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Edit:
    """The value at a place becomes another text, which is written as YAML needs it."""

    span: Span
    value: str


def edited(texts: Texts, edits: Collection[Edit]) -> dict[str, str]:
    """The files of a charter with some values exchanged. Of two edits of one place the first
    counts; a place outside the texts is left alone."""
    found = dict(texts)
    by_file: dict[str, dict[tuple[int, int], Edit]] = {}
    for edit in edits:
        if edit.span.file in found:
            places = by_file.setdefault(edit.span.file, {})
            places.setdefault((edit.span.line, edit.span.column), edit)
    for name, places in by_file.items():
        page = _Page(found[name])
        for _, edit in sorted(places.items(), reverse=True):
            page.exchange(edit)
        found[name] = page.text
    return found


def scalar(value: str) -> str:
    """A text as a YAML scalar, within brackets or without: in double quotes where it must be."""
    if _PLAIN.fullmatch(value) and isinstance(resolve(value), str):
        return value
    return json.dumps(value, ensure_ascii=True)  # whose escapes YAML has, too (1.2.2, section 5.7)


def loader(texts: Texts, root: str) -> Loader:
    """Gives included files out of these texts; root: what the charter itself is called."""
    folder, slash, _ = root.rpartition("/")

    def load(name: str) -> str:
        try:
            return texts[folder + slash + name]
        except KeyError:
            raise Unreadable("there is no such file") from None

    return load


class _Page:
    """One file's text, edited by lines and columns that count from 1."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.starts = [0, *(match.end() for match in nodes.BREAK.finditer(text))]

    def at(self, line: int, column: int) -> int:
        line = min(max(line, 1), len(self.starts))
        return min(self.starts[line - 1] + column - 1, len(self.text))

    def begin(self, span: Span) -> int:
        return self.at(span.line, span.column)

    def end(self, span: Span) -> int:
        return self.at(span.end_line, span.end_column)

    def exchange(self, edit: Edit) -> None:
        begin, end = self.begin(edit.span), self.end(edit.span)
        properties = _PROPERTIES.match(self.text, begin, end)
        begin = properties.end() if properties else begin
        self.text = self.text[:begin] + scalar(edit.value) + self.text[end:]

    def add(self, mapping: nodes.Mapping, entry: str, lines: str = "") -> None:
        """One more pair at the end of a mapping. lines: how it is written where there are no braces,
        if otherwise; what stands behind the last pair as a remark stays with that."""
        if self.in_brackets(mapping):
            at = self.end(mapping.span) - 1
            last = self.end(mapping.pairs[-1][1].span) if mapping.pairs else at
            between = re.sub(r"#[^\r\n]*", "", self.text[last:at])
            comma = "" if not mapping.pairs or "," in between else ", "
            self.text = f"{self.text[:at]}{comma}{entry}{self.text[at:]}"
            return
        key, value = mapping.pairs[-1]
        dashes = isinstance(value, nodes.Sequence) and not self.in_brackets(value)
        least = self.end(value.span) if value.span.line >= key.span.line else self.end(key.span)
        at = self.block_end(
            key.span.line, key.span.column, max(least, self.text_end(value)), dashes
        )
        wanted = f"\n{lines or entry}".replace("\n", "\n" + " " * (key.span.column - 1))
        if "\r\n" in self.text:
            wanted = wanted.replace("\n", "\r\n")
        self.text = self.text[:at] + wanted + self.text[at:]

    def blank(self, begin: int, end: int) -> None:
        gone = re.sub(r"[^\r\n]", " ", self.text[begin:end])
        self.text = self.text[:begin] + gone + self.text[end:]

    def remark(self, begin: int, end: int) -> None:
        """Take whole lines out, from the one in which something begins. If more stands before it
        in that line, only the rest goes. Spaces would not do: they can belong to a text above."""
        line = max(start for start in self.starts if start <= begin)
        if self.text[line:begin].strip(" "):
            rest = min(self.line_end(begin), end)
            self.blank(begin, rest)
            begin = rest
        else:
            begin = line
        for start in self.starts:
            if begin <= start < end and self.line_end(start) > start:
                self.text = f"{self.text[:start]}#{self.text[start + 1 :]}"

    def in_brackets(self, node: nodes.Node) -> bool:
        properties = _PROPERTIES.match(self.text, self.begin(node.span))
        at = properties.end() if properties else self.begin(node.span)
        return self.text[at : at + 1] in ("{", "[")

    # --- where an entry ends ---

    def flow_end(self, at: int) -> int:
        """The end of an entry within brackets, the comma after it included."""
        depth, fresh = 0, True  # fresh: a value can begin here, and so can quotes
        while at < len(self.text):
            letter = self.text[at]
            if letter in "'\"" and fresh:
                at = self.quotes_end(at)
                fresh = False
                continue
            if letter == "#" and self.text[at - 1 : at].isspace():
                at = self.line_end(at)
                continue
            if letter in "]}" and depth == 0:
                return at
            if letter == "," and depth == 0:
                return at + 1
            depth += (letter in "[{") - (letter in "]}")
            fresh = letter in "[{,:" or (fresh and letter.isspace())
            at += 1
        return at

    def quotes_end(self, at: int) -> int:
        pattern = r"'(?:[^']|'')*'" if self.text[at] == "'" else r'"(?:[^"\\]|\\.)*"'
        found = re.compile(pattern, re.DOTALL).match(self.text, at)
        return found.end() if found else len(self.text)

    def line_end(self, at: int) -> int:
        found = nodes.BREAK.search(self.text, at)
        return found.start() if found else len(self.text)

    def text_end(self, node: nodes.Node) -> int:
        """The end of the block text with which a value ends, lines that look like remarks included,
        and blank ones where they count; 0 where it ends otherwise."""
        while not isinstance(node, nodes.Scalar):
            each = node.items if isinstance(node, nodes.Sequence) else [v for _, v in node.pairs]
            if not each:
                return 0
            node = each[-1]
        last = node.last
        counts = node.text.endswith("\n\n") or not node.text.strip("\n")
        while last > node.span.line and not counts:
            start = self.at(last, 1)
            if self.text[start : self.line_end(start)].strip():
                break
            last -= 1
        return self.line_end(self.at(last, 1)) if last else 0

    def block_end(self, line: int, column: int, least: int, dashes: bool = False) -> int:
        """The end of an entry that begins at a column: with the last line that stands further in.

        least: where it ends at the earliest; dashes: lines with `- ` at that very column are
        its own. Lines that hold a remark only are never the end.
        """
        end = max(self.line_end(self.at(line, column)), least)
        for number in range(line + 1, len(self.starts) + 1):
            start = self.starts[number - 1]
            words = self.text[start : self.line_end(start)]
            bare = words.strip()
            if not bare or bare.startswith("#"):
                continue
            inset = len(words) - len(words.lstrip(" "))
            own = dashes and inset == column - 1 and bare.startswith("-")
            if inset < column and not own and start > least:
                break
            end = max(end, self.line_end(start))
        return end


# --- adding entries ------------------------------------------------------------------------------


def added(texts: Texts, root: str, section: str, entry: str) -> dict[str, str]:
    """The files of a charter with one more entry in a section of names, the last of it.

    root: what the charter itself is called, at whose end the section begins where no file has it;
    entry: one line of YAML, as it may stand within braces, too: `name: {key: value}`.
    """
    for name, text in texts.items():
        page = _Page(text)
        try:
            tree, _ = nodes.compose(text, name)
        except nodes.Stopped:
            continue
        for key, value in tree.pairs:
            if isinstance(key, nodes.Scalar) and key.text == section:
                if isinstance(value, nodes.Mapping):
                    page.add(value, entry)
                return {**texts, name: page.text}
    page = _Page(texts[root])
    page.add(
        nodes.compose(texts[root], root)[0], f"{section}: {{{entry}}}", f"{section}:\n  {entry}"
    )
    return {**texts, root: page.text}


# --- taking things out ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Gone:
    """What is to be taken out of a charter. names: areas and devices, also out of every list in
    which they stand; rules, offers, promises, exits: by their place in their list, from 0."""

    names: frozenset[str]
    rules: frozenset[int] = frozenset()
    offers: frozenset[int] = frozenset()
    promises: frozenset[int] = frozenset()
    exits: frozenset[int] = frozenset()
    names_rules: frozenset[int] = frozenset()
    discovery: frozenset[int] = frozenset()

    def places(self, section: str) -> frozenset[int]:
        return {
            "rules": self.rules,
            "offers": self.offers,
            "promises": self.promises,
            "exits": self.exits,
            "names": self.names_rules,
            "discovery": self.discovery,
        }[section]


def without(texts: Texts, gone: Gone) -> dict[str, str]:
    """The files of a charter with some things taken out. The texts are ones that could be read;
    a file that is none (it is not composed of nodes) is left as it is."""
    return {name: _Taking(text, name, gone).done() for name, text in texts.items()}


@dataclass(slots=True)
class _Taking:
    """Taking things out of one file."""

    original: str
    name: str
    gone: Gone
    page: _Page = field(init=False)

    def done(self) -> str:
        self.page = _Page(self.original)
        try:
            root, _ = nodes.compose(self.original, self.name)
        except nodes.Stopped:
            return self.original
        for key, value in root.pairs:
            section = key.text if isinstance(key, nodes.Scalar) else ""
            self.section(root, section, key, value)
        return self.page.text

    def section(self, root: nodes.Mapping, name: str, key: nodes.Node, value: nodes.Node) -> None:
        if name in _NAMED and isinstance(value, nodes.Mapping):
            out = [pair for pair in value.pairs if self.is_name(pair[0])]
            if out and len(out) == len(value.pairs):
                self.pair(root, key, value)
                return
            for inner, said in out:
                self.pair(value, inner, said)
        elif name in _LISTS and isinstance(value, nodes.Sequence):
            self.listed(root, name, key, value)
        elif name == "site" and isinstance(value, nodes.Mapping):
            self.names_in(value, ("managed-from",))
        elif name == "hostile" and isinstance(value, nodes.Mapping):
            self.names_in(value, ("except",))

    def listed(
        self, root: nodes.Mapping, name: str, key: nodes.Node, value: nodes.Sequence
    ) -> None:
        out = self.gone.places(name)
        if value.items and out >= set(range(len(value.items))):
            self.pair(root, key, value)
            return
        for number, one in enumerate(value.items):
            if number in out:
                self.item(value, one)
            elif isinstance(one, nodes.Mapping):
                self.names_in(one, _WHO_AND_WHAT)

    def names_in(self, record: nodes.Mapping, keys: Collection[str]) -> None:
        """Take the names out of the lists of a record; a list that would be empty goes whole."""
        for key, value in record.pairs:
            if not isinstance(key, nodes.Scalar) or key.text not in keys:
                continue
            items = value.items if isinstance(value, nodes.Sequence) else [value]
            out = [one for one in items if self.is_name(one)]
            if out and len(out) == len(items):
                self.pair(record, key, value)
            elif isinstance(value, nodes.Sequence):
                for one in out:
                    self.item(value, one)

    def is_name(self, node: nodes.Node) -> bool:
        return isinstance(node, nodes.Scalar) and node.text in self.gone.names

    def pair(self, record: nodes.Mapping, key: nodes.Node, value: nodes.Node) -> None:
        begin = self.page.begin(key.span)
        if self.page.in_brackets(record):
            self.page.blank(begin, self.page.flow_end(begin))
            return
        dashes = isinstance(value, nodes.Sequence) and not self.page.in_brackets(value)
        self.blank_block(key.span.line, key.span.column, begin, self.least(key, value), dashes)

    def item(self, sequence: nodes.Sequence, item: nodes.Node) -> None:
        begin = self.page.begin(item.span)
        if self.page.in_brackets(sequence):
            self.page.blank(begin, self.page.flow_end(begin))
            return
        dash = len(self.page.text[:begin].rstrip()) - 1
        if dash < 0 or self.page.text[dash] != "-":
            return
        line = self.page.text.count("\n", 0, dash) + 1
        column = dash - self.page.starts[min(line, len(self.page.starts)) - 1] + 1
        self.blank_block(line, column, dash, self.page.end(item.span))

    def least(self, key: nodes.Node, value: nodes.Node) -> int:
        """The end of a value that stands after its key; an alias stands elsewhere."""
        after = self.page.begin(value.span) >= self.page.begin(key.span)
        if not after:
            return self.page.end(key.span)
        return max(self.page.end(value.span), self.page.text_end(value))

    def blank_block(
        self, line: int, column: int, begin: int, least: int, dashes: bool = False
    ) -> None:
        self.page.remark(begin, self.page.block_end(line, column, least, dashes))
