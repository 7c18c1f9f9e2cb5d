"""Diagnostics for a terminal: what is wrong, where, the line itself underlined, what instead."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping

from netcharter.diagnostics.escape import HIDDEN, terminal
from netcharter.diagnostics.span import Diagnostic, Span

_Paint = Callable[[str, str], str]

BREAK = re.compile(r"\r\n|\r|\n")
PASSWORD = "password-in-charter"  # the id of what is found where a password is asked for
TAB = 4
_VALUE = re.compile(r"\S")
MOST_LINES = 6  # of one underlined stretch; a longer one is shown by its beginning and end
LEAST_WIDTH = 40
NEAR = 1_000  # characters around a place that are looked at, however long the line
COLOURS = {"error": "1;31", "warning": "1;33", "note": "1;36", "place": "1", "faint": "2"}


def render(
    diagnostics: Iterable[Diagnostic], texts: Mapping[str, str], *, width: int, colour: bool
) -> str:
    """All diagnostics as text, one blank line between them; empty if there are none.

    texts: every file's text by the name its spans bear; width: columns of the terminal.
    """
    diagnostics = list(diagnostics)
    lines = {name: BREAK.split(text) for name, text in texts.items()}
    for found in diagnostics:
        if found.id == PASSWORD and found.span.file in lines:
            _covered(lines[found.span.file], found.span)
    paint = _paint if colour else _plain
    room = max(width, LEAST_WIDTH)
    return "\n".join("\n".join(_one(d, lines, room, paint)) + "\n" for d in diagnostics)


def _covered(lines: list[str], span: Span) -> None:
    """Cover what stands behind a key that asks for a password: what is printed goes into logs. The
    value may stand on the lines below, so much deeper than the key; lengths stay as they are."""
    start = span.end_line - 1
    if not 0 <= start < len(lines):
        return
    key, rest = lines[start][: span.end_column - 1], lines[start][span.end_column - 1 :]
    lines[start] = key + _VALUE.sub("*", rest)
    depth, below = len(key) - len(key.lstrip()), not rest.strip(" \t:|>'\"-+")
    for number in range(start + 1, len(lines)):
        text = lines[number]
        if text.strip() and len(text) - len(text.lstrip()) <= depth and not below:
            return
        lines[number] = _VALUE.sub("*", text)
        below = below and not text.strip()


def _paint(text: str, as_what: str) -> str:
    return f"\x1b[{COLOURS[as_what]}m{text}\x1b[0m"


def _plain(text: str, as_what: str) -> str:
    return text


def _one(
    diagnostic: Diagnostic, lines: Mapping[str, list[str]], width: int, paint: _Paint
) -> Iterator[str]:
    severity = diagnostic.severity
    place = paint(terminal(_place(diagnostic.span)), "place")
    yield f"{paint(severity, severity)} at {place} {paint(f'({diagnostic.id})', 'faint')}"
    yield from _wrapped(diagnostic.message, width, "  ")
    yield from _source(diagnostic.span, lines, width, paint, severity)
    for label, text in (("witness", diagnostic.witness), ("instead", diagnostic.help)):
        if text:
            yield from _wrapped(text, width, "  ", f"{label}: ")
    for span, words in diagnostic.related:
        yield from _wrapped(f"{words}: {_place(span)}", width, "  ", "see: ")
        yield from _source(span, lines, width, paint, "place")


def _place(span: Span) -> str:
    return f"{span.file}:{span.line}:{span.column}"


def _wrapped(text: str, width: int, indent: str, label: str = "") -> Iterator[str]:
    first = indent + label
    for part in text.split("\n"):
        wrapped = textwrap.wrap(
            terminal(part),
            width=width,
            initial_indent=first,
            subsequent_indent=indent + " " * len(label),
            break_on_hyphens=False,
        )
        yield from wrapped or [first.rstrip()]
        first = indent + " " * len(label)


def _source(
    span: Span, lines: Mapping[str, list[str]], width: int, paint: _Paint, as_what: str
) -> Iterator[str]:
    text = lines.get(span.file)
    if text is None or text == [""] or not 1 <= span.line <= len(text):
        return
    last = min(span.end_line, len(text))
    if span.end_column <= 1 and last > span.line:
        last -= 1
    numbers = list(range(span.line, last + 1))
    if len(numbers) > MOST_LINES:
        numbers = numbers[: MOST_LINES - 2] + [0] + numbers[-1:]
    digits = max(len(str(last)), 3)
    for number in numbers:
        if number == 0:
            yield f"  {' ' * digits} : ..."
            continue
        source = text[number - 1]
        indent = len(source) - len(source.lstrip(" \t"))
        start = span.column - 1 if number == span.line else indent
        end = span.end_column - 1 if number == span.end_line else len(source)
        shown, mark = _excerpt(source, start, end, width - digits - 5)
        yield f"  {number:>{digits}} : {shown}".rstrip()
        if mark.strip():
            yield f"  {' ' * digits} : {paint(mark, as_what)}"


def _excerpt(source: str, start: int, end: int, room: int) -> tuple[str, str]:
    """The part of a line around a stretch that fits into `room` columns, and its underlining."""
    cut = max(0, start - NEAR)
    cells = _cells(source[cut : start + 2 * NEAR])
    start, end = start - cut, max(end, start + 1) - cut
    first, columns = 0, sum(width for _, width in cells)
    last = len(cells)
    if columns > room:
        first, last = _window(cells, start, room)
    head = "..." if first or cut else ""
    tail = "..." if cut + last < len(source) else ""
    shown = head + "".join(text for text, _ in cells[first:last]) + tail
    before = len(head) + sum(width for _, width in cells[first : min(start, last)])
    under = sum(width for _, width in cells[max(start, first) : min(end, last)])
    return shown, " " * before + "=" * max(under, 1)


def _window(cells: list[tuple[str, int]], start: int, room: int) -> tuple[int, int]:
    """The stretch of cells, within `room` less two ellipses, that shows what stands at `start`."""
    room -= 6
    first = min(start, len(cells))
    lead = 0
    while first > 0 and lead + cells[first - 1][1] <= room // 3:
        first -= 1
        lead += cells[first][1]
    last, used = first, 0
    while last < len(cells) and used + cells[last][1] <= room:
        used += cells[last][1]
        last += 1
    while first > 0 and used + cells[first - 1][1] <= room:
        first -= 1
        used += cells[first][1]
    return first, last


def _cells(source: str) -> list[tuple[str, int]]:
    """Each character as it is shown, with the columns it takes."""
    if source.isascii() and source.isprintable():
        return [(character, 1) for character in source]
    from rich.cells import get_character_cell_size

    cells: list[tuple[str, int]] = []
    column = 0
    for character in source:
        if character == "\t":
            shown, width = " " * (TAB - column % TAB), TAB - column % TAB
        elif HIDDEN.match(character):
            shown = terminal(character)
            width = len(shown)
        else:
            shown, width = character, get_character_cell_size(character)
        cells.append((shown, width))
        column += width
    return cells
