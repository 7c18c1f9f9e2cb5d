"""Lists: what others publish is fetched when it is due, and what is good of it is put to use.

A program of its own does that (`netcharter refresh`), since a list may be long, and another list of
addresses takes a plan and its proof. It knows itself which lists are due. Here it is only said when it
is called: where something else is kept than when it was called last, every half hour, and sooner where
it did not go well or somebody else was at work. A list that could not be had is told, once for each
reason, and so is one that is older than two days.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from netcharter.rollout.reading import Fields
from netcharter.steward.shapes import Decision, Duty, Effect, Facts, Refresh, Refreshing, Report

EVERY = timedelta(seconds=20)  # between two looks at what is kept
DUE = timedelta(minutes=30)  # between two calls where all is well
FIRST = timedelta(minutes=2)  # until it is tried again, and twice as long each time, up to DUE
PATIENT = 4  # tries while somebody else is at work before that is told
# Seconds that it may take: fetching is given up after 480, a version has 600 to be read back and kept
# (`tasks/enacting/refreshing.py`), and making it takes some minutes where a list is very long.
LIMIT = 1_500.0
FAILED = frozenset({"undone", "not known"})
FETCH, EXCHANGE, OLD = "lists/fetch", "lists/exchange", "lists/old"


@dataclass(frozen=True, slots=True)
class State:
    """tries: in a row without success."""

    tries: int = 0


def decide(state: State, facts: Facts, now: datetime) -> Decision[State]:
    """Have it done where something else is kept, or it is time; tell what came of it."""
    found = facts.lists
    if not found.mark:  # nobody publishes any
        return Decision(State(), (), now + EVERY, tuple(_reports(None, State())))
    done = found.done
    effects: tuple[Effect, ...] = ()
    if done is None or done.mark != found.mark:
        effects, state = (Refresh(found.mark),), State()
    elif not timedelta() <= now - done.at < _pause(done, state.tries):
        well = not _failed(done)
        effects = (Refresh(found.mark),)
        state = replace(state, tries=0 if well else state.tries + 1)
    return Decision(state, effects, now + EVERY, tuple(_reports(done, state)))


def _failed(done: Refreshing) -> bool:
    return done.state in FAILED | {"busy"} or bool(done.faults)


def _pause(done: Refreshing, tries: int) -> timedelta:
    return min(FIRST * (1 << min(tries, 10)), DUE) if _failed(done) else DUE


def _reports(done: Refreshing | None, state: State) -> Iterator[Report]:
    faults = "; ".join(done.faults) if done else ""
    text = f"lists that could not be had stay as they were: {faults}"
    yield Report(FETCH, bool(faults), faults and text, mark=faults)
    busy = done is not None and done.state == "busy" and state.tries >= PATIENT
    stays = busy or (done is not None and done.state in FAILED | {"refused"})
    text = f"what lists say could not be put to use: {done.text}" if done and stays else ""
    yield Report(EXCHANGE, stays, text, "urgent", mark=text)
    old = ", ".join(done.old) if done else ""
    text = f"for more than 48 hours nothing good came of the lists {old}"
    yield Report(OLD, bool(old), old and text, mark=old)


def duty() -> Duty[State]:
    """Its turn lasts as long as the exchange."""
    return Duty(
        name="lists",
        about="fetches lists that others publish, and puts them to use",
        needs=frozenset({"lists"}),
        begin=State(),
        decide=decide,
        written=_written,
        read=_read,
        limit=LIMIT + 60,
    )


def _written(state: State) -> Mapping[str, object]:
    return {"tries": state.tries}


def _read(found: Fields) -> State:
    return State(found.whole("tries"))
