"""Is what a kernel has loaded the plan? Both as sets of attempts, compared exactly.

Plan and kernel become two ordered lists over the same attempts, entrance by entrance and family by
family. Where they differ an attempt is shown; that they do not is proven twice, by the diagram that
finds differences and by the checker that shares nothing with it. What cannot be compared word for
word is a claim of its own (`kernel_claims`); `docs/explanation/agreement.md` tells each.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from netcharter.plan.shapes import Plan
from netcharter.proofs.certify import NoAnswer, ProofFault, answered
from netcharter.proofs.kernel_claims import NO_LINE, TOLD, Region, regions
from netcharter.proofs.kernel_expected import Expectation
from netcharter.proofs.kernel_fates import alike
from netcharter.proofs.kernel_lists import Kernel, Used
from netcharter.proofs.kernel_space import Slice, Space
from netcharter.proofs.kernel_told import Disagreement, Narrator
from netcharter.proofs.loaded import Loaded
from netcharter.proofs.universe import Universe
from netcharter.space.checker import Checker, Unproven, check_same, measure
from netcharter.space.model import Entry, Point, RawBox, RuleList
from netcharter.space.partition import compare
from netcharter.space.ranges import intersect

LISTED = 40  # disagreements that are told, at most


@dataclass(frozen=True, slots=True)
class Claim:
    """One of the claims that together speak of every attempt: what about, what is proven of it,
    whether it holds, and how many attempts of the compared universe belong to it (None: it cuts
    across them).
    """

    name: str
    about: str
    proven: str
    holds: bool
    attempts: int | None

    def as_json(self) -> Mapping[str, object]:
        """The documented shape; the count is exact, as a decimal string."""
        count = None if self.attempts is None else str(self.attempts)
        return {
            "name": self.name,
            "about": self.about,
            "proven": self.proven,
            "holds": self.holds,
            "attempts": count,
        }


@dataclass(frozen=True, slots=True)
class Agreement:
    """`same`: proven that the kernel does with every attempt what the plan says, under what is
    `assumed`. Otherwise `differences` shows some attempts with which it does not, or of which it
    is not known. counts: leaves, decisions, slices.
    """

    same: bool
    differences: tuple[Disagreement, ...]
    assumed: tuple[str, ...]
    claims: tuple[Claim, ...]
    counts: Mapping[str, int]

    def as_json(self) -> Mapping[str, object]:
        """The documented shape."""
        return {
            "same": self.same,
            "differences": [one.as_json() for one in self.differences],
            "assumed": list(self.assumed),
            "claims": [claim.as_json() for claim in self.claims],
            "counts": dict(self.counts),
        }


def agreement(
    plan: Plan, now: datetime, loaded: Sequence[Loaded], gone: frozenset[int] = frozenset()
) -> Agreement:
    """Whether the kernel's decisions `loaded` are the plan's, from `now` on.

    `gone` are codes of addresses that do not exist apart from the symbol that stands for them.
    Raises NoAnswer if that is more work than is allowed, ProofFault if the two proofs disagree.
    """
    space = Space(Universe((plan,), now), loaded, gone)
    expectation, kernel = Expectation(space), Kernel(space, loaded)
    differences: list[Disagreement] = []
    attempts: dict[str, int] = {}
    with answered():
        for plain in space.slices:
            where, listed = kernel.rules(plain)
            lists = expectation.rules(where), listed
            differences += _differences(space, where, lists, loaded)
            for name, count in _shares(list(regions(space, plain))).items():
                attempts[name] = attempts.get(name, 0) + count
    return Agreement(
        same=not differences,
        differences=tuple(differences[:LISTED]),
        assumed=_assumed(kernel.used),
        claims=tuple(_claims(attempts, differences)),
        counts={
            "leaves": len(loaded),
            "decisions": len(plan.rows),
            "slices": len(space.slices),
            "differences": len(differences),
        },
    )


def _differences(
    space: Space, where: Slice, lists: tuple[RuleList, RuleList], loaded: Sequence[Loaded]
) -> Iterator[Disagreement]:
    """For each claim, one disagreement per pair of fates that differ; none: proven so."""
    if not _unlike(*lists):
        _confirmed(lists)
        return
    checkers = Checker(lists[0]), Checker(lists[1])
    narrator = Narrator(space, where, loaded, checkers)
    before: list[RawBox] = []
    for region in regions(space, where):
        aside = tuple(Entry(box, -1, None) for box in before)
        a, b = (replace(one, entries=(*aside, *one.entries)) for one in lists)
        for point in _unlike(a, b, focus=region.boxes):
            planned, seen = (checker.decide(point)[1] for checker in checkers)
            if not checkers[0].exists(point) or alike(planned, seen):
                raise ProofFault("a difference does not stand up to the checker")
            yield narrator.told(narrator.polished(point))
        before += region.boxes


def _unlike(a: RuleList, b: RuleList, focus: Sequence[RawBox] | None = None) -> list[Point]:
    """A witness for each pair of fates that differ."""
    found = compare(a, b, focus=focus)
    return [part.witness for pair, part in found.parts.items() if not alike(*pair)]


def _confirmed(lists: tuple[RuleList, RuleList]) -> None:
    """The checker's own proof that two lists agree."""
    try:
        if not check_same(*lists, alike=alike):
            raise ProofFault("that plan and kernel agree does not stand up to the checker")
    except Unproven:
        raise NoAnswer("that plan and kernel agree is too much work to check again") from None


def _shares(found: Sequence[Region]) -> dict[str, int]:
    """How many attempts of a slice belong to each claim: to the first whose region holds them."""
    shares: dict[str, int] = {}
    boxes: list[RawBox] = []
    before = 0
    whole = found[-1].boxes
    for region in found:
        boxes += [both for box in region.boxes for one in whole if all(both := _meet(box, one))]
        held = measure(boxes)
        shares[region.claim] = shares.get(region.claim, 0) + held - before
        before = held
    return shares


def _meet(box: RawBox, one: RawBox) -> RawBox:
    """What two boxes share; most of their fields are the same or all there is."""
    return tuple(
        b
        if a == b or (len(a) == 1 and a[0][0] <= b[0][0] and b[-1][1] <= a[0][1])
        else intersect(a, b)
        for a, b in zip(box, one, strict=True)
    )


def _claims(attempts: Mapping[str, int], differences: Sequence[Disagreement]) -> Iterator[Claim]:
    broken = {one.claim for one in differences}
    for name, (about, proven) in TOLD.items():
        if name == NO_LINE:
            yield Claim(name, about, proven, not differences, None)
        elif attempts.get(name):
            yield Claim(name, about, proven, name not in broken, attempts[name])


def _assumed(used: Used) -> tuple[str, ...]:
    """What the proof takes for granted, in words."""
    sets = (f"the set {name} holds {told}, and nothing else" for name, told in used.sets.items())
    limits = (f"this limit is not exceeded: {words}" for words in used.limits)
    return (*sets, *limits)
