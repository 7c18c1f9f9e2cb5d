"""The text of a charter in pieces: the one place where values and comments become YAML.

Values go through `quote`, comments through `comment`: whatever stands in them, a name, a rule of
somebody else, the text reads back as the same values and nothing more.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from textwrap import wrap

import yaml

from netcharter.charter.core import resolve
from netcharter.diagnostics.escape import HIDDEN, terminal

WIDTH = 100  # columns of the written text
NO_CHARACTERS = {0xFFFE: "<U+FFFE>", 0xFFFF: "<U+FFFF>"}  # beyond what YAML calls printable


def quote(text: str, *, inside: bool = False) -> str:
    """A value as YAML: plain where every reader takes it for this very text, else quoted.

    inside: it stands within brackets or braces, where fewer texts can be plain.
    """
    plain = _dump(text, None, inside)
    if plain == text and resolve(text) == text:
        return plain
    return _dump(text, '"', inside)


def _dump(text: str, style: str | None, inside: bool) -> str:
    dumped: str = yaml.safe_dump(
        [text],
        default_style=style,
        default_flow_style=inside,
        allow_unicode=not HIDDEN.search(text),
        width=float("inf"),
    )
    return dumped[1:-2] if inside else dumped[2:-1]  # within `[` and `]`, or behind `- `


Value = str | bool | int | Sequence[str]


def spelt(value: Value) -> str:
    """A value, or a list of them in brackets; a list of one needs none."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        return quote(value)
    if len(value) == 1:
        return quote(value[0])
    return "[" + ", ".join(quote(one, inside=True) for one in value) + "]"


def comment(text: str, indent: int = 0) -> Iterator[str]:
    """Words as lines of comment, whatever stands in them."""
    lead = " " * indent + "# "
    yield from wrap(harmless(text), WIDTH, initial_indent=lead, subsequent_indent=lead,
                    break_on_hyphens=False)  # fmt: skip


def harmless(text: str) -> str:
    """Text on one line, with every character written out that is not seen or is no YAML."""
    return terminal(" ".join(text.split())).translate(NO_CHARACTERS)


def remark(text: str, remark: str) -> str:
    """A line with a comment of our own behind it."""
    return f"{text:<37} # {remark}"


def item(pairs: Iterable[tuple[str, Value]], *comments: str) -> Iterator[str]:
    """One entry of a list, with what there is to say about it above."""
    for text in comments:
        yield from comment(text, 2)
    for number, (key, value) in enumerate(pairs):
        yield f"  {'- ' if number == 0 else '  '}{key}: {spelt(value)}"
    yield ""
