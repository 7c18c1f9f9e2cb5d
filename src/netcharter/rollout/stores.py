"""The stores of a list of names are made: what is to be done, and what is known of those that are there.

dnsdist takes a file for a new one only where its time, in whole seconds, is later than that of the
one before (`render.cdb`). So the time of each is given, later than the last one whatever the clock
says. A store is written beside the old one and put in its place whole; what is known of them is
written last, so that whoever is killed before has them made once more.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from netcharter.render.cdb import STORES, Layout
from netcharter.rollout.placing import NEW
from netcharter.rollout.reading import fields, written
from netcharter.rollout.shapes import Effect, Folder, Run, Write
from netcharter.rollout.trouble import StateBroken

FORMAT = 1
RECORD = "made.json"
READABLE, ENTERED = 0o644, 0o755  # modes: who reads them is not who makes them
SECONDS = 300.0  # for one store


@dataclass(frozen=True, slots=True)
class Made:
    """mark: of what (`render.stores.fingerprint`); time: that the files have, in seconds since 1970."""

    mark: str = ""
    time: int = 0


def known(data: bytes | None) -> Made:
    """What a folder tells of its stores; nothing where it does not, or can't be read."""
    if data is None:
        return Made()
    try:
        found = fields(RECORD, data)
        return Made(found.text("mark"), found.whole("time"))
    except StateBroken:
        return Made()


def steps(folder: str, layout: Layout, mark: str, before: Made, now: float) -> Iterator[Effect]:
    """Make the stores of a list in a folder. before: what is known of those that are there; now: the
    time of day, in seconds since 1970. One after the other: each holds the records of a whole store."""
    time = max(int(now), before.time + 1)
    yield Folder(folder, ENTERED)
    for store in STORES:
        path = f"{folder}/{store}.cdb"
        new = path + NEW
        records = b"".join(layout.records(store))
        yield Run(("cdb", "-c", "-t", "-", new), records, seconds=SECONDS)
        yield Run(("chmod", f"{READABLE:o}", new))
        yield Run(("touch", "-d", f"@{time}", new))
        yield Run(("sync", new))
        yield Run(("mv", "-fT", new, path))
    record = {"format": FORMAT, "mark": mark, "time": time}
    yield Write(f"{folder}/{RECORD}", written(record), READABLE)
