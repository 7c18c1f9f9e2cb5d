"""`cut`: open conversations decided again by the version that is in place, and cut where it refuses
them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from datetime import datetime
from textwrap import wrap
from typing import Any, Literal

from netcharter.plan.shapes import Plan
from netcharter.proofs.conversations import Again, Judged
from netcharter.report.wording import counted
from netcharter.rollout import looks
from netcharter.rollout.host import Work
from netcharter.rollout.store import Standing, called
from netcharter.rollout.trouble import EffectFailed, RolloutRefused
from netcharter.rollout.work import Undone
from netcharter.tasks.enacting import acts, again, telling
from netcharter.tasks.enacting.acts import kept_source
from netcharter.tasks.enacting.here import here
from netcharter.tasks.enacting.place import (
    deciding,
    in_place,
    known,
    was_decided,
    with_lines_of,
)
from netcharter.tasks.sources import Unusable, usable_plan

State = Literal["cut", "told", "nothing in place"]
LISTED = 200  # conversations of each kind that a document lists
PATIENCE = 45.0  # seconds that a change of the machine which is under way is waited for
TRIES = 3  # to find the same version in place once its plan is made
NOTHING = Again((), (), 0)


@dataclass(frozen=True)
class Cut:
    """version: by which it was decided, 0 where nothing of ours is in place; again: what came of
    it; spared: whether one's own session was left aside."""

    state: State
    version: int
    again: Again
    spared: bool = False

    def as_json(self) -> dict[str, Any]:
        """As docs/reference/json.md has it; the lists end after `LISTED`, the counts do not."""
        counts = {
            "cut": len(self.again.cut),
            "doubtful": len(self.again.doubtful),
            "kept": self.again.kept,
            "finishing": self.again.finishing,
        }
        return {
            "ok": True,
            "state": self.state,
            "version": self.version or None,
            "cut": _listed(self.again.cut),
            "doubtful": _listed(self.again.doubtful),
            "counts": counts,
            "spared": self.spared,
        }

    def lines(self, width: int) -> Iterator[str]:
        """The answer for people."""
        if self.state == "nothing in place":
            yield "nothing of netcharter is in place here: nothing was cut"
            return
        yield f"decided again by {called(self.version)}:"
        yield from telling.again_lines(self.again, width, really=self.state == "cut")
        yield f"{counted(self.again.kept, 'open conversation')} let, and left"
        if self.spared:
            yield from wrap("your own session is among them, whatever is decided", width)


def _listed(judged: tuple[Judged, ...]) -> list[dict[str, object]]:
    return [one.as_json() for one in judged[:LISTED]]


def cut(
    work: Work,
    now: datetime,
    connection: str | None,
    *,
    hours: bool = True,
    really: bool = True,
) -> Cut:
    """Decide again by the version on trial, else by the one that is kept.

    connection: the SSH session that is left aside, as `here.ssh_connection` finds it; hours: else
    what hours or a last day open is taken for closed; really: else it is only told. Raises
    RolloutRefused, EffectFailed, Unusable.
    """
    if not work.host.names(work.paths.root):
        return Cut("nothing in place", 0, NOTHING)
    for _ in range(TRIES):
        with _undisturbed(work):
            version = _whole(looks.look(work))
        source = kept_source(work, version) if version else None
        if source is None:
            return Cut("nothing in place", 0, NOTHING)
        plan = usable_plan(source).plan  # a long charter takes a while, in which others may act
        with _undisturbed(work):
            if _whole(looks.look(work)) == version:
                decided, spared = _decided(work, version, plan, now, connection, hours, really)
                return Cut("cut" if really else "told", version, decided, spared)
    raise RolloutRefused("what is in place changes all the time", "try again; nothing was cut")


def _undisturbed(work: Work) -> AbstractContextManager[None]:
    """Nobody changes the rules meanwhile: between two versions neither is the one to decide by."""
    return work.host.locked(work.paths, "deciding open conversations again", PATIENCE)


def _decided(
    work: Work,
    version: int,
    plan: Plan,
    now: datetime,
    connection: str | None,
    hours: bool,
    really: bool,
) -> tuple[Again, bool]:
    """What came of it, and whether one's own session was left aside."""
    found = here(plan, connection)
    marked = with_lines_of(plan, known(work))
    decided = again.cut_refused(
        plan if hours else again.closed(plan),
        found,
        work.host.observe(()),
        now,
        numbers=marked.numbers,
        spared=[found.session] if found.session else [],
        really=really,
    )
    if really:
        was_decided(work, version, marked)
    return decided, found.session is not None


def undo(
    work: Work, why: str, now: datetime, connection: str | None
) -> tuple[Undone | None, Again | None]:
    """Undo what is on trial; then cut what the version in place refuses, which the other may have
    let. None where nothing was on trial, and where nothing could be decided. Raises RolloutRefused.
    """
    if not work.host.names(work.paths.root):
        return acts.undo(work, why), None
    with deciding(work):
        undone = acts.undo(work, why)
        if undone is None or not undone.over:
            return undone, None
        try:
            return undone, cut(work, now, connection).again
        except (RolloutRefused, EffectFailed, Unusable) as fault:
            note = f"open conversations were not decided again: {fault}"
            return replace(undone, notes=(*undone.notes, note)), None


def _whole(standing: Standing) -> int:
    """The version that is in place, 0 for none of ours. Raises RolloutRefused where none is wholly,
    since whoever changed the machine was ended in the midst of it."""
    place = in_place(standing)
    if not place.whole:
        raise RolloutRefused(
            "the machine is between two versions", "see `netcharter undo`; nothing was cut"
        )
    return place.version
