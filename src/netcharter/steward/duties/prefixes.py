"""Prefixes: what providers delegate is taken over, in a version of its own.

A program of its own does that (`netcharter renumber`), since it takes a plan and its proof. Here it is
only said when: where something else is delegated, or something else is kept, than when that was done
last; and again where somebody else was at work, or it did not go well. What can't be used is told
once, and that somebody else is at work where that goes on.

Each time makes a version that stays on the disk, and how often is a provider's to say: one that tells
another prefix again and again is followed now and then only, and told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from netcharter.rollout.reading import Fields
from netcharter.steward.shapes import Decision, Duty, Effect, Facts, Renumber, Renumbering, Report

EVERY = timedelta(seconds=3)
FIRST, LONGEST = timedelta(seconds=30), timedelta(minutes=15)  # until it is tried again
MISSED = timedelta(minutes=1)  # for which a line may be without a prefix before that is told
PATIENT = 4  # tries while somebody else is at work, eight minutes, before that is told
MANY, WITHIN = 6, timedelta(hours=2)  # times that it is done as soon as there is something new
SPACED = timedelta(minutes=10)  # between two, beyond them
LIMIT = 300.0  # seconds that it may take
FAILED = frozenset({"undone", "not known"})
REFUSED, EXCHANGE, NONE = "prefixes/refused", "prefixes/exchange", "prefixes/none"
AGAIN = "prefixes/often"


@dataclass(frozen=True, slots=True)
class State:
    """tries: in a row without success. since: when lines were first seen without a prefix. Not kept on
    the disk: recent, when something was taken over within the last two hours."""

    tries: int = 0
    since: datetime | None = None
    recent: tuple[datetime, ...] = field(default=(), compare=False)


def decide(state: State, facts: Facts, now: datetime) -> Decision[State]:
    """Have it done where there is something new, or again; tell what came of it."""
    found = facts.prefixes
    if not found.mark:  # nobody asks for any
        return Decision(State(), (), now + EVERY, tuple(_reports(None, State(), now)))
    done = found.done
    effects: tuple[Effect, ...] = ()
    state = replace(state, recent=_recent(state.recent, done, now))
    if done is None or done.mark != found.mark:
        if not _waits(state, now):
            effects, state = (Renumber(found.mark),), replace(state, tries=0)
    elif done.state in FAILED | {"busy"} and now - done.at >= _pause(state.tries):
        effects, state = (Renumber(found.mark),), replace(state, tries=state.tries + 1)
    if done is not None:
        state = replace(state, since=(state.since or now) if done.without else None)
    return Decision(state, effects, now + EVERY, tuple(_reports(done, state, now)))


def _recent(
    before: tuple[datetime, ...], done: Renumbering | None, now: datetime
) -> tuple[datetime, ...]:
    """In order. What a clock that was put back has in the future does not count."""
    anew = {done.at} if done is not None and done.state == "renumbered" else set()
    return tuple(sorted(at for at in {*before, *anew} if timedelta() <= now - at < WITHIN))


def _waits(state: State, now: datetime) -> bool:
    return len(state.recent) >= MANY and now - state.recent[-1] < SPACED


def _pause(tries: int) -> timedelta:
    return min(FIRST * (1 << min(tries, 10)), LONGEST)


def _reports(done: Renumbering | None, state: State, now: datetime) -> Iterator[Report]:
    refused = "; ".join(done.refused) if done else ""
    yield Report(REFUSED, bool(refused), refused and f"not used: {refused}", mark=refused)
    busy = done is not None and done.state == "busy" and state.tries >= PATIENT
    stays = busy or (done is not None and done.state in FAILED | {"refused"})
    text = f"what is delegated could not be taken over: {done.text}" if done and stays else ""
    yield Report(EXCHANGE, stays, text, "urgent", mark=text)
    many = len(state.recent) >= MANY
    text = (
        f"providers delegate other prefixes again and again: taken over {MANY} times and more within"
        f" two hours, and every {SPACED // timedelta(minutes=1)} minutes at most until that ends"
    )
    yield Report(AGAIN, many, text if many else "")
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
