"""What cannot be compared word for word between plan and kernel, each as a claim of its own.

Every attempt belongs to the first claim whose region holds it, and to one only; what no region
holds is `decided`. `docs/explanation/agreement.md` tells each claim in sentences.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from netcharter.plan import coding
from netcharter.plan.housekeeping import LINK_LOCAL6, LOOPBACK
from netcharter.plan.icmp import ERRORS4, ERRORS6, ICMPV4, REPLIES4, REPLIES6
from netcharter.plan.shapes import Plan
from netcharter.proofs.kernel_fates import Fate, Kept
from netcharter.proofs.kernel_space import GATEWAY, ITSELF, LOOP, Slice, Space
from netcharter.space.model import RawBox
from netcharter.space.ranges import Ranges, full, intersect, ranges, subtract, union

INVALID, STRAY = "nc_invalid", "nc_stray"
REFUSED = Fate(False, "silent", (INVALID,))
# What Linux begins a conversation with: net/netfilter/nf_conntrack_proto_icmp.c (from memory).
BEGINNING4 = (8, 13, 15, 17)

Expected = Fate | Kept

NO_LINE = "no-line"
TOLD: Mapping[str, tuple[str, str]] = {
    "decided": (
        "every other attempt",
        "outcome, manner, delivery, hiding and the decision that counts are the plan's",
    ),
    "unknown": (
        "attempts from or to the address of a line that nobody knows beforehand",
        "the same, whatever that address is, as long as the charter names it nowhere",
    ),
    "conversation": (
        "ICMP errors and replies, which are never the first packet of a conversation",
        "dropped in silence and counted as invalid",
    ),
    "own-errors": (
        "ICMP errors that the gateway itself sends",
        "they may leave, and no decision counts them",
    ),
    "untracked": (
        "IPv4 messages without conversation from an inside address, on their way to a line",
        "counted by their decision, and then dropped in silence also where the plan lets them",
    ),
    "loopback": (
        "loopback destinations from outside",
        "refused in silence, by the kernel before any decision",
    ),
    "link-local": (
        "link-local destinations that would be passed on",
        "dropped in silence and counted as stray, if the kernel passes them on at all",
    ),
    "line-anycast": (
        "the subnet-router anycast address of a line's IPv6 network, which is the gateway's too",
        "dropped in silence and counted as stray, whatever the plan says of that network",
    ),
    NO_LINE: (
        "attempts that routing refuses because no line that is up leads there",
        "the packet filter, if it were asked, would decide them as the plan does without no-line",
    ),
    "elsewhere": (
        "whatever comes in by a device that the charter does not know",
        "refused in silence",
    ),
}


@dataclass(frozen=True, slots=True)
class Region:
    """Where a claim is about, as boxes of one slice, with what the kernel must do there; None:
    what the decisions of the plan say.
    """

    claim: str
    boxes: tuple[RawBox, ...]
    expected: Expected | None = None


def regions(space: Space, where: Slice) -> Iterator[Region]:
    """The claims of a slice, in order; `decided`, which is all the rest, comes last."""
    if not where.way.name:
        yield Region("elsewhere", where.universe, Kept())
        return
    itself = where.way.name == GATEWAY
    if not itself:
        loop = intersect(LOOPBACK, where.addresses)
        yield _region("loopback", [where.box(destination=loop)], Kept())
    yield from _conversations(where, itself)
    if not itself:
        passing = subtract(full(len(space.exits)), space.exit_set([ITSELF, LOOP]))
        link = where.box(destination=intersect(LINK_LOCAL6, where.addresses), exit=passing)
        yield _region("link-local", [link], Fate(False, "silent", (STRAY,)))
        near = where.box(destination=intersect(line_anycast(space.plan), where.addresses))
        yield _region("line-anycast", [near], Fate(False, "silent", (STRAY,)))
    if where.family == 4:
        yield _region("untracked", [untranslatable(space, where)])
    unknown = intersect(where.addresses, ((coding.SYMBOLS, coding.ADDRESS_SIZE - 1),))
    yield _region("unknown", [where.box(source=unknown), where.box(destination=unknown)])
    yield Region("decided", where.universe)


def _region(claim: str, boxes: Iterable[RawBox | None], expected: Expected | None = None) -> Region:
    return Region(claim, tuple(box for box in boxes if box is not None), expected)


def _conversations(where: Slice, itself: bool) -> Iterator[Region]:
    """ICMP errors and replies: none of them is the first packet of anything."""
    errors, replies = (where.box(service=found) for found in _belonging(where.family))
    if itself:
        yield _region("own-errors", [errors], Fate(True, None, ()))
        yield _region("conversation", [replies], REFUSED)
    else:
        yield _region("conversation", [errors, replies], REFUSED)


def _belonging(family: int) -> tuple[Ranges, Ranges]:
    """The services that are ICMP errors, and those that are replies."""
    if family == 4:
        return _types(coding.ICMP, ERRORS4), _types(coding.ICMP, REPLIES4)
    return _types(coding.ICMP6, ERRORS6), _types(coding.ICMP6, REPLIES6)


def _types(protocol: int, numbers: Iterable[int]) -> Ranges:
    return ranges(*(coding.service(protocol, n << 8, (n << 8) + 255) for n in numbers))


def inside(plan: Plan) -> Ranges:
    """The IPv4 addresses of all areas, which no line may ever see."""
    return union(*(coding.network(area.v4) for area in plan.areas))


def line_anycast(plan: Plan) -> Ranges:
    """Subnet-router anycast addresses of the lines' own IPv6 networks (RFC 4291 section 2.6.1),
    which Linux takes for its own where it forwards, but for a /127 (RFC 6164 section 5.1).
    """
    networks = (line.v6.network for line in plan.lines if line.v6 is not None)
    found = coding.addresses(n.network_address for n in networks if n.prefixlen < 127)
    return subtract(found, plan.gateway)


def untracked4() -> Ranges:
    """IPv4 messages that belong to no conversation and begin none, so that nothing translates
    them."""
    belonging = {m.type for m in ICMPV4 if m.through == "state"}
    others = (n for n in range(256) if n not in belonging and n not in BEGINNING4)
    return _types(coding.ICMP, others)


def untranslatable(space: Space, where: Slice) -> RawBox | None:
    """Such messages with an inside source, on their way to a line."""
    return where.box(source=inside(space.plan), service=untracked4(), exit=space.out)
