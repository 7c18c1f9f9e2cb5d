"""Both sides of every boundary, each in a context in which the decision stands on one side.

A context is a trial that the decision decides. The value of one field is exchanged for the one just
inside and the one just outside; if the decision holds the one and not the other, that is a boundary
one can see. Where no known context shows it, the engine is asked for one; where it proves that the
decision never decides at that edge, there is no boundary to be seen.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import zip_longest

from netcharter.plan.shapes import Region, Row
from netcharter.probes.classes import Found, tried
from netcharter.probes.edges import Edge, edges
from netcharter.probes.search import Search, at
from netcharter.probes.shapes import Unprobed
from netcharter.probes.trials import Trial, region_family
from netcharter.proofs.story import row_name

CONTEXTS = 8  # known trials that are tried for one edge
TOO_MANY = "there are more boundaries than a rehearsal may have probes"
ASKED = 400  # questions to the engine for edges that no known trial shows


@dataclass(frozen=True, slots=True)
class Boundary:
    """Two trials that differ in one field's neighbouring values (and, where a source moves to
    another machine, in that machine); the first is decided by the row, the second is not.
    """

    row: Row
    field: str
    words: tuple[str, str]
    inside: Trial
    outside: Trial


class Surveyor:
    """Finds boundaries of one plan; it remembers contexts."""

    def __init__(self, search: Search, found: Sequence[Found]) -> None:
        self.search = search
        self._by_row: dict[int, list[Trial]] = {}
        for one in sorted(found, key=lambda each: not each.foresight.seen):
            self._by_row.setdefault(one.row.index, []).append(one.trial)
        self._contexts: dict[int, list[Trial]] = {}
        self._left = ASKED

    def boundary(self, edge: Edge) -> Boundary | Unprobed | None:
        """The boundary at an edge; None where there is none to be seen."""
        contexts = self._of(edge.row, edge.region)
        best, why = self._in(edge, contexts)
        if best is None and edge.inside is not None and self._left > 0:
            self._left -= 1
            best, too = self._in(edge, list(self._asked(edge.row, edge.inside)))
            why = why or too
        if best is not None:
            return Boundary(edge.row, edge.field, _words(edge, *best), *best)
        return Unprobed(_told(edge), why) if why else None

    def _in(self, edge: Edge, contexts: Sequence[Trial]) -> tuple[tuple[Trial, Trial] | None, str]:
        """The best pair of sides in these contexts, or why the only ones cannot be tried."""
        row, decider = edge.row, self.search.decider
        spare: tuple[Trial, Trial] | None = None
        why = ""
        for context in contexts:
            for inside, outside in edge.sides(context):
                if decider.row(inside) is not row:
                    continue
                beyond = decider.row(outside)
                if beyond is row or beyond is None:
                    continue
                views = self.search.foresee(inside, row), self.search.foresee(outside, beyond)
                if views[0].why or views[1].why:
                    why = why or views[0].why or views[1].why
                elif views[0].seen or row.routed:
                    return (inside, outside), ""
                else:
                    spare = spare or (inside, outside)
        return spare, why

    def _of(self, row: Row, region: Region) -> list[Trial]:
        key = id(region)
        if key not in self._contexts:
            decider, family = self.search.decider, region_family(region)
            known = [
                trial
                for trial in self._by_row.get(row.index, ())
                if trial.attempt.entrance in region.entrances
                and trial.family == family
                and decider.matches(region, trial)
            ]
            self._contexts[key] = _spread(known) or list(self._asked(row, region))
        return self._contexts[key]

    def _asked(self, row: Row, region: Region) -> Iterator[Trial]:
        """A trial of a region by the engine's own search, from each entrance that has one."""
        family = region_family(region)
        for entrance in sorted(region.entrances):
            for wish in self.search.wishes(entrance, family):
                trial = self.search.witness(row, [at(region, entrance)], wish)
                found = tried(self.search, row, trial)
                if trial is not None and found is not None:
                    fits = self.search.decider.matches(region, found.trial)
                    yield found.trial if fits else trial
                    break


def boundaries(
    search: Search, found: Sequence[Found], now: datetime, limit: int
) -> tuple[tuple[Boundary, ...], tuple[Unprobed, ...]]:
    """The boundaries of every decision, in turns so that a limit cuts the longest lists first."""
    surveyor = Surveyor(search, found)
    waiting = [
        (row, field, iter(each.edges), len(each.edges) + each.more)
        for row in search.stage.plan.rows
        for field, each in edges(search.stage, row, now, limit).items()
    ]
    out: list[Boundary] = []
    unprobed: list[Unprobed] = []
    ended: list[tuple[Row, str, int]] = []
    done = 0
    while waiting and len(out) < limit:
        done += 1
        left = []
        for row, field, rest, count in waiting:
            edge = next(rest, None)
            if edge is None:
                ended += [(row, field, count - done + 1)]
                continue
            left.append((row, field, rest, count))
            seen = surveyor.boundary(edge)
            if isinstance(seen, Boundary):
                out.append(seen)
            elif seen is not None:
                unprobed.append(seen)
        waiting = left
    ended += [(row, field, count - done) for row, field, _, count in waiting]
    unprobed += (
        Unprobed(f"{count} more edges of {row_name(row)} by {field}", TOO_MANY)
        for row, field, count in ended
        if count > 0
    )
    return tuple(out), tuple(unprobed)


def _spread(trials: Sequence[Trial]) -> list[Trial]:
    """Some of the trials, from as many entrances as there are."""
    by_entrance: dict[str, list[Trial]] = {}
    for trial in trials:
        by_entrance.setdefault(trial.attempt.entrance, []).append(trial)
    rounds = (list(each) for each in zip_longest(*by_entrance.values()))
    return [trial for each in rounds for trial in each if trial is not None][:CONTEXTS]


def _words(edge: Edge, inside: Trial, outside: Trial) -> tuple[str, str]:
    """The values on both sides; of two instants either may be the one inside."""
    later = inside.environment.instant > outside.environment.instant
    return (edge.words[1], edge.words[0]) if later else edge.words


def _told(edge: Edge) -> str:
    inside, outside = edge.words
    return f"the edge of {row_name(edge.row)} between {edge.field} {inside} and {outside}"
