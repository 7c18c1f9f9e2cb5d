"""`renumber`: the machine takes over the prefixes that providers delegate.

A new version of the charter that is kept, with what was delegated since: planned, proven, put in
place as any other is, and kept at once if the kernel then does what it says; else everything stays as
it was. Nobody has to be asked, since the charter says nothing else than before.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from ipaddress import IPv6Network
from typing import Any, Literal

from netcharter.charter.model import Charter
from netcharter.charter.read import read
from netcharter.rollout import looks
from netcharter.rollout.host import Work
from netcharter.rollout.pruning import pruned
from netcharter.rollout.store import Standing
from netcharter.rollout.trouble import RolloutRefused
from netcharter.rollout.work import Undone
from netcharter.tasks.enacting import acts
from netcharter.tasks.enacting.here import here
from netcharter.tasks.enacting.ready import Ready, judged
from netcharter.tasks.sources import Source, Unusable

State = Literal["nothing kept", "as before", "renumbered", "refused", "undone"]
SECONDS = 120.0  # after which a version that could not be kept is undone by itself
UNTRIED = "rehearsal"  # the charter was rehearsed; only numbers are others


@dataclass(frozen=True)
class Renumbered:
    """version: that is kept now, 0 for none. text: what came of it, in words. refused: by line, why
    what was delegated is not used; without: lines that have no delegated prefix."""

    state: State
    text: str
    version: int = 0
    refused: Mapping[str, str] = field(default_factory=dict)
    without: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        return self.state not in ("refused", "undone")

    def as_json(self) -> dict[str, Any]:
        """`ok`, `state`, `text`, `version` (or null), `refused` [{`line`, `reason`}], `without`."""
        return {
            "ok": self.ok,
            "state": self.state,
            "text": self.text,
            "version": self.version or None,
            "refused": [{"line": line, "reason": why} for line, why in self.refused.items()],
            "without": list(self.without),
        }

    def lines(self) -> Iterator[str]:
        """For people."""
        yield f"{self.state}: {self.text}"
        yield from (f"not used: {why}" for why in self.refused.values())
        yield from (f"{line} has no delegated prefix" for line in self.without)


def renumber(work: Work, now: datetime) -> Renumbered:
    """Take over what is delegated. Raises RolloutRefused while something is on trial, Unusable where
    the version that is kept can't be used."""
    stood = acts.standing(work)
    source = acts.kept_source(work)
    if source is None or source.kept is None or stood.kept is None:
        return Renumbered("nothing kept", "nothing is kept here")
    before = source.kept.delegated
    found, refused = acts.delegated(work, source)
    after = {line: one for line, one in {**before, **found}.items() if one is not None}
    charter = read(source.text, source.name, source.load).charter
    asking = [] if charter is None else _asking(charter)
    told = Renumbered(
        "as before", "what is delegated is in place", stood.kept, refused,
        tuple(line for line in asking if line not in after),
    )  # fmt: skip
    if after == before:
        return told
    why = "; ".join(_changes(before, after, asking))
    taken = taken_over(work, replace(source, learnt=found), why, stood, now)
    if taken.version is None:
        return replace(told, state=taken.state, text=taken.text)
    return replace(told, state="renumbered", text=taken.text, version=taken.version)


def _asking(charter: Charter) -> list[str]:
    return [line.name for line in charter.lines.values() if line.delegated]


def _changes(
    before: Mapping[str, IPv6Network], after: Mapping[str, IPv6Network], asking: list[str]
) -> Iterator[str]:
    for line in asking:
        old, new = before.get(line), after.get(line)
        if old != new:
            was = f", no longer {old}" if old else ""
            yield f"{new or 'nothing'} is delegated over {line}{was}"


@dataclass(frozen=True, slots=True)
class Taken:
    """What came of a version that nobody has asked for. version: that is kept now; None where it was
    refused or undone, and why."""

    text: str
    version: int | None = None
    state: Literal["refused", "undone"] = "undone"


def taken_over(
    work: Work, source: Source, why: str, stood: Standing, now: datetime, seconds: float = SECONDS
) -> Taken:
    """The charter that is kept, with what was learnt since, in place and kept; or all is as before.

    why: what was learnt, in words; stood: how things stood before; seconds: after which it is undone by
    itself where it could not be kept. Raises RolloutRefused while something is on trial.
    """
    acts.free(work)
    try:
        ready = judged_anew(work, source, now)
    except Unusable as fault:
        return Taken(f"{why}: {fault}", state="refused")
    if not ready.ok:
        reasons = "; ".join(f"{one.check}: {one.sentence}" for one in ready.refusals)
        return Taken(f"{why}: {reasons}", state="refused")
    done = exchanged(work, ready, why, stood, now, seconds)
    if done.version is None:
        return Taken(f"{why}: {done.why}")
    return Taken(why, done.version)


def judged_anew(work: Work, source: Source, now: datetime) -> Ready:
    """The charter that is kept, with what was learnt since, judged as if somebody enacted it."""
    number = looks.look(work).kept or 0
    return judged(
        source,
        now,
        lambda plan: here(plan, None),
        kept=acts.kept_plan(work),
        waived=(UNTRIED,),
        as_kept=lambda: acts.as_kept(work),
        in_the_way=lambda files: acts.in_the_way(work, files),
        diverting=lambda plan, files: acts.diverting(work, plan, files),
        set_aside=looks.made(work, number).version.set_aside,
    )


@dataclass(frozen=True, slots=True)
class Exchanged:
    """The version that is kept now; None where it was undone, and why."""

    version: int | None
    why: str = ""


def exchanged(
    work: Work, ready: Ready, why: str, stood: Standing, now: datetime, seconds: float = SECONDS
) -> Exchanged:
    """Put it in place and keep it at once, or all is as before; what the machine made itself of late
    is pruned. stood: how things stood before it was judged; seconds: after which it is undone by itself
    where it could not be kept."""
    found = _exchanged(work, ready, why, stood, now, seconds)
    pruned(work)
    return found


def _exchanged(
    work: Work, ready: Ready, why: str, stood: Standing, now: datetime, seconds: float
) -> Exchanged:
    before = looks.made(work, stood.kept or 0).version
    done = acts.enact(
        work, ready, why=why, seconds=seconds, set_aside=before.set_aside,
        judged=stood, now=now, left=before.left, unasked=True,
    )  # fmt: skip
    if isinstance(done.outcome, Undone):
        return Exchanged(None, done.outcome.why)
    try:
        return Exchanged(acts.keep(work).version)
    except RolloutRefused as fault:
        acts.undo(work, f"it could not be kept: {fault}")
        return Exchanged(None, str(fault))
