"""What a kernel has loaded, in the plan's own terms: the shape that kernel and plan are compared in.

Whoever reads a kernel back (`readback`) and knows the plan turns its decisions into these; the
proofs never see the listing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from netcharter.space.ranges import Ranges


@dataclass(frozen=True, slots=True)
class Loaded:
    """One decision of the kernel; the first of a list whose sets hold an attempt decides it.

    entrances, exits: names of kernel devices; "" is the gateway itself, "*" any other device.
    Addresses, hardware and services are coded as `plan.coding` says (the unknown address of a line
    is its symbol). port: source ports. held: named sets that must (or must not) hold the attempt:
    those that gate and steward fill. given: other conditions that must (or must not) be true, in
    words, which begin with "over " or "within " for a limit or quota; `assumed` says which of them
    a comparison takes for granted.
    manner: None where let. delivered: coded address and port (None: as sent). hidden: it leaves
    with an address of the gateway's; shown: with just this one. counters: named counters passed.
    where: the place in the listing, for people.
    """

    entrances: frozenset[str]
    exits: frozenset[str]
    hardware: Ranges
    source: Ranges
    destination: Ranges
    service: Ranges
    port: Ranges
    held: tuple[tuple[str, str, bool], ...]  # (set, key in nft's words, is the attempt in it)
    given: tuple[tuple[str, str, bool], ...]  # (kind: limit, quota, unread; words; true)
    let: bool
    manner: Literal["reset", "prohibited", "unreachable", "silent"] | None
    delivered: tuple[int | None, int | None] | None
    hidden: bool
    counters: tuple[str, ...]
    where: str
    shown: int | None = None
