"""One attempt on which plan and kernel disagree, told with names."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from netcharter.plan import coding
from netcharter.plan.coding import HARDWARE_NONE
from netcharter.plan.fate import Attempt, Environment
from netcharter.proofs.kernel_claims import regions
from netcharter.proofs.kernel_fates import Fate, Perhaps, Refused, Unfit, Unsure
from netcharter.proofs.kernel_space import (
    DESTINATION,
    EXIT,
    FIELDS,
    HARDWARE,
    LED,
    PORT,
    SERVICE,
    SOURCE,
    TIME,
    WHO,
    Slice,
    Space,
)
from netcharter.proofs.kernel_ways import ITSELF
from netcharter.proofs.loaded import Loaded
from netcharter.proofs.naming import Naming
from netcharter.proofs.story import STRANGERS, TELLING, Teller, row_name
from netcharter.proofs.universe import service_value
from netcharter.space.checker import Checker
from netcharter.space.model import Point
from netcharter.space.ranges import has


@dataclass(frozen=True, slots=True)
class Side:
    """What one side does with an attempt, in words, and who decides it there."""

    outcome: str
    decided_by: str
    fate: Fate | None  # None: it does not say

    def as_json(self) -> Mapping[str, object]:
        """The documented shape."""
        return {"outcome": self.outcome, "decided_by": self.decided_by}


@dataclass(frozen=True, slots=True)
class Disagreement:
    """An attempt with which the kernel does not do what the plan asks for.

    claim: the claim it belongs to. device: by which it comes in; exit: by which it would leave ("":
    to the gateway itself, or by nothing). hardware, port: as the kernel sees them. attempt: None
    where the charter knows no such entrance. depends: what nobody knows and the kernel asks.
    """

    claim: str
    sentence: str
    plan: Side
    kernel: Side
    attempt: Attempt | None
    environment: Environment
    device: str
    exit: str
    hardware: int
    port: int
    depends: tuple[str, ...]

    def as_json(self) -> Mapping[str, object]:
        """The documented shape."""
        return {
            "claim": self.claim,
            "sentence": self.sentence,
            "exit": self.exit,
            "depends": list(self.depends),
            "plan": self.plan.as_json(),
            "kernel": self.kernel.as_json(),
        }


@dataclass(frozen=True)
class Narrator:
    """Tells the points of a slice."""

    space: Space
    where: Slice
    loaded: Sequence[Loaded]
    checkers: tuple[Checker, Checker]  # the plan's list and the kernel's

    def told(self, point: Point) -> Disagreement:
        """The disagreement at a point of the slice."""
        planned, loaded = (checker.decide(point) for checker in self.checkers)
        service, code = point[SERVICE], point[HARDWARE]
        claim = claim_of(self.space, self.where, point)
        by = self._planned(planned[0], claim)
        plan = Side(self._outcome(planned[1], service), by, _fate(planned))
        kernel = Side(self._outcome(loaded[1], service), self._loaded(loaded[0]), _fate(loaded))
        depends = self._depends(point)
        told = f"{kernel.outcome} ({kernel.decided_by})"
        if depends:
            told += f", which depends on what nobody knows: {'; '.join(depends)}"
        return Disagreement(
            claim=claim,
            sentence=f"{self._asked(point, planned[0])}: {plan.outcome} by {plan.decided_by}, "
            f"but the kernel: {told}.",
            plan=plan,
            kernel=kernel,
            attempt=self._attempt(point),
            environment=self._environment(point),
            device=self.where.way.device,
            exit=self.space.exits[point[EXIT]],
            hardware=code,
            port=point[PORT],
            depends=depends,
        )

    def _depends(self, point: Point) -> tuple[str, ...]:
        """The unknown conditions of which any one, were it otherwise, would change what the kernel
        does here."""
        fate = self.checkers[1].decide(point)[1]
        found = []
        for place, words in enumerate(self.where.unknown, len(FIELDS)):
            other = (*point[:place], 1 - point[place], *point[place + 1 :])
            if self.checkers[1].decide(other)[1] != fate:
                found.append(words if point[place] else f"not: {words}")
        return tuple(found)

    def _attempt(self, point: Point) -> Attempt | None:
        way = self.where.way
        if not way.name:
            return None
        known = has(way.hardware, HARDWARE_NONE)
        hardware = HARDWARE_NONE if known else point[HARDWARE]
        return Attempt(way.name, point[SOURCE], hardware, point[DESTINATION], point[SERVICE])

    def _environment(self, point: Point) -> Environment:
        universe = self.space.universe
        instant = universe.times[point[TIME]].earliest
        led = frozenset(universe.led_names(point[LED]))
        return Environment(frozenset(universe.lines), universe.people[point[WHO]], instant, led)

    # ---- words ----

    def _asked(self, point: Point, decision: int | None) -> str:
        universe, plan = self.space.universe, self.space.plan
        if not self.where.way.name:
            naming = Naming(plan)
            device = self.where.way.device
            by = "any other device" if device == "*" else f"the device {device}"
            return (
                f"someone at {naming.address_text(point[SOURCE])} who comes in by {by} asks "
                f"{naming.address_full(point[DESTINATION])} for "
                f"{naming.service_full(point[SERVICE])}"
            )
        row = plan.rows[decision if decision is not None and decision < len(plan.rows) else -1]
        known = universe.hardware_values(((point[HARDWARE], point[HARDWARE]),))
        if has(self.where.way.hardware, HARDWARE_NONE):
            known = universe.hardware_values(coding.NO_HARDWARE)
        return Teller(universe).asked(
            (
                universe.entrances.index(self.where.way.name),
                point[WHO],
                point[TIME],
                known[0][0] if known else universe.other_hardware,
                point[SOURCE],
                point[DESTINATION],
                service_value(point[SERVICE]),
                (1 << len(universe.lines)) - 1,
                point[LED],
            ),
            row,
        )

    def _outcome(self, label: Hashable, service: int) -> str:
        if isinstance(label, Fate):
            return self._fate(label, service)
        if isinstance(label, Perhaps):
            return self._fate(label.fate, service)
        if isinstance(label, Refused):
            return f"refused ({' or '.join(sorted(label.manners))})"
        if isinstance(label, Unsure):
            return f"nobody knows, it depends on: {label.why}"
        if isinstance(label, Unfit):
            return f"not for a packet filter: {label.why}"
        return "nothing decides it"

    def _fate(self, fate: Fate, service: int) -> str:
        if not fate.let:
            manner = fate.manner
            if manner == "answered":
                manner = "reset" if service >> 16 == coding.TCP else "prohibited"
            return f"refused ({manner})"
        naming = Naming(self.space.plan)
        words = ["let"]
        if fate.delivered is not None:
            address, port = fate.delivered
            to = "the same address" if address is None else naming.address_full(address)
            words.append(f"delivered to {to}" + ("" if port is None else f" port {port}"))
        if fate.shown is not None:
            words.append(f"shown as {naming.address_text(fate.shown)}")
        elif fate.hidden:
            words.append("hidden behind the gateway's address")
        return ", ".join(words)

    def _planned(self, decision: int | None, claim: str) -> str:
        rows = self.space.plan.rows
        if decision is None:
            return "no decision"
        return row_name(rows[decision]) if decision < len(rows) else f"the claim '{claim}'"

    def _loaded(self, number: int | None) -> str:
        if number is None:
            return "no decision"
        leaf = self.loaded[number]
        counted = f", counted by {', '.join(leaf.counters)}" if leaf.counters else ", not counted"
        return f"{leaf.where}{counted}"

    # ---- a more telling point ----

    def polished(self, point: Point) -> Point:
        """Another point of the same claim that either list decides by the same entry, with better
        known values."""
        wanted = [checker.decide(point) for checker in self.checkers]
        claim = claim_of(self.space, self.where, point)
        for place, value in self._better(point):
            other = (*point[:place], value, *point[place + 1 :])
            if other == point or not self.checkers[0].exists(other):
                continue
            same = [checker.decide(other) for checker in self.checkers] == wanted
            if same and claim_of(self.space, self.where, other) == claim:
                point = other
        return point

    def _better(self, point: Point) -> Iterator[tuple[int, int]]:
        """Values to try, the best of a field last."""
        way, plan = self.where.way, self.space.plan
        yield LED, 0
        yield HARDWARE, STRANGERS.start
        yield from ((HARDWARE, h) for d in plan.devices for h in d.hardware if d.area == way.name)
        yield from (
            (SOURCE, min(low + 20, high))
            for area in plan.areas
            if area.name == way.name
            for low, high in area.hosts
        )
        yield from ((SERVICE, coding.service(*part)[0]) for part in reversed(TELLING))
        yield PORT, 40000 if self.space.ports else 0
        yield EXIT, self.space.exits.index(ITSELF)
        yield from ((EXIT, n) for n in range(len(self.space.exits)) if has(self.space.out, n))


def claim_of(space: Space, where: Slice, point: Point) -> str:
    """The claim that an attempt belongs to: the first whose region holds it."""
    return next(
        region.claim
        for region in regions(space, where)
        if any(all(map(has, box, point)) for box in region.boxes)
    )


def _fate(decided: tuple[int | None, Hashable]) -> Fate | None:
    return decided[1] if isinstance(decided[1], Fate) else None
