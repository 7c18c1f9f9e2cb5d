"""What a kernel makes of single packets where it is not the plan's decision word for word.

Expected values follow `docs/explanation/rehearsal.md`, "How it is judged". They are what Linux 6.18
showed in rehearsals (`tests/lab`); where a published source says so too, it is named beside the case.
"""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from ipaddress import ip_address

import pytest

from netcharter.lab.world import world
from netcharter.plan.coding import HARDWARE_NONE
from netcharter.plan.fate import Attempt, Environment
from netcharter.probes.foresight import Foresight, foresee
from netcharter.probes.shapes import GATEWAY, Shape
from netcharter.probes.stage import Stage
from netcharter.probes.trials import Trial
from tests.render.plans import small_plan

AT = datetime(2026, 11, 25, 12, tzinfo=UTC)
BOTH = frozenset({"copper", "mast"})
TCP, UDP, ICMP, ICMP6, OSPF, GRE = 6, 17, 1, 58, 89, 47
OFFICE, OFFICE6 = "10.7.0.2", "2001:db8:7a00:1::2"


@cache
def stage() -> Stage:
    plan = small_plan()
    return Stage(plan, world(plan))


def seen(
    entrance: str,
    source: str,
    destination: str,
    protocol: int,
    number: int = 443,
    up: frozenset[str] = BOTH,
    shape: Shape = "plain",
) -> Foresight:
    hardware = HARDWARE_NONE
    if entrance in stage().areas:
        hardware = stage().seats.visitor(entrance).hardware
    ends = (stage().code(ip_address(text)) for text in (source, destination))
    start, end = ends
    attempt = Attempt(entrance, start, hardware, end, (protocol << 16) + number)
    return foresee(stage(), Trial(attempt, Environment(up, "", AT), shape))


def told(found: Foresight) -> tuple[str, tuple[str, ...]]:
    assert found.expected is not None, found.why
    counters = (name.removeprefix("nc_row_") for name in found.expected.counters)
    return found.expected.answer, tuple(counters)


FAR, FAR6, NOT, DOWN = "11.22.33.44", "2606:2800::1", "10.99.0.1", frozenset[str]()


@pytest.mark.parametrize(
    ("source", "destination", "protocol", "number", "answer", "counters"),
    [
        (OFFICE, FAR, TCP, 443, "answered", ["rule_6"]),
        (OFFICE, "10.7.1.9", TCP, 443, "reset", ["default"]),
        (OFFICE, "10.7.1.9", UDP, 443, "prohibited", ["default"]),
        # no conversation begins with them: RFC 792 errors and replies
        (OFFICE, FAR, ICMP, 3 << 8, "silent", ["nc_invalid"]),
        (OFFICE, "10.7.1.9", ICMP, 0, "silent", ["nc_invalid"]),
        (OFFICE6, FAR6, ICMP6, 129 << 8, "silent", ["nc_invalid"]),
        # untracked, and so never hidden: router solicitation, RFC 1256
        (OFFICE, FAR, ICMP, 10 << 8, "silent", ["rule_6", "nc_invalid"]),
        # no error about an error, or about what may be one: RFC 1122 section 3.2.2
        (OFFICE, "10.7.1.9", ICMP, 5 << 8, "silent", ["default"]),
        (OFFICE, "10.7.1.9", ICMP, 13 << 8, "prohibited", ["default"]),
        # to many nobody is answered: RFC 1122 section 3.2.2
        (OFFICE, "203.0.113.15", TCP, 443, "silent", ["rule_6"]),
        (OFFICE, "224.0.0.1", UDP, 443, "silent", ["multicast"]),
        (OFFICE, "224.0.0.5", UDP, 443, "silent", []),  # a group nobody has joined
        # what no hook sees
        (OFFICE, "127.0.0.1", TCP, 443, "silent", []),  # RFC 1122 section 3.2.1.3
        ("10.7.0.1", "10.7.1.9", TCP, 443, "silent", []),  # the gateway's own address
        ("10.7.1.127", "10.7.0.1", TCP, 443, "silent", []),  # a broadcast address
        ("224.0.0.1", "10.7.0.1", TCP, 443, "silent", []),
        ("0.0.0.0", "10.7.0.1", UDP, 67, "silent", []),
        ("0.0.0.0", "255.255.255.255", UDP, 67, "silent", ["dhcp"]),  # RFC 2131 section 4.1
        # in IPv6 the gateway's own address as a source is decided
        ("2001:db8:7a00:1::1", "2001:db8:7a00:2::9", TCP, 443, "silent", ["forged"]),
        # link-local sources are not passed on, and are told so: RFC 4443 section 3.1 code 2
        ("fe80::2", "2001:db8:7a00:2::9", TCP, 443, "unreachable", []),
        ("fe80::2", "2001:db8:7a00:1::1", TCP, 443, "silent", ["forged"]),
        ("::", "2001:db8:7a00:2::9", TCP, 443, "silent", []),  # RFC 4291 section 2.5.2
        # a filter answers what it can verify
        (OFFICE, "10.7.1.9", OSPF, 0, "silent", ["default"]),
        (OFFICE, "10.7.1.9", GRE, 0, "prohibited", ["default"]),
        # the reply to an anycast address comes from another one: RFC 4291 section 2.6
        (OFFICE6, "2001:db8:7a00:1::", ICMP6, 128 << 8, "silent", ["echo", "nc_invalid"]),
        (OFFICE6, "2001:db8:7a00:1::1", ICMP6, 128 << 8, "answered", ["echo"]),
    ],
)
def test_from_an_area(
    source: str, destination: str, protocol: int, number: int, answer: str, counters: list[str]
) -> None:
    found = seen("office", source, destination, protocol, number)
    assert told(found) == (answer, tuple(counters))


def test_without_a_route_routing_refuses_before_any_decision() -> None:
    for destination, protocol in ((FAR, TCP), (FAR, UDP), (NOT, TCP)):
        found = seen("office", OFFICE, destination, protocol, up=DOWN)
        assert told(found) == ("prohibited", ()) and found.unrouted
    assert told(seen("office", FAR, FAR, TCP, up=DOWN)) == ("silent", ())  # nobody's source there
    assert told(seen("office", OFFICE6, FAR6, TCP, up=frozenset({"mast"}))) == ("prohibited", ())


def test_odd_shapes() -> None:
    for shape, counters in (
        ("source-routed", ()),  # RFC 5095
        ("no-start", ("nc_invalid",)),
        ("extension", ("rule_6",)),  # RFC 8200 section 4.6: the transport header is what counts
        ("fragments", ("rule_6",)),
    ):
        found = seen("office", OFFICE6, FAR6, TCP, shape=shape)  # type: ignore[arg-type]
        assert told(found)[1] == counters


def test_how_it_looks_on_the_other_side() -> None:
    out = seen("office", OFFICE, FAR, TCP).expected
    assert out is not None and out.sources == {"copper": ip_address("203.0.113.10")}
    booking = stage().plan.devices[3].addresses4[0]
    offer = seen("copper", FAR, "203.0.113.10", TCP).expected
    assert offer is not None and offer.destination == booking
    assert offer.arrives == {"barn/booking"} and offer.sources == {"barn/booking": ip_address(FAR)}
    across = seen("office", OFFICE, "203.0.113.10", TCP).expected
    assert across is not None and across.sources == {"barn/booking": ip_address(OFFICE)}
    back = seen("barn", "10.7.3.2", "203.0.113.10", TCP).expected
    assert back is not None and back.sources == {"barn/booking": ip_address("10.7.3.1")}  # REQ-9
    own = seen("office", OFFICE, "10.7.0.1", UDP, 53).expected
    assert own is not None and own.arrives == {GATEWAY}


@pytest.mark.parametrize(
    ("entrance", "source", "destination", "up", "why"),
    [
        ("gateway", "10.7.0.1", "224.0.0.1", BOTH, "by its device"),
        ("gateway", "0.0.0.0", FAR, BOTH, "fills in a source"),
        ("gateway", "fe80::1", FAR6, BOTH, "link-local"),
        ("gateway", "203.0.113.10", FAR, frozenset({"mast"}), "copper, which is down"),
        ("office", OFFICE, "203.0.113.9", frozenset({"mast"}), "copper, which is down"),
        ("office", OFFICE6, "fe80::1", BOTH, "link-local"),
        ("office", OFFICE6, "2001:db8:7aff::", BOTH, "RFC 4291 section 2.6.1"),
    ],
)
def test_what_cannot_be_tried_says_why(
    entrance: str, source: str, destination: str, up: frozenset[str], why: str
) -> None:
    found = seen(entrance, source, destination, TCP, up=up)
    assert found.expected is None and why in found.why
