"""Requests to decide open conversations again, and what came of them, in the steward's folder."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TypeVar

from netcharter.rollout.reading import Fields, fields, written
from netcharter.rollout.run import files
from netcharter.rollout.shapes import Write
from netcharter.rollout.trouble import StateBroken
from netcharter.steward.alarms import instant, stamp
from netcharter.steward.shapes import Asked, Conversations, Counted, DecideAgain, Done

ASKED, DONE = "asked.json", "cut.json"
T = TypeVar("T", Asked, Done)


def read(folder: Path) -> Conversations:
    """Both. A file that can't be used is one more reason to decide again. Raises EffectFailed."""
    done = _of(folder, DONE, _done, Done()) or Done()
    asked = _of(folder, ASKED, _asked, Asked())
    if asked is None:
        asked = Asked(done.number + 1, None, "what was asked for can't be read")
    return Conversations(asked, done)


def _of(folder: Path, name: str, made: Callable[[Fields], T], nothing: T) -> T | None:
    data = files.read(str(folder / name))
    try:
        return nothing if data is None else made(fields(name, data))
    except StateBroken:
        return None


def ask(folder: Path, effect: DecideAgain, now: datetime) -> None:
    """Write a request down. Raises EffectFailed."""
    before = read(folder)
    number = max(before.asked.number, before.done.number) + 1
    _write(folder, ASKED, {"number": number, "at": stamp(now), "why": effect.why,
                           "hours": effect.hours})  # fmt: skip


def finished(folder: Path, asked: Asked, counted: Counted, now: datetime) -> Done:
    """Write down what came of a request. Raises EffectFailed."""
    after = 0.0 if asked.at is None else max((now - asked.at).total_seconds(), 0.0)
    done = Done(asked.number, now, round(after, 3), counted)
    _write(folder, DONE, {"number": done.number, "at": stamp(now), "after": done.after,
                          **asdict(counted)})  # fmt: skip
    return done


def _write(folder: Path, name: str, content: Mapping[str, object]) -> None:
    files.write(Write(str(folder / name), written(content)))


def _asked(found: Fields) -> Asked:
    return Asked(found.whole("number"), instant(found, "at"), found.text("why"), found.yes("hours"))


def _done(found: Fields) -> Done:
    counted = Counted(found.whole("cut"), found.whole("doubtful"), found.whole("kept"))
    return Done(found.whole("number"), instant(found, "at"), found.number("after"), counted)
