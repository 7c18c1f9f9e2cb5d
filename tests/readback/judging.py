"""Whether readback's decision of a packet is what the kernel did with it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address, ip_address

from netcharter.readback.shapes import (
    EXIT,
    HARDWARE_NONE,
    OWN,
    V6,
    Answer,
    Decisions,
    Leaf,
    Manner,
    Packet,
)
from tests.readback import ground
from tests.readback.frames import ERRORS, ICMP, ICMP6, PORTED, Sent
from tests.readback.trying import Outcome

PROHIBITED = frozenset({"icmp 3/9", "icmp 3/10", "icmp 3/13", "icmpv6 1/1"})
NO_WAY = frozenset({"No route to host", "Network is unreachable"})
# Of the types of ICMP the kernel knows (0 to NR_ICMP_TYPES of linux/icmp.h) those that its table
# `icmp_pointers` (net/ipv4/icmp.c, from memory) takes for errors, whatever they are.
NEVER_ANSWERED = frozenset({1, 2, 3, 4, 5, 6, 7, 9, 10, 11, 12})
LAST_KNOWN = 18


def coded(address: str) -> int:
    found = ip_address(address)
    return int(found) if found.version == 4 else V6 + int(found)


def packet(sent: Sent) -> Packet:
    """A packet in readback's terms."""
    number = sent.number if sent.protocol in PORTED or sent.protocol in (ICMP, ICMP6) else 0
    hardware = int(sent.hardware.replace(":", ""), 16) if sent.hardware else HARDWARE_NONE
    return Packet(
        sent.entrance,
        coded(sent.source),
        coded(sent.destination),
        sent.protocol << 16 | number,
        hardware,
        sent.port if sent.protocol in PORTED else 0,
    )


@dataclass(frozen=True)
class Fate:
    """What the kernel did. device: where it left, "" where the host took it, None: refused."""

    device: str | None
    source: str
    destination: str
    number: int
    manner: Manner | None


def fate(sent: Sent, outcome: Outcome) -> Fate:
    """The end of a packet's way. Over the loopback device it comes back into the host."""
    ends = [each for each in outcome.seen if each[0] != "lo"]
    assert len(ends) <= 1, f"{sent} was seen twice: {outcome}"
    if ends:
        device, source, destination, number, _ = ends[0]
        return Fate(device, source, destination, number, None)
    assert len(outcome.answers) <= 1, f"{sent} was answered twice: {outcome}"
    said = outcome.answers[0] if outcome.answers else ""
    manner: Manner = "unreachable"
    if outcome.said in NO_WAY:  # the host's own: nothing was sent at all
        return Fate(None, sent.source, sent.destination, sent.number, manner)
    if said in ("", "reset"):
        manner = "reset" if said else "silent"
    elif said in PROHIBITED:
        manner = "prohibited"
    return Fate(None, sent.source, sent.destination, sent.number, manner)


def kinds(sent: Sent, outcome: Outcome) -> Iterator[str]:
    """What the kernel did, in a few words."""
    really = fate(sent, outcome)
    start = "own" if sent.entrance == ground.OWN else "arrived"
    if really.device is None:
        yield f"{start}, {really.manner}"
        return
    yield f"{start}, {'delivered' if really.device == ground.OWN else 'sent on'}"
    if (really.destination, really.number) != (sent.destination, sent.number):
        yield "another destination"
    if really.source != sent.source:
        yield "another source"


def wrong(
    found: Decisions, answer: Answer, sent: Sent, outcome: Outcome, mute: bool, counted: bool = True
) -> list[str] | None:
    """None where one of the leaves tells what happened; else what is wrong with each.

    mute: whether the host's own answers may be refused by the ruleset itself. counted: whether
    named counters must agree too.
    """
    really = fate(sent, outcome)
    problems = []
    for leaf in answer.leaves:
        told = list(_differences(found, leaf, sent, really, mute))
        if counted:
            told += _counters(leaf, sent, outcome, really)
        if not told:
            return None
        problems.append("; ".join(told))
    return problems or ["no leaf holds it"]


def _differences(
    found: Decisions, leaf: Leaf, sent: Sent, really: Fate, mute: bool
) -> Iterator[str]:
    verdict = leaf.verdict
    if verdict.let != (really.device is not None):
        yield f"let: {verdict.let}, really {really}"
        return
    swallowed = really.manner == "silent" and (mute or unanswerable(sent))
    if verdict.manner != really.manner and not swallowed:
        yield f"manner: {verdict.manner}, really {really.manner}"
    if really.device is not None:
        yield from _delivery(found, leaf, sent, really, really.device)


def _delivery(found: Decisions, leaf: Leaf, sent: Sent, really: Fate, device: str) -> Iterator[str]:
    verdict = leaf.verdict
    to = coded(sent.destination) if verdict.destination is None else verdict.destination
    number = sent.number if verdict.port is None else verdict.port
    if (to, number) != (coded(really.destination), really.number):
        yield f"delivered to {spelled(to)} {number}, really {really.destination} {really.number}"
    place = found.devices.index(device)
    if not any(low <= place <= high for low, high in leaf.box[EXIT]):
        yield f"exits {leaf.box[EXIT]} of {found.devices}, really {device!r}"
    if device == OWN:
        return
    if verdict.source is not None and spelled(verdict.source) != really.source:
        yield f"source: {spelled(verdict.source)}, really {really.source}"
    elif not verdict.hidden and really.source != sent.source:
        yield f"not hidden, really {really.source}"
    elif verdict.hidden and verdict.source is None and not _of_device(really.source, device):
        yield f"hidden, really {really.source}"


def _of_device(address: str, device: str) -> bool:
    own = next(each.own for each in ground.DEVICES if each.name == device)
    return address in [each.split("/")[0] for each in own]


def _counters(leaf: Leaf, sent: Sent, outcome: Outcome, really: Fate) -> Iterator[str]:
    """Messages of the host's own also count: only without them must the numbers be the same."""
    wanted = Counter(leaf.counters)
    if any(outcome.counters.get(name, 0) < times for name, times in wanted.items()):
        yield f"counters {leaf.counters}, really {dict(outcome.counters)}"
        return
    passed = really.device in ground.NAMES or leaf.verdict.manner == "silent"
    alone = passed and not outcome.answers and not _detour(sent, really)
    if alone and dict(outcome.counters) != dict(wanted):
        yield f"counters {leaf.counters}, really {dict(outcome.counters)}"


def _detour(sent: Sent, really: Fate) -> bool:
    """Whether the host may have told the sender of a shorter way: in IPv6 it does, before a packet
    is refused too, and nothing switches that off.
    """
    return ":" in sent.source and really.device in (None, sent.entrance)


def unanswerable(sent: Sent) -> bool:
    """Whether the kernel may send no refusal in any case.

    RFC 1122 section 3.2.2 and RFC 4443 section 2.4 (e): none about errors, to or from groups and
    broadcasts; nor does the kernel about types of ICMP it does not know. Or there is no way back
    to the source. What the routing itself refuses in IPv4 has a limit that no namespace can lift
    (net.ipv4.route.error_cost).
    """
    ends = (ip_address(sent.source), ip_address(sent.destination))
    odd = any(end.is_multicast or end.is_unspecified or end.is_link_local for end in ends)
    hosts = [host for device in ground.DEVICES for host in device.hosts]
    known = sent.source in (*hosts, *ground.FAR, *ground.own_addresses(4), *ground.own_addresses(6))
    silenced = {sent.source, sent.destination} & {*ground.BROADCAST, ground.NOWHERE[0]}
    return odd or not known or bool(silenced) or _never_answered(sent)


def _never_answered(sent: Sent) -> bool:
    kind = sent.number >> 8
    if sent.protocol == ICMP:
        return kind in NEVER_ANSWERED or kind > LAST_KNOWN
    return sent.protocol == ICMP6 and kind in ERRORS[ICMP6]


def spelled(address: int) -> str:
    return str(IPv4Address(address) if address < V6 else IPv6Address(address - V6))
