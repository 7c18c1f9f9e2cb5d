"""The state of the site while something is tried: lines, hours, and who is signed in.

The names come from `plan.labels`; the sets hold what `docs/explanation/kit.md` says of them.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.plan import labels
from netcharter.plan.coding import NOBODY
from netcharter.plan.fate import Environment, in_force
from netcharter.plan.shapes import Plan
from netcharter.probes.shapes import Setting


def setting(plan: Plan, environment: Environment, family: int) -> Setting:
    """The setting in which an environment is real for a packet of that family."""
    times = labels.times_asked_for(plan.rows)
    opened = (
        labels.when_set(when, let)
        for when, let in times
        if in_force(plan, when, environment.instant) is let
    )
    who = environment.who
    if who == NOBODY:
        return Setting(environment.lines, frozenset(opened))
    people = [person.name for person in plan.people]
    return Setting(
        environment.lines,
        frozenset(opened),
        frozenset(_joins(plan, who, family)),
        labels.identity_class(who, people),
    )


def _joins(plan: Plan, who: str, family: int) -> Iterator[str]:
    yield labels.signed_set(family)
    for people in labels.people_asked_for(plan.rows):
        if who in people:
            yield labels.who_set(people, family)
