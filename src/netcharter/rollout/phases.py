"""The phases of a roll-out as ordered steps: what is written where, and in which order.

The order is what makes them safe to be killed in. A file that makes others count is written after
them (`version.json`, `trial.json`), and is the first to go. Between `opening` and `waiting` stand
the steps of `converge`, which are about the host, not about the state folder.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

from netcharter.rollout.observe import OURS
from netcharter.rollout.shapes import Folder, HostState, Point, Remove, Step, Write
from netcharter.rollout.snapshot import snapshot
from netcharter.rollout.store import (
    STOCK,
    Event,
    Paths,
    Phase,
    Standing,
    Trial,
    Version,
    digest_of,
    format_text,
    link_to,
    trial_text,
    version_text,
    with_event,
)

SECRET = 0o600


@dataclass(frozen=True, slots=True)
class Making:
    """What is put in place. files: the kit; secret: the names of those only root may read;
    charter: the document as it was given; included: the files it includes, by name; the rest as
    `Version` has it."""

    files: Mapping[str, bytes]
    charter: bytes
    who: str
    why: str = ""
    overrides: tuple[str, ...] = ()
    difference: str = ""
    set_aside: tuple[str, ...] = ()
    secret: frozenset[str] = frozenset()
    included: Mapping[str, bytes] = field(default_factory=dict)
    left: tuple[str, ...] = ()
    unasked: bool = False


def founding(paths: Paths) -> tuple[Step, ...]:
    """The state folder alone, in which the lock is to be."""
    return (Step("the state folder is made", (Folder(paths.root),)),)


def settling(paths: Paths) -> tuple[Step, ...]:
    """What the state folder has in it from its beginning; its format comes first."""
    made = (Write(paths.format, format_text()), Folder(paths.versions))
    return (Step("the state folder is laid out", made),)


def version_made(number: int, making: Making, previous: int | None, when: datetime) -> Version:
    """The version that a making becomes."""
    return Version(
        number,
        digest_of(making.files),
        making.who,
        when,
        making.why,
        making.overrides,
        previous,
        making.difference,
        making.set_aside,
        making.left,
        making.unasked,
    )


def staging(paths: Paths, version: Version, making: Making) -> tuple[Step, ...]:
    """The version's folder; `version.json` comes last and says that it is complete."""
    folder = paths.version(version.number)
    kit = paths.version(version.number, "kit")
    own = paths.version(version.number, "included")
    folders = {"/".join((kit, *name.split("/")[:-1])) for name in making.files}
    folders |= {"/".join((own, *name.split("/")[:-1])) for name in making.included}
    files = tuple(
        Write(f"{kit}/{name}", data, SECRET if name in making.secret else 0o640)
        for name, data in sorted(making.files.items())
    )
    return (
        Step(
            "the version's folder is made",
            (Remove(folder), Folder(folder), *(Folder(path) for path in sorted({kit, *folders}))),
        ),
        Step("the kit is put aside", files),
        Step(
            "the version is told",
            (
                Write(paths.version(version.number, "charter.yaml"), making.charter),
                *(Write(f"{own}/{name}", data) for name, data in sorted(making.included.items())),
                Write(paths.version(version.number, "version.json"), version_text(version)),
            ),
        ),
    )


def opening(
    paths: Paths, trial: Trial, before: HostState, history: bytes, event: Event
) -> tuple[Step, ...]:
    """A trial begins: nothing of the host has changed yet, and what it was like is on the disk."""
    return (
        Step(
            "what the host is like is put aside",
            (
                Remove(paths.trial),
                Folder(paths.trial),
                Write(paths.before, snapshot(before), SECRET),
            ),
        ),
        Step(
            "the trial is told",
            (
                Write(paths.history, with_event(history, event)),
                Write(paths.trial_file, trial_text(trial)),
            ),
        ),
    )


def placed(paths: Paths, state: HostState) -> Step:
    """What of the packet filter is ours, as it was found to be as planned."""
    ours = tuple(table for table in state.tables if (table.family, table.name) == OURS)
    seen = snapshot(HostState(state.at, tables=ours))
    return Step("what is in place is put aside", (Write(paths.placed, seen, SECRET),))


def phase(paths: Paths, trial: Trial, now: Phase) -> Step:
    """The trial enters another phase."""
    names = {
        "changing": "the host is being changed",
        "waiting": "the trial waits to be kept",
        "undoing": "the trial is being undone",
    }
    return Step(names[now], (Write(paths.trial_file, trial_text(replace(trial, phase=now))),))


def keeping(
    paths: Paths, trial: Trial, stock: bytes | None, history: bytes | None, event: Event
) -> tuple[Step, ...]:
    """The trial is kept. The link is the decision: all after it is tidying.

    stock: what the host was like without any version of ours, to be put aside with what is kept;
    history: as in `over`.
    """
    place = paths.version(trial.version, "before.json")
    known = trial.version != STOCK and stock is not None
    aside = (Write(place, stock, SECRET),) if known and stock is not None else ()
    return (
        Step("the version is kept", (*aside, Point(paths.kept, link_to(trial.version)))),
        *over(paths, history, event),
    )


def over(paths: Paths, history: bytes | None, event: Event) -> tuple[Step, ...]:
    """A trial that is decided or undone goes, after what became of it has been told. history: None
    where it can't be read; it is then left as it is."""
    return (
        *telling(paths, history, event),
        Step("the trial is over", (Remove(paths.trial),)),
    )


def tidying(
    paths: Paths, now: Standing, history: bytes | None, who: str, when: datetime
) -> tuple[Step, ...]:
    """What is left of a trial that is no longer open; nothing where nothing is left."""
    trial = now.trial
    if trial is None or now.situation == "open":
        return ()
    if now.situation == "decided":
        return over(paths, history, Event(when, trial.who, "kept", trial.version))
    why = (
        "the machine was started anew before it was kept"
        if now.situation == "overtaken"
        else "ended before anything was changed"
    )
    return over(paths, history, Event(when, who, "undone", trial.version, why=why))


def telling(paths: Paths, history: bytes | None, event: Event) -> tuple[Step, ...]:
    """One more line of history, and nothing else; history: as in `over`."""
    if history is None:
        return ()
    return (Step("what happened is told", (Write(paths.history, with_event(history, event)),)),)


def pruning(paths: Paths, present: Collection[int], complete: Collection[int]) -> tuple[Step, ...]:
    """Versions whose making was cut short go: nothing leads to them."""
    gone = sorted(set(present) - set(complete))
    if not gone:
        return ()
    effects = tuple(Remove(paths.version(number)) for number in gone)
    return (Step("versions cut short are removed", effects),)
