"""Places in a document and what there is to say about them: data, apart from its rendering."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["error", "warning", "note"]


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """A stretch of one file; lines and columns count from 1, `end_column` is one past the last."""

    file: str
    line: int
    column: int
    end_line: int
    end_column: int


@dataclass(frozen=True, slots=True)
class Diagnostic:
    """One thing that is wrong or doubtful.

    id: a stable word from the catalogue; span: what to underline; witness: one concrete
    connection told as a sentence; help: what to write instead; related: other places that
    take part, each with a few words.
    """

    id: str
    severity: Severity
    message: str
    span: Span
    witness: str | None = None
    help: str | None = None
    related: tuple[tuple[Span, str], ...] = ()
