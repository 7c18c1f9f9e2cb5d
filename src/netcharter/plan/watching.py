"""Whom lines are watched by: the gateway asks nobody but the internet (`gateway-own`)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from netcharter.charter.model import Charter
from netcharter.diagnostics import Diagnostic
from netcharter.plan import coding
from netcharter.plan.shapes import LinePlan
from netcharter.space.ranges import Ranges, has


def unaskable(
    charter: Charter, lines: Sequence[LinePlan], internet: Ranges
) -> Iterator[Diagnostic]:
    """Targets that the plan lets the gateway ask for no echo."""
    for line in lines:
        for place, target in enumerate(line.watch.targets):
            if not has(internet, coding.address(target)):
                yield Diagnostic(
                    "target-not-outside",
                    "error",
                    f"{target} is not on the internet, so the gateway may not ask it",
                    charter.where("lines", line.name, "watch", "targets", place),
                    help="name somebody beyond the line; if the address is real, although it is of a "
                    "block that is not globally reachable, write a place that holds it",
                )
