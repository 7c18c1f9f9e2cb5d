"""What the acts of a roll-out say, for people and as JSON."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from textwrap import wrap
from typing import Any
from zoneinfo import ZoneInfo

from netcharter.proofs.conversations import Again
from netcharter.report.wording import counted
from netcharter.rollout.store import Event, called
from netcharter.rollout.work import Booted, Kept, Undone, Waiting

WORDS = {
    "enacted": "put in place on trial", "kept": "kept", "undone": "undone",
    "not undone": "could not be undone", "restored at boot": "brought up", "restored": "taken back from a copy",
    "mended": "mended", "refused": "refused",
}  # fmt: skip


def _moment(when: datetime, zone: str) -> str:
    return when.astimezone(ZoneInfo(zone)).strftime("%a %d %b %Y %H:%M:%S")


def outcome_json(outcome: Waiting | Undone) -> dict[str, Any]:
    """`state` (`waiting` or `undone`), `version`, `until`, `why`, `left`, `notes`, `gone`,
    `meanwhile`."""
    if isinstance(outcome, Waiting):
        trial = outcome.trial
        return {
            "state": "waiting", "version": trial.version, "until": trial.deadline.isoformat(),
            "why": "", "left": [], "notes": list(outcome.notes),
            "gone": list(outcome.gone), "meanwhile": [],
        }  # fmt: skip
    return {
        "state": "undone", "version": outcome.version, "until": None,
        "why": outcome.why, "left": list(outcome.left), "notes": list(outcome.notes),
        "gone": list(outcome.gone), "meanwhile": list(outcome.meanwhile),
    }  # fmt: skip


def outcome_lines(
    outcome: Waiting | Undone, zone: str, width: int, diverting: Sequence[str] = ()
) -> Iterator[str]:
    """diverting: what of others leads packets elsewhere than what is in place."""
    if isinstance(outcome, Waiting):
        trial = outcome.trial
        if diverting:
            yield f"{called(trial.version)} is in place, and NOT as planned is where packets go:"
            yield from _items(diverting, width)
        else:
            yield f"{called(trial.version)} is in place, and what the kernel has is as planned."
        yield f"It is undone at {_moment(trial.deadline, zone)}, unless you keep it until then:"
        yield "    netcharter keep"
        yield from _items((*_taken(outcome.gone), *outcome.notes), width)
        return
    yield from undone_lines(outcome, width)


def undone_lines(outcome: Undone, width: int) -> Iterator[str]:
    yield from wrap(f"{called(outcome.version)} was undone: {outcome.why}", width)
    yield from wrap(f"this machine is {_end(outcome)}", width)
    meanwhile = (f"meanwhile, by others: {one}" for one in outcome.meanwhile)
    yield from _items((*outcome.left, *_taken(outcome.gone), *meanwhile, *outcome.notes), width)


def _end(outcome: Undone) -> str:
    if not outcome.over:
        return "NOT equal to before"
    if outcome.left:
        return "NOT equal to before, since this could not be had on it again; the trial is over:"
    if outcome.gone or outcome.meanwhile:
        return "equal to before, but for what others did meanwhile:"
    return "equal to before: proven"


def _taken(gone: Iterable[str]) -> Iterator[str]:
    return (f"taken away of others: {one}" for one in gone)


def _items(sentences: Iterable[str], width: int) -> Iterator[str]:
    """Some hold a command to be copied, or a path: those are broken at blanks alone."""
    for one in sentences:
        yield from wrap(
            one, width, initial_indent="  - ", subsequent_indent="    ", break_on_hyphens=False,
            break_long_words=False,
        )  # fmt: skip


def undone_json(outcome: Undone | None) -> dict[str, Any]:
    """`ok` and what `outcome_json` has. `state` is `quiet` where nothing was on trial."""
    if outcome is None:
        return {
            "ok": True, "state": "quiet", "version": None,
            "until": None, "why": "", "left": [], "notes": [], "gone": [], "meanwhile": [],
        }  # fmt: skip
    return {"ok": not outcome.left, **outcome_json(outcome)}


def again_lines(again: Again | None, width: int, really: bool = True) -> Iterator[str]:
    """Which open conversations were cut, and which may have had to be. really: else they only would
    be."""
    if again is None:
        return
    if again.cut:
        did = "cut" if really else "would be cut"
        yield f"{counted(len(again.cut), 'open conversation')} {did}, which it refuses:"
        yield from _some([one.sentence for one in again.cut], width)
    if again.doubtful:
        yield f"{counted(len(again.doubtful), 'open conversation')} left, which it may refuse:"
        yield from _some([one.sentence for one in again.doubtful], width)
    if again.finishing:
        told = counted(again.finishing, "open conversation")
        yield f"{told} left, which may finish though the time for new ones is over"


def _some(sentences: Sequence[str], width: int, most: int = 8) -> Iterator[str]:
    yield from _items(sentences[:most], width)
    if len(sentences) > most:
        yield f"  and {len(sentences) - most} more"


def kept_lines(kept: Kept, width: int) -> Iterator[str]:
    yield f"{called(kept.version)} is kept: it is what a reboot brings up."
    yield from _items(kept.notes, width)


def booted_well(booted: Booted) -> bool:
    """All that is kept is there, and nothing is left of a trial."""
    return not booted.left and (booted.undone is None or not booted.undone.left)


def booted_json(booted: Booted) -> dict[str, Any]:
    """`ok`, `state`, `version`, `left`, `undone` (as `outcome_json`, null for none), `notes`,
    `gone`."""
    undone = None if booted.undone is None else outcome_json(booted.undone)
    return {
        "ok": booted_well(booted), "state": "in place", "version": booted.version,
        "left": list(booted.left), "undone": undone, "notes": list(booted.notes),
        "gone": list(booted.gone),
    }  # fmt: skip


def booted_lines(booted: Booted, width: int) -> Iterator[str]:
    yield from mended_lines(booted, width)
    if booted.version is not None:
        yield f"version {booted.version} is in place"
    elif booted.undone is None:
        yield "nothing of netcharter is kept here: nothing was changed"
    else:
        yield "nothing of netcharter is kept here"
    yield from _items((f"missing: {one}" for one in booted.left), width)


def mended_lines(booted: Booted, width: int) -> Iterator[str]:
    """What was met on the way to what is kept."""
    if booted.undone is not None:
        yield from undone_lines(booted.undone, width)
    yield from _items((*_taken(booted.gone), *booted.notes), width)


def history_json(events: Sequence[Event], unread: Sequence[str] = ()) -> dict[str, Any]:
    """`ok`, whether all of it could be read; `events` [{`when`, `who`, `what`, `version`, `digest`,
    `why`, `difference`}]; `unread`, lines that could not, in words."""
    listed = [
        {
            "when": one.when.isoformat(), "who": one.who, "what": one.what,
            "version": one.version, "digest": one.digest, "why": one.why,
            "difference": one.difference,
        }
        for one in events
    ]  # fmt: skip
    return {"ok": not unread, "events": listed, "unread": list(unread)}


def history_lines(
    events: Sequence[Event], unread: Sequence[str], zone: str, width: int
) -> Iterator[str]:
    yield from (line for one in unread for line in wrap(f"not readable: {one}", width))
    if not events and not unread:
        yield "nothing has happened here yet"
    for one in events:
        what = WORDS.get(one.what, one.what)
        named = "" if one.version is None else f"{called(one.version)} "
        yield from wrap(
            f"{_moment(one.when, zone)}  {named}{what} by {one.who}",
            width, subsequent_indent=" " * 4,
        )  # fmt: skip
        for label, text in (
            ("why", one.why),
            ("changes", one.difference),
            ("kit", one.digest[:16]),
        ):
            if text:
                indent = f"    {label}: "
                yield from wrap(text, width, initial_indent=indent, subsequent_indent=" " * 6)
