"""One packet out of a set, told as a sentence.

Of all the packets that a box holds, the one is told that says most to a reader: documentation
addresses, well-known services, devices with a name. It is looked up again before it is told.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from ipaddress import ip_network

from netcharter.readback.points import FAMILY4, FAMILY6, PLAIN, WITH_PORT, Points
from netcharter.readback.rows import ALWAYS, when_text
from netcharter.readback.shapes import (
    DESTINATION,
    ENTRANCE,
    EXIT,
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
from netcharter.space.ranges import Ranges, has, intersect

TELLING = ((6, 443), (6, 22), (6, 80), (17, 53), (1, 8 << 8), (58, 128 << 8), (17, 123))
STRANGER = 0x02_00_5E_00_53_01  # locally administered, in the manner of RFC 9542's examples
PORT_TOLD = 40000
SPREAD = tuple(
    (int(network[0]) + (0 if network.version == 4 else V6), network.num_addresses)
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


def attempt(points: Points, words: Words, box: RawBox) -> Attempt:
    """A telling packet of a box that one leaf decides as a whole, as far as what exists goes.

    Raises ProofFault where the box holds none that exists.
    """
    for part in points.frame.universe:
        piece = tuple(intersect(a, b) for a, b in zip(box, part, strict=True))
        if all(piece):
            point = _telling(points, piece)
            number, _ = points.certified.checker.decide(point)
            if number is not None:
                leaf = points.leaf(number)
                return Attempt(_sentence(points, words, point, leaf, box), point, leaf)
    raise ProofFault("a witness that does not exist")


def _telling(points: Points, box: RawBox) -> Point:
    frame = points.frame
    chosen: dict[int, int] = {}
    for place, values in enumerate(box):
        wanted = _wanted(points, place, chosen, values)
        chosen[place] = next((v for v in wanted if has(values, v)), values[0][0])
    return tuple(chosen[place] for place in range(len(frame.fields)))


def _wanted(points: Points, place: int, chosen: dict[int, int], values: Ranges) -> Iterator[int]:
    """Values that tell more than the smallest of a set, the best first."""
    frame = points.frame
    if place in (ENTRANCE, EXIT):
        named = [n for n, name in enumerate(frame.devices) if name not in (OWN, OTHER, "lo")]
        yield from named
    elif place == HARDWARE:
        yield STRANGER
    elif place == SOURCE:
        yield from _sources(points, frame.devices[chosen[ENTRANCE]], values)
    elif place == DESTINATION:
        yield from _sources(points, frame.devices[chosen[EXIT]], values)
    elif place == SERVICE:
        yield from ((protocol << 16) + number for protocol, number in TELLING)
    elif place == PORT:
        yield PORT_TOLD


def _sources(points: Points, device: str, values: Ranges) -> Iterator[int]:
    """Addresses that lie beyond a device, a little way into its networks; then documentation's."""
    for networks, devices in points.host.routes:
        if device in devices:
            for low, high in intersect(networks, values)[:4]:
                if high - low < 1 << 64:
                    yield min(low + 20, high)
    for first, count in SPREAD:
        yield from (first + 7, first + min(count - 1, 77))


def _sentence(points: Points, words: Words, point: Point, leaf: Leaf, box: RawBox) -> str:
    frame = points.frame
    entrance, service = frame.devices[point[ENTRANCE]], point[SERVICE]
    source, destination = address_text(point[SOURCE]), words.address(point[DESTINATION])
    if entrance == OWN:
        starter = f"the gateway itself ({source})"
    else:
        starter = f"a machine behind {words.device(entrance)} with the source {source}"
    ported = has(WITH_PORT, service) and not has(box[PORT], PORT_TOLD)
    ported_text = f" from source port {point[PORT]}" if ported else ""
    single = len(box[HARDWARE]) == 1 and box[HARDWARE][0][0] == box[HARDWARE][0][1]
    hardware = single and point[HARDWARE] != HARDWARE_NONE
    card = f" and the hardware address {hardware_text(point[HARDWARE])}" if hardware else ""
    fixed = tuple(((value, value),) for value in point)
    when = when_text(frame, (*fixed[:PLAIN], *box[PLAIN:]))
    condition = "" if when == ALWAYS else f", {when}"
    return (
        f"{starter}{card} asks {destination} for {words.service(service)}{ported_text}{condition}:"
        f" {words.outcome(leaf.verdict)}."
    )


def families(box: RawBox) -> list[int]:
    """The address families of a box's destinations."""
    pairs = ((4, FAMILY4), (6, FAMILY6))
    return [number for number, family in pairs if intersect(box[DESTINATION], family)]
