"""How the turns of a duty went, and when the next one is: a duty that fails waits longer each time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from netcharter.steward.escape import one_line
from netcharter.steward.shapes import Report

FIRST_WAIT = timedelta(seconds=1)
LONGEST_WAIT = timedelta(minutes=5)
LEAST_WAIT = timedelta(milliseconds=10)  # between two turns, whatever a duty asks for
LONGEST_REST = timedelta(hours=1)
MOST_FAULT = 300  # characters


@dataclass(frozen=True, slots=True)
class Turns:
    """due: when the next turn is; ran: the last one that went well; failures: in a row since."""

    due: datetime
    ran: datetime | None = None
    failures: int = 0
    fault: str = ""


def went_well(before: Turns, now: datetime, wake: datetime) -> Turns:
    """After a turn without fault."""
    due = min(max(wake, now + LEAST_WAIT), now + LONGEST_REST)
    return Turns(due, now)


def failed(before: Turns, now: datetime, fault: str) -> Turns:
    """After a turn with a fault: it is tried again, later each time."""
    wait = min(FIRST_WAIT * 2 ** min(before.failures, 12), LONGEST_WAIT)
    said = one_line(fault, MOST_FAULT) or "it doesn't say why"
    return replace(before, due=now + wait, failures=before.failures + 1, fault=said)


def unsaved(before: Turns, now: datetime, fault: str, wake: datetime) -> Turns:
    """After a turn that did all it had to and could not write it down: it goes on in its own rhythm,
    and writes it down as soon as it can be."""
    found = failed(before, now, fault)
    return replace(found, due=min(found.due, max(wake, now + LEAST_WAIT)))


def reports(duties: Iterable[tuple[str, Turns]]) -> tuple[Report, ...]:
    """What is to be told about the duties themselves."""
    return tuple(
        Report(
            f"steward/{name}",
            bool(turns.failures),
            f"the steward's duty {name} fails: {turns.fault}"
            if turns.failures
            else f"the steward's duty {name} goes on",
            "urgent",
        )
        for name, turns in duties
    )
