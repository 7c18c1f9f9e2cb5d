"""Updates: a restart of the machine that waits, what it will interrupt, and what comes back.

How long a start takes is measured, not guessed: from the kernel's beginning to the steward's first
turn in a boot. What the firmware and the stop before it take nobody here can see, so an allowance
is made for it, and said.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from netcharter.rollout.reading import Fields
from netcharter.steward.shapes import Decision, Duty, Facts, Report, Restart

EVERY = timedelta(minutes=10)
UNSEEN = 90.0  # seconds for the stop and the firmware: common practice, no source
LATE = 1800.0  # seconds after which a first turn tells nothing about how long the start took
NAMED = 6  # packages that are named


@dataclass(frozen=True, slots=True)
class State:
    """boot_id: of the boot that was seen last; start: how long a start took, in seconds."""

    boot_id: str = ""
    start: float | None = None


def decide(state: State, facts: Facts, now: datetime) -> Decision[State]:
    """Tell what a restart means while one waits, and always what would not come back."""
    if facts.boot_id and facts.boot_id != state.boot_id:
        took = facts.boot_seconds if facts.boot_seconds < LATE else state.start
        state = State(facts.boot_id, took)
    reports = (_restart(facts.updates, state.start), *_coming_back(facts.updates))
    return Decision(state, (), now + EVERY, reports)


def _restart(found: Restart, start: float | None) -> Report:
    if not found.required:
        return Report("updates/restart", False, "no restart is due", "note")
    names = list(found.packages[:NAMED])
    if len(found.packages) > NAMED:
        names.append(f"{len(found.packages) - NAMED} more")
    why = f" (for {', '.join(names)})" if names else ""
    text = (
        f"the machine is to be restarted{why}. While it is, nothing passes the gateway: no line, "
        f"no connection between areas, no calls, also none for help; {_how_long(start)}. Every open "
        "connection ends"
    )
    return Report("updates/restart", True, text, "note", " ".join(found.packages))


def _how_long(start: float | None) -> str:
    if start is None:
        return "how long that takes has not been measured on this machine yet"
    whole = (start + UNSEEN) / 60
    return (
        f"that takes about {max(round(whole), 1)} min (the last start took {start:.0f} s; "
        f"{UNSEEN:.0f} s are allowed for the stop and the firmware)"
    )


def _coming_back(found: Restart) -> Iterator[Report]:
    if found.kept is None:
        return
    kept = f"version {found.kept} is kept"
    yield Report(
        "updates/boot",
        not found.boot_unit,
        f"{kept}, but the unit that brings it up is not enabled: after a restart the gateway would "
        "come up without it"
        if not found.boot_unit
        else f"{kept}, and is brought up at boot",
        "urgent",
    )
    yield Report(
        "updates/kept",
        not found.whole,
        f"{kept}, but its folder is not there: after a restart the gateway would come up without it"
        if not found.whole
        else f"{kept}, and its folder is there",
        "urgent",
    )
    yield Report(
        "updates/steward",
        not found.steward_unit,
        "the steward is not started at boot: after a restart hours would stay closed"
        if not found.steward_unit
        else "the steward is started at boot",
    )


def duty() -> Duty[State]:
    """The duty, with nothing measured yet."""
    return Duty(
        name="updates",
        about="tells what a restart that waits will interrupt, and what comes back after it",
        needs=frozenset({"updates"}),
        begin=State(),
        decide=decide,
        written=_written,
        read=_read,
    )


def _written(state: State) -> Mapping[str, object]:
    return {"boot_id": state.boot_id, "start": state.start}


def _read(found: Fields) -> State:
    return State(found.text("boot_id"), found.maybe("start", found.number))
