"""The shapes of JSON documents as a page tells them in tables, and what in a document breaks them.

A table after `<!-- shape: NAME -->` names keys, the kind of their values, and what they hold.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

Shapes = Mapping[str, Mapping[str, str]]

_TABLE = re.compile(r"<!-- shape: ([\w-]+) -->\n\|.*\|\n\|[-|]+\|\n((?:\|.*\|\n)+)")


def shapes(page: str) -> Shapes:
    """Per shape, the kind of every key."""
    return {name: dict(_rows(table)) for name, table in _TABLE.findall(page)}


def _rows(table: str) -> Iterator[tuple[str, str]]:
    for line in table.splitlines():
        keys, kind, _ = (cell.strip() for cell in line.strip("|").split(" | ", 2))
        for key in re.findall(r"`(\w+)`", keys):
            yield key, kind


def breaches(value: Any, shape: str, known: Shapes, where: str = "") -> Iterator[str]:
    """What in `value` is not as the shape says: keys missing, keys untold, values of other kinds."""
    here = where or shape
    if not isinstance(value, dict):
        yield f"{here}: no object"
        return
    told = known[shape]
    yield from (f"{here}: no {key}" for key in told.keys() - value.keys())
    yield from (f"{here}: {key} is not told" for key in value.keys() - told.keys())
    for key in told.keys() & value.keys():
        yield from _kind(value[key], told[key], key, known, f"{here}.{key}")


def _kind(value: Any, kind: str, key: str, known: Shapes, where: str) -> Iterator[str]:
    if kind.endswith(" or null"):
        if value is not None:
            yield from _kind(value, kind.removesuffix(" or null"), key, known, where)
    elif kind.startswith("as in a "):
        yield from _kind(value, known[kind.removeprefix("as in a ")][key], key, known, where)
    elif kind.startswith("list of "):
        if not isinstance(value, list):
            yield f"{where}: no list"
            return
        for number, part in enumerate(value):
            yield from _kind(part, kind.removeprefix("list of "), key, known, f"{where}[{number}]")
    elif kind.startswith("`"):
        if value not in re.findall(r"`(\w+)`", kind):
            yield f"{where}: {value!r} is not one of {kind}"
    elif kind in known:
        yield from breaches(value, kind, known, where)
    elif all(part in known for part in kind.split(" or ")):
        if all(any(breaches(value, part, known)) for part in kind.split(" or ")):
            yield f"{where}: {value!r} is no {kind}"
    elif not _plain(value, kind):
        yield f"{where}: {value!r} is no {kind}"


def _plain(value: Any, kind: str) -> bool:
    if kind == "true or false":
        return isinstance(value, bool)
    if kind == "number":
        return isinstance(value, int) and not isinstance(value, bool)
    if kind == "text":
        return isinstance(value, str)
    if kind == "object":
        return isinstance(value, dict)
    if kind == "decimal":
        return isinstance(value, str) and value.isascii() and value.isdigit()
    if kind == "moment":
        return isinstance(value, str) and datetime.fromisoformat(value).tzinfo is not None
    raise ValueError(f"the page names an unknown kind: {kind}")
