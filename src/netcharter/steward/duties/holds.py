"""Holds: does the kernel still do what the plan says? Told once for every change of the answer.

The answer comes from outside (it takes a proof); here it is only weighed. Where mending is wished
for, the plan is put in place again, a few times at most: whoever changes the kernel again and
again is not to be fought by a machine.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial

from netcharter.rollout.reading import Fields
from netcharter.steward.shapes import Agreement, Decision, Duty, Effect, Facts, Mend, Report

EVERY = timedelta(minutes=5)
LIMIT = 240.0  # seconds that an answer may take
MENDS = 3  # in a row without success
KEY = "holds/kernel"


@dataclass(frozen=True, slots=True)
class State:
    """mends: how often mending was tried since the kernel last did what the plan says."""

    mends: int = 0


def decide(state: State, facts: Facts, now: datetime, *, mend: bool = False) -> Decision[State]:
    """Tell the answer; have the plan put in place again where that is wished for and of use."""
    found = facts.holds
    if found is None:
        quiet = Report(
            KEY, False, "nothing is kept, or a version is on trial: the kernel is not asked"
        )
        return Decision(state, (), now + EVERY, (quiet,))
    wanted = facts.schedule is not None or found.state == "otherwise"
    wrong = wanted and found.state in ("otherwise", "nothing of ours")
    tried = state.mends if wrong or found.state == "not known" else 0
    effects: tuple[Effect, ...] = ()
    if mend and wrong and tried < MENDS:
        effects = (Mend(_plainly(found)),)
    report = _report(found, wanted, mend, tried)
    return Decision(State(tried + len(effects)), effects, now + EVERY, (report,))


def _plainly(found: Agreement) -> str:
    if found.state == "nothing of ours":
        return "nothing of the kit is loaded"
    return found.summary or "the kernel does not do what the plan says"


def _report(found: Agreement, wanted: bool, mend: bool, tried: int) -> Report:
    mark = f"{found.state} {found.digest}".strip()
    if found.state == "as planned":
        return Report(KEY, False, "the kernel does what the plan says", mark=mark)
    if not wanted and found.state == "nothing of ours":
        return Report(KEY, False, "nothing of a kit is loaded, and none is kept", mark=mark)
    if found.state == "not known":
        text = f"whether the kernel does what the plan says is not known: {found.summary}"
        return Report(KEY, True, text, mark=mark)
    text = _plainly(found)
    if mend and tried < MENDS:
        text += "; it is being mended"
    elif mend:
        text += f"; mending it did not help {MENDS} times, so it is left alone: look at it"
        mark += " left alone"
    return Report(KEY, True, text, "urgent", mark)


def duty(mend: bool = False) -> Duty[State]:
    """mend: whether the plan is put in place again where the kernel does something else."""
    return Duty(
        name="holds",
        about="asks whether the kernel still does what the plan says",
        needs=frozenset({"schedule", "holds"}),
        begin=State(),
        decide=partial(decide, mend=mend),
        written=_written,
        read=_read,
        limit=LIMIT + 60,
    )


def _written(state: State) -> Mapping[str, object]:
    return {"mends": state.mends}


def _read(found: Fields) -> State:
    return State(found.whole("mends"))
