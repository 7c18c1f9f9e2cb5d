"""The engine's answers about one rule list, each re-checked on raw ranges before it is given."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import cached_property

from netcharter.space.checker import Checker, Unproven, check_nothing_else
from netcharter.space.cover import OverBudget
from netcharter.space.engine import Engine
from netcharter.space.model import Covered, Point, RawBox, RuleList, Undecided, Verdict, Witness
from netcharter.space.partition import Survey, survey
from netcharter.space.ranges import has


class ProofFault(Exception):
    """A certificate did not stand up to the checker: a bug in the engine, never the user's."""


class NoAnswer(ProofFault):
    """The engine spent the work it may do for one question: neither yes nor no is proven."""


@contextmanager
def answered() -> Iterator[None]:
    """Raises NoAnswer where a question within goes over its budget."""
    try:
        yield
    except OverBudget:
        raise NoAnswer("more work than one question is allowed") from None


class Certified:
    """One rule list with its engine; every answer it gives has been re-checked."""

    def __init__(self, rules: RuleList) -> None:
        self.rules = rules
        with answered():
            self.engine = Engine(rules)
        self.checker = Checker(rules)

    @cached_property
    def dead(self) -> Mapping[int, Verdict]:
        """Per rule: covered by earlier ones (with a minimal core), or a witness."""
        return {number: self._dead(number, one) for number, one in self.engine.dead().items()}

    def dead_rule(self, number: int) -> Verdict:
        """As `dead`, of one rule that has anything to match."""
        return self._dead(number, self.engine.dead_rule(number))

    def _dead(self, number: int, verdict: Verdict) -> Verdict:
        if not isinstance(verdict, Covered):
            return self._stands(verdict)
        stands = self.checker.dead(number, verdict.core)
        boxes = self.boxes_of(number)
        _stand(stands and self.checker.minimal(boxes, verdict.core), verdict)
        return verdict

    @cached_property
    def redundant(self) -> Mapping[int, Verdict]:
        """Per rule: would its removal alone change anything?"""
        found = self.engine.redundant()
        for number, verdict in found.items():
            if isinstance(verdict, Covered):
                _stand(self.checker.removable(number, verdict.core), verdict)
            else:
                told = self._stands(verdict)
                _stand(
                    self.checker.removal(told.point, number, told.outcome, told.instead), verdict
                )
        return found

    @cached_property
    def _boxes(self) -> Mapping[int, list[RawBox]]:
        found: dict[int, list[RawBox]] = {}
        for entry in self.rules.entries:
            found.setdefault(entry.rule, []).append(entry.box)
        return found

    @cached_property
    def _known(self) -> frozenset[int]:
        """The rules that have anything to match; the engine knows no others."""
        return frozenset(self.engine.rule_numbers())

    def boxes_of(self, number: int) -> Sequence[RawBox]:
        """The boxes of one rule."""
        return self._boxes.get(number, [])

    def decided(self, boxes: Sequence[RawBox], rules: frozenset[int]) -> Witness | None:
        """A point in `boxes` that one of `rules` decides, or None: proven that there is none."""
        if not boxes or not rules:
            return None

        def accept(rule: int | None, _: Hashable) -> bool:
            return rule in rules

        verdict = self.engine.reached(boxes, rules & self._known)
        if isinstance(verdict, Covered):
            _stand(self.checker.shielded(boxes, accept, verdict.core), verdict)
            return None
        told = self._stands(verdict)
        _stand(_inside(boxes, told.point) and told.rule in rules, verdict)
        return told

    def decides(self, rule: int, boxes: Sequence[RawBox]) -> bool:
        """Does a rule ever decide in `boxes`? What it is known to decide is looked at first."""
        known = self.dead.get(rule)
        if isinstance(known, Witness) and _inside(boxes, known.point):
            return True
        return self.decided(boxes, frozenset({rule})) is not None

    def covered(self, boxes: Sequence[RawBox], by: Iterable[int]) -> Covered | None:
        """Do the rules `by` together cover `boxes`? The minimal core if so."""
        allowed = self._known & set(by)
        verdict = self.engine.covered(boxes, tuple(allowed))
        if isinstance(verdict, Covered):
            stands = set(verdict.core) <= allowed and self.checker.cover(boxes, verdict.core)
            _stand(stands and self.checker.minimal(boxes, verdict.core), verdict)
            return verdict
        if isinstance(verdict, Undecided):
            raise NoAnswer(verdict.reason)
        return None

    def survey(self, boxes: Sequence[RawBox], limit: int) -> Survey:
        """Who decides what of `boxes`, in at most `limit` pieces; `complete` only if the checker has
        proven, too, that nothing of `boxes` lies outside of them."""
        found = survey(self.rules, boxes, limit=limit)
        for piece in found.pieces:
            stands = self.checker.decided_inside(boxes, piece.box, piece.rule, piece.outcome)
            if not stands:
                raise ProofFault(f"a piece does not stand up to the checker: {piece}")
        if not found.complete:
            return found
        try:
            pieces = [piece.box for piece in found.pieces]
            if not check_nothing_else(self.rules, boxes, pieces, lambda *_: True):
                raise ProofFault("the pieces of an answer are not all of it")
        except Unproven:
            return replace(found, complete=False)
        return found

    def _stands(self, verdict: Verdict) -> Witness:
        """The witness, re-checked. Raises ProofFault where there is none that stands."""
        if isinstance(verdict, Undecided):
            raise NoAnswer(verdict.reason)
        assert isinstance(verdict, Witness)
        _stand(self.checker.witness(verdict.point, verdict.rule, verdict.outcome), verdict)
        return verdict


def _inside(boxes: Sequence[RawBox], point: Point) -> bool:
    return any(all(map(has, box, point)) for box in boxes)


def _stand(stands: bool, verdict: Verdict) -> None:
    if not stands:
        raise ProofFault(f"a certificate does not stand up to the checker: {verdict}")
