"""Which decision decides, asked so often that the regions are sorted by entrance first.

For the search only: what a probe is expected to show comes from `plan.fate` itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from functools import lru_cache

from netcharter.plan.coding import ANY_HARDWARE, ANY_SERVICE
from netcharter.plan.fate import in_force, line_state
from netcharter.plan.shapes import ALWAYS, Plan, Region, Row, When
from netcharter.probes.trials import Trial, region_family
from netcharter.space.ranges import has


class Decider:
    """The decisions of one plan."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        names = [a.name for a in plan.areas] + [line.name for line in plan.lines] + ["gateway"]
        self._regions = {
            (name, family): tuple(self._of(name, family)) for name in names for family in (4, 6)
        }
        self._true = lru_cache(maxsize=4096)(self._in_force)
        self._state = lru_cache(maxsize=256)(self._line_state)

    def _of(self, name: str, family: int) -> Iterator[tuple[Row, Region]]:
        for row in self.plan.rows:
            for region in row.regions:
                if name in region.entrances and region_family(region) == family:
                    yield row, region

    def _in_force(self, when: When, instant: datetime) -> bool:
        return in_force(self.plan, when, instant)

    def _line_state(self, up: frozenset[str]) -> int:
        return line_state(self.plan, up)

    def row(self, trial: Trial) -> Row | None:
        """What decides a trial; None for one that does not exist."""
        attempt = trial.attempt
        for row, region in self._regions[attempt.entrance, trial.family]:
            if self.matches(region, trial):
                return row
        return None

    def matches(self, region: Region, trial: Trial) -> bool:
        """Does a region of its entrance and family fit a trial?"""
        attempt, environment = trial.attempt, trial.environment
        return (
            (region.service is ANY_SERVICE or has(region.service, attempt.service))
            and has(region.destination, attempt.destination)
            and has(region.source, attempt.source)
            and (region.hardware is ANY_HARDWARE or has(region.hardware, attempt.hardware))
            and (region.who is None or environment.who in region.who)
            and (region.lines is None or self._state(environment.lines) in region.lines)
            and (region.when == ALWAYS or self._true(region.when, environment.instant))
        )

    def by(self, row: Row, trial: Trial) -> bool:
        """Is a trial decided by that decision?"""
        return self.row(trial) is row
