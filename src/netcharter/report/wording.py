"""Words of a page: places in the charter, excerpts with their underlining, widths of text."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from netcharter.diagnostics import Span
from netcharter.diagnostics.escape import terminal

BREAK = re.compile(r"\r\n|\r|\n")
_RIGHT = "[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc\U00010800-\U00010fff\U0001e800-\U0001efff]"
RIGHT_TO_LEFT = re.compile(f"({_RIGHT}+(?: +{_RIGHT}+)*)")
TAB = "    "
MOST_LINES = 12  # of one excerpt; a longer one is shown by its beginning


@dataclass(frozen=True, slots=True)
class Spot:
    """A place in the charter: what to call it, and the id of that line on the page, if any."""

    text: str
    anchor: str | None
    short: str = ""  # the same where the file is plain from the page


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of prose that is shown in one way."""

    text: str
    kind: Literal["words", "code", "apart"]


@dataclass(frozen=True, slots=True)
class ExcerptLine:
    """One line of the charter in three parts; the middle one is to be underlined."""

    number: int
    before: str
    marked: str
    after: str


@dataclass(frozen=True)
class Sources:
    """The charter's texts by file name, as lines."""

    lines: Mapping[str, tuple[str, ...]]

    @classmethod
    def of(cls, texts: Mapping[str, str]) -> Sources:
        return cls({name: tuple(BREAK.split(text)) for name, text in texts.items()})

    def spot(self, span: Span | None) -> Spot | None:
        """``charter.yaml:23`` and the id of its line."""
        if span is None:
            return None
        known = 1 <= span.line <= len(self.lines.get(span.file, ()))
        anchor = line_anchor(list(self.lines).index(span.file), span.line) if known else None
        text = f"{span.file}:{span.line}"
        return Spot(text, anchor, f"line {span.line}" if len(self.lines) == 1 else text)

    def excerpt(self, span: Span) -> tuple[ExcerptLine, ...]:
        """The lines of a span, each with the stretch that belongs to it; empty if unknown."""
        lines = self.lines.get(span.file, ())
        if not 1 <= span.line <= len(lines):
            return ()
        last = min(span.end_line, len(lines), span.line + MOST_LINES - 1)
        if span.end_column <= 1 and last > span.line:
            last -= 1
        return tuple(self._cut(span, n, lines[n - 1]) for n in range(span.line, last + 1))

    @staticmethod
    def _cut(span: Span, number: int, line: str) -> ExcerptLine:
        indent = len(line) - len(line.lstrip(" \t"))
        start = span.column - 1 if number == span.line else indent
        end = span.end_column - 1 if number == span.end_line else len(line)
        end = max(end, min(start + 1, len(line)))
        parts = (line[:start], line[start:end], line[end:])
        return ExcerptLine(number, *(part.replace("\t", TAB) for part in parts))


def line_anchor(file: int, line: int) -> str:
    """The id of a line of the charter on the page."""
    return f"file-{file + 1}-line-{line}"


def one_line(text: str | None) -> str:
    """Prose of the charter as one line."""
    return " ".join((text or "").split())


def paragraphs(text: str | None) -> tuple[str, ...]:
    """The lines of a message that are not empty."""
    return tuple(line for line in BREAK.split(text or "") if line.strip())


def quoted(text: str) -> tuple[Piece, ...]:
    """Prose in pieces: what stood in backticks, and stretches that run from right to left.

    Such a stretch is set apart so that it cannot reorder what stands around it (Unicode
    Standard Annex 9). A lone backtick stays as it is.
    """
    parts = text.split("`")
    if len(parts) % 2 == 0:
        return tuple(_stretches(text))
    pieces: list[Piece] = []
    for number, part in enumerate(parts):
        pieces += [Piece(part, "code")] if number % 2 else _stretches(part)
    return tuple(piece for piece in pieces if piece.text)


def _stretches(text: str) -> Iterator[Piece]:
    for number, part in enumerate(RIGHT_TO_LEFT.split(text)):
        if part:
            yield Piece(part, "apart" if number % 2 else "words")


def counted(number: int, one: str, many: str | None = None) -> str:
    """``1 finding``, ``2 findings``."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def cells(text: str) -> int:
    """How many columns of a fixed-width font a text takes, wide characters counted twice."""
    return sum(_cell(character) for character in text)


def _cell(character: str) -> int:
    if unicodedata.combining(character):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def fitted(text: str, most: int) -> str:
    """The text with every unseen character written out, cut to `most` columns."""
    text = terminal(text)
    if cells(text) <= most:
        return text
    kept, used = [], 1
    for character in text:
        used += _cell(character)
        if used > most:
            break
        kept.append(character)
    return "".join(kept).rstrip() + "…"
