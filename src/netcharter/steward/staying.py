"""Who stays on a line when a better one comes back, until his calls are over.

An exit that says `together` keeps new conversations of a device with those it has: a call that hangs
up on one line and sends its sound over another is none. Before a line comes back, every device that
has such conversations elsewhere is put into the set of the line where they are. It is let go, and
they are cut so that it begins anew on the better line, once it has been quiet for a while: a phone
that is only signed on sends a packet now and then, a call fifty a second each way (RFC 3551 section
4.5, 20 ms of sound in each).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from netcharter.steward.shapes import CutFlows, Effect, Stay
from netcharter.steward.ways import Flow, Key, Seen, Ways

LEAST = 5.0  # packets a second, of all conversations of a device together
QUIET = 10.0  # seconds below it


@dataclass(frozen=True, slots=True)
class Staying:
    """How a device stays. packets: that its conversations had at the instant `at` (seconds from
    boot), None: not known; quiet: since when it is."""

    packets: int | None = None
    at: float = 0.0
    quiet: float | None = None


Who = tuple[int, str]  # the number of a line, and an IPv4 address
Stays = Mapping[Who, Staying]


def begun(who: Iterable[Who]) -> dict[Who, Staying]:
    """They stay, and nothing is known of what they do."""
    return {one: Staying() for one in who}


def decided(
    before: Stays, ways: Ways, was: Collection[Key], out: Collection[Key], seen: Seen
) -> tuple[Stays, tuple[Effect, ...]]:
    """Who stays from now on, and what is to be done for it. was, out: the legs that new conversations
    were and are kept from."""
    if not ways.stays:
        return {}, ()
    sums = summed(seen.flows or ())
    dead = {leg.number for leg in ways.of(4) if leg.key in out}
    back = {leg.number for leg in ways.of(4) if leg.key in set(was) - set(out)}
    stays = {who: one for who, one in before.items() if who[0] not in dead}
    if seen.flows is None:
        return stays, (_stay(ways, stays),) if before else ()
    stays = {who: followed(one, sums.get(who, 0), seen.at) for who, one in stays.items()}
    over = [who for who, one in stays.items() if is_over(one, seen.at)]
    stays = {who: one for who, one in stays.items() if who not in over}
    if back:
        stays = {**_joining(sums, back | dead, {source for _, source in stays}, seen.at), **stays}
    effects: list[Effect] = [_stay(ways, stays)] if stays or before else []
    effects += [CutFlows(number, source, ways.together) for number, source in over]
    return stays, tuple(effects)


def summed(flows: Iterable[Flow]) -> dict[Who, int | None]:
    """The packets of a device's conversations on a line; None where one of them is not counted."""
    found: dict[Who, int | None] = {}
    for flow in flows:
        who = flow.number, flow.source
        known = found.get(who, 0)
        found[who] = None if known is None or flow.packets is None else known + flow.packets
    return found


def _joining(
    sums: Mapping[Who, int | None], others: Collection[int], there: Collection[str], at: float
) -> dict[Who, Staying]:
    """Devices with conversations on lines other than those; each on that line where most goes on."""
    most: dict[str, Who] = {}
    for who, packets in sums.items():
        number, source = who
        if number in others or source in there:
            continue
        rival = most.get(source)
        if rival is None or (packets or 0) > (sums[rival] or 0):
            most[source] = who
    return {who: Staying(sums[who], at) for who in most.values()}


def followed(one: Staying, packets: int | None, at: float) -> Staying:
    """A device as it is now. What is not counted is not quiet; what is over has no packets."""
    if packets is None:
        return Staying(None, at)
    passed = at - one.at
    if one.packets is None or passed <= 0:
        return Staying(packets, at, at if packets == 0 else one.quiet)
    if (packets - one.packets) / passed >= LEAST:
        return Staying(packets, at)
    return Staying(packets, at, one.at if one.quiet is None else one.quiet)


def is_over(one: Staying, at: float) -> bool:
    return one.quiet is not None and at - one.quiet >= QUIET


def _stay(ways: Ways, stays: Stays) -> Stay:
    numbers = {leg.line: leg.number for leg in ways.of(4)}
    return Stay(
        tuple(
            (name, tuple(sorted(source for number, source in stays if number == numbers[line])))
            for line, name in ways.stays.items()
            if line in numbers
        )
    )
