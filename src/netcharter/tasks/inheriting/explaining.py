"""One connection's way through a running gateway: the rules it meets, and what becomes of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from netcharter.diagnostics import Span
from netcharter.diagnostics.jsonshape import span_as_json
from netcharter.plan import coding
from netcharter.proofs.ask import NotUnderstood
from netcharter.readback.attempts import DOCUMENTATION, PORT_TOLD, STRANGER
from netcharter.readback.ground import LINK_LOCAL6, LOOPBACK4, LOOPBACK6
from netcharter.readback.listing import Rule
from netcharter.readback.points import FAMILY4, FAMILY6, WITH_PORT
from netcharter.readback.questions import origin_text
from netcharter.readback.rows import condition_text
from netcharter.readback.shapes import EXIT, HARDWARE_NONE, OWN, Packet
from netcharter.readback.structure import Structure
from netcharter.readback.telling import rule_text
from netcharter.readback.way import Way, led, ways
from netcharter.readback.words import address_text
from netcharter.space.ranges import Ranges, has, intersect, subtract, union
from netcharter.tasks.inheriting.asking import service_set, target
from netcharter.tasks.inheriting.gateway import OldGateway

FAMILIES = {4: FAMILY4, 6: FAMILY6}
SMALL = 1 << 64
LONG = 120  # characters of a rule that a step shows
MOST_STORIES = 8  # ways of one packet that are told
TRANSLATING = ("dnat", "redirect", "snat", "masquerade")


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that happens on the way, and where it stands."""

    text: str
    span: Span | None = None


@dataclass(frozen=True, slots=True)
class Story:
    """One way of one packet. may: there are others, by circumstances."""

    headline: str
    steps: tuple[Step, ...]
    outcome: str  # "let" or "refused"
    manner: str | None
    decided_by: str
    entrance: str
    family: int
    may: bool

    def as_json(self) -> dict[str, Any]:
        """The documented shape of a story."""
        return {
            "headline": self.headline,
            "steps": [
                {"text": s.text, "span": span_as_json(s.span) if s.span else None}
                for s in self.steps
            ],
            "outcome": self.outcome,
            "manner": self.manner,
            "decided_by": self.decided_by,
            "entrance": self.entrance,
            "families": [self.family],
            "may": self.may,
        }


def explain(gateway: OldGateway, starter: str, to: str, service: str) -> tuple[Story, ...]:
    """The stories of one connection, one for each family and each way it may take.

    starter: an area, a line, a network device, a known device, `gateway` or an address; to: the
    same, or `internet`. Raises NotUnderstood.
    """
    codes = service_set([service])
    if service == "anything":
        raise NotUnderstood("'anything' is not one service", "ask about one: https, tcp/8443")
    told: list[Story] = []
    for family, whole in FAMILIES.items():
        for destination in _destination(gateway, to, whole):
            for packet in _packets(gateway, starter, destination, whole):
                code = next((low for low, _ in codes if _carried(low, family)), None)
                if code is not None:
                    port = PORT_TOLD if has(WITH_PORT, code) else 0
                    made = Packet(*packet[:2], destination, code, packet[2], port)
                    told += _stories(gateway, made, starter, to, family)
    if not told:
        raise NotUnderstood(
            f"{starter} and {to} share no address family for {service}",
            "name another address or service",
        )
    return tuple(told)


def _carried(code: int, family: int) -> bool:
    return code >> 16 != (coding.ICMP6 if family == 4 else coding.ICMP)


# ---- who, and where to ----


def _packets(
    gateway: OldGateway, starter: str, destination: int, whole: Ranges
) -> Iterator[tuple[str, int, int]]:
    """Entrance, source and hardware address of who starts, in one family; at most one."""
    known = gateway.known
    device = known.device(starter)
    if starter == "gateway":
        own = _own(gateway, whole)
        yield OWN, own[0] if own else _documented(whole, destination), HARDWARE_NONE
    elif device is not None:
        source = _host_behind(gateway, device, whole, destination)
        if source is not None:
            yield device, source, _hardware(gateway, source)
    elif starter == "internet":
        for line in sorted(known.lines)[:1]:
            yield line, _documented(whole, destination), STRANGER
    else:
        found = target(starter, known).addresses or ()
        for low, _ in intersect(found, whole)[:1]:
            yield _entrance(gateway, low), low, _hardware(gateway, low)


def _entrance(gateway: OldGateway, source: int) -> str:
    """By which device somebody with an address comes in: where the route back leads."""
    for networks, devices in gateway.host.routes:
        if has(networks, source):
            return devices[0]
    for area in gateway.recognised.areas:
        if any(has(coding.network(prefix), source) for prefix in area.prefixes):
            return area.device
    raise NotUnderstood(
        f"by which network device {address_text(source)} comes in is not known",
        "name the device or the area in place of the address, or give --addresses and --routes",
    )


def _hardware(gateway: OldGateway, source: int) -> int:
    """The hardware address of a known device, else a stranger's."""
    for device in gateway.recognised.devices:
        if device.hardware and has(coding.addresses(device.addresses), source):
            return device.hardware[0]
    return STRANGER


def _host_behind(gateway: OldGateway, device: str, whole: Ranges, other: int) -> int | None:
    """An address behind a network device; None where none of this family can be there."""
    for networks, devices in gateway.host.routes:
        near = intersect(networks, whole)
        if device in devices and near and near[0][1] - near[0][0] < SMALL:
            low, high = near[0]
            return next(c for c in (min(low + 20, high), min(low + 21, high), low) if c != other)
    leads = any(device in d and intersect(n, whole) for n, d in gateway.host.routes)
    return _documented(whole, other) if leads or not gateway.host.known else None


def _own(gateway: OldGateway, whole: Ranges) -> list[int]:
    """The gateway's addresses of one family, without those that only it or its link can use."""
    common = subtract(whole, union(LOOPBACK4, LOOPBACK6, LINK_LOCAL6))
    held = (intersect(mine, common) for mine in gateway.host.own.values())
    return [low for found in held for low, _ in found]


def _documented(whole: Ranges, other: int) -> int:
    return next(code for code in DOCUMENTATION if has(whole, code) and code != other)


def _destination(gateway: OldGateway, to: str, whole: Ranges) -> Iterator[int]:
    """The destination that stands for what is asked about, in one family; at most one."""
    known = gateway.known
    device = known.device(to)
    if to == "gateway":
        yield from _own(gateway, whole)[:1]
    elif device is not None:
        found = _host_behind(gateway, device, whole, 0)
        yield from () if found is None else (found,)
    elif to == "internet":
        yield _documented(whole, 0)
    else:
        addresses = target(to, known).addresses or ()
        yield from (low for low, _ in intersect(addresses, whole)[:1])


# ---- the telling ----


def _stories(
    gateway: OldGateway, packet: Packet, starter: str, to: str, family: int
) -> Iterator[Story]:
    found = ways(gateway.ruleset.listing, gateway.host, packet)
    structure = Structure(gateway.ruleset.listing)
    words = gateway.words
    fates = {(v.let, v.destination, v.port) for v in (way.leaf.verdict for way in found.ways)}
    several = len(fates) > 1 or not found.complete
    for way in found.ways[:MOST_STORIES]:
        verdict = way.leaf.verdict
        who = _named(starter, address_text(packet.source))
        where = _named(to, address_text(packet.destination))
        asked = words.service(packet.service)
        told = "perhaps " if several else ""
        yield Story(
            f"{who} asks {where} for {asked}: {told}{words.outcome(verdict)}.",
            tuple(_steps(gateway, structure, packet, way)),
            "let" if verdict.let else "refused",
            verdict.manner,
            origin_text(way.leaf.decider),
            packet.entrance or "gateway",
            family,
            several,
        )


def _named(term: str, address: str) -> str:
    return address if term == address else f"{term} ({address})"


def _steps(gateway: OldGateway, structure: Structure, packet: Packet, way: Way) -> Iterator[Step]:
    words, leaf = gateway.words, way.leaf
    if packet.entrance == OWN:
        yield Step("the gateway itself starts it")
    else:
        yield Step(f"it comes in by {words.device(packet.entrance)}")
    for condition, true in leaf.held:
        yield Step(f"this way is taken {condition_text(condition, true)}")
    for rule in led(structure, way):
        decides = structure.rule(leaf.decider) is rule
        yield Step(_rule_step(rule, decides, leaf.verdict.let), rule.span)
    if leaf.decider.number is None:
        verb = "lets" if leaf.verdict.let else "refuses"
        span = leaf.decider.span if leaf.decider.chain else None
        yield Step(f"{origin_text(leaf.decider)} {verb} it", span)
    if leaf.verdict.let:
        yield Step(_end_text(gateway, way))


def _rule_step(rule: Rule, decides: bool, let: bool) -> str:
    told = rule_text(rule.expr)
    told = told if len(told) <= LONG else told[: LONG - 3] + "..."
    text = f"rule {rule.number} of chain {rule.chain} fits: {told}"
    if decides:
        return text + (" - this lets it" if let else " - this refuses it")
    kinds = [next(iter(one)) for one in rule.expr]
    if any(kind in TRANSLATING for kind in kinds):
        return text + " - its address is translated"
    return text


def _end_text(gateway: OldGateway, way: Way) -> str:
    leaf = way.leaf
    names = [name for n, name in enumerate(gateway.decisions.devices) if has(leaf.box[EXIT], n)]
    outcome = gateway.words.outcome(leaf.verdict)
    if names == [OWN]:
        return f"it reaches the gateway itself: {outcome}"
    return f"it leaves by {gateway.words.devices(names)}: {outcome}"
