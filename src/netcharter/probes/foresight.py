"""What is really to be seen of one attempt: the plan's decision, and what a kernel makes of it.

The decision comes from `plan.fate`. Where the world differs from it word for word (what routing
refuses, what a kernel drops before any decision, what belongs to a conversation that is not there,
which messages nobody answers) is said here, as `docs/explanation/rehearsal.md` lists it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from ipaddress import IPv4Address

from netcharter.plan import fate, labels
from netcharter.plan.addressing import LINK_LOCAL6
from netcharter.plan.coding import DCCP, ICMP, ICMP6, PORTED, SCTP, TCP, UDP, UDPLITE
from netcharter.plan.fate import Outcome
from netcharter.plan.icmp import ECHO_REQUEST4, ECHO_REQUEST6, ERRORS6, ICMPV4, ICMPV6
from netcharter.plan.labels import INVALID
from netcharter.plan.shapes import Address, Row
from netcharter.probes.shapes import GATEWAY, Answered, Expected
from netcharter.probes.stage import (
    EVERYBODY,
    JOINED,
    LINK_LOCAL,
    MULTICAST,
    UNSPECIFIED6,
    Spot,
    Stage,
)
from netcharter.probes.trials import Trial, exit_chosen
from netcharter.space.ranges import has, union

GRE, ESP, AH, MOBILITY = 47, 50, 51, 135  # IANA protocol numbers
# Conversations begin with these ICMP messages (conntrack); all other first ones are untracked.
TRACKED = {4: frozenset({8, 13, 15, 17}), 6: frozenset({128, 139})}
TIMESTAMP4 = 13
# What a packet filter answers: protocols whose checksum it can verify or need not.
VERIFIED = frozenset({ICMP, TCP, UDP, DCCP, GRE, ESP, AH, ICMP6, SCTP, UDPLITE})
LOOPBACK_BROADCAST = IPv4Address("127.255.255.255")
ANSWERABLE4 = frozenset({0, 8, *range(13, 19)})  # ICMP types that Linux answers with errors at all
# Not a packet of its own in IPv6 (RFC 8200 section 4, RFC 4302), or in either family (IANA:
# 0 is the hop-by-hop header, 255 is reserved).
NO_PAYLOAD = {4: frozenset({0, 255}), 6: frozenset({0, 43, 44, 51, 59, 60, 255})}
FORWARDED = "forward"


@dataclass(frozen=True, slots=True)
class Foresight:
    """What a trial should show, or `why` it cannot be tried. row: the decision that the plan names
    for it; unrouted: it ends for want of a route; seen: whether that decision's own counter is to
    go up.
    """

    row: Row
    expected: Expected | None
    why: str = ""
    unrouted: bool = False

    @property
    def seen(self) -> bool:
        return self.expected is not None and (
            labels.row_name(self.row.label) in self.expected.counters
        )


@dataclass(frozen=True, slots=True)
class _Journey:
    """How far a packet gets. end: input, forward, dropped, prohibited, unreachable; where it is
    forwarded, the stations one of which receives it, and by which lines.
    """

    end: str
    stations: frozenset[str] = frozenset()
    lines: frozenset[str] = frozenset()
    area: str = ""


@dataclass(frozen=True, slots=True)
class _Packet:
    """An attempt's own values, decoded."""

    trial: Trial
    family: int
    source: Address
    destination: Address
    spot: Spot
    protocol: int
    number: int

    @property
    def entrance(self) -> str:
        return self.trial.attempt.entrance

    @property
    def kind(self) -> int | None:
        """The ICMP type, of the packet's own family."""
        own = ICMP if self.family == 4 else ICMP6
        return self.number >> 8 if self.protocol == own else None


def foresee(stage: Stage, trial: Trial, outcome: Outcome | None = None) -> Foresight:
    """What becomes of a trial, or why it cannot be tried; `outcome`, if it is known already."""
    if outcome is None:
        outcome = fate.fate(stage.plan, trial.attempt, trial.environment)
    packet = _packet(stage, trial)
    if isinstance(packet, str):
        return Foresight(outcome.row, None, packet)
    why = _untryable(stage, packet, outcome)
    if why:
        return Foresight(outcome.row, None, why)
    journey = _journey(stage, packet, outcome)
    if isinstance(journey, str):
        return Foresight(outcome.row, None, journey)
    if journey.end == "unreachable" and not _neighbourly(packet):
        return Foresight(outcome.row, None, "no machine can have that link-local address")
    expected = _expected(stage, packet, outcome, journey)
    return Foresight(outcome.row, expected, unrouted=journey.end == "prohibited")


def starts_nothing(family: int, service: int) -> bool:
    """Is it an ICMP error or reply, which belongs to a conversation or to none?"""
    own = ICMP if family == 4 else ICMP6
    return service >> 16 == own and (service & 0xFFFF) >> 8 in STATE[family]


STATE = {
    4: frozenset(m.type for m in ICMPV4 if m.through == "state"),
    6: frozenset(m.type for m in ICMPV6 if m.through == "state"),
}


def _packet(stage: Stage, trial: Trial) -> _Packet | str:
    attempt = trial.attempt
    source, destination = stage.real(attempt.source), stage.real(attempt.destination)
    if source is None or destination is None:
        return "the lab gives the line no such address"
    return _Packet(
        trial,
        source.version,
        source,
        destination,
        stage.spot(attempt.destination),
        attempt.service >> 16,
        attempt.service & 0xFFFF,
    )


# --- what cannot be tried -------------------------------------------------------------------------


def _untryable(stage: Stage, packet: _Packet, outcome: Outcome) -> str:
    up, spot = packet.trial.environment.lines, packet.spot
    attempt = packet.trial.attempt
    if packet.protocol in NO_PAYLOAD[packet.family]:
        return f"protocol {packet.protocol} is no payload of an IPv{packet.family} packet"
    if packet.entrance == GATEWAY and int(packet.destination) == 0:
        return "the gateway's kernel takes the unspecified address for the gateway itself"
    if has(stage.shadows, attempt.source) or has(stage.shadows, attempt.destination):
        return "in the lab this number is the address of an automatic line"
    if packet.source.version == 4 and not int(packet.source) and not int(packet.destination):
        return "a packet from nowhere to nowhere is nobody's"
    if spot.kind == "near":
        return "the charter does not say which link-local addresses the gateway has"
    if spot.kind == "odd":
        return (
            "the gateway's kernel takes this address of a line's network for its own, which no "
            "charter says (RFC 4291 section 2.6.1, RFC 919)"
        )
    if spot.kind in ("own", "link", "group") and spot.name and spot.name not in up:
        return f"it lies on the line {spot.name}, which is down"
    if outcome.row.routed and spot.kind == "group" and spot.name:
        return f"the gateway's kernel takes broadcasts in the network of {spot.name} for its own"
    if spot.kind == "link" and _slips_through(stage, packet):
        return (
            f"the line {spot.name} has learnt its network, where it is reached by whatever source "
            "and exit: the lines that are allowed have their routes beside it"
        )
    if has(stage.broadcasts_down(up), attempt.source):
        return "the kernel knows the broadcast address of a line only while the line is up"
    own = spot.kind in ("own", "anycast", "group")
    if own and outcome.let and packet.family == 6 and packet.protocol == MOBILITY:
        return "the gateway's kernel reads mobility headers itself (RFC 6275 section 9.2)"
    if packet.entrance == GATEWAY:
        return _unsendable(stage, packet)
    if packet.entrance in stage.lines and spot.kind == "anycast" and packet.kind == ECHO_REQUEST6:
        return "the gateway answers from another address than was asked, by whichever line"
    if outcome.delivered is not None and not _tracked(packet):
        return "messages that belong to no conversation are not translated"
    local = packet.protocol == TCP and has(LINK_LOCAL, attempt.source)
    if local and outcome.manner == "reset" and packet.entrance not in stage.lines:
        return "a reset to a link-local address goes by whichever device the kernel takes"
    return ""


def _slips_through(stage: Stage, packet: _Packet) -> bool:
    chosen = exit_chosen(stage.plan, packet.trial)
    return stage.slips_through(packet.family, packet.source, chosen, packet.spot.name)


def _unsendable(stage: Stage, packet: _Packet) -> str:
    """What a program on the gateway cannot be made to send."""
    source, up = packet.trial.attempt.source, packet.trial.environment.lines
    if has(UNSPECIFIED6, source) or packet.source.is_unspecified:
        return "the gateway's kernel fills in a source that is left out"
    if has(LINK_LOCAL, source):
        return "the charter does not say which link-local addresses the gateway has"
    if has(stage.anycasts, source) or packet.source.is_multicast or has(stage.odd, source):
        return "the gateway does not send from an address that is not a single machine's"
    if has(stage.martians, source) and not has(stage.plan.gateway, source):
        return "the gateway does not send from such an address"
    if packet.spot.kind in ("group", "deaf", "nothing") and not packet.destination.is_loopback:
        return "what the gateway sends to many says by its device where it goes, not by its address"
    if starts_nothing(packet.family, packet.trial.attempt.service):
        return "errors and replies of the gateway's own leave with the conversation they are about"
    if packet.spot.kind == "anycast" and packet.kind == ECHO_REQUEST6:
        return "the gateway answers itself from whichever of its addresses it likes"
    away = next((line for line in stage.plan.lines if has(line.own, source)), None)
    if away is not None and away.name not in up:
        return f"the source lies on the line {away.name}, which is down"
    return ""


def _tracked(packet: _Packet) -> bool:
    return packet.kind is None or packet.kind in TRACKED[packet.family]


# --- how far it gets ------------------------------------------------------------------------------


def _journey(stage: Stage, packet: _Packet, outcome: Outcome) -> _Journey | str:
    if packet.trial.shape == "source-routed":
        return _Journey("dropped")  # RFC 5095, before tracking
    if packet.entrance != GATEWAY and _unheard(stage, packet):
        return _Journey("prohibited" if _answered_to_many(stage, packet) else "dropped")
    if outcome.delivered is not None:
        return _into_area(stage, outcome.delivered[0])
    spot = packet.spot
    if spot.kind in ("own", "anycast", "group") or packet.destination.is_loopback:
        return _Journey("input")
    if spot.kind == "area":
        journey = _into_area(stage, packet.destination)
    else:
        out = _by_route(stage, packet)
        if isinstance(out, str):
            return out
        journey = out
    return _beyond_scope(packet, journey)


def _unheard(stage: Stage, packet: _Packet) -> bool:
    """What the kernel drops on receipt, or while it looks for a route."""
    source = packet.trial.attempt.source
    if packet.spot.kind in ("nothing", "deaf"):
        return True
    if packet.family == 6:
        return packet.source.is_loopback or has(MULTICAST[6], source)
    if packet.source.is_unspecified:  # who has no address yet may ask everybody, nobody else
        return not has(union(JOINED, EVERYBODY), packet.trial.attempt.destination)
    return has(stage.martians, source)


def _from_many(stage: Stage, packet: _Packet) -> bool:
    return packet.entrance != GATEWAY and has(stage.broadcasts, packet.trial.attempt.source)


def _answered_to_many(stage: Stage, packet: _Packet) -> bool:
    """Linux looks for a route before it looks at the source (`ip_route_input_slow`). Where there is
    none, the refusal goes to the source, a broadcast address, and so to the gateway itself, too.
    """
    if packet.spot.kind not in ("out", "link") or not _from_many(stage, packet):
        return False
    return _by_route(stage, packet) == _Journey("prohibited")


def _into_area(stage: Stage, address: Address) -> _Journey:
    area = next(a.name for a in stage.plan.areas if any(address in one for one in a.networks))
    station = stage.seats.holder(area, address).name
    return _Journey(FORWARDED, frozenset({station}), area=area)


def _by_route(stage: Stage, packet: _Packet) -> _Journey | str:
    """By the route to the internet, if a line has one, or into the network of a line."""
    trial = packet.trial
    chosen = exit_chosen(stage.plan, trial)
    near = packet.spot.name if packet.spot.kind == "link" else None
    out = stage.exit(packet.family, packet.source, trial.environment.lines, chosen, near)
    if out.names:
        wrong = _wrong_line(stage, packet, out.names) if out.names != {near} else ""
        if wrong:
            return wrong
        stations = frozenset(stage.seats.line(name).name for name in out.names)
        return _Journey(FORWARDED, stations, out.names)
    if out.lacking:
        names = " and ".join(sorted(out.lacking))
        return (
            f"the charter says no IPv{packet.family} next hop of {names}, so no route leads there"
        )
    if packet.entrance not in stage.lines:
        return _Journey("prohibited")
    if stage.pinned(packet.family, packet.source) is not None:
        return "routing refuses it to whoever the forged source belongs to"
    return _Journey("dropped")


def _wrong_line(stage: Stage, packet: _Packet, names: frozenset[str]) -> str:
    """The gateway with the address of one line on another: nothing of that comes back."""
    if packet.entrance != GATEWAY:
        return ""
    for name in stage.lines:
        if packet.source in stage.addresses_on(name, packet.family) and {name} != names:
            return f"the source is an address of {name}, and routing leads by another line"
    return ""


def _beyond_scope(packet: _Packet, journey: _Journey) -> _Journey | str:
    """IPv6 sources that no router passes on, unless to the link they come from: RFC 4291 section
    2.5.6, RFC 4443 section 3.1 code 2.
    """
    source = packet.trial.attempt.source
    scoped = has(UNSPECIFIED6, source) or has(LINK_LOCAL, source)
    if not scoped or journey.end != FORWARDED or packet.entrance == GATEWAY:
        return journey
    if packet.entrance in journey.lines and len(journey.lines) > 1:
        return "by which of the lines that share its way it would go decides whether it may"
    if journey.area == packet.entrance or packet.entrance in journey.lines:
        return journey
    if has(UNSPECIFIED6, source):
        return _Journey("dropped")
    return _Journey("unreachable")


# --- what is seen ---------------------------------------------------------------------------------


def _expected(stage: Stage, packet: _Packet, outcome: Outcome, journey: _Journey) -> Expected:
    if journey.end == "dropped":
        return Expected("silent", ())
    if journey.end in ("prohibited", "unreachable"):
        how: Answered = "prohibited" if journey.end == "prohibited" else "unreachable"
        if _from_many(stage, packet):
            comes_back = _fits_nothing(packet) and _worth_an_error(packet)
            return Expected("silent", (INVALID,) if comes_back else ())
        told = packet.entrance == GATEWAY or _answerable(stage, packet)
        return Expected(how if told else "silent", ())
    if _fits_nothing(packet):
        return Expected("silent", (INVALID,))
    counter = labels.row_name(outcome.row.label)
    if not outcome.let:
        manner: Answered = outcome.manner or "silent"
        told = _answerable(stage, packet) and _rejectable(packet)
        return Expected(manner if told else "silent", (counter,))
    if _shows_inside(stage, packet, journey):
        return Expected("silent", (counter, INVALID))
    return _let(stage, packet, outcome, journey, counter)


def _fits_nothing(packet: _Packet) -> bool:
    return packet.trial.shape == "no-start" or starts_nothing(
        packet.family, packet.trial.attempt.service
    )


def _answerable(stage: Stage, packet: _Packet) -> bool:
    """Does a refusal answer such a packet, and does the sender hear it? (RFC 1122 section 3.2.2 and
    RFC 4443 section 2.4: nothing is said about errors, to many, or to nobody.)
    """
    if packet.spot.kind in ("group", "deaf"):
        return False
    return _worth_an_error(packet) and _hears(stage, packet)


def _worth_an_error(packet: _Packet) -> bool:
    if packet.family == 4:
        return packet.kind is None or packet.kind in ANSWERABLE4
    return packet.kind not in ERRORS6


def _rejectable(packet: _Packet) -> bool:
    """Does the packet filter answer such a packet? It resets no TCP of IPv6 for the unspecified
    address or a mapped one (RFC 4291 section 2.5.5.2), or to a link-local one, and answers only what
    it can verify, or knows to have no checksum over the whole (Linux, `nf_send_reset6`,
    `nf_reject_verify_csum`).
    """
    if packet.protocol == TCP and packet.family == 6:
        nobodys = int(packet.destination) >> 32 == 0xFFFF or int(packet.destination) == 0
        return packet.source not in LINK_LOCAL6 and not nobodys
    if packet.protocol == DCCP and packet.family == 4:
        return False  # verified without its pseudo header, so never right (Linux 6.18)
    return packet.protocol in VERIFIED


def _hears(stage: Stage, packet: _Packet) -> bool:
    """Does what is sent to the packet's source come to where it was sent from?"""
    if packet.entrance == GATEWAY:
        return has(stage.plan.gateway, packet.trial.attempt.source)
    if packet.entrance in stage.lines and packet.source not in LINK_LOCAL6:
        return _goes_back(stage, packet)
    if packet.source in LINK_LOCAL6:
        return _neighbourly(packet)
    area = stage.areas[packet.entrance]
    return has(area.hosts, packet.trial.attempt.source)


def _goes_back(stage: Stage, packet: _Packet) -> bool:
    """By the line it came on: to a neighbour there, or by its next hop."""
    source = packet.trial.attempt.source
    near = stage.near(packet.family, source)
    if has(stage.odd, source):
        return False
    stays = near == packet.entrance or not stage.lines[packet.entrance].learns
    if near is not None and near in packet.trial.environment.lines and not stays:
        return False
    return any(hop.version == packet.family for hop in stage.hops(packet.entrance))


def _neighbourly(packet: _Packet) -> bool:
    """A link-local address that a machine can have: within fe80::/64, and not the subnet-router
    anycast address there (RFC 4291 sections 2.5.6 and 2.6.1).
    """
    number = int(packet.source)
    return number >> 64 == 0xFE80 << 48 and bool(number & _LOW)


_LOW = (1 << 64) - 1


def _shows_inside(stage: Stage, packet: _Packet, journey: _Journey) -> bool:
    """Untracked, and so never translated: it would show an inside address to a line."""
    return packet.family == 4 and not _tracked(packet) and bool(journey.lines) and (
        stage.inside4(packet.source)
    )  # fmt: skip


def _let(
    stage: Stage, packet: _Packet, outcome: Outcome, journey: _Journey, counter: str
) -> Expected:
    destination, number = packet.destination, packet.number
    if outcome.delivered is not None:
        destination = outcome.delivered[0]
        number = outcome.delivered[1] if packet.protocol in PORTED else number
    sources = _sources(stage, packet, outcome, journey)
    counters: tuple[str, ...] = (counter,)
    if packet.spot.kind == "anycast" and packet.kind == ECHO_REQUEST6:
        counters = (counter, INVALID)  # the reply comes from another address than was asked
    answer: Answered = "silent"
    if _replies(packet, number) and _heard_back(stage, packet, sources, journey):
        answer = "answered"
        if packet.kind == TIMESTAMP4 and packet.family == 4 and packet.number & 0xFF:
            answer, counters = "silent", (counter, INVALID)  # the reply has code 0 (RFC 792)
    return Expected(answer, counters, frozenset(sources), destination, number, sources)


def _replies(packet: _Packet, number: int) -> bool:
    """Does a machine that such a packet is let to answer it?"""
    many = packet.spot.kind == "group" or packet.destination == LOOPBACK_BROADCAST
    if packet.kind is not None:
        echo = ECHO_REQUEST4 if packet.family == 4 else ECHO_REQUEST6
        wanted = packet.kind == echo or (packet.family == 4 and packet.kind == TIMESTAMP4)
        return wanted and not many and packet.spot.kind != "anycast"
    if many or number == 0:
        return False
    if packet.spot.kind == "anycast":
        return packet.protocol == UDP
    return packet.protocol in (TCP, UDP)


def _sources(
    stage: Stage, packet: _Packet, outcome: Outcome, journey: _Journey
) -> Mapping[str, Address]:
    """Who may receive it, and from whom it seems to come there."""
    if journey.end == "input":
        return {GATEWAY: packet.source}
    shown = packet.source
    if journey.lines:
        return {
            stage.seats.line(name).name: _hidden(stage, packet.source, name)
            for name in sorted(journey.lines)
        }
    if outcome.delivered is not None and journey.area == packet.entrance:
        shown = stage.areas[journey.area].gateway4  # RFC 4787 REQ-9
    return dict.fromkeys(sorted(journey.stations), shown)


def _hidden(stage: Stage, source: Address, line: str) -> Address:
    if not stage.inside4(source):
        return source
    return next(iter(stage.addresses_on(line, 4)), source)


def _heard_back(
    stage: Stage, packet: _Packet, sources: Mapping[str, Address], journey: _Journey
) -> bool:
    """Does an answer find its way to the sender?"""
    if not _hears(stage, packet):
        return False
    if journey.end == "input" and packet.entrance in stage.lines:
        return _finds_out(stage, packet)
    return all(
        stage.comes_back(name, sources[stage.seats.line(name).name]) for name in journey.lines
    )


def _finds_out(stage: Stage, packet: _Packet) -> bool:
    """The gateway looks for a route before it knows the conversation's line: one for the address
    that was asked, which may belong to another line.
    """
    source, up = packet.trial.attempt.source, packet.trial.environment.lines
    near = stage.near(packet.family, source)
    return bool(stage.exit(packet.family, packet.destination, up, None, near).names)
