"""Lists that are fetched: what is kept of them, and whether what came is put in the place of that.

What somebody else publishes may be cut short, empty, an error page or another list altogether, on any
day. So what is good stays, whatever comes, until something comes that is as good: that can be read,
holds anything, and is not larger or smaller by more than its charter finds plausible. All of it goes
for lists of addresses and of names: only who counts entries differs.

A text and what is known of it are two files, and one step puts both in place: the record is written
first, with the one before in it, and each record names its text by its digest. So whichever text lies
there, the record beside it tells of that.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from netcharter.plan.listed import OLD
from netcharter.rollout.reading import Fields, fields, instant_text, written

FORMAT = 1
FOLDER = "lists"  # in the state folder
FEW = (
    20  # entries that may come or go whatever share of a list they are; common practice, no source
)
MOST_REFUSED = 64  # kinds of refused lines that are written down


@dataclass(frozen=True, slots=True)
class Counted:
    """What is in a text: entries, and lines that hold none, by reason: how many, the first of them.
    unusable: why the whole can't be used, in words; then there are no entries."""

    entries: int
    refused: Mapping[str, tuple[int, int]]
    unusable: str = ""


@dataclass(frozen=True, slots=True)
class Record:
    """What is known of a text that is kept. digest: SHA-256 of it, in hexadecimal; host: who it came
    from; fetched: when it came last, the same or another; changed: when it came first; source: SHA-256 of
    the address it came from, which itself may hold a secret; None where an earlier version wrote it."""

    digest: str
    size: int
    entries: int
    refused: Mapping[str, tuple[int, int]]
    host: str
    fetched: datetime
    changed: datetime
    source: str | None = None

    def is_from(self, address: str) -> bool:
        """Whether it came from there, for all that is known."""
        return self.source is None or self.source == digest(address.encode())

    def old(self, now: datetime) -> bool:
        """Whether it was last fetched too long ago to be called today's."""
        return now - self.fetched > OLD


def digest(text: bytes) -> str:
    return hashlib.sha256(text).hexdigest()


def record(
    text: bytes,
    counted: Counted,
    host: str,
    now: datetime,
    before: Record | None,
    address: str | None = None,
) -> Record:
    """Of a text that has just come. before: of the one that was kept; address: where it came from."""
    found = digest(text)
    same = before is not None and before.digest == found
    return Record(
        found,
        len(text),
        counted.entries,
        counted.refused,
        host,
        now,
        before.changed if before is not None and same else now,
        None if address is None else digest(address.encode()),
    )


def wrong(counted: Counted, before: Record | None, change: float) -> str:
    """Why a text is not put in the place of the one before, in words; "" if it may be.

    change: the share by which the number of entries may change (0.5 for 50 %).
    """
    if counted.unusable and counted.refused:
        return f"{counted.unusable} ({_lines(counted)} lines refused)"
    if counted.unusable:
        return counted.unusable
    if not counted.entries:
        lines = _lines(counted)
        return f"it holds no entry ({lines} lines refused)" if lines else "it is empty"
    if before is None or not before.entries:
        return ""
    step = abs(counted.entries - before.entries)
    if step <= max(FEW, change * before.entries):
        return ""
    how = "more" if counted.entries > before.entries else "fewer"
    share = round(100 * step / before.entries)
    return f"it has {counted.entries} entries, {share} % {how} than the {before.entries} before"


def _lines(counted: Counted) -> int:
    return sum(count for count, _ in counted.refused.values())


def record_text(found: Record, before: Record | None = None) -> bytes:
    """The file beside a list. before: of the text that lies there until the new one does."""
    said: dict[str, object] = {"format": FORMAT, **_written(found)}
    if before is not None and before.digest != found.digest:
        said["before"] = [_written(before)]
    return written(said)


def _written(found: Record) -> dict[str, object]:
    refused = list(found.refused.items())[:MOST_REFUSED]
    return {
        "sha256": found.digest,
        "size": found.size,
        "entries": found.entries,
        "refused": [
            {"reason": reason, "count": count, "first": first} for reason, (count, first) in refused
        ],
        "host": found.host,
        "fetched": instant_text(found.fetched),
        "changed": instant_text(found.changed),
        "source": found.source,
    }


def record_of(place: str, data: bytes, text: bytes) -> Record | None:
    """What is known of this text; None where the file tells only of others. Raises StateBroken."""
    found, known = fields(place, data), digest(text)
    records = [_record(one) for one in (found, *(found.maybe("before", found.objects) or ()))]
    return next((one for one in records if one.digest == known), None)


def _record(found: Fields) -> Record:
    refused = (_refused(one) for one in found.objects("refused"))
    return Record(
        found.text("sha256"),
        found.whole("size"),
        found.whole("entries"),
        dict(refused),
        found.text("host"),
        found.instant("fetched"),
        found.instant("changed"),
        found.maybe("source", found.text),
    )


def _refused(found: Fields) -> tuple[str, tuple[int, int]]:
    return found.text("reason"), (found.whole("count"), found.whole("first"))
