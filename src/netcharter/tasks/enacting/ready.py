"""Is a charter ready to be put in place here? Everything that is asked before anything changes."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from textwrap import wrap
from typing import Any

from netcharter.plan.shapes import Plan
from netcharter.proofs.management import Path, prove_console, prove_session, with_place
from netcharter.report.limits import CAUTIONS, cautions, told
from netcharter.report.wording import counted
from netcharter.rollout.diverting import Diverting
from netcharter.tasks.changes import Changes, changes
from netcharter.tasks.check import Checked, check
from netcharter.tasks.cutover import CutOver
from netcharter.tasks.enacting import diverted, tables
from netcharter.tasks.enacting.here import Here, is_tracked
from netcharter.tasks.kit import render_charter
from netcharter.tasks.rehearse import Rehearsed, rehearse_charter
from netcharter.tasks.sources import Source, Unusable, answerable, load_plan

LISTED = 40  # lines of a difference that people are shown
LED = "while it is there, the machine is not called as planned, and `netcharter holds` names it"
Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a charter is not put in place. check: which of CHECKS failed."""

    check: str
    sentence: str


@dataclass(frozen=True)
class Ready:
    """A charter judged for this machine.

    files: the kit. others: what of others it meets on this machine, diverting: what of that leads
    packets elsewhere than the plan does. rehearsed: None where the
    rehearsal was waived; impossible: why there could be none. waived: checks that the keeper waives,
    by name. cut: the cut-over that it is of, where areas are left on the old gateway. later: the
    charter judged with prefixes that stand in for those that no provider has told yet, if any.
    """

    source: Source
    checked: Checked
    files: Mapping[str, bytes]
    here: Here
    path: Path
    changes: Changes
    rehearsed: Rehearsed | None
    impossible: str
    others: tuple[str, ...]
    waived: frozenset[str]
    cut: CutOver | None = None
    diverting: tuple[Diverting, ...] = ()
    later: Checked | None = None

    @property
    def plan(self) -> Plan:
        return self.checked.loaded.plan

    @property
    def failed(self) -> tuple[Refusal, ...]:
        """The checks that failed, waived or not."""
        return tuple(self._failed())

    @property
    def refusals(self) -> tuple[Refusal, ...]:
        """What stands against it: checks that failed and are not waived."""
        return tuple(one for one in self.failed if one.check not in self.waived)

    @property
    def ok(self) -> bool:
        return not self.refusals

    @property
    def left(self) -> tuple[str, ...]:
        """The areas that stay on the old gateway for now."""
        return self.cut.left if self.cut else ()

    @property
    def summary(self) -> str:
        """What changes, in one line for a history."""
        left = f"; left for now: {', '.join(self.left)}" if self.left else ""
        return self.changes.summary + left

    def _failed(self) -> Iterator[Refusal]:
        if self.cut is not None:
            for one in self.cut.findings:
                if one.severity == "error":
                    yield Refusal("areas", one.message)
        judgement = self.checked if self.later is None or not self.checked.ok else self.later
        if not judgement.ok:
            broken = sum(not one.holds for one in judgement.proof.promises)
            wrong = [one for one in judgement.findings if one.severity == "error"]
            what = f"{counted(broken, 'promise')} broken, {counted(len(wrong), 'error')} found"
            first = f"; {with_place(wrong[0])}" if wrong else ""
            yield Refusal("promises", f"{what}{first} (netcharter check tells all)")
        if not self.path.holds:
            yield Refusal("management", self.path.sentence)
        if self.impossible:
            yield Refusal("rehearsal", self.impossible)
        elif self.rehearsed is None:
            if "rehearsal" in self.waived:  # else it was not come to, because of what was told
                yield Refusal("rehearsal", "it was not rehearsed")
        elif not self.rehearsed.ok:
            missed = len(self.rehearsed.found.mismatches)
            what = (
                f"{counted(missed, 'probe')} did not agree" if missed else "it did not come through"
            )
            yield Refusal("rehearsal", f"{what}: see netcharter rehearse")

    def as_json(self) -> dict[str, Any]:
        """The difference as `compare` has it; `ok`; `state`; `refused` [{`check`, `reason`}],
        `waived`; `management`; `rehearsal` (as `rehearse` has it, without what it lists); and what
        came of it, which is nothing yet.
        """
        found = self.rehearsed.as_json() if self.rehearsed else None
        counts = ("ok", "probes", "agreed", "seconds")
        return {
            **self.changes.as_json(),
            "ok": self.ok,
            "state": "ready" if self.ok else "refused",
            "refused": [{"check": r.check, "reason": r.sentence} for r in self.refusals],
            "waived": [{"check": r.check, "reason": r.sentence} for r in self._waived()],
            "others": list(self.others),
            "areas_left": list(self.left),
            "findings": self.cut.as_json()["findings"] if self.cut else [],
            "management": self.path.as_json(),
            "rehearsal": {key: found[key] for key in counts} if found else None,
            "version": None, "until": None, "why": "", "left": [], "notes": [],
            "gone": [], "meanwhile": [], "again": None,
        }  # fmt: skip

    def _waived(self) -> Iterator[Refusal]:
        return (one for one in self.failed if one.check in self.waived)

    def lines(self, width: int) -> Iterator[str]:
        """For people: the way in, what changes, what stands against it."""
        yield from wrap(f"way in    {self.path.sentence}", width, subsequent_indent=" " * 10)
        between = (one.words for one in self.path.steps if not one.proven)
        for words in (*self.path.assumed, *between):
            yield from wrap(words, width, initial_indent=" " * 10, subsequent_indent=" " * 10)
        if self.rehearsed is not None:
            found = self.rehearsed.found
            seen = f"{found.agreed} of {counted(found.done, 'probe')} agreed"
            yield from wrap(f"rehearsed {seen}", width, subsequent_indent=" " * 10)
        if self.left:
            yield f"left      {', '.join(self.left)}, on the old gateway for now"
        yield "what changes here:"
        yield from (f"  {line}" for line in self.changes.lines(width - 2, LISTED))
        for words in self.others:
            yield from wrap(f"others    {words}", width, subsequent_indent=" " * 10)
        if self.diverting:
            yield from wrap(LED, width, initial_indent=" " * 10, subsequent_indent=" " * 10)
        for one in self._waived():
            yield from wrap(
                f"WAIVED    {one.check}: {one.sentence}", width, subsequent_indent=" " * 10
            )
        for one in self.refusals:
            yield from wrap(
                f"REFUSED   {one.check}: {one.sentence}", width, subsequent_indent=" " * 10
            )
        yield from told("please mind", (CAUTIONS["console"], *cautions(self.plan)), width)


def judged(
    source: Source,
    now: datetime,
    found: Callable[[Plan], Here],
    *,
    kept: Plan | None = None,
    waived: Collection[str] = (),
    as_kept: Callable[[], bool] = lambda: True,
    in_the_way: Callable[[Mapping[str, bytes]], tuple[str, ...]] = lambda files: (),
    diverting: Callable[[Plan, Mapping[str, bytes]], tuple[Diverting, ...]] = lambda p, files: (),
    set_aside: Collection[str] = (),
    cut: CutOver | None = None,
    on_progress: Progress | None = None,
) -> Ready:
    """Judge a charter for this machine; nothing is changed.

    found: gives what counts of the machine for a plan. kept: the plan of the version that is in
    place, as_kept: whether its addresses, routes and settings still stand; in_the_way: what of others
    a kit meets here; diverting: what of that leads packets elsewhere than the plan does; set_aside:
    tables of others that go; cut: the cut-over whose restricted charter this is. Raises Unusable.
    """
    loaded = load_plan(source)
    here = found(loaded.plan)
    checked = check(source, now)
    files = render_charter(source).kit.files
    leading = diverting(loaded.plan, files)
    with answerable(loaded):
        path = diverted.without(_path(checked, here), leading, loaded.plan, here.session)
        difference = changes(
            here.loaded, loaded.plan, now, kept, here.lines, otherwise_same=as_kept()
        )
    spoilt = tables.beside(loaded.plan, files, here.loaded, set_aside, now, here.lines)
    others = (*spoilt, *diverted.sentences(leading), *in_the_way(files))
    ready = Ready(
        source, checked, files, here, path, difference, None, "",
        others, frozenset(waived), cut, leading, _later(source, loaded.plan, now),
    )  # fmt: skip
    if "rehearsal" in ready.waived or any(one.check != "rehearsal" for one in ready.refusals):
        return ready  # what is refused anyway need not be tried
    return _rehearsed(ready, source, now, on_progress)


def _later(source: Source, plan: Plan, now: datetime) -> Checked | None:
    """Judged with stand-ins as well, since nobody is asked again when a prefix is known."""
    unknown = any(line.delegated and line.prefix is None for line in plan.lines)
    return check(replace(source, stand_ins=True), now) if unknown else None


def _path(checked: Checked, here: Here) -> Path:
    prover = checked.proof.prover
    if here.session is None:
        return prove_console(prover)
    return prove_session(prover, here.session, here.lines, is_tracked(here.session))


def _rehearsed(ready: Ready, source: Source, now: datetime, on_progress: Progress | None) -> Ready:
    impossible, found = "", None
    try:
        found = rehearse_charter(source, now, on_progress=on_progress)
    except Unusable as fault:
        impossible = "; ".join(one.message for one in fault.diagnostics)
    return replace(ready, rehearsed=found, impossible=impossible)
