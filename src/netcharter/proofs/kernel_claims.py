"""What cannot be compared word for word between plan and kernel, each as a claim of its own.

Every attempt belongs to the first claim whose region holds it, and to one only; what no region
holds is `decided`. `docs/explanation/agreement.md` tells each claim in sentences.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from ipaddress import IPv4Network

from netcharter.plan import coding
from netcharter.plan.coding import ANY4
from netcharter.plan.housekeeping import BROADCAST, LINK_LOCAL6, LOOPBACK, MULTICAST
from netcharter.plan.icmp import ERRORS4, ERRORS6, ICMPV4, REPLIES4, REPLIES6
from netcharter.plan.labels import INVALID, STRAY
from netcharter.plan.shapes import Plan
from netcharter.proofs.kernel_fates import Fate, Refused
from netcharter.proofs.kernel_space import GATEWAY, Slice, Space
from netcharter.proofs.kernel_ways import (
    DEAF,
    ITSELF,
    THIS_NETWORK,
    UNSPECIFIED4,
    UNSPECIFIED6,
    line_anycast,
    own,
)
from netcharter.space.model import RawBox
from netcharter.space.ranges import Ranges, full, intersect, ranges, subtract, union

DROPPED = Fate(False, "silent", (INVALID,))
STRAYED = Fate(False, "silent", (STRAY,))
SILENT = Refused(frozenset({"silent"}))
ANYHOW = Refused(frozenset({"silent", "answered"}))
# What Linux begins a conversation with: net/netfilter/nf_conntrack_proto_icmp.c (from memory).
BEGINNING4 = (8, 13, 15, 17)
GROUPS_NEARBY: Ranges = coding.network(IPv4Network("224.0.0.0/24"))  # RFC 5771 section 4
IGMP: Ranges = (coding.service(2, 0, 0xFFFF),)

Expected = Fate | Refused

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
        "let, and no decision counts them",
    ),
    "untracked": (
        "IPv4 messages without conversation from an inside address, on their way to a line",
        "counted by their decision, and then dropped in silence also where the plan lets them",
    ),
    "deaf": (
        "loopback destinations from outside, 0.0.0.0, and groups that never leave a host",
        "refused in silence, by the kernel before any decision",
    ),
    "sources": (
        "sources that the kernel itself refuses from outside: its own, groups, loopback, 0.0.0.0",
        "refused by the kernel before any decision, and never let",
    ),
    "this-network": (
        "from or to the rest of 0.0.0.0/8, which Linux before version 5.3 does not route",
        "the same as in the plan, or dropped in silence by the kernel before any decision",
    ),
    "link-local": (
        "link-local destinations, all of which are taken for the gateway's own",
        "the same as in the plan; none of them is ever passed on",
    ),
    "line-anycast": (
        "the subnet-router anycast address of a line's IPv6 network, which is the gateway's too",
        "dropped in silence and counted as stray; from an unknown address refused in any case",
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
    """The claims of a slice, in order; the last takes all the rest."""
    itself = where.way.name == GATEWAY
    if not itself:
        yield _region("deaf", [_to(where, DEAF)], SILENT)
        yield from _sources(space, where)
    if not where.way.name:
        yield Region("elsewhere", where.universe, SILENT)
        return
    yield from _conversations(where, itself)
    if not itself:
        yield _region("link-local", [_to(where, LINK_LOCAL6)])
    unknown = intersect(where.addresses, ((coding.SYMBOLS, coding.ADDRESS_SIZE - 1),))
    if not itself:
        near = intersect(line_anycast(space.plan), where.addresses)
        known = subtract(where.addresses, unknown)
        yield _region("line-anycast", [where.box(source=known, destination=near)], STRAYED)
        yield _region("line-anycast", [where.box(destination=near)], ANYHOW)
    if where.family == 4:
        yield _region("untracked", [untranslatable(space, where)])
    yield _region("unknown", [where.box(source=unknown), _to(where, unknown)])
    yield Region("decided", where.universe)


def _region(claim: str, boxes: Iterable[RawBox | None], expected: Expected | None = None) -> Region:
    return Region(claim, tuple(box for box in boxes if box is not None), expected)


def _to(where: Slice, found: Ranges) -> RawBox | None:
    return where.box(destination=intersect(found, where.addresses))


def _sources(space: Space, where: Slice) -> Iterator[Region]:
    """What Linux takes from no wire: net/ipv4/route.c, net/ipv6/ip6_input.c and ip6_output.c (from
    memory). About a link-local source that should be passed on it sends an error.
    """
    groups = intersect(union(MULTICAST, LOOPBACK), where.addresses)
    if where.family == 4:
        mine = intersect(union(*own(space.plan).values()), where.addresses)
        heard = intersect(union(BROADCAST, MULTICAST), ANY4)
        far = subtract(heard, union(BROADCAST, GROUPS_NEARBY))
        boxes = [
            where.box(source=union(groups, mine)),
            where.box(source=UNSPECIFIED4, destination=subtract(where.addresses, heard)),
            where.box(
                source=UNSPECIFIED4,
                destination=far,
                service=subtract(full(coding.SERVICE_SIZE), IGMP),
            ),
        ]
        yield _region("sources", boxes, SILENT)
        yield _region("this-network", this_network(where))
        return
    here = space.exit_set([ITSELF, where.way.device])  # not asked where it goes back as it came
    passing = subtract(full(len(space.exits)), here)
    boxes = [where.box(source=groups), where.box(source=UNSPECIFIED6, exit=passing)]
    yield _region("sources", boxes, SILENT)
    link = where.box(source=LINK_LOCAL6, exit=passing)
    yield _region("sources", [link], Refused(frozenset({"silent", "unreachable"})))


def this_network(where: Slice) -> list[RawBox | None]:
    """What some kernels decide by themselves, and others leave to the decisions."""
    return [where.box(source=THIS_NETWORK), where.box(destination=THIS_NETWORK)]


def _conversations(where: Slice, itself: bool) -> Iterator[Region]:
    """ICMP errors and replies: none of them is the first packet of anything."""
    errors, replies = (where.box(service=found) for found in _belonging(where.family))
    if itself:
        yield _region("own-errors", [errors], Fate(True, None, ()))
        yield _region("conversation", [replies], DROPPED)
    else:
        yield _region("conversation", [errors, replies], DROPPED)


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


def untracked4() -> Ranges:
    """IPv4 messages that belong to no conversation and begin none, so that nothing translates
    them."""
    belonging = {m.type for m in ICMPV4 if m.through == "state"}
    others = (n for n in range(256) if n not in belonging and n not in BEGINNING4)
    return _types(coding.ICMP, others)


def untranslatable(space: Space, where: Slice) -> RawBox | None:
    """Such messages with an inside source, on their way to a line."""
    return where.box(source=inside(space.plan), service=untracked4(), exit=space.out)
