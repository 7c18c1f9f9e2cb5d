"""Rulesets into the kernel: in one transaction, or in pieces where the kernel takes no large one.

Outside root's own user namespace nft may not enlarge its socket's buffer, and a transaction ends
at some 200 kB. There the same text goes in pieces: first the table with its empty chains, which
replaces what was there, then everything else in its order. Between the pieces the table is half
filled, so this is for the lab only.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from netcharter.lab import isolation, tools

PIECE = 40_000  # bytes of text; the transaction made of it is some three times as large

_OPENING = "table inet netcharter {\n"
_OBJECT = re.compile(
    r"^    [a-z]\w* [^\n]*\{(?: .*\}\n|\n(?:     .*\n)*    \}\n)",
    re.MULTILINE,
)
_CHAIN = re.compile(r"    chain (\S+) \{\n(?!        type )")
_LISTED = re.compile(
    r"(?P<head>    set (?P<name>\S+) \{\n.*?)        elements = \{\n(?P<body>.*?)"
    r"        \}\n(?P<tail>.*)",
    re.DOTALL,
)


def load(text: str, limit: float = tools.LIMIT) -> None:
    """Load a kit's ruleset into the network namespace of this thread.

    Raises CommandFailed with nft's own words if the kernel or nft refuses it.
    """
    for part in (text,) if isolation.really_root() else pieces(text):
        tools.run(("nft", "-f", "-"), part, limit=limit)


def pieces(text: str, limit: int = PIECE) -> list[str]:
    """A kit's ruleset as several texts of about `limit` bytes, to be loaded one after the other."""
    start, _, rest = text.partition(_OPENING)
    objects = _OBJECT.findall(rest)
    stubs = [f"    chain {found[1]} {{ }}\n" for each in objects if (found := _CHAIN.match(each))]
    small = [part for each in objects for part in _parts(each, limit)]
    return [start + _table(stubs), *(_table(group) for group in _groups(small, limit))]


def _table(objects: Sequence[str]) -> str:
    return f"{_OPENING}{''.join(objects)}}}\n"


def _groups(objects: Sequence[str], limit: int) -> Iterator[list[str]]:
    group: list[str] = []
    for each in objects:
        if group and sum(map(len, group)) + len(each) > limit:
            yield group
            group = []
        group.append(each)
    yield group


def _parts(text: str, limit: int) -> Iterator[str]:
    """A long set several times with a part of its elements each: a second one adds to the first."""
    found = _LISTED.fullmatch(text) if len(text) > limit else None
    if found is None:
        yield text
        return
    for group in _groups(found["body"].splitlines(keepends=True), limit):
        body = "".join(group).rstrip().rstrip(",")
        yield f"{found['head']}        elements = {{\n{body}\n        }}\n{found['tail']}"
