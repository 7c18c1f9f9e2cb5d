"""Plan and loaded decisions asked one attempt at a time, in the plainest way: by reading them.

Shares nothing with `netcharter.proofs.kernel` but what it is given. What is expected of a kernel
follows docs/explanation/kit.md.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from ipaddress import IPv4Address, IPv4Network
from random import Random
from typing import Any

from netcharter.plan import coding, fate, labels
from netcharter.plan.fate import Attempt, Environment
from netcharter.plan.shapes import Plan
from netcharter.proofs.loaded import Loaded
from netcharter.space.ranges import Ranges, has, intersect, union
from tests.proofs.loaded_lists import (
    GROUPS,
    LINK_LOCAL,
    LOOPBACK,
    NARROW,
    NOBODY6,
    UNSPECIFIED4,
    UNTRACKED_ALL,
    line_anycast,
    over_limit,
)

Seen = tuple[bool, str | None, Any, bool, tuple[str, ...]]
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
ANYHOW: Seen = (False, "in any way", None, False, ())
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
    return about(plan, leaf, case) and all(
        _keeps(words) is wanted for kind, words, wanted in leaf.given if kind == "limit"
    )


def about(plan: Plan, leaf: Loaded, case: Case) -> bool:
    """Whether a leaf holds a case, whatever its source has too many of."""
    attempt = case.attempt
    return (
        case.device in leaf.entrances
        and leaves(plan, leaf, case)
        and has(leaf.hardware, case.hardware)
        and has(leaf.source, attempt.source)
        and has(leaf.destination, attempt.destination)
        and has(leaf.service, attempt.service)
        and all(member(plan, name, case) == wanted for name, _, wanted in leaf.held)
    )


def _keeps(words: str) -> bool:
    """Whether a limit is true of who keeps it; what is over it is true of the others."""
    return not words.startswith("over ")


def leaves(plan: Plan, leaf: Loaded, case: Case) -> bool:
    """Whether the way out fits; what is delivered elsewhere leaves the way that leads there."""
    if leaf.delivered is None or leaf.delivered[0] is None:
        return case.exit in leaf.exits
    address = coding.decode(leaf.delivered[0])
    areas = [area for area in plan.areas if address in area.v4]
    names = [area.device for area in areas] or [line.device for line in plan.lines]
    return any(name in leaf.exits for name in names)


def member(plan: Plan, name: str, case: Case) -> bool:
    """Whether gate and steward would have put an attempt into a set."""
    who, instant = case.environment.who, case.environment.instant
    for when, let in labels.times_asked_for(plan.rows):
        if name == labels.when_set(when, let):
            return fate.in_force(plan, when, instant) is let
    for family in (4, 6):
        for place in plan.by_names:
            if name == labels.led_set(place.name, family):
                return place.name in case.environment.led
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
    """What a kernel that holds the plan does; only a manner where no more is asked of it."""
    attempt = case.attempt
    # What routing refuses the packet filter is not asked about: it decides as if routing did not.
    asked_about = replace(plan, rows=tuple(row for row in plan.rows if not row.routed))
    found = fate.fate(asked_about, attempt, case.environment)
    protocol, kind = attempt.service >> 16, (attempt.service & 0xFFFF) >> 8
    itself = attempt.entrance == "gateway"
    if not itself and unheard(plan, case):
        return ANYHOW
    # RFC 792 and RFC 950, RFC 4443 and RFC 4620: errors and replies
    error = protocol == 58 and kind < 128 or protocol == 1 and kind in (3, 11, 12)
    reply = protocol == 58 and kind in (129, 140) or protocol == 1 and kind in (0, 14, 16, 18)
    if itself and error:
        return True, None, None, False, ()
    if error or reply:
        return False, "silent", None, False, ("nc_invalid",)
    if not itself and has(line_anycast(plan), attempt.destination):
        return False, "silent", None, False, ("nc_stray",)
    counters = (labels.row_name(found.row.label),)
    if not found.let:
        return False, found.manner, None, False, counters
    four = attempt.source < coding.V6
    areas = [a for a in plan.areas if four and IPv4Address(attempt.source) in a.v4]
    if found.delivered is not None:
        there = any(found.delivered[0] in area.v4 for area in areas)
        delivered = (coding.address(found.delivered[0]), found.delivered[1])
        return True, None, delivered, there, counters
    out = case.exit in {line.device for line in plan.lines}
    if protocol == 1 and kind not in (8, 13, 15, 17) and areas and out:
        return False, "silent", None, False, (*counters, "nc_invalid")
    return True, None, None, bool(areas) and out, counters


def unheard(plan: Plan, case: Case) -> tuple[str, ...]:
    """How the kernel refuses a packet from outside by itself, or might as well; (): it does not."""
    source, destination = case.attempt.source, case.attempt.destination
    if has(union(LOOPBACK, UNSPECIFIED4, NARROW), destination):
        return ("silent",)
    mine = union(*(line.own for line in plan.lines), plan.gateway)
    if has(union(LOOPBACK, GROUPS, intersect(mine, coding.ANY4)), source):
        return ("silent",)
    passed = case.exit not in ("", case.device)
    if has(UNSPECIFIED4, source):
        igmp = case.attempt.service >> 16 == 2
        far = 0xE0000100 <= destination <= 0xEFFFFFFF
        return ("silent",) if not has(GROUPS, destination) or (far and not igmp) else ()
    if passed and has(NOBODY6, source):
        # An error goes to whom it can be sent: nobody is at this address (RFC 4443 section 2.4)
        return ("silent",)
    return ("silent", "unreachable") if passed and has(LINK_LOCAL, source) else ()


UNASKED: Seen = (False, "silent", None, False, ())  # dropped before any decision


def same(plan: Plan, loaded: Sequence[Loaded], case: Case) -> bool:
    """Whether the loaded decisions do with a case what the plan says."""
    wanted, found = planned(plan, case), asked(plan, loaded, case)
    if wanted is ANYHOW:
        return not found[0] and found[1] in unheard(plan, case)
    if wanted != found:
        return _old_kernels(case) and found == UNASKED
    return not found[0] or met(plan, loaded, case) == kept(plan, case)


# --- limits per source ---------------------------------------------------------------------------


def decider(plan: Plan, loaded: Sequence[Loaded], case: Case) -> int:
    """The place of the leaf that decides a case."""
    return next(n for n, leaf in enumerate(loaded) if holds(plan, leaf, case))


def met(plan: Plan, loaded: Sequence[Loaded], case: Case) -> set[str]:
    """The limits per source of the decision that lets a case, as far as they refuse in silence."""
    place = decider(plan, loaded, case)
    of = loaded[place].counters[-1:]
    limits = (leaf for leaf in loaded[:place] if limiting(leaf, of) and not leaf.let)
    silent = (leaf for leaf in limits if leaf.manner == "silent" and about(plan, leaf, case))
    return {words for leaf in silent for _, words, _ in leaf.given if _tracked(case)}


def kept(plan: Plan, case: Case) -> set[str]:
    """Those that the plan asks for."""
    row = fate.fate(plan, case.attempt, case.environment).row
    limit = row.limit
    if limit is None or case.device not in limit.devices or not _tracked(case):
        return set()
    found = coding.decode(case.attempt.source)
    return {*over_limit(row, limit, found[1] if isinstance(found, tuple) else found.version)}


def _tracked(case: Case) -> bool:
    """Whether a case begins a conversation, so that it can be counted."""
    return not has(UNTRACKED_ALL, case.attempt.service)


def limiting(leaf: Loaded, counters: Sequence[str]) -> bool:
    """Whether a leaf is a limit per source of a decision, said by its counter."""
    return any(
        kind == "limit" and true and words.startswith(tuple(f"over {name} " for name in counters))
        for kind, words, true in leaf.given
    )


def _old_kernels(case: Case) -> bool:
    """What Linux before 5.3 drops by itself, so that a list may do so, too."""
    ends = case.attempt.source, case.attempt.destination
    return case.attempt.entrance != "gateway" and any(0 < end <= 0xFFFFFF for end in ends)


# --- cases ---------------------------------------------------------------------------------------


def corners(plan: Plan, leaf: Loaded, rng: Random, count: int) -> Iterator[Case]:
    """Cases at the edges of a leaf and just beside them, of those that exist."""
    names = {area.device: area.name for area in plan.areas}
    areas, signing = set(names), {area.device for area in plan.areas if area.sign_in}
    names |= {line.device: line.name for line in plan.lines} | {"": "gateway"}
    lines = frozenset(line.name for line in plan.lines)
    devices = sorted(leaf.entrances & names.keys())
    people = [coding.NOBODY, coding.GUEST, *(person.name for person in plan.people)]
    for _ in range(count if devices else 0):
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
        environment = Environment(lines, who, instant)
        # What no line carries is refused by routing in every state: a claim of its own.
        if _exists(plan, attempt, device in areas) and not _routed(plan, attempt, environment):
            found = rng.choice(exits(plan, attempt))
            yield Case(attempt, environment, device, found, attempt.hardware)


def _routed(plan: Plan, attempt: Attempt, environment: Environment) -> bool:
    return fate.fate(plan, attempt, environment).row.routed


def exits(plan: Plan, attempt: Attempt) -> list[str]:
    """By which devices an attempt can leave as it was sent; "": it goes no further."""
    code, itself = attempt.destination, attempt.entrance == "gateway"
    address = coding.decode(code)
    if isinstance(address, tuple):
        return [""]
    networks: list[tuple[Any, str]] = [(area.v4, area.device) for area in plan.areas]
    networks += [(s.network, area.device) for area in plan.areas for s in area.subnets6]
    known = [(i, line.device) for line in plan.lines for i in (line.v4, line.v6) if i is not None]
    mine = union(*(line.own for line in plan.lines), plan.gateway)
    edges = {n.broadcast_address for n in _nets4(plan) if n.prefixlen < 31}
    if has(LOOPBACK, code) or (has(mine, code) and not (itself and _loose(plan, code))):
        return [""]
    if not itself:
        deaf = has(union(UNSPECIFIED4, GROUPS, LINK_LOCAL, line_anycast(plan)), code)
        if deaf or address in edges:
            return [""]
    networks += [(i.network, device) for i, device in known]
    fitting = [(n.prefixlen, device) for n, device in networks if address in n]
    if fitting:
        return [max(fitting)[1]]
    if has(union(GROUPS, LINK_LOCAL), code):
        return [area.device for area in plan.areas]
    four = address.version == 4
    lines = [x.device for x in plan.lines if (x.carries4 if four else x.carries6)]
    return lines or ["*"]


def _nets4(plan: Plan) -> list[IPv4Network]:
    networks = [area.v4 for area in plan.areas]
    return networks + [line.v4.network for line in plan.lines if line.v4 is not None]


def _loose(plan: Plan, code: int) -> bool:
    """The gateway's, though the gateway itself sends it out: anycast and link-local addresses."""
    subnets = [s.network[0] for area in plan.areas for s in area.subnets6]
    return has(union(LINK_LOCAL, coding.addresses(subnets)), code)


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
