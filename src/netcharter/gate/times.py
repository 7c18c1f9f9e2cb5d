"""Which times of names rules hold now, as the steward tells whoever answers names.

The pages go by the same file as the answers do (`render/withholding_rules.py`), not by the clock
alone, so that a page explains what was answered: where nobody tells the hours the stricter holds.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime

from netcharter.plan.names.shapes import NamesPlan, NamesRow
from netcharter.plan.names.times import key_of

FIRST, LAST = b"netcharter names 1\n", b"end\n"
LONGEST = 600  # seconds: who is to be believed for longer has another clock
MOST = 65_536  # bytes of the file
_LINE = re.compile(rb"^([0-9a-f]{1,64}) ([a-z]{1,9}) ([0-9]{1,12})$", re.MULTILINE)

Told = Mapping[str, bool]  # by the key of a time: whether it holds


def told(text: bytes, now: datetime) -> Told:
    """What the file says that is to be believed at an instant."""
    if not text.startswith(FIRST) or not text.endswith(b"\n" + LAST):
        return {}
    seconds = int(now.timestamp())
    return {
        match[1].decode("ascii"): match[2] == b"yes"
        for match in _LINE.finditer(text)
        if seconds < int(match[3]) <= seconds + LONGEST
    }


def is_told(row: NamesRow, told: Told) -> bool:
    """Whether it is known if the row's times hold; where there are none, they do."""
    return _is_always(row) or key_of(row.during, row.until) in told


def standing(names: NamesPlan, told: Told) -> NamesPlan:
    """The decisions that hold."""
    return replace(names, rows=tuple(_standing(names.rows, told)))


def _standing(rows: Iterable[NamesRow], told: Told) -> Iterable[NamesRow]:
    for row in rows:
        stricter = row.action != "answer" or row.kind == "emergency"
        if _is_always(row) or told.get(key_of(row.during, row.until), stricter):
            yield row


def _is_always(row: NamesRow) -> bool:
    return row.during is None and row.until is None
