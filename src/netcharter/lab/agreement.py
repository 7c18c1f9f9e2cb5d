"""Is what a kernel has loaded the plan? From the text of a listing to the answer.

The listing is read by code that never saw the renderer, turned into the plan's own terms here, and
compared there (`proofs/kernel.py`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import datetime

from netcharter.diagnostics import Diagnostic
from netcharter.plan import coding
from netcharter.plan.shapes import Plan
from netcharter.proofs import kernel_ways
from netcharter.proofs.kernel import Agreement, agreement
from netcharter.proofs.loaded import Loaded
from netcharter.proofs.management import NOTHING_KNOWN, Known
from netcharter.readback import shapes
from netcharter.readback.listing import read_listing
from netcharter.readback.shapes import Decisions, Host, Leaf, Origin
from netcharter.readback.walk import decisions
from netcharter.space.ranges import Ranges, has, ranges, subtract, union

# A limit as `readback` names it, on its own or in a set that packets fill; the last words count.
_MEASURE = re.compile(
    r": limit rate (?:(over) )?[^{}]*\Z|: (?:add|update) @\S+ \{ .* (?:limit rate|ct count) (over) [^{}]*\}\Z"
)
OTHER_FORM = "listing-other-version"  # words may mean something else in it: nothing is proven by it


class Unreadable(Exception):
    """A listing that cannot be read at all; `problems` say why."""

    def __init__(self, problems: tuple[Diagnostic, ...]) -> None:
        super().__init__(problems)  # as it was called, or it would not get out of the lab
        self.problems = problems

    def __str__(self) -> str:
        return "; ".join(problem.message for problem in self.problems)


def kernel_equals_plan(
    plan: Plan, now: datetime, listing: str, name: str = "nft", lines: Known = NOTHING_KNOWN
) -> Agreement:
    """Whether the kernel whose `nft -j list ruleset` is `listing` decides as the plan, from `now` on.

    `name` is what diagnostics call the listing. `lines` are the addresses that automatic lines have
    got; without, they stay unknown, and no range of addresses in a rule holds them. Raises
    Unreadable for a listing that is none or of another form than is known, NoAnswer if the proof is more work than is allowed.
    """
    read = read_listing(listing, name)
    doubted = tuple(replace(p, severity="error") for p in read.problems if p.id == OTHER_FORM)
    if read.listing is None or doubted:
        raise Unreadable(doubted or read.problems)
    codes = known_codes(plan, lines)
    found = decisions(read.listing, plan_host(plan, lines))
    return agreement(plan, now, loaded(found, plan, lines), frozenset(codes.values()))


# --- the gateway as the plan makes it ------------------------------------------------------------


def plan_host(plan: Plan, lines: Known = NOTHING_KNOWN) -> Host:
    """Devices, addresses and routes of the gateway once the kit is in place.

    The unknown address of an automatic line is its symbol. All lines may be up.
    """
    codes = known_codes(plan, lines)
    own = {name: _exchanged(found, codes) for name, found in kernel_ways.own(plan).items()}
    return Host(
        devices=kernel_ways.devices(plan),
        own=own,
        routes=kernel_ways.routes(plan),
        broadcast=kernel_ways.broadcast(plan),
        anycast=kernel_ways.anycast(plan),
    )


def known_codes(plan: Plan, lines: Known) -> Mapping[int, int]:
    """The codes of the addresses that automatic lines have, by their symbols."""
    return {
        coding.unknown(line.number, address.version): coding.address(address)
        for line in plan.lines
        if line.automatic
        for address in lines.get(line.name, ())
    }


def _exchanged(found: Ranges, codes: Mapping[int, int]) -> Ranges:
    """A set with every symbol in the place of the address it stands for, and the reverse."""
    for symbol, code in codes.items():
        pair = ((code, code), (symbol, symbol))
        other = [pair[1 - n] for n, one in enumerate(pair) if has(found, one[0])]
        if len(other) == 1:
            found = union(subtract(found, ranges(*pair)), ranges(*other))
    return found


# --- from the kernel's terms to the plan's -------------------------------------------------------


def loaded(found: Decisions, plan: Plan, lines: Known = NOTHING_KNOWN) -> tuple[Loaded, ...]:
    """A kernel's decisions in the plan's terms. What the reading did not get to is left out: then
    something is missing, which the comparison finds."""
    codes = known_codes(plan, lines)
    sets: dict[Ranges, Ranges] = {}  # one and the same object for one set
    leaves = (_loaded(leaf, found.devices) for leaf in found.leaves)
    return tuple(_renamed(leaf, codes, sets) for leaf in leaves)


def _renamed(leaf: Loaded, codes: Mapping[int, int], sets: dict[Ranges, Ranges]) -> Loaded:
    """A leaf with the symbols of lines where their addresses stand."""
    if not codes:
        return leaf
    for found in (leaf.source, leaf.destination):
        if found not in sets:
            sets[found] = _exchanged(found, codes)
    numbers = {code: symbol for symbol, code in codes.items()}
    delivered = leaf.delivered
    if delivered is not None and delivered[0] is not None:
        delivered = (numbers.get(delivered[0], delivered[0]), delivered[1])
    shown = None if leaf.shown is None else numbers.get(leaf.shown, leaf.shown)
    source, destination = sets[leaf.source], sets[leaf.destination]
    return replace(leaf, source=source, destination=destination, delivered=delivered, shown=shown)


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
    """Limits say whether they are true once exceeded or before, those of a set that packets fill
    only if the former: a set that is full is like one that nobody exceeds. The rest is unknown."""
    for condition, true in leaf.held:
        if condition.kind == "set":
            continue
        kind, words = "unread", condition.name
        measured = _MEASURE.search(words) if condition.kind == "limit" else None
        if measured:
            kind, words = "limit", f"{'over' if measured.lastindex else 'within'} {words}"
        yield kind, words, true


def where(decider: Origin) -> str:
    """The place of a rule in the listing, for people."""
    if not decider.chain:
        return decider.text
    if decider.number is None:
        return f"the policy of {decider.chain}"
    return f"rule {decider.number} of {decider.chain}: {decider.text}"
