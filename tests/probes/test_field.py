"""Packets in a small lab: whatever the kernel does with them, the field sees.

What the gateway should do follows from the few rules in `small_site.py`, as nft(8) explains them.
"""

from __future__ import annotations

import io
import os
import socket
import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import count
from typing import Any

import pytest
from scapy.layers.inet import ICMP, TCP
from scapy.layers.l2 import Ether
from scapy.utils import RawPcapNgReader

from netcharter.plan.coding import DCCP, ICMP6, SCTP, UDP, UDPLITE
from netcharter.plan.coding import ICMP as ICMP4
from netcharter.plan.coding import TCP as TCP_
from netcharter.probes.captures import pcapng
from netcharter.probes.field import Field
from netcharter.probes.shapes import GATEWAY, Answered, Arrival, Place, Probe, Shape
from tests.probes.small_site import (
    ADDRESSES,
    ALICE,
    BOB,
    HARDWARE,
    PUBLIC,
    WAYS,
    WORLD,
    at_the_site,
    probe,
)

pytestmark = pytest.mark.kernel

GRE = 47
ECHO4, ECHO6 = 8 << 8, 128 << 8
FAR = {4: "192.0.3.77", 6: "2001:db8:ffff::77"}
ASKED: tuple[tuple[int, int, Answered], ...] = (
    (TCP_, 80, "answered"),
    (UDP, 53, "answered"),
    (TCP_, 81, "reset"),
    (UDP, 81, "prohibited"),
    (TCP_, 82, "silent"),
)
SHAPES: tuple[Shape, ...] = ("plain", "talk")
Outcome = tuple[Answered, tuple[Arrival, ...]]


def own(station: str, version: int) -> str:
    return ADDRESSES[station][version == 6]


def through(version: int) -> Iterator[Probe]:
    """From one area to the other, in every shape, with what the rules say of it."""
    here, there = own(ALICE, version), own(BOB, version)
    ports = count(40_000 + 1000 * version)

    def tried(protocol: int, number: int, shape: Shape, answer: Answered, arrives: str) -> Probe:
        return probe(
            ALICE, here, there, protocol, number, shape,
            answer=answer, arrives=arrives, port=next(ports),
        )  # fmt: skip

    for shape in ("plain", "talk", "plain", "talk"):
        yield tried(TCP_, 80, shape, "answered", BOB)
        yield tried(UDP, 53, shape, "answered", BOB)
        yield tried(TCP_, 81, shape, "reset", "")
        yield tried(UDP, 81, shape, "prohibited", "")
        yield tried(TCP_, 82, shape, "silent", "")
        yield tried(UDP, 82, shape, "silent", "")
        yield tried(UDP, 83, shape, "unreachable", "")
    echo = (ICMP4, ECHO4) if version == 4 else (ICMP6, ECHO6)
    yield tried(*echo, "plain", "answered", BOB)
    for _ in range(2):  # in order, then backwards
        yield tried(UDP, 53, "fragments", "answered", BOB)
        yield tried(*echo, "fragments", "answered", BOB)
        yield tried(UDP, 81, "fragments", "prohibited", "")
    for protocol in (DCCP, SCTP, UDPLITE):
        yield tried(protocol, 7, "plain", "silent", BOB)
    yield tried(GRE, 0, "plain", "silent", BOB)
    yield tried(50, 0, "plain", "silent", "")
    yield tried(TCP_, 80, "no-start", "silent", "")
    if version == 4:
        yield tried(ICMP4, 13 << 8, "plain", "answered", BOB)
        for number in (0, 3 << 8 | 3, 3 << 8 | 13, 11 << 8, 14 << 8):
            yield tried(ICMP4, number, "no-question", "silent", "")
        return
    for number in (129 << 8, 1 << 8 | 1, 1 << 8 | 4, 3 << 8):
        yield tried(ICMP6, number, "no-question", "silent", "")
    yield tried(TCP_, 80, "extension", "answered", BOB)
    yield tried(UDP, 81, "extension", "prohibited", "")
    yield tried(UDP, 53, "source-routed", "silent", "")


def elsewhere(version: int) -> Iterator[Probe]:
    """To the gateway, from it, within it, and beyond the line."""
    ports = count(50_000 + 1000 * version)
    gate, here, there = WAYS[ALICE][version == 6], own(ALICE, version), own(BOB, version)
    for shape in SHAPES:
        for who, source, end, arrives in (
            (ALICE, here, gate, GATEWAY),
            (GATEWAY, gate, there, BOB),
            (ALICE, here, FAR[version], WORLD),
            (GATEWAY, WAYS[WORLD][version == 6], FAR[version], WORLD),
            (WORLD, FAR[version], there, BOB),
        ):
            for protocol, number, answer in ASKED:
                yield probe(
                    who, source, end, protocol, number, shape,
                    answer=answer, arrives=arrives if answer == "answered" else "",
                    port=next(ports),
                )  # fmt: skip
        yield probe(
            GATEWAY, gate, gate, UDP, 53, shape,
            answer="answered", arrives=GATEWAY, port=next(ports),
        )  # fmt: skip


def seen_at(places: Mapping[str, Place], probes: Sequence[Probe], at_once: bool) -> list[Outcome]:
    with Field(places) as field:
        if at_once:
            return field.send(probes)
        return [field.send([each])[0] for each in probes]


@pytest.mark.parametrize("at_once", (True, False), ids=("at once", "one by one"))
@pytest.mark.parametrize("version", (4, 6))
def test_every_outcome_is_seen(version: int, at_once: bool) -> None:
    probes = [*through(version), *elsewhere(version)]
    found = at_the_site(lambda places: seen_at(places, probes, at_once))
    for each, (answer, arrivals) in zip(probes, found, strict=True):
        stations = frozenset(one.station for one in arrivals)
        assert (answer, stations) == (each.expected.answer, each.expected.arrives), each.told
        assert all(one.number == each.packet.number for one in arrivals if each.packet.number)
        hidden = version == 4 and each.station == ALICE and each.expected.arrives == {WORLD}
        for one in arrivals:
            assert str(one.source) == (PUBLIC if hidden else str(each.packet.source))
            assert one.destination == each.packet.destination


def test_an_offer_is_followed_to_where_it_leads() -> None:
    talks = [
        probe(WORLD, FAR[4], PUBLIC, TCP_, 8080, shape, answer="answered", arrives=BOB,
              delivered=80, port=port)
        for port, shape in enumerate(SHAPES, 40_000)
    ]  # fmt: skip
    found = at_the_site(lambda places: seen_at(places, talks, True))
    for each, (answer, arrivals) in zip(talks, found, strict=True):
        wanted = (each.packet.source, own(BOB, 4), 80)
        assert answer == "answered"
        assert [(a.source, str(a.destination), a.number) for a in arrivals] == [wanted]


def test_a_port_that_nobody_listens_at_is_no_refusal() -> None:
    """The receiver's own reset, or its word that there is no such protocol, comes after arrival."""
    alone = [
        probe(ALICE, own(ALICE, v), own(BOB, v), protocol, 80, answer="silent", port=40_000 + v)
        for v in (4, 6)
        for protocol in (TCP_, UDP, UDPLITE, GRE)
    ]
    found = at_the_site(lambda places: seen_at(places, alone, False))
    assert [(answer, [a.station for a in arrivals]) for answer, arrivals in found] == [
        ("silent", [BOB])
    ] * len(alone)


def test_a_refusal_that_goes_to_a_neighbour_is_an_answer_and_a_frame_past_the_gateway_is_not() -> (
    None
):
    stranger = 0x0200_0000_0A99
    forged = probe(ALICE, own(ALICE, 4), own(BOB, 4), UDP, 81, hardware=stranger)
    near = probe(ALICE, own(ALICE, 6), "ff02::1", ICMP6, 135 << 8)
    found = at_the_site(lambda places: seen_at(places, [forged, near], True))
    assert found[0] == ("prohibited", ())
    assert [a.station for a in found[1][1]] == [GATEWAY]


def test_routing_refuses_by_word_and_the_gateway_hears_it_itself() -> None:
    """ip-route(8): a prohibited route is told as "administratively prohibited" to others, and as
    EACCES to programs.
    """

    def work(places: Mapping[str, Place]) -> list[Outcome]:
        from netcharter.lab import isolation, tools

        with isolation.inside(places[GATEWAY].namespace):
            text = "route add prohibit 192.0.3.0/24\nroute add prohibit 2001:db8:ffff::/48\n"
            tools.run(("ip", "-batch", "-"), text + "route add unreachable 198.18.0.0/24\n")
        return seen_at(places, probes, False)

    probes = [
        probe(who, source, end, UDP, 53, shape, port=port)
        for port, (shape, (who, source, end)) in enumerate(
            [
                (shape, way)
                for shape in SHAPES
                for v in (4, 6)
                for way in ((ALICE, own(ALICE, v), FAR[v]), (GATEWAY, WAYS[ALICE][v == 6], FAR[v]))
            ],
            40_000,
        )
    ]
    probes.append(probe(ALICE, own(ALICE, 4), "198.18.0.7", UDP, 53, port=41_000))
    found = at_the_site(work)
    assert [answer for answer, _ in found] == ["prohibited"] * 8 + ["unreachable"]


def test_what_was_left_of_one_batch_is_nothing_to_the_next() -> None:
    """The same ports again and again, in any order, without a conversation in between."""
    probes = [replace(each, number=n) for n, each in enumerate(through(4))] * 3
    found = at_the_site(lambda places: seen_at(places, probes, False))
    third = len(probes) // 3
    assert found[:third] == found[third : 2 * third] == found[2 * third :]


def test_recordings_hold_what_was_sent_and_what_came_back() -> None:
    talk = probe(ALICE, own(ALICE, 4), own(BOB, 4), TCP_, 80, "talk", answer="answered",
                 arrives=BOB)  # fmt: skip

    def work(places: Mapping[str, Place]) -> bytes:
        with Field(places) as field:
            with field.recording([ALICE, BOB, GATEWAY]) as taken:
                field.send([talk])
            return pcapng(taken, "a talk")

    file: Any = io.BytesIO(at_the_site(work))
    reader: Any = RawPcapNgReader(file)
    frames = [(said.ifname.decode(), Ether(octets)) for octets, said in reader]
    flags = [(name, str(frame[TCP].flags)) for name, frame in frames if TCP in frame]
    for name in (ALICE, f"{GATEWAY} alice0", f"{GATEWAY} bob0", BOB):
        assert [said for where, said in flags if where == name][:3] == ["S", "SA", "A"]
    assert all(ICMP not in frame for _, frame in frames)


def test_the_processor_and_the_descriptors_are_given_back() -> None:
    def work(places: Mapping[str, Place]) -> tuple[bool, bool]:
        processors, files = os.sched_getaffinity(0), set(os.listdir("/proc/self/fd"))
        with Field(places) as field:
            field.send(list(through(4)))
            bound = os.sched_getaffinity(0)
        return len(bound) == 1, (processors, files) == (
            os.sched_getaffinity(0),
            set(os.listdir("/proc/self/fd")),
        )

    assert at_the_site(work) == (True, True)


def test_a_place_that_is_none_leaves_nothing_open() -> None:
    def work(places: Mapping[str, Place]) -> int:
        before = len(os.listdir("/proc/self/fd"))
        wrong = {**places, "nobody": replace(places[ALICE], station="nobody", device="net9")}
        with pytest.raises(OSError, match="No such device"):
            Field(wrong)
        return len(os.listdir("/proc/self/fd")) - before

    assert at_the_site(work) == 0


def test_a_station_without_a_way_says_so() -> None:
    def work(places: Mapping[str, Place]) -> None:
        from netcharter.lab import isolation, tools

        with isolation.inside(places[GATEWAY].namespace):
            tools.run(("ip", "link", "set", "dev", "alice0", "down"))
        with Field(places) as field, pytest.raises(OSError, match="no way to the gateway"):
            field.send([probe(ALICE, own(ALICE, 4), own(BOB, 4), TCP_, 80)])

    at_the_site(work)


def test_foreign_traffic_is_not_taken_for_a_probe() -> None:
    """A stranger who talks in the lab at the same time."""

    def work(places: Mapping[str, Place]) -> list[Outcome]:
        from netcharter.lab import isolation

        with isolation.inside(places[ALICE].namespace):
            noisy = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        with noisy, Field(places) as field:
            noisy.sendto(b"ncprobe\0" + struct.pack("!I", 1 << 20), (own(BOB, 4), 53))
            return field.send([probe(ALICE, own(ALICE, 4), own(BOB, 4), UDP, 82)])

    assert at_the_site(work) == [("silent", ())]


def test_the_hardware_of_the_small_site_is_as_it_says() -> None:
    assert {place.hardware for place in at_the_site(dict).values()} == {0, *HARDWARE.values()}
