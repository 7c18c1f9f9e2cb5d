"""The one place where foreign text becomes Markdown (CommonMark, with GitHub's tables)."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from netcharter.diagnostics.escape import terminal

SPECIAL = re.compile(r"([\\`*_{}\[\]<>#+\-.!|~&$@:])")
WORD = r"[^\W_]"
HARMLESS = re.compile(rf"(?<={WORD})[-._:](?={WORD})|(?<=[^\W\d_])[:.](?=\s|$)")
"""Marks within a word or an address, or behind a word, which mean nothing there."""
LINKED = re.compile(r"://|www\.", re.IGNORECASE)  # what GitHub makes a link of


def words(text: str) -> str:
    """Text that is shown as it is: no markup, no link, no line break, nothing unseen.

    Every mark that CommonMark gives a meaning (section 2.4) is escaped, but for those within a
    word, which have none there, so that names and addresses stay readable in the source.
    """
    plain = terminal(" ".join(text.split()))
    kept = {m.start() for m in HARMLESS.finditer(plain)} if not LINKED.search(plain) else set()

    def escaped(match: re.Match[str]) -> str:
        return match[1] if match.start() in kept else "\\" + match[1]

    return SPECIAL.sub(escaped, plain)


def code(text: str) -> str:
    """Text as a piece of code within a line or a cell of a table (CommonMark section 6.1)."""
    plain = terminal(" ".join(text.split())).replace("|", "\\|")
    longest = max((len(run) for run in re.findall("`+", plain)), default=0)
    fence = "`" * (longest + 1)
    space = " " if "`" in plain or not plain else ""
    return f"{fence}{space}{plain}{space}{fence}"


def block(lines: Iterable[str]) -> list[str]:
    """Commands as a block of their own; a line never ends it early (CommonMark section 4.5)."""
    plain = [terminal(line) for line in lines]
    longest = max((len(run) for line in plain for run in re.findall("`+", line)), default=0)
    fence = "`" * max(3, longest + 1)
    return [f"{fence}sh", *plain, fence]


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """A table; head and cells are Markdown already."""
    lines = [head, ["---"] * len(head), *rows]
    return ["| " + " | ".join(line) + " |" for line in lines]


def boxes(items: Iterable[str]) -> list[str]:
    """A list to tick off."""
    return [f"- [ ] {item}" for item in items]
