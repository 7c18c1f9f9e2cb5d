"""The parser's complaints in our words: where, what is wrong, what to write instead."""

from __future__ import annotations

import re
from typing import Any

from netcharter.diagnostics import Diagnostic, Span

INDENT = "check the indentation: keys of one mapping stand exactly below one another"
SAYINGS: tuple[tuple[str, str, str | None], ...] = (
    (
        r"mapping values are not allowed",
        "a second `: ` in one line, or a key that is indented too far",
        "put the value in quotes, or let the key stand below its neighbours",
    ),
    (
        r"did not find expected key|block mapping",
        "a `key: value` line is expected here",
        INDENT,
    ),
    (r"expected '-' indicator", "another `- ` item is expected here", INDENT),
    (
        r"block sequence entries are not allowed",
        "a `- ` item can't begin here",
        "begin the list on a line of its own below its key, or write it as [one, two]",
    ),
    (r"could not find expected ':'", "this line has no `: ` after its key", "write `key: value`"),
    (
        r"expected ',' or '\]'",
        "this list `[` is not closed, or a comma is missing",
        "put `, ` between the items and `]` at the end",
    ),
    (
        r"expected ',' or '\}'",
        "this mapping `{` is not closed, or a comma is missing",
        "put `, ` between the pairs and `}` at the end",
    ),
    (
        r"unexpected end of stream",
        "these quotes are never closed",
        "close the quotes at the end of the value",
    ),
    (
        r"unexpected document indicator",
        "these quotes are not closed before the document ends",
        "close the quotes at the end of the value",
    ),
    (
        r"unknown escape character|hexdecimal|hexadecimal|invalid Unicode|character escape",
        "after a backslash in double quotes stands something it can't go with",
        "use single quotes, or write the backslash twice",
    ),
    (r"duplicate anchor", "this anchor (`&name`) was already given above", "choose another name"),
    (
        r"alphabetic or numeric character",
        "`&` and `*` have a meaning of their own in YAML, and no name follows",
        "put the value in quotes",
    ),
    (
        r"tag|handle|expected '>'|URI",
        "`!` begins a tag in YAML, and this is none",
        "put the value in quotes",
    ),
    (
        r"expected node content",
        "a value is expected here",
        "write the value, in quotes if it begins with one of these: , ] }",
    ),
    (
        r"directive|YAML document|version|document start",
        "what stands before the document can't be understood",
        "begin with `charter: 1`",
    ),
    (
        r"block scalar|indentation indicator|comment or line break",
        "after `|` or `>` the text begins on the next line, indented",
        "put the value in quotes if `|` or `>` is part of it",
    ),
    (r"indentation", "the indentation does not fit what stands above", INDENT),
    (r"key.*not allowed", "a key can't stand here", INDENT),
)


def explain(error: Exception, text: str, name: str) -> Diagnostic:
    """A diagnostic for what the YAML parser raised."""
    mark: Any = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    said = f"{getattr(error, 'problem', None) or ''}"
    if "unexpected end of stream" in said:  # better told where the quotes were opened
        mark = getattr(error, "context_mark", None) or mark
    span = _span(mark, text, name)
    found = _character(said, span, text)
    id, message, help = found or _said(said)
    return Diagnostic(id, "error", message, span, help=help, related=_began(error, mark, name))


def _said(said: str) -> tuple[str, str, str | None]:
    """What to say for the parser's own words."""
    for pattern, message, help in SAYINGS:
        if re.search(pattern, said):
            return "yaml-syntax", message, help
    return "yaml-syntax", "this can't be read as YAML", "put the value in quotes"


def _lines(text: str) -> list[str]:
    return re.split(r"\r\n|\r|\n", text)


def _span(mark: Any, text: str, name: str) -> Span:
    """The one character at a mark; the last place of the text for a mark beyond its end."""
    if mark is None:
        return Span(name, 1, 1, 1, 1)
    lines = _lines(text)
    line = min(mark.line, len(lines) - 1)
    while line > 0 and not lines[line].strip() and mark.line >= len(lines) - 1:
        line -= 1
    column = min(mark.column, len(lines[line])) if line == mark.line else len(lines[line])
    return Span(name, line + 1, column + 1, line + 1, column + 1 + (column < len(lines[line])))


def _character(said: str, span: Span, text: str) -> tuple[str, str, str] | None:
    """What to say where one character is to blame."""
    line = _lines(text)[span.line - 1]
    here = line[span.column - 1 : span.column]
    if "\t" in line[: len(line) - len(line.lstrip(" \t"))] or (here == "\t"):
        return "yaml-tab", "a tab stands in the indentation", "indent with spaces"
    if "cannot start any token" in said and here:
        return "yaml-syntax", f"a value can't begin with `{here}`", "put the value in quotes"
    return None


def _began(error: Exception, mark: Any, name: str) -> tuple[tuple[Span, str], ...]:
    """The place where the unfinished thing began, if the parser knows it and it is another."""
    context: Any = getattr(error, "context_mark", None)
    if context is None or mark is None or context.line == mark.line:
        return ()
    line, column = context.line + 1, context.column + 1
    return ((Span(name, line, column, line, column + 1), "it began here"),)
