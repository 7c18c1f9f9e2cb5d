"""Trials beside classes and boundaries: real conversations, odd packets, forged sources, neighbours
on a line, every area in every state of the lines, and the ways around.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from netcharter.plan import coding
from netcharter.plan.coding import HARDWARE_NONE, ICMP, ICMP6, TCP, UDP
from netcharter.plan.fate import Attempt, Environment
from netcharter.plan.shapes import Address, LinePlan, Row
from netcharter.probes.around import ways_around
from netcharter.probes.classes import Found, held
from netcharter.probes.edges import told_states
from netcharter.probes.search import ECHO, TALKING, Search
from netcharter.probes.shapes import GATEWAY
from netcharter.probes.stage import FAMILIES, Stage, area_addresses
from netcharter.probes.trials import Trial, moved, placed
from netcharter.probes.ways import class_of
from netcharter.proofs.story import row_name
from netcharter.space.ranges import Ranges, has, intersect

UNREACHABLE = {
    4: coding.service(ICMP, 3 << 8 | 1)[0],  # host unreachable, RFC 792
    6: coding.service(ICMP6, 1 << 8)[0],  # no route, RFC 4443
}
REPLY = {4: coding.service(ICMP, 0)[0], 6: coding.service(ICMP6, 129 << 8)[0]}
HTTPS = coding.service(TCP, 443)[0]
DATAGRAM = coding.service(UDP, 443)[0]
WAYS_TRIED = 24  # services of a decision that are tried for a conversation


@dataclass(frozen=True, slots=True)
class Extra:
    """A trial and why it is made."""

    trial: Trial
    purpose: str


def extras(search: Search, found: Sequence[Found]) -> Iterator[Extra]:
    """All of them, in a lasting order."""
    yield from talks(search, found)
    yield from shapes(search, found)
    yield from forged(search.stage, found)
    yield from neighbours(search.stage, found)
    yield from states(search.stage, found)
    yield from (Extra(*one) for one in ways_around(search))


# --- conversations --------------------------------------------------------------------------------


def talks(search: Search, found: Sequence[Found]) -> Iterator[Extra]:
    """A real connection for every class that is let with TCP or UDP."""
    for one in found:
        if one.row.let and held(search.stage, one.trial) and _returns(search.stage, one.trial):
            trial = _talking(search, one)
            if trial is not None:
                yield Extra(trial, f"a conversation {one.kind.told(one.row)}")


def _returns(stage: Stage, trial: Trial) -> bool:
    """Who sits behind a line hears only addresses that are the gateway's there, or behind it."""
    entrance, end = trial.attempt.entrance, stage.real(trial.attempt.destination)
    return entrance not in stage.lines or (end is not None and stage.comes_back(entrance, end))


def _talking(search: Search, one: Found) -> Trial | None:
    """The same class with a service that two machines can talk by."""
    for service in (one.trial.attempt.service, *_conversational(one)):
        if not has(TALKING, service):
            continue
        trial = replace(moved(one.trial, service=service), shape="talk")
        if search.decider.row(trial) is not one.row:
            continue
        if class_of(search.stage, trial, one.row) != one.kind:
            continue
        foresight = search.foresee(trial, one.row)
        if foresight.expected is not None and foresight.expected.answer == "answered":
            return trial
    return None


def _conversational(one: Found) -> Iterable[int]:
    """First and last TCP and UDP ports of a decision's regions."""
    sets: list[Ranges] = [intersect(region.service, TALKING) for region in one.row.regions]
    return list(dict.fromkeys(end for found in sets for pair in found for end in pair))[:WAYS_TRIED]


# --- odd packets ----------------------------------------------------------------------------------


def shapes(search: Search, found: Sequence[Found]) -> Iterator[Extra]:
    """Fragments, extension and routing headers, packets without a beginning or a question: for
    every entrance and family, through the gateway and to it, let where that can be.
    """
    for entrance in search.prover.universe.entrances:
        if entrance == GATEWAY:
            continue
        for family in FAMILIES:
            for way in ("through", "to"):
                bases = _bases(found, entrance, family, way)
                if bases:
                    yield from _shaped(search, bases, family, f"{way} the gateway")


def _bases(found: Sequence[Found], entrance: str, family: int, way: str) -> list[Found]:
    """Classes to start from, those that are let and answered first."""
    fitting = [
        one
        for one in found
        if one.kind.entrance == entrance
        and one.kind.family == family
        and (one.kind.exit == GATEWAY) == (way == "to")
        and one.kind.exit != "many"
        and one.foresight.seen
    ]
    return sorted(fitting, key=lambda one: (not one.row.let, not _answered(one)))


def _answered(one: Found) -> bool:
    return one.foresight.expected is not None and one.foresight.expected.answer == "answered"


def _shaped(search: Search, bases: Sequence[Found], family: int, way: str) -> Iterator[Extra]:
    base = bases[0].trial
    datagrams = _datagram(search, bases, family)
    yield Extra(replace(datagrams, shape="fragments"), f"in pieces, {way}")
    if family == 6:
        yield Extra(replace(base, shape="extension"), f"behind an extension header, {way}")
        routed = replace(moved(base, service=DATAGRAM), shape="source-routed")
        yield Extra(routed, f"with a routing header of type 0, {way}")
    start = replace(moved(base, service=HTTPS), shape="no-start")
    yield Extra(start, f"TCP that belongs to no conversation, {way}")
    for service, what in ((REPLY[family], "a reply"), (UNREACHABLE[family], "an error")):
        odd = replace(moved(base, service=service), shape="no-question")
        yield Extra(odd, f"{what} that nobody asked for, {way}")


def _datagram(search: Search, bases: Sequence[Found], family: int) -> Trial:
    """A trial by UDP or echo request, one that is let if there is any."""
    for one in bases:
        if not one.row.let:
            break
        services = [s for s in (one.trial.attempt.service, *_conversational(one)) if s >> 16 == UDP]
        for service in (*services, ECHO[family]):
            trial = moved(one.trial, service=service)
            row = search.decider.row(trial)
            if row is not None and row.let and not search.foresee(trial, row).why:
                return trial
    return moved(bases[0].trial, service=DATAGRAM)


# --- forged sources, and neighbours on a line -----------------------------------------------------


def forged(stage: Stage, found: Sequence[Found]) -> Iterator[Extra]:
    """Sources that do not belong where they enter, to the gateway and through it."""
    usual = _usual(found)
    for entrance in (*stage.areas, *stage.lines):
        for family in FAMILIES:
            environment = usual.get(entrance)
            if environment is None:
                continue
            for source in _foreign(stage, entrance, family):
                for end in _targets(stage, entrance, family):
                    trial = _plainly(stage, entrance, source, end, environment)
                    whose = "an inside address" if entrance in stage.lines else "another's address"
                    yield Extra(trial, f"forged: {whose} from {entrance}")


def _usual(found: Sequence[Found]) -> dict[str, Environment]:
    """By entrance: the environment of its first trial, with all lines up where that can be."""
    out: dict[str, Environment] = {}
    for one in found:
        known = out.get(one.kind.entrance)
        if known is None or len(one.trial.environment.lines) > len(known.lines):
            out[one.kind.entrance] = one.trial.environment
    return out


def _foreign(stage: Stage, entrance: str, family: int) -> Iterator[Address]:
    """A host's address of each other area, the gateway's own there, and one far away."""
    for area in stage.plan.areas:
        if area.name != entrance:
            yield from stage.seats.at_home(area.name)[0].of_family(family)[:1]
    for address in _gateways(stage, entrance):
        if address.version == family:
            yield address
            break
    far = stage.far(family)
    if entrance in stage.areas and far is not None:
        yield far


def _gateways(stage: Stage, entrance: str) -> list[Address]:
    """The gateway's addresses as its neighbours at an entrance know them."""
    if entrance in stage.areas:
        return list(area_addresses(stage.areas[entrance]))
    return [address for family in FAMILIES for address in stage.addresses_on(entrance, family)]


def _targets(stage: Stage, entrance: str, family: int) -> Iterator[Address]:
    """The gateway, an inside host elsewhere, and from an area somebody far away."""
    yield from [a for a in _gateways(stage, entrance) if a.version == family][:1]
    other = next((area.name for area in stage.plan.areas if area.name != entrance), None)
    if other is not None:
        yield from stage.seats.at_home(other)[0].of_family(family)[:1]
    far = stage.far(family)
    if entrance in stage.areas and far is not None:
        yield far


def _plainly(
    stage: Stage,
    entrance: str,
    source: Address,
    end: Address,
    environment: Environment,
    service: int = HTTPS,
) -> Trial:
    hardware = HARDWARE_NONE
    if entrance in stage.areas:
        hardware = stage.seats.visitor(entrance).hardware
    attempt = Attempt(entrance, stage.code(source), hardware, stage.code(end), service)
    return Trial(attempt, environment)


def neighbours(stage: Stage, found: Sequence[Found]) -> Iterator[Extra]:
    """A neighbour on a line, who knows inside addresses, sends to them directly."""
    usual = _usual(found)
    for line in stage.plan.lines:
        for family in FAMILIES:
            source = _beside(stage, line, family)
            environment = usual.get(line.name)
            if source is None or environment is None:
                continue
            for end, service, what in _inside(stage, family):
                trial = _plainly(stage, line.name, source, end, environment, service)
                yield Extra(trial, f"a neighbour on {line.name} addresses {what} directly")


def _beside(stage: Stage, line: LinePlan, family: int) -> Address | None:
    """Somebody in a line's own network, or its next hop."""
    way = next(way for way in stage.ways[family] if way.name == line.name)
    if way.interface is None:
        return None
    network, taken = way.interface.network, {way.interface.ip, way.hop}
    middle = [network[n] for n in range(1, min(network.num_addresses - 1, 8))]
    return next((address for address in middle if address not in taken), way.hop)


def _inside(stage: Stage, family: int) -> Iterator[tuple[Address, int, str]]:
    """What is offered, at its inside address and port; and a host of every area."""
    for row in stage.plan.rows:
        if row.delivery is not None and row.delivery.address.version == family:
            service = _delivered_service(row)
            if service is not None:
                yield row.delivery.address, service, f"what {row_name(row)} offers"
    for area in stage.plan.areas:
        for address in stage.seats.at_home(area.name)[0].of_family(family)[:1]:
            yield address, HTTPS, f"a host in {area.name}"


def _delivered_service(row: Row) -> int | None:
    """The first service of an offer, with the port at which it is delivered."""
    first = next((low for region in row.regions for low, _ in region.service), None)
    if first is None or row.delivery is None or row.delivery.port is None:
        return first
    return first >> 16 << 16 | row.delivery.port


# --- every state of the lines ---------------------------------------------------------------------


def states(stage: Stage, found: Sequence[Found]) -> Iterator[Extra]:
    """From every area and the gateway to the internet, by every kind of source, while every line is
    up, each one down, each alone, none.
    """
    names = [line.name for line in stage.plan.lines]
    for entrance in (*stage.areas, GATEWAY):
        for family in FAMILIES:
            base = _outward(stage, found, entrance, family)
            if base is None:
                continue
            for source in _kinds_of_source(stage, entrance, family, base):
                for up in told_states(names):
                    trial = placed(moved(base, source=stage.code(source)), lines=up)
                    yield Extra(trial, f"{entrance} to the internet with {_state(names, up)}")


def _outward(stage: Stage, found: Sequence[Found], entrance: str, family: int) -> Trial | None:
    """A trial to the internet, let if any is, from a machine that holds its source."""
    far = stage.far(family)
    fitting = [
        one
        for one in found
        if one.kind.entrance == entrance
        and one.kind.family == family
        and has(stage.plan.internet, one.trial.attempt.destination)
        and held(stage, one.trial)
    ]
    fitting.sort(key=lambda one: (not one.foresight.seen, not one.row.let))
    if not fitting or far is None:
        return None
    return moved(fitting[0].trial, destination=stage.code(far))


def _kinds_of_source(stage: Stage, entrance: str, family: int, base: Trial) -> Iterator[Address]:
    """The addresses of the same machine: one in each of its area's prefixes. The gateway has more
    than that, but those on a line go with the line.
    """
    if entrance == GATEWAY:
        found = [a for area in stage.plan.areas[:1] for a in area_addresses(area)]
    else:
        seat = stage.seats.seat(entrance, base.attempt.hardware)
        found = [a for a in seat.of_family(family) if not a.is_link_local]
    yield from (address for address in found if address.version == family)


def _state(names: Sequence[str], up: frozenset[str]) -> str:
    if not up:
        return "no line up"
    down = [name for name in names if name not in up]
    return f"{' and '.join(down)} down" if down else "all lines up"
