"""Waiting at a terminal until what is on trial is kept or undone, here or by somebody else.

Nothing hangs on it: the undo timer is a process of its own, and this only watches what becomes of
the trial. It looks by the state folder, and without its lock, so that it is in nobody's way.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from typing import Literal

from netcharter.proofs.conversations import Again
from netcharter.rollout import looks
from netcharter.rollout import work as rollout
from netcharter.rollout.host import Work
from netcharter.rollout.places import STATE
from netcharter.rollout.store import STOCK, Event, Standing, Trial, called
from netcharter.rollout.trouble import EffectFailed, RolloutRefused
from netcharter.tasks.enacting import telling

LOOK = 1.0  # seconds between two looks
LOOKS = 5  # for who decided, once it is over
GRACE = 120.0  # seconds after the deadline in which an undo is waited for
MARKS = (10, 30)  # seconds before the end at which it is told; and every whole minute
ASKED = "type keep or undo, and press Enter"

Heard = Callable[[float], str | None]  # a line typed within so many seconds; EOFError: none comes
Say = Callable[[str], None]
Keep = Callable[[], rollout.Kept]  # keeps it
# Undoes the trial; with what was cut. None: nothing was on trial, or nothing could be decided again.
Undo = Callable[[], tuple[rollout.Undone | None, Again | None]]


@dataclass(frozen=True, slots=True)
class Over:
    """The wait is over. state: what became of the trial; `open`: it goes on without a listener;
    lines: what to say of it."""

    state: Literal["kept", "undone", "not undone", "open"]
    lines: tuple[str, ...] = ()


def waited(
    work: Work, trial: Trial, heard: Heard, say: Say, width: int, keep: Keep, undo: Undo
) -> Over:
    """Ask until the trial is over, by whomever; ends some time after its deadline at the latest.

    keep, undo: what is done when that is typed. Raises RolloutRefused where the state folder can't
    be read any more.
    """
    say(f"{_left(_seconds(work, trial))} left. Look around, then {ASKED}.")
    mark = _next_mark(_seconds(work, trial))
    late = False
    while True:
        left = _seconds(work, trial)
        now = looks.look(work)
        if _is_over(now, trial):
            _until_written(work, trial, heard)
            return _told(work, now, trial, width)
        if left < -GRACE:
            return Over("not undone", tuple(_stuck(work, trial)))
        if not late and (left <= 0 or (now.trial and now.trial.phase == "undoing")):
            late = True
            say("The time is over: it is being undone." if left <= 0 else "It is being undone.")
        if 0 < left <= mark:
            mark = _next_mark(left)
            say(f"{_left(left)} left.")
        try:
            line = heard(LOOK)
        except EOFError:
            return Over("open", later(work, trial))
        done = None if line is None else _answered(line, say, width, keep, undo)
        if done is not None:
            return done


def later(work: Work, trial: Trial) -> tuple[str, ...]:
    """What to say to somebody who waits no longer."""
    try:
        now = looks.look(work)
    except RolloutRefused as fault:
        return (str(fault),)
    if _is_over(now, trial):
        return ()
    if now.trial is not None and now.trial.phase == "undoing":
        return (
            f"{called(trial.version)} is being undone; netcharter undo --history tells the end",
        )
    more = "" if work.paths.root == STATE else f" --state {shlex.quote(work.paths.root)}"
    left = _left(_seconds(work, trial))
    return (
        f"{called(trial.version)} stays on trial, and is undone in {left} unless you keep it:",
        f"    netcharter keep{more}",
    )


def _seconds(work: Work, trial: Trial) -> float:
    return trial.deadline_boot - work.host.clock()


def _left(seconds: float) -> str:
    """A time in words, never more than there is."""
    minutes, rest = divmod(max(0, int(seconds)), 60)
    words = [f"{minutes} min"] if minutes else []
    return " ".join([*words, f"{rest} s"] if rest or not words else words)


def _next_mark(left: float) -> float:
    """When the time that is left is told next: the last mark that is well below it."""
    minutes = range(60, max(61, int(left)), 60)
    return max((mark for mark in (*MARKS, *minutes) if mark < left - LOOK), default=0)


def _is_over(now: Standing, trial: Trial) -> bool:
    return now.trial is None or now.trial.version != trial.version or now.situation == "decided"


def _answered(line: str, say: Say, width: int, keep: Keep, undo: Undo) -> Over | None:
    """Do what was typed; None where the wait goes on."""
    word = line.strip().lower()
    if word not in ("keep", "undo"):
        say(f"Please {ASKED}.")
        return None
    try:
        if word == "keep":
            return Over("kept", tuple(telling.kept_lines(keep(), width)))
        found, again = undo()
    except (RolloutRefused, EffectFailed) as fault:
        say(f"refused: {fault}")
        return None
    if found is None:
        return None
    state: Literal["undone", "not undone"] = "undone" if found.over else "not undone"
    lines = (*telling.again_lines(again, width), *telling.undone_lines(found, width))
    return Over(state, lines)


def _until_written(work: Work, trial: Trial, heard: Heard) -> None:
    """Who decided is written down a little after it is decided."""
    for _ in range(LOOKS):
        if next(_ends(work, trial), None) is not None:
            return
        with suppress(EOFError):
            heard(LOOK)


def _told(work: Work, now: Standing, trial: Trial, width: int) -> Over:
    """What somebody else, or the timer, made of the trial."""
    event = next(_ends(work, trial), None)
    if (now.kept or STOCK) == trial.version:
        by = f", by {event.who}" if event and event.what == "kept" else ""
        return Over("kept", (f"{called(trial.version)} is kept{by}.",))
    if event is None or event.what != "undone":
        return Over("undone", (f"{called(trial.version)} is not in place any more.",))
    besides = (event.difference,) if event.difference else ()
    undone = rollout.Undone(trial.version, f"{event.why} ({event.who})", meanwhile=besides)
    return Over("undone", tuple(telling.undone_lines(undone, width)))


def _stuck(work: Work, trial: Trial) -> Iterator[str]:
    """What to say where the undo does not come to its end."""
    yield f"{called(trial.version)} could not be undone as a whole so far."
    event = next(_ends(work, trial), None)
    if event is not None and event.difference:
        yield f"this machine is not yet as before: {event.difference}"
    yield "try it again by hand: netcharter undo"


def _ends(work: Work, trial: Trial) -> Iterator[Event]:
    """What was told of how the trial ended, the last first."""
    for event in reversed(looks.events(work)):
        if event.version == trial.version and event.what in ("kept", "undone", "not undone"):
            yield event
