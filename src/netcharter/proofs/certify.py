"""The engine's answers about one plan, each re-checked on raw ranges by code that shares nothing
with it (`space/certified.py`)."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from netcharter.plan.shapes import Plan
from netcharter.proofs.universe import Universe
from netcharter.space.certified import Certified, NoAnswer, ProofFault, answered
from netcharter.space.model import RawBox

__all__ = ["NoAnswer", "ProofFault", "Prover", "answered"]


class Prover(Certified):
    """One plan with its universe and engine; every answer it gives has been re-checked."""

    def __init__(self, plan: Plan, now: datetime) -> None:
        self.plan = plan
        self.universe = Universe((plan,), now)
        super().__init__(self.universe.rules())

    def boxes_of_row(self, number: int) -> Sequence[RawBox]:
        """The boxes of one decision."""
        return self.boxes_of(number)
