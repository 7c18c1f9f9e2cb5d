"""The promise that what is refused in IPv4 is refused in IPv6, which nobody needs to write.

It is broken by an attempt that the plan lets in IPv6, while the decisions about IPv4, carried over to
the same parties (`carried`), refuse it. Only a decision that differs from its twin can be to blame:
one that lets more in IPv6, or one that refuses less. For if a decision lets an attempt and its twin
lets it, too, then what refuses it among the twins stands before it, and does not refuse it in IPv6. So
the engine is asked about these alone, and the independent checker compares both lists on raw ranges.

What is of one family because the charter or IPv6 itself says so is left aside, and named.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import replace
from functools import cached_property

from netcharter.plan.coding import ANY4
from netcharter.plan.shapes import Region, Row
from netcharter.proofs.boxes import without
from netcharter.proofs.carried import PING4, PING6, Carried
from netcharter.proofs.certify import NoAnswer, ProofFault, Prover, answered
from netcharter.proofs.promises import FAMILIES, Break, PromiseResult, bindings, ground_of
from netcharter.proofs.story import hardware_value, polish
from netcharter.proofs.universe import (
    DESTINATION,
    ENTRANCE,
    SERVICE,
    SOURCE,
    service_code,
    service_value,
)
from netcharter.space.checker import Checker, Unproven, check_inside, check_same
from netcharter.space.model import Entry, Point, RawBox, RuleList
from netcharter.space.partition import compare as compare_lists
from netcharter.space.ranges import has, intersect

LET, REFUSED = "let", "refused"


def prove_families(prover: Prover) -> PromiseResult:
    """That what is refused in IPv4 is refused in IPv6. Raises NoAnswer."""
    both = Carried(prover.plan, ground_of(prover.plan))
    result = PromiseResult(
        text="what is refused in IPv4 is refused in IPv6",
        holds=True,
        span=prover.plan.charter.where("rules"),
        kind="only",
        about=FAMILIES,
        one_family=tuple(one.words for one in both.aside),
    )
    for layers in both.turns():
        both.layers = layers
        found = _Turn(prover, both).broken()
        if found is not None:
            first, twin = found
            return replace(
                result, holds=False, point=first.point, row=first.row, breaks=(first,), twin=twin
            )
    return result


class _Turn:
    """Both lists of one plan, for one choice of counterparts."""

    def __init__(self, prover: Prover, both: Carried) -> None:
        self.prover, self.both = prover, both
        self.universe = prover.universe
        self.own = [both.own(row) for row in prover.plan.rows]
        self.twins = [both.carried(row) for row in prover.plan.rows]
        self.aside = self.universe.boxes_of(r for one in both.aside for r in one.regions)

    @cached_property
    def lists(self) -> tuple[RuleList, RuleList]:
        """What is decided in IPv6, and what IPv4 decides of the same."""
        return self._listed(self.own), self._listed(self.twins)

    def _listed(self, regions: Sequence[Sequence[Region]]) -> RuleList:
        entries = (
            Entry(box, row.index, LET if row.let else REFUSED)
            for row, held in zip(self.prover.plan.rows, regions, strict=True)
            for box in self.universe.boxes_of(held)
        )
        return RuleList(self.universe.fields, tuple(entries), REFUSED, self.universe.boxes)

    def broken(self) -> tuple[Break, Break] | None:
        """An attempt in IPv6 that breaks the promise, with the same in IPv4; None: proven that there
        is none."""
        for boxes, rules in self._asked():
            if self.prover.decided(boxes, rules) is not None:
                point = self._compared(boxes)
                if point is not None:
                    return self._shown(point, boxes)
        return None

    def _asked(self) -> Iterator[tuple[list[RawBox], frozenset[int]]]:
        """Where a decision differs from its twin, and who must not decide there in IPv6."""
        letting = frozenset(row.index for row in self.prover.plan.rows if row.let)
        narrower: list[RawBox] = []
        for row, own, twin in zip(self.prover.plan.rows, self.own, self.twins, strict=True):
            if own == twin:
                continue
            boxes = self._differing(*((own, twin) if row.let else (twin, own)))
            if row.let:
                yield boxes, frozenset({row.index})
            else:
                narrower += boxes
        yield narrower, letting

    def _differing(self, more: Sequence[Region], less: Sequence[Region]) -> list[RawBox]:
        """What is in the one and not in the other, nor left aside; re-checked that it is all."""
        known = frozenset(less)
        asked = self.universe.boxes_of(one for one in more if one not in known)
        if not asked:
            return []
        taken = [*self.universe.boxes_of(less), *self.aside]
        left = without(asked, taken)
        if not check_inside(asked, [*left, *taken]):
            raise ProofFault("where the families may differ is not all of it")
        return left

    def _compared(self, boxes: Sequence[RawBox]) -> Point | None:
        """A point of the boxes that is let in IPv6 and that the twins refuse; None: proven that there
        is none, since what differs here is decided before or after."""
        with answered():
            found = compare_lists(*self.lists, focus=boxes)
        part = found.parts.get((LET, REFUSED))
        if part is not None:
            return part.witness
        try:
            if not check_same(*self.lists, boxes, alike=no_wider):
                raise ProofFault("what IPv4 refuses is let in IPv6 where the engine found nothing")
        except Unproven:
            raise NoAnswer("that both families agree is too much work to check again") from None
        return None

    def _shown(self, point: Point, boxes: Sequence[RawBox]) -> tuple[Break, Break]:
        """The attempt, made telling where that shows it as well, and its counterpart."""
        told = polish(self.universe, self.prover.checker, point, boxes)
        for one in (told, point):
            row, twin = self._decided(one), None
            if row.let:
                twin = next((b for b in self._counterparts(one) if not b.row.let), None)
            if twin is not None and Checker(self.lists[1]).decide(one)[1] == REFUSED:
                return Break(row, one), twin
        raise ProofFault("an attempt that IPv4 is said to refuse is not refused there")

    def _decided(self, point: Point) -> Row:
        rule, _ = self.prover.checker.decide(point)
        assert rule is not None
        return self.prover.plan.rows[rule]

    def _counterparts(self, point: Point) -> Iterator[Break]:
        """The same attempt in IPv4, from the address that the machine is bound to if it is."""
        sources, destinations = self.both.sources, self.both.destinations
        layers = self.both.layers
        service = service_code(point[SERVICE])
        if PING6 <= service <= PING6 + 0xFF:
            service += PING4 - PING6
        plan_codes = [self.universe.plan_address(point[f], 0) for f in (SOURCE, DESTINATION)]
        to = destinations.counterpart(plan_codes[1], layers[1])
        for start in (*self._tied(point), sources.counterpart(plan_codes[0], layers[0])):
            four = list(point)
            four[SOURCE], four[DESTINATION] = start, to
            four[SERVICE] = service_value(service)
            if self.prover.checker.exists(tuple(four)):
                yield Break(self._decided(tuple(four)), tuple(four))

    def _tied(self, point: Point) -> Iterator[int]:
        ground, hardware = self.both.ground, hardware_value(self.universe, point)
        area = ground.area.get(self.universe.entrances[point[ENTRANCE]])
        if area is not None and hardware is not None:
            for machines, sources in bindings(ground, area):
                if has(machines, hardware):
                    yield from (low for low, _ in intersect(sources, ANY4)[:1])


def no_wider(six: Hashable, twin: Hashable) -> bool:
    """Whether an attempt is not let in IPv6 while its twin is refused."""
    return six == REFUSED or twin == LET
