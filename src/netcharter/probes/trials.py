"""One thing to try, in the plan's own terms: an attempt, its environment, the shape of its packets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from netcharter.plan.coding import ANY4, ANY6, SYMBOLS, V6
from netcharter.plan.fate import Attempt, Environment, exit_of
from netcharter.plan.shapes import ExitPlan, Plan, Region
from netcharter.probes.shapes import Shape
from netcharter.space.ranges import intersect

ANY = {4: ANY4, 6: ANY6}


@dataclass(frozen=True, slots=True)
class Trial:
    """Coded as for `plan.fate`."""

    attempt: Attempt
    environment: Environment
    shape: Shape = "plain"

    @property
    def family(self) -> int:
        return family_of(self.attempt.source)


def family_of(code: int) -> int:
    """The family of a coded address."""
    return 4 if code < V6 or (code >= SYMBOLS and (code - SYMBOLS) % 2 == 0) else 6


def region_family(region: Region) -> int:
    """The family of a region, which never mixes them."""
    return 4 if intersect(region.source, ANY4) else 6


def moved(trial: Trial, **said: Any) -> Trial:
    """A trial with some fields of its attempt exchanged."""
    return replace(trial, attempt=replace(trial.attempt, **said))


def placed(trial: Trial, **said: Any) -> Trial:
    """A trial in an environment of which some parts are exchanged."""
    return replace(trial, environment=replace(trial.environment, **said))


def exit_chosen(plan: Plan, trial: Trial) -> ExitPlan | None:
    """The exit that is about a trial: they choose for new conversations, and nothing else is one."""
    starts = trial.shape not in ("no-start", "no-question")
    return exit_of(plan, trial.attempt) if starts else None
