"""Places that are made of names: an address stays in theirs while it is asked for or spoken with.

dnsmasq puts an address into two sets before it tells it (`render/leading.py`): first into one of what
was asked since this duty's last turn, then into the one that rules ask. In either it stays where it is
if it is there already, and no longer for that (nft(8), "add element"). So at each turn what was asked
for, and what somebody is connected to, gets its whole time again; and what is neither, and got its
time more than `KEPT` ago, goes. From then on it is put in anew, with its whole time, when it is asked
for. What stays has more than `LASTING - KEPT - EVERY` left, which is many times what an answer is good
for: so no answer outlives its address, though this duty stood still for a quarter of an hour.

An address that is asked for in the midst of a turn stays: whatever goes does so in one transaction
that fails if it was asked for meanwhile (`nft.dropped`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import combinations

from netcharter.render.leading import LASTING
from netcharter.rollout.reading import Fields
from netcharter.steward.shapes import Decision, Duty, Facts, Leads, Led, Renew, Renewal, Report

EVERY = timedelta(seconds=60)
KEPT = 600.0  # seconds
MOST_TOLD = 3  # addresses of one pair of places
SHARED = "leading/shared"


@dataclass(frozen=True, slots=True)
class State:
    """Nothing has to be remembered."""


def decide(state: State, facts: Facts, now: datetime) -> Decision[State]:
    """Renew what is in use, let go what is not, and tell which places share addresses."""
    schedule, found = facts.schedule, facts.leads
    if schedule is None or not schedule.led or found is None:
        return Decision(state, (), now + EVERY, (_shared((), Leads()),))
    renewals = tuple(_renewal(one, found) for one in schedule.led)
    due = tuple(one for one in renewals if one.renewed or one.dropped)
    effects = (Renew(due),) if due else ()
    return Decision(state, effects, now + EVERY, (_shared(schedule.led, found),))


def _renewal(one: Led, found: Leads) -> Renewal:
    held, asked = found.sets.get(one.set, {}), found.sets.get(one.asked, {})
    used = {address for address in held if address in asked or address in found.connected}
    idle = (
        address for address, left in held.items() if address not in used and left <= LASTING - KEPT
    )
    # What is asked for and not there has just ended, or could not be put in: it is now.
    return Renewal(one.set, one.asked, tuple(sorted(used | set(asked))), tuple(sorted(idle)))


def _shared(led: tuple[Led, ...], found: Leads) -> Report:
    """Places whose names lead to one address: whoever may reach one reaches what the other has there."""
    told = list(_pairs(led, found))
    pairs = ", ".join(sorted({pair for pair, _ in told}))
    text = "; ".join(f"{pair} share {addresses}" for pair, addresses in told)
    return Report(SHARED, bool(told), text, "note", mark=pairs)


def _pairs(led: tuple[Led, ...], found: Leads) -> Iterator[tuple[str, str]]:
    for one, other in combinations(led, 2):
        both = sorted(found.sets.get(one.set, {}).keys() & found.sets.get(other.set, {}).keys())
        if both:
            more = f" and {len(both) - MOST_TOLD} more" if len(both) > MOST_TOLD else ""
            yield f"{one.place} and {other.place}", ", ".join(both[:MOST_TOLD]) + more


def duty() -> Duty[State]:
    """Once a minute."""
    return Duty(
        name="leading",
        about="keeps the addresses of names that are in use in the sets of their places",
        needs=frozenset({"schedule", "leads"}),
        begin=State(),
        decide=decide,
        written=_written,
        read=_read,
    )


def _written(state: State) -> Mapping[str, object]:
    return {}


def _read(found: Fields) -> State:
    return State()
