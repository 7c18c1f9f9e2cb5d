"""Lists of addresses, as others write them: what they hold, and which of their lines hold nothing.

One entry a line: an address, a prefix (`192.0.2.0/24`), or the first and last of a range with a
hyphen between; behind `#` or `;` anything may stand. Nothing of a list is trusted. Whatever is not
exactly of this form is refused, and counted by its reason, and so is a prefix so wide that it can
only be a slip, or somebody's wish to cut a site off.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from ipaddress import AddressValueError, IPv6Address

from netcharter.plan.coding import V6
from netcharter.space.ranges import Ranges, intersect, ranges

# Who is given most of IPv4 has a /8 (IANA IPv4 address space registry), and of IPv6 some /19 or /20
# (as printed in the regional registries' lists, from memory); a little room above that is our own.
WIDEST4, WIDEST6 = 1 << 24, 1 << 112
MOST = 1_000_000  # entries; what stands behind them is refused
LONGEST = 512  # bytes of a line
OLD = timedelta(hours=48)  # beyond it a list is told as old; common practice, no source

NOT_ASCII = "holds what no address has"
NO_ADDRESS = "is no address, prefix or range"
BEYOND = "has bits set beyond its length"
BACKWARDS = "ends before it begins, or in the other IP version"
TOO_WIDE = "takes in more than anybody is given"
TOO_LONG = f"is longer than {LONGEST} bytes"
TOO_MANY = f"stands behind {MOST} others"

_FOUR = re.compile(rb"(\d{1,3})\.(\d{1,3})\.(\d{1,3})\.(\d{1,3})")
_ONE = re.compile(rb"([0-9a-fA-F:.]{2,45})(?:/(\d{1,3})|\s*-\s*([0-9a-fA-F:.]{2,45}))?")
_END = re.compile(rb"[#;]")
_OTHER = re.compile(rb"[^\t -~]")


@dataclass(frozen=True, slots=True)
class Refused:
    """Lines that hold nothing: why, how many, and the first of them (counted from 1)."""

    reason: str
    count: int
    first: int


@dataclass(frozen=True, slots=True)
class Reading:
    """contents: all that is listed, both families, coded (`plan.coding`); entries: how many lines
    said it; refused: the other lines, by reason."""

    contents: Ranges
    entries: int
    refused: tuple[Refused, ...]


@dataclass(frozen=True)
class Listed:
    """What a list held when it was read. fetched: when that was, None where the charter has it beside
    itself."""

    text: bytes
    fetched: datetime | None = None

    @cached_property
    def reading(self) -> Reading:
        return read(self.text)

    @property
    def contents(self) -> Ranges:
        return self.reading.contents


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a list: its number from 1, what stands there, and the coded interval it means."""

    line: int
    text: str
    low: int
    high: int


def read(text: bytes) -> Reading:
    """All of a list, in about a second for 200 000 lines."""
    refused: dict[str, list[int]] = {}
    pairs: list[tuple[int, int]] = []
    for number, found in _entries(text):
        if isinstance(found, str):
            counted = refused.setdefault(found, [0, number])
            counted[0] += 1
        else:
            pairs.append(found)
    told = (Refused(reason, count, first) for reason, (count, first) in refused.items())
    return Reading(ranges(*pairs), len(pairs), tuple(told))


def first_in(text: bytes, wanted: Ranges) -> Entry | None:
    """The first line of a list that means anything of these."""
    for number, found in _entries(text):
        if not isinstance(found, str) and intersect((found,), wanted):
            said = _said(text.split(b"\n", number)[number - 1])
            return Entry(number, said.decode("ascii"), *found)
    return None


def _entries(text: bytes) -> Iterator[tuple[int, tuple[int, int] | str]]:
    """By line: the interval it means, or why it means none."""
    count = 0
    for number, line in enumerate(text.split(b"\n"), 1):
        if len(line) > LONGEST:
            yield number, TOO_LONG
            continue
        said = _said(line)
        if not said:
            continue
        found = _interval(said) if count < MOST else TOO_MANY
        count += not isinstance(found, str)
        yield number, found


def _said(line: bytes) -> bytes:
    return _END.split(line, maxsplit=1)[0].strip(b"\t\r ")


def _interval(said: bytes) -> tuple[int, int] | str:
    match = _ONE.fullmatch(said)
    if match is None:
        return NOT_ASCII if _OTHER.search(said) else NO_ADDRESS
    first, length, last = match.groups()
    low = _number(first)
    if low is None:
        return NO_ADDRESS
    if length is not None:
        return _prefix(low, int(length))
    high = low if last is None else _number(last)
    if high is None:
        return NO_ADDRESS
    return _bounded(low, high)


def _prefix(low: int, length: int) -> tuple[int, int] | str:
    bits, base = (32, 0) if low < V6 else (128, V6)
    if length > bits:
        return NO_ADDRESS
    size = 1 << (bits - length)
    if (low - base) & (size - 1):
        return BEYOND
    return _bounded(low, low + size - 1)


def _bounded(low: int, high: int) -> tuple[int, int] | str:
    if high < low or (low < V6) != (high < V6):
        return BACKWARDS
    widest = WIDEST4 if low < V6 else WIDEST6
    return (low, high) if high - low < widest else TOO_WIDE


def _number(text: bytes) -> int | None:
    """The code of an address; numbers of IPv4 with a zero in front are read in two ways by others,
    and so by nobody here (RFC 6943 section 3.1.1)."""
    match = _FOUR.fullmatch(text)
    if match is None:
        try:
            return V6 + int(IPv6Address(text.decode("ascii")))
        except AddressValueError:
            return None
    parts = match.groups()
    if any(len(part) > 1 and part[0] == 0x30 for part in parts):
        return None
    a, b, c, d = map(int, parts)
    if a > 255 or b > 255 or c > 255 or d > 255:
        return None
    return a << 24 | b << 16 | c << 8 | d
