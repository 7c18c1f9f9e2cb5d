"""Trials of the ways around: for every area, family and means one that is let, or one that is refused
where none is.

What leaves by another line is tried in every state of the lines (`extras.states`), and neighbours
are tried where they are reached: whether those of a line that learns its network are, no lab knows.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from netcharter.plan.shapes import Region
from netcharter.probes.search import Search
from netcharter.probes.stage import FAMILIES
from netcharter.probes.trials import Trial
from netcharter.proofs.around import asked_of
from netcharter.proofs.channels import CHANNELS
from netcharter.proofs.promises import ground_of

PURPOSE = "way around"
CHARTERS_OWN = ("emergency", "rule", "default")


def ways_around(search: Search) -> Iterator[tuple[Trial, str]]:
    """Each trial with what it is for. A means that leads nowhere at all has none."""
    plan = search.stage.plan
    ground = ground_of(plan)
    for area in plan.areas:
        for family in FAMILIES:
            for channel in CHANNELS:
                regions = asked_of(plan, ground, channel, area.name, family)
                trial, let = _trial(search, regions, area.name, family)
                if channel.to == "another-line" or (channel.to == "neighbours" and not let):
                    continue
                stands = ("undecidable" if channel.hidden else "open") if let else "closed"
                if trial is not None:
                    words = f"{channel.name} from {area.name}, IPv{family}: {stands}"
                    yield trial, f"{PURPOSE}: {words}"


def _trial(
    search: Search, regions: Sequence[Region], entrance: str, family: int
) -> tuple[Trial | None, bool]:
    """What is let, if anything is, that a lab can tell most of; else what is refused, by the charter
    rather than because of its source or since nobody is signed in.
    """
    rows = search.stage.plan.rows
    let = frozenset(row.index for row in rows if row.let)
    said = frozenset(row.index for row in rows if not row.let and row.kind in CHARTERS_OWN)
    rest = frozenset(row.index for row in rows) - let - said
    for deciding in (let, said, rest):
        for wish in (*search.wishes(entrance, family), None):
            trial = search.among(deciding, regions, wish)
            if trial is not None:
                return trial, deciding is let
    return None, False
