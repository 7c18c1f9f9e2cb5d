"""Requests for release: what somebody asked of the keeper, and how many of them are kept.

A request is a file of its own, `NUMBER.json`, in a folder of the pages' own. Who writes there faces
everybody, so that nothing in it is trusted when it is read. No number is given twice, for people name
theirs to the keeper: the last one given stands in a file, since its request may have gone.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from netcharter.diagnostics.escape import HIDDEN
from netcharter.rollout.reading import fields, instant_text, written
from netcharter.rollout.trouble import StateBroken

FORMAT = 1
AT = "/var/lib/netcharter-gate"  # as systemd.exec(5) makes it of the unit's StateDirectory
MOST, MOST_OF_AREA = 400, 200  # that are kept, of them from one area; common practice, no source
MOST_NUMBER = 10**9
LARGEST = 8_192  # bytes of a file
LONGEST_WHY, LONGEST_REACH = 600, 120  # characters
KEPT = timedelta(days=30)  # so long an unanswered one is kept; common practice, no source
LAST = "last-number"  # the file that tells it
_NUMBER = re.compile(rb"[1-9][0-9]{0,8}")
_FILE = re.compile(r"([1-9][0-9]{0,8})\.json")


@dataclass(frozen=True, slots=True)
class Request:
    """name: which is to be answered; area: from which was asked; rule: the names rule that withholds
    it; why, reach: as they wrote it, perhaps empty."""

    name: str
    area: str
    rule: str
    why: str
    reach: str
    asked: datetime

    @property
    def said(self) -> tuple[str, ...]:
        """All but when: who sends a form twice asks once."""
        return self.name, self.area, self.why, self.reach


@dataclass(frozen=True, slots=True)
class Taken:
    """What becomes of a request: its number, and whether it is new; or that there is no room."""

    number: int | None
    new: bool = True


@dataclass(frozen=True, slots=True)
class Box:
    """What is kept: requests by number in their order, how many files can't be read as requests, and
    the last number that was given (0: none was)."""

    requests: Mapping[int, Request]
    broken: int = 0
    last: int = 0


def taken(box: Box, request: Request) -> Taken:
    """How a request would be kept beside others."""
    for number, other in box.requests.items():
        if other.said == request.said:
            return Taken(number, new=False)
    near = sum(other.area == request.area for other in box.requests.values())
    number = max(box.last, *box.requests, 0) + 1
    if len(box.requests) + box.broken >= MOST or near >= MOST_OF_AREA or number >= MOST_NUMBER:
        return Taken(None)
    return Taken(number)


def over(box: Box, now: datetime) -> tuple[int, ...]:
    """Those that have been kept long enough."""
    return tuple(number for number, one in box.requests.items() if now - one.asked > KEPT)


def clean(text: str, longest: int, lines: bool = False) -> str | None:
    """What somebody typed, without what is not seen; None where it is too long. lines: whether it may
    be of several."""
    text = text.replace("\r\n", "\n").replace("\r", "\n").replace("\t", " ")
    pieces = [HIDDEN.sub("", piece).strip() for piece in text.split("\n")]
    joined = "\n".join(pieces).strip() if lines else " ".join(filter(None, pieces))
    return joined if len(joined) <= longest else None


def file_of(number: int) -> str:
    return f"{number}.json"


def number_of(file: str) -> int | None:
    """The number of the request that a file is called by; None for any other."""
    match = _FILE.fullmatch(file)
    return int(match[1]) if match else None


def data_of(request: Request) -> bytes:
    return written(
        {
            "format": FORMAT,
            "name": request.name,
            "area": request.area,
            "rule": request.rule,
            "why": request.why,
            "reach": request.reach,
            "asked": instant_text(request.asked),
        }
    )


def request_of(place: str, data: bytes) -> Request:
    """Raises StateBroken."""
    found = fields(place, data[:LARGEST])
    if found.whole("format") != FORMAT:
        raise StateBroken(place, "it is of another version")
    return Request(
        name=found.text("name"),
        area=found.text("area"),
        rule=found.text("rule"),
        why=found.text("why"),
        reach=found.text("reach"),
        asked=found.instant("asked"),
    )


def last_data(number: int) -> bytes:
    return b"%d\n" % number


def last_of(data: bytes | None) -> int:
    """0 where nobody tells it."""
    told = (data or b"").removesuffix(b"\n")
    return int(told) if _NUMBER.fullmatch(told) else 0


def box_of(files: Iterable[str], read: Callable[[str], bytes | None]) -> Box:
    """All requests of a folder, at most `MOST` and one more. read: a file of the folder, None where
    it can't be."""
    found: dict[int, Request] = {}
    broken = 0
    numbers = sorted(number for file in files if (number := number_of(file)) is not None)
    for number in numbers[: MOST + 1]:
        data = read(file_of(number))
        try:
            found[number] = request_of(file_of(number), data or b"")
        except StateBroken:
            broken += 1
    return Box(found, broken, max(last_of(read(LAST)), *numbers[-1:], 0))
