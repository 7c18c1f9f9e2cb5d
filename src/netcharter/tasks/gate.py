"""`gate`: the gateway's own pages. `requests`: what was asked for there."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from textwrap import wrap
from typing import Any

from netcharter.gate.requests import AT, KEPT, Request, over
from netcharter.gate.server.folder import RequestFolder
from netcharter.gate.settings import read
from netcharter.rollout.places import STATE
from netcharter.rollout.reading import instant_text
from netcharter.rollout.trouble import EffectFailed, RolloutRefused, StateBroken

__all__ = ["Requests", "old_ones_go", "requests", "run"]


def run(settings: Path, folder: str, port: int | None) -> str | None:
    """Serve the pages until a signal ends it. What is wrong where they can't be served, in words."""
    try:
        from netcharter.gate.server.serving import PORT, serve
    except ModuleNotFoundError as fault:
        return f"the library {fault.name} is missing: install netcharter[gateway]"
    try:
        told = read(settings.read_bytes())
        serve(told, folder, PORT if port is None else port)
    except StateBroken as fault:
        return str(fault)
    except OSError as fault:
        return f"the pages can't be served: {(fault.strerror or str(fault)).lower()}"
    return None


@dataclass(frozen=True, slots=True)
class Requests:
    """Requests for release by number, those that were just done with, and files that can't be read."""

    kept: tuple[tuple[int, Request], ...]
    done: tuple[int, ...]
    broken: int

    def as_json(self) -> dict[str, Any]:
        """`ok`, `requests` [{`number`, `name`, `area`, `rule`, `why`, `reach`, `asked`}], `done`,
        `unreadable`."""
        return {
            "ok": not self.broken,
            "requests": [
                {
                    "number": number,
                    "name": one.name,
                    "area": one.area,
                    "rule": one.rule,
                    "why": one.why,
                    "reach": one.reach,
                    "asked": instant_text(one.asked),
                }
                for number, one in self.kept
            ],
            "done": list(self.done),
            "unreadable": self.broken,
        }

    @property
    def ok(self) -> bool:
        return not self.broken

    def lines(self, width: int) -> Iterator[str]:
        """For people."""
        for number in self.done:
            yield f"request {number} is taken away"
        if not self.kept and not self.done:
            yield "nobody has asked for the release of a name"
        for number, one in self.kept:
            yield f"{number}  {one.name}  asked from {one.area}, {one.asked:%Y-%m-%d %H:%M} UTC"
            yield from _wrapped(f"withheld by {one.rule}", width)
            yield from _wrapped(f"why: {one.why or '(nothing was said)'}", width)
            yield from _wrapped(f"reached by: {one.reach or '(nothing was said)'}", width)
        if self.kept:
            yield from wrap(
                f"What they wrote is theirs to say, and anybody there may have written it. A request"
                f" goes by itself after {KEPT.days} days; earlier with --done NUMBER.", width
            )  # fmt: skip
        if self.broken:
            yield f"{self.broken} file(s) there can't be read as requests, and were left alone"


def _wrapped(text: str, width: int) -> Iterator[str]:
    """A request may be of several lines; each stays one."""
    for line in text.split("\n"):
        yield from wrap(line, width, initial_indent="    ", subsequent_indent="      ")


def old_ones_go(state: str, now: datetime, folder: str = AT) -> None:
    """Requests that have been kept long enough go where no pages run that see to it, since nothing is
    withheld any more. state: the state folder that is worked with; a trial in another one is none of
    theirs. That they can't go is told by whoever looks at them."""
    if state.rstrip("/") != STATE:
        return
    place = RequestFolder(folder)
    with suppress(OSError):
        for number in over(place.box(), now):
            place.drop(number)


def requests(folder: str, done: Sequence[int], now: Callable[[], datetime]) -> Requests:
    """What is kept of requests; those that are done are taken away. Raises RolloutRefused where one
    of them isn't there, EffectFailed."""
    place = RequestFolder(folder)
    try:
        box = place.box()
        missing = [number for number in done if number not in box.requests]
        if missing:
            raise RolloutRefused(
                f"there is no request {missing[0]}",
                "say `netcharter requests` to see which there are",
            )
        for number in (*done, *over(box, now())):
            place.drop(number)
        left = place.box()
    except OSError as fault:
        said = (fault.strerror or str(fault)).lower()
        raise EffectFailed(f"reading requests in {folder}", said) from None
    return Requests(tuple(left.requests.items()), tuple(done), left.broken)
