"""Links between the pages of the repository."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

_LINK = re.compile(r"\[[^\]]*\]\(([^)\s#]+)[^)]*\)")
_FENCE = re.compile(r"^```.*?^```$", re.MULTILINE | re.DOTALL)


def targets(page: Path) -> Iterator[Path]:
    """The files that a page links to, whether they are there or not."""
    for match in _LINK.finditer(_FENCE.sub("", page.read_text("utf-8"))):
        if "://" not in match[1]:
            yield (page.parent / match[1]).resolve()


def reached(start: Path) -> set[Path]:
    """The pages that can be reached by links from a page, itself included."""
    seen: set[Path] = set()
    waiting = [start.resolve()]
    while waiting:
        page = waiting.pop()
        if page not in seen and page.suffix == ".md" and page.is_file():
            seen.add(page)
            waiting += targets(page)
    return seen
