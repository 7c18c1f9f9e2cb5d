"""Promises for a first charter: what one would expect of any site, kept where it is proven."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.proofs.certify import NoAnswer, Prover
from netcharter.proofs.promises import PromiseResult, prove_promises
from netcharter.proofs.story import row_name
from netcharter.tasks.charter_text import Value
from netcharter.tasks.inheriting.shapes import Recognised

MOST_AREAS = 24  # whose promises about each other are tried


@dataclass(frozen=True, slots=True)
class Promised:
    """One promise as it would be written."""

    kind: Literal["never", "always"]
    who: tuple[str, ...]
    reach: tuple[str, ...]
    because: str
    services: tuple[str, ...] = ()
    except_offers: bool = False

    def pairs(self) -> list[tuple[str, Value]]:
        """Its keys and values in their order."""
        pairs: list[tuple[str, Value]] = [(self.kind, self.who), ("reach", self.reach)]
        if self.services:
            pairs.append(("with", self.services))
        if self.except_offers:
            pairs.append(("except", "offers"))
        return [*pairs, ("because", self.because)]


def wished(found: Recognised, managers: Sequence[str]) -> list[Promised]:
    """What one would expect to hold."""
    areas = tuple(area.name for area in found.areas)
    out = [
        Promised("always", (name,), ("gateway",), "or nobody can mend anything", ("ssh",))
        for name in managers
    ]
    if not areas or not found.lines:
        return out
    out.append(
        Promised("never", ("internet",), ("gateway", *areas), "nobody comes in uninvited",
                 except_offers=True)
    )  # fmt: skip
    for name in areas[:MOST_AREAS]:
        others = tuple(other for other in areas if other != name)
        if others:
            out.append(Promised("never", (name,), others, "so it is today", except_offers=True))
    return out


def hold(
    text: str, wishes: Sequence[Promised], now: datetime
) -> tuple[list[Promised], list[tuple[Promised, str]]]:
    """Which of the promises that stand in a charter hold, and which do not, with what breaks them.

    Of a `never` about several the part that holds is kept. Where the charter can't be planned, or
    a proof would take too long, nothing is promised.
    """
    reading = read(text, "")
    if reading.charter is None:
        return [], []
    plan = make_plan(reading.charter)
    if any(note.severity == "error" for note in plan.notes):
        return [], []
    try:
        results = prove_promises(Prover(plan, now))
    except NoAnswer:
        return [], []
    kept: list[Promised] = []
    broken: list[tuple[Promised, str]] = []
    by_number = {result.number: result for result in results if result.number is not None}
    for number, wish in enumerate(wishes):
        good, bad = _parted(wish, by_number[number])
        kept += good
        broken += bad
    return kept, broken


def _parted(
    wish: Promised, result: PromiseResult
) -> tuple[Sequence[Promised], Sequence[tuple[Promised, str]]]:
    if result.holds:
        return [wish], []
    why = f"{row_name(result.row)} is against it" if result.row else result.reason or "it fails"
    lost = tuple(name for name in wish.reach if name in result.open_terms) or wish.reach
    left = tuple(name for name in wish.reach if name not in lost)
    good = [replace(wish, reach=left)] if left and wish.kind == "never" else []
    return good, [(replace(wish, reach=lost), why)]
