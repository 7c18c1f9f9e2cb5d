"""What a ruleset opens: to a line above all, in either family, for those who manage and who forge.

Each finding has a packet that shows it, looked up again by the checker.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from ipaddress import ip_network

from netcharter.diagnostics import Diagnostic, Severity, Span
from netcharter.readback.attempts import attempt
from netcharter.readback.listing import Chain, Listing
from netcharter.readback.points import FAMILY4, FAMILY6, Points
from netcharter.readback.questions import origin_text
from netcharter.readback.shapes import (
    DESTINATION,
    ENTRANCE,
    EXIT,
    OTHER,
    OWN,
    SERVICE,
    SOURCE,
    V6,
    Leaf,
    Origin,
)
from netcharter.readback.words import SERVICES, Words, listed
from netcharter.space.certified import answered
from netcharter.space.model import RawBox, Witness
from netcharter.space.ranges import Ranges, intersect, ranges, size, subset, subtract, union

TCP, UDP, ICMP6 = 6, 17, 58
PIECES = 5000
NO_FIELDS: Mapping[int, Ranges] = {}
DYNAMIC: Ranges = tuple(((p << 16) + 49152, (p << 16) + 65535) for p in (TCP, UDP))  # RFC 6335
# Names and ports of IANA's registry. Which of them people manage machines with, and which of these
# should never meet the internet, is common practice without a source.
MANAGED: Mapping[str, tuple[tuple[int, int], ...]] = {
    "ssh": ((TCP, 22),),
    "telnet": ((TCP, 23),),
    "snmp": ((UDP, 161),),
    "microsoft-ds": ((TCP, 445),),
    "asf-rmcp": ((UDP, 623),),
    "netconf-ssh": ((TCP, 830),),
    "ms-wbt-server": ((TCP, 3389),),
    "rfb": ((TCP, 5900),),
}
GUARDED = frozenset({"ssh", "netconf-ssh"})  # made to be met by strangers
FEW_SOURCES = 1 << 16  # IPv4 addresses up to which a source counts as chosen; /48s in IPv6
PRIVATE4: Ranges = ranges(  # RFC 1918, RFC 6598
    *(
        (int(n[0]), int(n[-1]))
        for n in map(ip_network, ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "100.64.0.0/10"))
    )
)
LEASING: Ranges = ranges(*(((UDP << 16) + n,) * 2 for n in (67, 68, 546, 547)))  # DHCP, DHCPv6
TWINS = {(UDP << 16) + 68: (UDP << 16) + 546}  # DHCP and DHCPv6 clients


@dataclass(frozen=True, slots=True)
class Delivery:
    """A rule that translates destinations, and where it delivers (a coded address)."""

    to: int
    span: Span


@dataclass(frozen=True)
class Gateway:
    """What the audit looks at. lines: network devices that lead to the internet."""

    listing: Listing
    points: Points
    words: Words
    lines: frozenset[str]
    deliveries: tuple[Delivery, ...]

    @cached_property
    def inside(self) -> tuple[str, ...]:
        """The other network devices that have a name."""
        known = self.points.host.devices or self.points.frame.devices
        apart = self.lines | {OWN, OTHER, "lo"}
        return tuple(name for name in known if name not in apart)

    @cached_property
    def prefixes(self) -> Ranges:
        """The addresses that are routed to the inside and to nowhere else."""
        found: Ranges = ()
        before: Ranges = ()
        for networks, devices in self.points.host.routes:
            if not self.lines & set(devices) and "lo" not in devices:
                found = union(found, subtract(networks, before))
            before = union(before, networks)
        return found

    @cached_property
    def let(self) -> frozenset[int]:
        """The leaves that let."""
        return frozenset(n for n in self.points.boxes if self.points.leaf(n).verdict.let)

    def box(self, entrances: Iterable[str], fields: Mapping[int, Ranges] = NO_FIELDS) -> RawBox:
        """What comes in by some network devices, narrowed by sets of values."""
        frame = self.points.frame
        return frame.box({ENTRANCE: frame.numbers(tuple(entrances)), **fields})

    def witness(
        self, box: RawBox, leaves: frozenset[int], exits: Iterable[str] | None = None
    ) -> Witness | None:
        """A packet of a box that one of some leaves decides, and that leaves by one of `exits` if
        these are said; certified. None: there is none.
        """
        if exits is None:
            return self.points.certified.decided([box], leaves) if all(box) else None
        wanted = self.points.frame.numbers(tuple(exits))
        groups: dict[Ranges, set[int]] = {}
        for number in leaves:
            by = intersect(self.points.exits(number), wanted)
            if by:
                key = box[EXIT] if self.points.settles(number) else by
                groups.setdefault(key, set()).add(number)
        for by, some in groups.items():
            found = self.witness((*box[:EXIT], by, *box[EXIT + 1 :]), frozenset(some))
            if found is not None:
                return found
        return None

    def find(
        self,
        ident: str,
        severity: Severity,
        message: str,
        shown: tuple[Witness, RawBox],
        help: str,
        span: Span | None = None,
    ) -> Diagnostic:
        """A finding with its packet; it stands where the packet is decided, unless said."""
        witness, box = shown
        told = attempt(self.points, self.words, box, witness.point)
        decider, to = told.leaf.decider, told.leaf.verdict.destination
        places = [(decider.span, f"decided by {origin_text(decider)}")]
        places += [(one.span, "translated by this rule") for one in self.deliveries if one.to == to]
        place = span or decider.span
        return Diagnostic(
            ident,
            severity,
            message,
            place,
            witness=told.sentence[0].upper() + told.sentence[1:],
            help=help,
            related=tuple(one for one in places if one[0] != place),
        )

    def pieces(self, box: RawBox, target: str) -> Iterator[tuple[RawBox, int]]:
        """What leaves let of a box and what leaves by a device, in disjoint pieces."""
        wanted = self.points.frame.numbers([target])
        with answered():
            found = self.points.certified.survey([box], PIECES) if all(box) else None
        for piece in found.pieces if found else ():
            if piece.rule not in self.let:
                continue
            assert piece.rule is not None
            if intersect(self.points.exits_of(piece.box, piece.rule), wanted):
                yield piece.box, piece.rule


def policies(gateway: Gateway) -> Iterator[Diagnostic]:
    """Chains for incoming and forwarded packets whose policy lets what no rule decides."""
    for chain in gateway.listing.chains.values():
        if chain.type != "filter" or chain.hook not in ("input", "forward"):
            continue
        mine = frozenset(
            n for n in gateway.let if _policy_of(gateway.points.leaf(n).decider, chain)
        )
        for entrances, severity in (
            (gateway.lines, "error"),
            (frozenset(gateway.points.frame.devices) - {OWN}, "warning"),
        ):
            box = gateway.box(entrances)
            found = gateway.witness(box, mine)
            if found is not None:
                where = "from a line, too" if severity == "error" else "from inside"
                yield gateway.find(
                    "policy-accept",
                    severity,  # type: ignore[arg-type]
                    f"what no rule of chain {chain.name} decides is let by its policy, {where}",
                    (found, box),
                    "let what is needed by rules, then set `policy drop`",
                    chain.span,
                )
                break


def _policy_of(origin: Origin, chain: Chain) -> bool:
    names = (origin.family, origin.table, origin.chain)
    return origin.number is None and names == (chain.family, chain.table, chain.name)


def by_decider(gateway: Gateway) -> Mapping[Origin, frozenset[int]]:
    """The leaves that let, by the rule that decides."""
    found: dict[Origin, set[int]] = {}
    for number in sorted(gateway.let):
        found.setdefault(gateway.points.leaf(number).decider, set()).add(number)
    return {origin: frozenset(numbers) for origin, numbers in found.items()}


def opened_wholly(gateway: Gateway) -> Mapping[Origin, tuple[Witness, RawBox]]:
    """Rules that let whatever comes by a line to the gateway or inside, each with a packet."""
    found: dict[Origin, tuple[Witness, RawBox]] = {}
    targets = (OWN, *gateway.inside)
    for origin, leaves in by_decider(gateway).items():
        if origin.number is None:
            continue
        boxes = [gateway.box(gateway.lines, {SERVICE: (ports,)}) for ports in DYNAMIC]
        wide = frozenset(n for n in leaves if _any_source(gateway.points.leaf(n)))
        shown = [(gateway.witness(box, wide, targets), box) for box in boxes]
        if all(witness is not None for witness, _ in shown):
            witness, box = shown[0]
            assert witness is not None
            found[origin] = (witness, box)
    return found


def _any_source(leaf: Leaf) -> bool:
    """Does a leaf let more sources than anybody would list?"""
    four = size(intersect(leaf.box[SOURCE], FAMILY4))
    six = size(intersect(leaf.box[SOURCE], FAMILY6))
    return four > 1 << 30 or six > 1 << 124


def open_to_lines(gateway: Gateway) -> Iterator[Diagnostic]:
    """Rules that let everything from a line."""
    for origin, shown in opened_wholly(gateway).items():
        yield gateway.find(
            "open-to-line",
            "error",
            f"{origin_text(origin)} lets every service that comes by"
            f" {gateway.words.devices(sorted(gateway.lines))}",
            shown,
            "name the services and the destinations that are meant",
            origin.span,
        )


def management(gateway: Gateway) -> Iterator[Diagnostic]:
    """Services for managing machines that are let from a line, by the rule that lets them."""
    wholly = opened_wholly(gateway)
    for origin, leaves in by_decider(gateway).items():
        if origin in wholly or origin.number is None:
            continue
        shown = {
            name: found
            for name, ports in MANAGED.items()
            if (found := _managed(gateway, ports, leaves)) is not None
        }
        if not shown:
            continue
        chosen = all(_chosen(gateway.points.leaf(n)) for n in leaves)
        worst: Severity = "warning" if set(shown) <= GUARDED or chosen else "error"
        yield gateway.find(
            "management-open",
            worst,
            f"{origin_text(origin)} lets {listed(shown)} from a line"
            + (", from a few sources only" if chosen else ""),
            next(iter(shown.values())),
            "let it from one area or one machine, or through a tunnel",
            origin.span,
        )


def _managed(
    gateway: Gateway, ports: tuple[tuple[int, int], ...], leaves: frozenset[int]
) -> tuple[Witness, RawBox] | None:
    """A packet by a line for one of some services, as it is sent or as it is delivered."""
    targets = (OWN, *gateway.inside)
    for protocol, port in ports:
        code = (protocol << 16) + port
        whole: Ranges = ((protocol << 16, (protocol << 16) + 0xFFFF),)
        moved = frozenset(n for n in leaves if gateway.points.leaf(n).verdict.port == port)
        kept = frozenset(n for n in leaves if gateway.points.leaf(n).verdict.port is None)
        for services, some in ((((code, code),), kept), (whole, moved)):
            box = gateway.box(gateway.lines, {SERVICE: services})
            found = gateway.witness(box, some, targets)
            if found is not None:
                return found, box
    return None


def _chosen(leaf: Leaf) -> bool:
    four = size(intersect(leaf.box[SOURCE], FAMILY4))
    six = size(intersect(leaf.box[SOURCE], FAMILY6))
    return four <= FEW_SOURCES and six <= FEW_SOURCES << 80


def newer_family(gateway: Gateway) -> Iterator[Diagnostic]:
    """What comes by a line and is let in IPv6, while its twin in IPv4 is refused."""
    wholly = opened_wholly(gateway)
    for line in sorted(gateway.lines):
        for target in (OWN, *gateway.inside):
            six = gateway.box([line], {DESTINATION: FAMILY6})
            pieces = list(gateway.pieces(six, target))
            if not pieces:
                continue
            only = subtract(_services(box for box, _ in pieces), _twins(gateway, line, target))
            only = subtract(only, ((ICMP6 << 16, (ICMP6 << 16) + 0xFFFF),))
            box = gateway.box([line], {DESTINATION: FAMILY6, SERVICE: only})
            found = gateway.witness(box, gateway.let, [target]) if only else None
            if found is None or found.rule is None:
                continue
            if gateway.points.leaf(found.rule).decider in wholly and not _closed4(gateway, line):
                continue
            yield gateway.find(
                "open-in-ipv6",
                "error" if subset(DYNAMIC, only) else "warning",
                f"by {gateway.words.device(line)}, {gateway.words.device(target)} is reached in"
                f" IPv6 with {gateway.words.some_services(only)}, and in IPv4 it is not",
                (found, box),
                "write the rules for IPv6 like those for IPv4",
            )


def _closed4(gateway: Gateway, line: str) -> bool:
    """Is nothing at all let from a line in IPv4?"""
    box = gateway.box([line], {DESTINATION: FAMILY4, SERVICE: DYNAMIC})
    return gateway.witness(box, gateway.let) is None


def _services(boxes: Iterator[RawBox]) -> Ranges:
    return union(*(intersect(box[SERVICE], SERVICES) for box in boxes))


def _twins(gateway: Gateway, line: str, target: str) -> Ranges:
    """The services let in IPv4 from a line to a target, as sent and as delivered."""
    four = gateway.box([line], {DESTINATION: FAMILY4})
    found: list[Ranges] = []
    for box, number in gateway.pieces(four, target):
        verdict = gateway.points.leaf(number).verdict
        found.append(box[SERVICE])
        if verdict.port is not None:
            codes = [(low >> 16 << 16) + verdict.port for low, _ in box[SERVICE]]
            found.append(ranges(*((code, code) for code in codes)))
    let = union(*found)
    return union(let, ranges(*((b, b) for a, b in TWINS.items() if subset(((a, a),), let))))


def forged(gateway: Gateway) -> Iterator[Diagnostic]:
    """Sources of the inside that come by a line and are let."""
    for line in sorted(gateway.lines) if gateway.prefixes else ():
        served = subtract(SERVICES, LEASING)  # who asks for an address has none to be held to
        box = gateway.box([line], {SOURCE: gateway.prefixes, SERVICE: served})
        found = gateway.witness(box, gateway.let)
        if found is not None:
            yield gateway.find(
                "forged-let",
                "warning",
                f"a packet that comes by {gateway.words.device(line)} and claims a source of the"
                " inside is let",
                (found, box),
                f'begin with: iifname "{line}" ip saddr <inside prefixes> drop; the sysctl'
                " rp_filter helps in IPv4 alone, and a ruleset does not show it",
            )


def hiding(gateway: Gateway) -> Iterator[Diagnostic]:
    """Private sources that leave by a line as they are; and translation where none is needed."""
    private = intersect(PRIVATE4, gateway.prefixes) or PRIVATE4
    plain = _leaves(
        gateway,
        lambda leaf: (
            not leaf.verdict.hidden
            and leaf.verdict.source is None
            and leaf.verdict.destination is None
        ),
    )
    for line in sorted(gateway.lines):
        beyond = subtract(FAMILY4, PRIVATE4)
        box = gateway.box(gateway.inside, {SOURCE: private, DESTINATION: beyond})
        found = gateway.witness(box, plain, [line])
        if found is not None:
            yield gateway.find(
                "hiding-missing",
                "warning",
                f"private sources leave by {gateway.words.device(line)} as they are, and no answer"
                " will find its way back",
                (found, box),
                f'translate them (oifname "{line}" masquerade), or refuse them',
            )
    hidden = _leaves(gateway, lambda leaf: leaf.verdict.hidden or leaf.verdict.source is not None)
    # what is delivered from inside to inside must be hidden, or answers would go past the gateway
    plain = _leaves(gateway, lambda leaf: leaf.verdict.destination is None)
    for entrances, leaves, severity, words in (
        (sorted(gateway.lines), hidden, "warning", "what comes by a line"),
        (gateway.inside, hidden & plain, "note", "what goes from inside to inside"),
    ):
        box = gateway.box(entrances)
        found = gateway.witness(box, leaves, gateway.inside)
        if found is not None:
            yield gateway.find(
                "hiding-too-wide",
                severity,  # type: ignore[arg-type]
                f"{words} gets the gateway's own address as its source: nobody inside can tell who"
                " is there",
                (found, box),
                "say in the rule that translates by which line it is to do so: oifname LINE",
            )


def _leaves(gateway: Gateway, wanted: Callable[[Leaf], bool]) -> frozenset[int]:
    return frozenset(n for n in gateway.let if wanted(gateway.points.leaf(n)))


def deliveries(gateway: Gateway) -> Iterator[Diagnostic]:
    """Translations of destinations that nothing lets, and what is reached without them."""
    everything = gateway.box(gateway.points.frame.devices)
    told: set[int] = set()
    for one in gateway.deliveries:
        mine = _leaves(gateway, lambda leaf, to=one.to: leaf.verdict.destination == to)  # type: ignore[misc]
        if gateway.witness(everything, mine) is None:
            yield Diagnostic(
                "delivery-refused",
                "warning",
                f"what is delivered to {gateway.words.address(one.to)} is refused afterwards, or"
                " never gets so far",
                one.span,
                help="let it among the rules for forwarded packets: ct status dnat accept",
            )
        elif one.to < V6 and one.to not in told:
            told.add(one.to)
            plain = _leaves(gateway, lambda leaf: leaf.verdict.destination is None)
            box = gateway.box(gateway.lines, {DESTINATION: ((one.to, one.to),)})
            found = gateway.witness(box, plain, gateway.inside)
            if found is not None:
                yield gateway.find(
                    "inside-addressed-directly",
                    "warning",
                    f"whoever is on the line itself reaches {gateway.words.address(one.to)} by its"
                    " inside address, past the translation",
                    (found, box),
                    "add `ct status dnat` to the rule that lets it",
                )
