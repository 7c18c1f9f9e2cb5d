"""Plan and loaded decisions asked one attempt at a time, in the plainest way: by reading them.

Shares nothing with `netcharter.proofs.kernel` but what it is given. What is expected of a kernel
follows docs/explanation/kit.md.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from ipaddress import IPv4Address
from random import Random
from typing import Any

from netcharter.plan import coding, fate, labels
from netcharter.plan.fate import Attempt, Environment
from netcharter.plan.shapes import Plan
from netcharter.proofs.loaded import Loaded
from netcharter.space.ranges import Ranges, has
from tests.proofs.loaded_lists import line_anycast

Seen = tuple[bool, str | None, Any, bool, tuple[str, ...]]
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
NOTHING: Seen = (False, "nothing", None, False, ())


@dataclass(frozen=True, slots=True)
class Case:
    """One attempt, the device by which it comes and the one by which it would leave."""

    attempt: Attempt
    environment: Environment
    device: str
    exit: str
    hardware: int


def asked(plan: Plan, loaded: Sequence[Loaded], case: Case) -> Seen:
    """What the first leaf that holds a case does with it."""
    return next((seen(leaf, case.attempt) for leaf in loaded if holds(plan, leaf, case)), NOTHING)


def holds(plan: Plan, leaf: Loaded, case: Case) -> bool:
    attempt = case.attempt
    return (
        case.device in leaf.entrances
        and case.exit in leaf.exits
        and has(leaf.hardware, case.hardware)
        and has(leaf.source, attempt.source)
        and has(leaf.destination, attempt.destination)
        and has(leaf.service, attempt.service)
        and all(member(plan, name, case) == wanted for name, _, wanted in leaf.held)
    )


def member(plan: Plan, name: str, case: Case) -> bool:
    """Whether gate and steward would have put an attempt into a set."""
    who, instant = case.environment.who, case.environment.instant
    for when, let in labels.times_asked_for(plan.rows):
        if name == labels.when_set(when, let):
            return fate.in_force(plan, when, instant) is let
    for family in (4, 6):
        if name == labels.signed_set(family):
            return who != coding.NOBODY
        for people in labels.people_asked_for(plan.rows):
            if name == labels.who_set(people, family):
                return who in people
    raise AssertionError(f"no such set: {name}")


def seen(leaf: Loaded, attempt: Attempt) -> Seen:
    delivered = None
    if leaf.let and leaf.delivered is not None:
        address, port = leaf.delivered
        delivered = (address, _port(attempt) if port is None else port)
    return leaf.let, leaf.manner, delivered, leaf.let and leaf.hidden, leaf.counters


def _port(attempt: Attempt) -> int:
    return attempt.service & 0xFFFF


# --- what is expected ----------------------------------------------------------------------------


def planned(plan: Plan, case: Case) -> Seen:
    """What a kernel that holds the plan does."""
    attempt = case.attempt
    found = fate.fate(plan, attempt, case.environment)
    assert not found.row.routed, "the environment has all lines up"
    protocol, kind = attempt.service >> 16, (attempt.service & 0xFFFF) >> 8
    itself = attempt.entrance == "gateway"
    # RFC 792 and RFC 950, RFC 4443 and RFC 4620: errors and replies
    error = protocol == 58 and kind < 128 or protocol == 1 and kind in (3, 11, 12)
    reply = protocol == 58 and kind in (129, 140) or protocol == 1 and kind in (0, 14, 16, 18)
    if not itself and loopback(attempt.destination):
        return False, "silent", None, False, ()
    if itself and error:
        return True, None, None, False, ()
    if error or reply:
        return False, "silent", None, False, ("nc_invalid",)
    near = has(line_anycast(plan), attempt.destination)
    if not itself and (near or (link_local(attempt.destination) and case.exit)):
        return False, "silent", None, False, ("nc_stray",)
    counters = (labels.row_name(found.row.label),)
    if not found.let:
        return False, found.manner, None, False, counters
    four = attempt.source < coding.V6
    networks = [area.v4 for area in plan.areas if four]
    inside = any(IPv4Address(attempt.source) in network for network in networks)
    out = case.exit in {line.device for line in plan.lines}
    if protocol == 1 and kind not in (8, 13, 15, 17) and inside and out:
        return False, "silent", None, False, (*counters, "nc_invalid")
    hidden = inside and out
    delivered = None
    if found.delivered is not None:
        delivered = (coding.address(found.delivered[0]), found.delivered[1])
        mine = [a.device for a in plan.areas if four and IPv4Address(attempt.source) in a.v4]
        hidden = hidden or case.exit in mine
    return True, None, delivered, hidden, counters


def loopback(code: int) -> bool:
    return code >> 24 == 127 or code == coding.V6 + 1


def link_local(code: int) -> bool:
    return (code - coding.V6) >> 118 == 0xFE80 >> 6


def same(plan: Plan, loaded: Sequence[Loaded], case: Case) -> bool:
    """Whether the loaded decisions do with a case what the plan says."""
    return asked(plan, loaded, case) == planned(plan, case)


# --- cases ---------------------------------------------------------------------------------------


def corners(plan: Plan, leaf: Loaded, rng: Random, count: int) -> Iterator[Case]:
    """Cases at the edges of a leaf and just beside them, of those that exist."""
    names = {area.device: area.name for area in plan.areas}
    areas, signing = set(names), {area.device for area in plan.areas if area.sign_in}
    names |= {line.device: line.name for line in plan.lines} | {"": "gateway"}
    lines = frozenset(line.name for line in plan.lines)
    devices, exits = (sorted(found & names.keys()) for found in (leaf.entrances, leaf.exits))
    people = [coding.NOBODY, coding.GUEST, *(person.name for person in plan.people)]
    for _ in range(count if devices and exits else 0):
        device = rng.choice(devices)
        attempt = Attempt(
            names[device],
            _near(leaf.source, rng),
            _near(leaf.hardware, rng) if device in areas else coding.HARDWARE_NONE,
            _near(leaf.destination, rng),
            _near(leaf.service, rng),
        )
        who = rng.choice(people) if device in signing else coding.NOBODY
        instant = NOW + timedelta(minutes=rng.randrange(500 * 1440))
        if _exists(plan, attempt, device in areas):
            environment = Environment(lines, who, instant)
            yield Case(attempt, environment, device, rng.choice(exits), attempt.hardware)


def _near(found: Ranges, rng: Random) -> int:
    low, high = rng.choice(found)
    return max(0, rng.choice((low, high, rng.randint(low, high))) + rng.choice((0, 0, -1, 1)))


def _exists(plan: Plan, attempt: Attempt, area: bool) -> bool:
    automatic = [line.number for line in plan.lines if line.automatic]
    families = set()
    for code in (attempt.source, attempt.destination):
        if code >= coding.ADDRESS_SIZE:
            return False
        known = coding.decode(code)
        if isinstance(known, tuple) and known[0] not in automatic:
            return False
        families.add(known[1] if isinstance(known, tuple) else known.version)
    if len(families) == 2 or (area and attempt.hardware >= coding.HARDWARE_NONE):
        return False
    foreign = {4: 58, 6: 1}[families.pop()]
    return has(coding.REAL_SERVICES, attempt.service) and attempt.service >> 16 != foreign
