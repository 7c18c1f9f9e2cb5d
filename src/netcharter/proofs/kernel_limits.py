"""Whether what a kernel lets is limited per source as the plan says, which no set of attempts shows:
how often something is tried is no part of an attempt. So the limits themselves are compared, in
nft's words, written here by what `docs/explanation/kit.md` says of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from netcharter.plan import coding, labels
from netcharter.plan.coding import ANY4, ICMP, ICMP6
from netcharter.plan.shapes import Limit, Plan
from netcharter.proofs.loaded import Loaded
from netcharter.space.model import RawBox
from netcharter.space.ranges import Ranges, disjoint, intersect, ranges, subset, subtract

# ICMP that begins no conversation is not tracked, and not limited: all but what Linux begins one
# with (net/netfilter/nf_conntrack_proto_icmp.c and its like for IPv6, from memory).
_BEGINNING = {ICMP: frozenset({8, 13, 15, 17}), ICMP6: frozenset({128, 139})}
_UNTRACKED: Ranges = ranges(
    *(
        coding.service(protocol, kind << 8, kind << 8 | 0xFF)
        for protocol, begins in _BEGINNING.items()
        for kind in range(256)
        if kind not in begins
    )
)
_SOURCE = {4: "ip saddr", 6: "ip6 saddr & ffff:ffff:ffff:ffff::"}


class Limits:
    """The limits per source of a plan and those of what a kernel has loaded, by the decisions that
    they are about."""

    def __init__(self, plan: Plan, loaded: Sequence[Loaded]) -> None:
        self._wanted: dict[str, tuple[Limit, list[str]]] = {}
        for row in plan.rows:
            if row.limit is not None and row.regions:
                family = 6 if disjoint(row.regions[0].destination, ANY4) else 4
                said = sorted(_words(row.limit, family))
                self._wanted[labels.row_name(row.label)] = row.limit, said
        self._there: dict[str, list[tuple[int, str, Loaded]]] = {}
        for number, leaf in enumerate(loaded):
            for chain, words in _asked(leaf):
                self._there.setdefault(chain, []).append((number, words, leaf))

    def lacking(self, number: int, leaf: Loaded, device: str) -> str:
        """How the limits of something that is let, the number'th of what is loaded, are not the
        plan's where it comes in by a device; "" where they are."""
        names = [name for name in leaf.counters if name in self._wanted or name in self._there]
        if not leaf.let or not names or subset(leaf.service, _UNTRACKED):
            return ""
        limit, wanted = self._wanted.get(names[-1], (None, []))
        before = [
            (words, one)
            for place, words, one in self._there.get(names[-1], ())
            if place < number and device in one.entrances and _meet(one, leaf)
        ]
        if limit is None or device not in limit.devices:
            return "a limit per source that the plan does not know" if before else ""
        asked = {words: [one for said, one in before if said == words] for words, _ in before}
        same = sorted(asked) == wanted and all(_hold(one, leaf) for one in asked.values())
        return "" if same else f"a limit that is not the plan's, {limit}"


def _asked(leaf: Loaded) -> Iterator[tuple[str, str]]:
    """The limits per source beyond which a leaf decides: the chain and what it asks."""
    for kind, words, true in leaf.given:
        place, _, asked = words.partition(": ")
        if kind == "limit" and true and (" @nc_new" in words or " @nc_once" in words):
            yield place.split(" ")[1], asked


def _fields(leaf: Loaded) -> tuple[Ranges, ...]:
    return leaf.hardware, leaf.source, leaf.destination, leaf.service, leaf.port


def _meet(one: Loaded, other: Loaded) -> bool:
    return not any(map(disjoint, _fields(one), _fields(other))) and bool(one.exits & other.exits)


def _hold(refusals: Sequence[Loaded], leaf: Loaded) -> bool:
    """Whether refusals are silent ones, and together about all that a leaf is about."""
    if any(one.let or one.manner != "silent" or len(one.given) != 1 for one in refusals):
        return False
    left = [_fields(leaf)]
    for one in refusals:
        if leaf.exits <= one.exits and {*one.held} <= {*leaf.held}:
            left = [piece for box in left for piece in _without(box, _fields(one))]
    return not left


def _without(box: RawBox, taken: RawBox) -> Iterator[RawBox]:
    """A box without another, in pieces."""
    for place, (mine, theirs) in enumerate(zip(box, taken, strict=True)):
        rest = subtract(mine, theirs)
        if rest:
            yield (*box[:place], rest, *box[place + 1 :])
        both = intersect(mine, theirs)
        if not both:
            return
        box = (*box[:place], both, *box[place + 1 :])


def _words(limit: Limit, family: int) -> Iterator[str]:
    source, said = _SOURCE[family], limit.said
    if said.begun is not None:
        rate = f"limit rate over {said.begun}/{said.unit} burst {said.begun} packets"
        yield f"update @{labels.begun_set(limit.offer, family)} {{ {source} {rate} }}"
    if said.at_once is not None:
        count = f"ct count over {said.at_once}"
        yield f"add @{labels.open_set(limit.offer, family)} {{ {source} {count} }}"
