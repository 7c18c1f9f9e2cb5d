"""Diagnostics and spans as plain data for `--json`: a documented, stable shape."""

from __future__ import annotations

from typing import Any

from netcharter.diagnostics.span import Diagnostic, Span


def span_as_json(span: Span) -> dict[str, Any]:
    """`file`, `line`, `column`, `end_line`, `end_column`; all count from 1."""
    return {
        "file": span.file,
        "line": span.line,
        "column": span.column,
        "end_line": span.end_line,
        "end_column": span.end_column,
    }


def as_json(diagnostic: Diagnostic) -> dict[str, Any]:
    """`id`, `severity`, `message`, `span`, `witness`, `help`, `related` [{`span`, `message`}]."""
    return {
        "id": diagnostic.id,
        "severity": diagnostic.severity,
        "message": diagnostic.message,
        "span": span_as_json(diagnostic.span),
        "witness": diagnostic.witness,
        "help": diagnostic.help,
        "related": [
            {"span": span_as_json(span), "message": words} for span, words in diagnostic.related
        ],
    }
