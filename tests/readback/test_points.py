"""Leaves as a rule list, and what is asked of it: packet by packet against a plain lookup of the
same leaves (readback/decide.py, which the kernel itself is held against)."""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import combinations, product
from typing import Any

import pytest

from netcharter.readback.decide import decide
from netcharter.readback.points import Points, fitting, frame
from netcharter.readback.questions import Inquiry, Start, Target, pieces
from netcharter.readback.shapes import (
    DESTINATION,
    EXIT,
    HARDWARE_NONE,
    OTHER,
    OWN,
    Condition,
    Decisions,
    Leaf,
    Packet,
    Verdict,
)
from netcharter.readback.walk import decisions
from netcharter.space.model import Point
from netcharter.space.ranges import Ranges, has, intersect
from tests.readback.auditing import (
    DELIVERED,
    HOUSE,
    MASQUERADE,
    SERVER,
    House,
    by,
    delivering,
    out,
    source,
    tcp,
    to,
    udp,
)
from tests.readback.made import ACCEPT, DROP, TCP, UDP, Item, code, match, named, payload

CASES = 25
SOURCES = ("10.1.0.9", "10.1.0.1", "10.2.0.80", "198.51.100.9", "2001:db8:0:1::9", "2001:db8:9::9")
TARGETS = ("10.1.0.9", SERVER, "203.0.113.2", "198.51.100.9", "2001:db8:0:1::9", "2001:db8:9::9")
SERVICES = ((TCP, 80), (TCP, 443), (TCP, 8443), (UDP, 53))
ENTRANCES = ("lan0", "lan1", "up0", OTHER, OWN)
LIVING = named("seen", "ipv4_addr", [], flags=["dynamic"])
SEEN = match(payload("ip", "saddr"), "@seen")
UNSEEN = match(payload("ip", "saddr"), "@seen", "!=")


def limit(rate: int) -> Item:
    return {"limit": {"rate": rate, "per": "second", "burst": 5, "inv": rate == 3}}


def drawn(draw: random.Random) -> House:
    def asked() -> list[Item]:
        choices: Sequence[Item] = (
            by(draw.choice(ENTRANCES[:3])),
            out(draw.choice(ENTRANCES[:3])),
            source(draw.choice(SOURCES)),
            to(draw.choice(TARGETS)),
            tcp(draw.choice((80, 443))),
            udp(53),
            limit(draw.choice((1, 2, 3))),
            SEEN,
            UNSEEN,
            DELIVERED,
        )
        return draw.sample(choices, draw.choice((1, 2, 2, 3)))

    def some(most: int, *verdicts: Item) -> list[tuple[Item, ...]]:
        return [(*asked(), draw.choice(verdicts)) for _ in range(draw.randrange(1, most))]

    handed = (by("up0"), tcp(443), delivering(SERVER, draw.choice((None, 8443, 80))))
    return replace(
        House(),
        input=[row for row in some(6, ACCEPT, DROP) if not any("oifname" in str(x) for x in row)],
        forward=[*some(6, ACCEPT, DROP), (DELIVERED, ACCEPT)][draw.choice((0, 0, 1)) :],
        hiding=[(out("up0"), MASQUERADE)],
        delivering=[handed] * draw.choice((0, 1, 1)),
        policies={"input": draw.choice(("accept", "drop")), "forward": "drop"},
        extra=(LIVING,),
    )


def packets() -> Iterator[Packet]:
    for entrance, one, other, (protocol, port) in product(ENTRANCES, SOURCES, TARGETS, SERVICES):
        if (":" in one) is (":" in other) and (entrance == OWN) is (one == SOURCES[1]):
            hardware = HARDWARE_NONE if entrance == OWN else 2
            service = (protocol << 16) + port
            yield Packet(entrance, code(one), code(other), service, hardware, 50000)


def read(house: House) -> Decisions:
    return decisions(house.listing(), HOUSE, shadowed=True)


def conditions(found: Decisions) -> list[Condition]:
    return list(dict.fromkeys(c for leaf in found.leaves for c, _ in leaf.held))


def possible(found: Decisions, packet: Packet) -> list[Leaf]:
    """The leaves that decide a packet, whatever is true of its conditions: each case by itself.

    `decide` alone takes what is open for independent, so that it also names what stands behind
    two leaves of which one always fits.
    """
    asked = dict.fromkeys(c for leaf in decide(found, packet, {}).leaves for c, _ in leaf.held)
    cases = product((True, False), repeat=len(asked))
    held = (dict(zip(asked, case, strict=True)) for case in cases)
    return [leaf for each in held for leaf in decide(found, packet, each).leaves]


def looked_up(points: Points, packet: Packet, own: Mapping[Condition, bool], rest: int) -> set[int]:
    """The leaves that decide a packet, one for each way that it may leave by."""
    found: set[int] = set()
    for exit_ in range(len(points.frame.devices)):
        point = point_of(points, packet, exit_, own, rest)
        fitting_ = (e.rule for e in points.rules.entries if all(map(has, e.box, point)))
        first = next(fitting_, None)
        if first is not None and (
            points.settles(first) or has(points.exits_of(points.boxes[first], first), exit_)
        ):
            found.add(first)
    return found


def point_of(
    points: Points, packet: Packet, exit_: int, own: Mapping[Condition, bool], rest: int
) -> Point:
    entrance = points.frame.devices.index(packet.entrance)
    plain = (packet.hardware, packet.source, packet.destination, packet.service, packet.port)
    held = (int(own[condition]) for condition in points.frame.conditions)
    return (entrance, exit_, *plain, *held, rest)


@pytest.mark.parametrize("case", range(CASES))
def test_a_point_is_decided_as_its_packet_is(case: int, seed: int) -> None:
    draw = random.Random(f"{seed} points {case}")
    found = read(drawn(draw))
    points = Points(frame(found, hosts=(HOUSE,)), found, HOUSE)
    for packet in draw.sample(list(packets()), 60):
        held = {condition: draw.random() < 0.5 for condition in conditions(found)}
        told = {points.leaf(n).verdict for n in looked_up(points, packet, held, 0)}
        assert told == {leaf.verdict for leaf in decide(found, packet, held).leaves}


def leaf_by_leaf(found: Decisions, points: Points) -> Decisions:
    """The same, where each leaf has conditions of its own in place of those without a field."""

    def apart(number: int, leaf: Leaf) -> Leaf:
        renamed = ((replace(c, name=f"{c.name}, {number}"), b) for c, b in leaf.held)
        own = points.frame.conditions
        held = (a if a[0] in own else b for a, b in zip(leaf.held, renamed, strict=True))
        return replace(leaf, held=tuple(held))

    return replace(found, leaves=tuple(apart(n, leaf) for n, leaf in enumerate(found.leaves)))


@pytest.mark.parametrize("case", range(CASES))
def test_conditions_without_a_field_of_their_own_hide_nothing(case: int, seed: int) -> None:
    """Whatever may become of a packet is still found, and nothing else; but what shares a field is
    taken to hold or not, leaf by leaf."""
    draw = random.Random(f"{seed} loose {case}")
    found = read(drawn(draw))
    points = Points(frame(found, hosts=(HOUSE,), most=1), found, HOUSE)
    for packet in draw.sample(list(packets()), 40):
        told: set[Verdict] = set()
        for truth, rest in product((True, False), range(len(points.frame.loose) + 1)):
            own = dict.fromkeys(points.frame.conditions, truth)
            told |= {points.leaf(n).verdict for n in looked_up(points, packet, own, rest)}
        may = {leaf.verdict for leaf in decide(leaf_by_leaf(found, points), packet, {}).leaves}
        assert told <= may
        single = all(len(key) == 1 and key[0][1] for key in points.frame.loose)
        assert not single or told == {leaf.verdict for leaf in possible(found, packet)}


@pytest.mark.parametrize("case", range(CASES))
def test_an_answer_holds_what_is_let_and_nothing_else(case: int, seed: int) -> None:
    draw = random.Random(f"{seed} asked {case}")
    found = read(drawn(draw))
    points = Points(frame(found, hosts=(HOUSE,)), found, HOUSE)
    inquiry = _inquiry(draw)
    told, complete = pieces(points, inquiry)
    assert complete
    for packet in packets():
        held = {condition: draw.random() < 0.5 for condition in conditions(found)}
        point = point_of(points, packet, 0, held, 0)
        met = [(box, n) for box, n in told if all(map(has, _without(box), _without(point)))]
        assert all(not intersect(a[EXIT], b[EXIT]) for (a, _), (b, _) in combinations(met, 2))
        listed = {number for _, number in met}
        lets = {
            n
            for n in looked_up(points, packet, held, 0)
            if points.leaf(n).verdict.let and _asked(points, inquiry, packet, n)
        }
        assert {n for n in listed if points.leaf(n).verdict.let} == lets


def test_the_host_reaches_itself() -> None:
    found = read(House())
    points = Points(frame(found, hosts=(HOUSE,)), found, HOUSE)
    own, served = frozenset({OWN}), (((TCP << 16) + 443,) * 2,)
    told, _ = pieces(points, Inquiry((Start(own),), (Target(exits=own),), served))
    assert any(has(box[DESTINATION], code("203.0.113.2")) for box, _ in told)
    told, _ = pieces(points, Inquiry((Start(own),), (Target(exits=frozenset({"lan0"})),), served))
    assert not any(has(box[DESTINATION], code("203.0.113.2")) for box, _ in told)


def _without(values: tuple[Any, ...]) -> tuple[Any, ...]:
    return (*values[:EXIT], *values[EXIT + 1 :])


def _inquiry(draw: random.Random) -> Inquiry:
    start = Start(frozenset(draw.sample(ENTRANCES, 2)), draw.choice((None, _single(SOURCES[0]))))
    address = draw.choice(TARGETS)
    target = draw.choice(
        (
            Target(addresses=_single(address)),
            Target(exits=frozenset({draw.choice(("lan0", "lan1", "up0", OWN))})),
        )
    )
    wanted = draw.sample(SERVICES, 2)
    services = [(p << 16) + n for p, n in wanted]
    return Inquiry((start,), (target,), tuple(sorted((c, c) for c in services)))


def _single(address: str) -> Ranges:
    return ((code(address), code(address)),)


def _asked(points: Points, inquiry: Inquiry, packet: Packet, number: int) -> bool:
    """Is a packet asked about, as it was sent or as it is delivered?"""
    verdict = points.leaf(number).verdict
    (start,), (target,) = inquiry.who, inquiry.reach
    if packet.entrance not in start.entrances:
        return False
    if start.sources is not None and not has(start.sources, packet.source):
        return False
    port = packet.service & 0xFFFF if verdict.port is None else verdict.port
    served = (packet.service, (packet.service >> 16 << 16) + port)
    if not any(has(inquiry.services, one) for one in served):
        return False
    if target.exits is not None:
        return _leaves_by(verdict.destination or packet.destination) in target.exits
    assert target.addresses is not None
    reached = {packet.destination, verdict.destination or packet.destination}
    return any(has(target.addresses, one) for one in reached)


def _leaves_by(destination: int) -> str:
    if any(has(own, destination) for own in HOUSE.own.values()):
        return OWN
    return next(names[0] for networks, names in HOUSE.routes if has(networks, destination))


def test_devices_that_only_a_pattern_names() -> None:
    known = (OWN, OTHER, "eth*", "eth1*", "lan0")
    assert fitting("eth7", known) == "eth*"
    assert fitting("eth12", known) == "eth1*"
    assert fitting("wlan0", known) == OTHER
