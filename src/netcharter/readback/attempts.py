"""One packet out of a set, told as a sentence.

A certified witness is the smallest point of what was found. Before it is told, each field is
exchanged for a more telling value (a well-known service, an address a little way into a network)
where the very same leaf still decides it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from ipaddress import ip_network

from netcharter.readback.points import FAMILY4, PLAIN, WITH_PORT, Points
from netcharter.readback.rows import ALWAYS, when_text
from netcharter.readback.shapes import (
    DESTINATION,
    ENTRANCE,
    HARDWARE,
    HARDWARE_NONE,
    OTHER,
    OWN,
    PORT,
    SERVICE,
    SOURCE,
    V6,
    Leaf,
)
from netcharter.readback.words import Words, address_text, hardware_text
from netcharter.space.certified import ProofFault
from netcharter.space.model import Point, RawBox
from netcharter.space.ranges import full, has, intersect

TELLING = ((6, 443), (6, 22), (6, 80), (17, 53), (1, 8 << 8), (58, 128 << 8), (17, 123))
STRANGER = 0x02_00_5E_00_53_01  # locally administered, in the manner of RFC 9542's examples
PORT_TOLD = 40000
SMALL = 1 << 64  # addresses of a network that is worth naming a host of
DOCUMENTATION = tuple(  # RFC 5737, RFC 3849
    int(network[0]) + (0 if network.version == 4 else V6) + 7
    for network in map(
        ip_network, ("198.51.100.0/24", "203.0.113.0/24", "192.0.2.0/24", "2001:db8:ff::/48")
    )
)


@dataclass(frozen=True, slots=True)
class Attempt:
    """One packet and what becomes of it, ready to be told."""

    sentence: str
    point: Point
    leaf: Leaf


def attempt(points: Points, words: Words, box: RawBox, point: Point | None = None) -> Attempt:
    """A telling packet of a box, and its leaf; one that `point`'s leaf decides, if that is given.

    Raises ProofFault where the box holds none that exists and is decided.
    """
    checker = points.certified.checker
    found = _smallest(points, box) if point is None else point
    number, outcome = checker.decide(found)
    if number is None or not checker.witness(found, number, outcome):
        raise ProofFault("a witness that does not exist")
    found = _polished(points, box, found)
    leaf = points.leaf(number)
    return Attempt(_sentence(points, words, found, leaf, box), found, leaf)


def _smallest(points: Points, box: RawBox) -> Point:
    for part in points.frame.universe:
        piece = tuple(intersect(a, b) for a, b in zip(box, part, strict=True))
        if all(piece):
            return tuple(values[0][0] for values in piece)
    raise ProofFault("a witness that does not exist")


def _polished(points: Points, box: RawBox, point: Point) -> Point:
    """Better values, one after the other, as long as the same leaf decides."""
    checker = points.certified.checker
    wanted = checker.decide(point)
    for place in (ENTRANCE, HARDWARE, SERVICE, PORT, DESTINATION, SOURCE):
        for value in _better(points, place, point, box):
            other = (*point[:place], value, *point[place + 1 :])
            if checker.exists(other) and checker.decide(other) == wanted:
                point = other
                break
    return point


def _better(points: Points, place: int, point: Point, box: RawBox) -> Iterator[int]:
    return (value for value in _telling(points, place, point) if has(box[place], value))


def _telling(points: Points, place: int, point: Point) -> Iterator[int]:
    """Values of a field that say more than the smallest, the best first."""
    devices = points.frame.devices
    if place == ENTRANCE:
        if devices[point[place]] == OTHER:
            yield from (n for n, name in enumerate(devices) if name not in (OWN, OTHER, "lo"))
    elif place == HARDWARE and point[ENTRANCE] != devices.index(OWN):
        yield STRANGER
    elif place == SOURCE:
        yield from _addresses(points, devices[point[ENTRANCE]], point[DESTINATION])
    elif place == DESTINATION:
        number = points.certified.checker.decide(point)[0]
        exits = points.frame.named(points.exits(number)) if number is not None else []
        yield from _addresses(points, exits[0] if exits else OTHER, point[SOURCE])
    elif place == SERVICE:
        yield from ((protocol << 16) + number for protocol, number in TELLING)
    elif place == PORT:
        yield PORT_TOLD


def _addresses(points: Points, device: str, other: int) -> Iterator[int]:
    """A host of a network beyond a device, or documentation's, in the family of the other end."""
    if device == OWN:
        yield from (low for mine in points.host.own.values() for low, _ in mine)
    near = [networks for networks, devices in points.host.routes if device in devices]
    far = [networks for networks, devices in points.host.routes if device not in devices]
    for networks in (*near, *far):
        yield from (min(a + 20, b) for a, b in networks[:4] if b - a < SMALL)
    yield from (code for code in DOCUMENTATION if has(FAMILY4, code) == has(FAMILY4, other))


def _sentence(points: Points, words: Words, point: Point, leaf: Leaf, box: RawBox) -> str:
    frame = points.frame
    entrance, service = frame.devices[point[ENTRANCE]], point[SERVICE]
    source, destination = address_text(point[SOURCE]), words.address(point[DESTINATION])
    starter = f"a machine behind {words.device(entrance)} with the source {source}"
    if entrance == OWN:
        starter = f"the gateway itself ({source})"
    ported = has(WITH_PORT, service) and point[PORT] != PORT_TOLD
    port = f" from source port {point[PORT]}" if ported else ""
    known = point[HARDWARE] not in (STRANGER, HARDWARE_NONE, 0)
    card = f" and the hardware address {hardware_text(point[HARDWARE])}" if known else ""
    named = {condition for condition, _ in leaf.held}
    conditions = (
        values if frame.conditions[n] in named else full(2)
        for n, values in enumerate(box[PLAIN:-1])
    )
    when = when_text(frame, (*_fixed(point[:PLAIN]), *conditions, box[-1]))
    condition = "" if when == ALWAYS else f", {when}"
    asked = f"asks {destination} for {words.service(service)}{port}{condition}"
    return f"{starter}{card} {asked}: {words.outcome(leaf.verdict)}."


def _fixed(values: Sequence[int]) -> RawBox:
    return tuple(((value, value),) for value in values)
