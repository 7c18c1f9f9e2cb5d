"""The engine's answers, each re-checked on raw ranges by code that shares nothing with it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from functools import cached_property

from netcharter.plan.shapes import Plan
from netcharter.proofs.universe import Universe
from netcharter.space.checker import check_cover, check_minimal, check_witness
from netcharter.space.engine import Engine
from netcharter.space.model import Covered, RawBox, RuleList, Undecided, Verdict, Witness


class ProofFault(Exception):
    """A certificate did not stand up to the checker: a bug in the engine, never the charter's."""


class Prover:
    """One plan with its universe and engine; every answer it gives has been re-checked."""

    def __init__(self, plan: Plan, now: datetime) -> None:
        self.plan = plan
        self.universe = Universe((plan,), now)
        self.rules: RuleList = self.universe.rules()
        self.engine = Engine(self.rules)

    @cached_property
    def dead(self) -> Mapping[int, Verdict]:
        """Per decision: covered by earlier ones (with a minimal core), or a witness."""
        found = self.engine.dead()
        for number, verdict in found.items():
            self._check(verdict, self._boxes[number], by_earlier_than=number)
        return found

    @cached_property
    def redundant(self) -> Mapping[int, Verdict]:
        """Per decision: would its removal alone change anything?"""
        found = self.engine.redundant()
        for verdict in found.values():
            if isinstance(verdict, Witness):
                self._check_witness(verdict)
        return found

    @cached_property
    def _boxes(self) -> Mapping[int, list[RawBox]]:
        found: dict[int, list[RawBox]] = {row.index: [] for row in self.plan.rows}
        for entry in self.rules.entries:
            found[entry.rule].append(entry.box)
        return found

    def boxes_of_row(self, number: int) -> Sequence[RawBox]:
        """The boxes of one decision."""
        return self._boxes[number]

    def decided(self, boxes: Sequence[RawBox], rows: frozenset[int]) -> Witness | None:
        """An attempt in `boxes` that one of `rows` decides, or None: proven that there is none."""
        if not boxes or not rows:
            return None
        verdict = self.engine.decided(boxes, lambda rule, _: rule in rows)
        if isinstance(verdict, Witness):
            self._check_witness(verdict)
            if verdict.rule not in rows:
                raise ProofFault(f"a witness is decided by {verdict.rule}, not by {sorted(rows)}")
            return verdict
        self._settled(verdict)
        return None

    def covered(self, boxes: Sequence[RawBox], by: Iterable[int]) -> Covered | None:
        """Do the decisions `by` together cover `boxes`? The minimal core if so."""
        verdict = self.engine.covered(boxes, tuple(by))
        if isinstance(verdict, Covered):
            self._check(verdict, boxes)
            return verdict
        self._settled(verdict)
        return None

    def _check(
        self, verdict: Verdict, boxes: Sequence[RawBox], by_earlier_than: int | None = None
    ) -> None:
        if isinstance(verdict, Witness):
            self._check_witness(verdict)
            return
        self._settled(verdict)
        assert isinstance(verdict, Covered)
        if by_earlier_than is not None and any(n >= by_earlier_than for n in verdict.core):
            raise ProofFault(f"core {verdict.core} of decision {by_earlier_than} is not earlier")
        if not check_cover(self.rules, boxes, verdict.core):
            raise ProofFault(f"core {verdict.core} leaves a gap")
        if not check_minimal(self.rules, boxes, verdict.core):
            raise ProofFault(f"core {verdict.core} is not minimal")

    def _check_witness(self, witness: Witness) -> None:
        if not check_witness(self.rules, witness.point, witness.rule, witness.outcome):
            raise ProofFault(f"witness {witness.point} is not decided by {witness.rule}")

    @staticmethod
    def _settled(verdict: Verdict) -> None:
        if isinstance(verdict, Undecided):
            raise ProofFault(f"undecided: {verdict.reason}")
