"""Prefixes: what providers delegate is taken over, in a version of its own.

A program of its own does that (`netcharter renumber`), since it takes a plan and its proof. Here it is
only said when: where something else is delegated, or something else is kept, than when that was done
last; and again where somebody else was at work, or it did not go well. What can't be used is told
once, and that somebody else is at work where that goes on.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from netcharter.rollout.reading import Fields
from netcharter.steward.shapes import Decision, Duty, Effect, Facts, Renumber, Renumbering, Report

EVERY = timedelta(seconds=3)
FIRST, LONGEST = timedelta(seconds=30), timedelta(minutes=15)  # until it is tried again
MISSED = timedelta(minutes=1)  # for which a line may be without a prefix before that is told
OFTEN = 4  # tries while somebody else is at work, eight minutes, before that is told
LIMIT = 300.0  # seconds that it may take
FAILED = frozenset({"undone", "not known"})
REFUSED, EXCHANGE, NONE = "prefixes/refused", "prefixes/exchange", "prefixes/none"


@dataclass(frozen=True, slots=True)
class State:
    """tries: in a row without success. since: when lines were first seen without a prefix."""

    tries: int = 0
    since: datetime | None = None


def decide(state: State, facts: Facts, now: datetime) -> Decision[State]:
    """Have it done where there is something new, or again; tell what came of it."""
    found = facts.prefixes
    if not found.mark:  # nobody asks for any
        return Decision(State(), (), now + EVERY, tuple(_reports(None, State(), now)))
    done = found.done
    effects: tuple[Effect, ...] = ()
    if done is None or done.mark != found.mark:
        effects, state = (Renumber(found.mark),), State(0, state.since)
    elif done.state in FAILED | {"busy"} and now - done.at >= _pause(state.tries):
        effects, state = (Renumber(found.mark),), State(state.tries + 1, state.since)
    if done is not None:
        state = State(state.tries, (state.since or now) if done.without else None)
    return Decision(state, effects, now + EVERY, tuple(_reports(done, state, now)))


def _pause(tries: int) -> timedelta:
    return min(FIRST * (1 << min(tries, 10)), LONGEST)


def _reports(done: Renumbering | None, state: State, now: datetime) -> Iterator[Report]:
    refused = "; ".join(done.refused) if done else ""
    yield Report(REFUSED, bool(refused), refused and f"not used: {refused}", mark=refused)
    busy = done is not None and done.state == "busy" and state.tries >= OFTEN
    stays = busy or (done is not None and done.state in FAILED | {"refused"})
    text = f"what is delegated could not be taken over: {done.text}" if done and stays else ""
    yield Report(EXCHANGE, stays, text, "urgent", mark=text)
    late = state.since is not None and now - state.since >= MISSED
    without = ", ".join(done.without) if done and late else ""
    text = f"nothing is delegated over {without}: there, hosts have no IPv6 internet"
    yield Report(NONE, bool(without), text if without else "", mark=without)


def duty() -> Duty[State]:
    """Its turn lasts as long as the exchange."""
    return Duty(
        name="prefixes",
        about="takes over the IPv6 prefixes that providers delegate",
        needs=frozenset({"prefixes"}),
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
