"""Is what a kernel has loaded the plan? From the text of a listing to the answer.

The listing is read by code that never saw the renderer, turned into the plan's own terms here, and
compared there (`proofs/kernel.py`).
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from netcharter.diagnostics import Diagnostic
from netcharter.plan.shapes import Plan
from netcharter.proofs import kernel_ways
from netcharter.proofs.kernel import Agreement, agreement
from netcharter.proofs.loaded import Loaded
from netcharter.readback import shapes
from netcharter.readback.listing import read_listing
from netcharter.readback.shapes import Decisions, Host, Leaf, Origin
from netcharter.readback.walk import decisions
from netcharter.space.ranges import Ranges, has


class Unreadable(Exception):
    """A listing that cannot be read at all; `problems` say why."""

    def __init__(self, problems: tuple[Diagnostic, ...]) -> None:
        super().__init__("; ".join(problem.message for problem in problems))
        self.problems = problems


def kernel_equals_plan(plan: Plan, now: datetime, listing: str, name: str = "nft") -> Agreement:
    """Whether the kernel whose `nft -j list ruleset` is `listing` decides as the plan, from `now` on.

    `name` is what diagnostics call the listing. Raises Unreadable for a listing that is none,
    NoAnswer if the proof is more work than is allowed.
    """
    read = read_listing(listing, name)
    if read.listing is None:
        raise Unreadable(read.problems)
    return agreement(plan, now, loaded(decisions(read.listing, plan_host(plan)), plan))


# --- the gateway as the plan makes it ------------------------------------------------------------


def plan_host(plan: Plan) -> Host:
    """Devices, addresses and routes of the gateway once the kit is in place.

    The unknown address of an automatic line is its symbol, and all lines may be up.
    """
    return Host(
        devices=kernel_ways.devices(plan),
        own=kernel_ways.own(plan),
        routes=kernel_ways.routes(plan),
        broadcast=kernel_ways.broadcast(plan),
        anycast=kernel_ways.anycast(plan),
    )


# --- from the kernel's terms to the plan's -------------------------------------------------------


def loaded(found: Decisions, plan: Plan) -> tuple[Loaded, ...]:
    """A kernel's decisions in the plan's terms. What no leaf holds is left out, and so is what the
    reading did not get to: then something is missing, which the comparison finds."""
    return tuple(_loaded(leaf, found.devices) for leaf in found.leaves)


def _loaded(leaf: Leaf, devices: tuple[str, ...]) -> Loaded:
    box, verdict = leaf.box, leaf.verdict
    delivered = None
    if verdict.destination is not None or verdict.port is not None:
        delivered = (verdict.destination, verdict.port)
    return Loaded(
        entrances=_names(box[shapes.ENTRANCE], devices),
        exits=_names(box[shapes.EXIT], devices),
        hardware=box[shapes.HARDWARE],
        source=box[shapes.SOURCE],
        destination=box[shapes.DESTINATION],
        service=box[shapes.SERVICE],
        port=box[shapes.PORT],
        held=tuple((c.name, c.key, true) for c, true in leaf.held if c.kind == "set"),
        given=tuple(_given(leaf)),
        let=verdict.let,
        manner=verdict.manner,
        delivered=delivered,
        hidden=verdict.hidden,
        counters=leaf.counters,
        where=where(leaf.decider),
        shown=verdict.source,
    )


def _names(numbers: Ranges, devices: tuple[str, ...]) -> frozenset[str]:
    return frozenset(name for number, name in enumerate(devices) if has(numbers, number))


def _given(leaf: Leaf) -> Iterator[tuple[str, str, bool]]:
    for condition, true in leaf.held:
        if condition.kind in ("limit", "quota"):
            yield condition.kind, f"over {condition.name}", true
        elif condition.kind != "set":
            yield condition.kind, condition.name, true


def where(decider: Origin) -> str:
    """The place of a rule in the listing, for people."""
    if not decider.chain:
        return decider.text
    if decider.number is None:
        return f"the policy of {decider.chain}"
    return f"rule {decider.number} of {decider.chain}: {decider.text}"
