"""Limits per source on the real kernel: who is refused beyond them, and who is not.

No outcome depends on how fast it goes: what is begun is counted by the hour, where one is given back
every two minutes, or by the second, where the test waits for longer than that.
"""

from __future__ import annotations

import json
import re
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import UTC, datetime
from functools import cache
from ipaddress import ip_address
from typing import Any, cast

import pytest

from netcharter.charter.read import read
from netcharter.lab.agreement import kernel_equals_plan
from netcharter.lab.apart import apart
from netcharter.lab.rehearsal import rehearse
from netcharter.lab.site import Site
from netcharter.lab.world import world
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.probes.shapes import Station
from netcharter.proofs.kernel import Agreement
from netcharter.render import render
from netcharter.render.limits import SOURCES
from tests.kernel.namespace import needed
from tests.lab.sites import PATIENCE, SILENCE, end, family_of, stations

pytestmark = pytest.mark.kernel

NOW = datetime(2026, 11, 26, 12, tzinfo=UTC)
CHARTER = """
charter: 1
site: {name: Busy Barn, timezone: UTC, managed-from: [desk]}
lines:
  copper:
    device: eth0
    address: [203.0.113.10/28, "2001:db8:1::2/64"]
    next-hop: [203.0.113.9, "2001:db8:1::1"]
    prefix: 2001:db8:5::/48
areas:
  hall: {device: eth1, prefix: 10.7.1.0/24}
  barn: {device: eth2, prefix: 10.7.2.0/24}
devices:
  desk: {area: hall, hardware: "02:00:00:aa:00:01", address: lasting}
  booking: {area: barn, hardware: "02:00:00:aa:00:02", address: lasting}
places:
  guests: {prefixes: ["2001:db8:9::/48"]}
rules:
  - {let: hall, reach: internet, with: https, because: they may}
offers:
  - {offer: https, on: copper, to: booking, per-source: {new: 30 per hour}, because: a}
  - {offer: http, on: copper, to: booking, per-source: {at-once: 3}, because: b}
  - {offer: tcp/8443, on: copper, to: booking, per-source: {new: 2 per second}, because: c}
  - {offer: udp/5000, on: copper, to: booking, per-source: {new: 2 per hour, at-once: 9}, because: d}
  - {offer: tcp/22, on: copper, to: booking, because: e}
"""
ONE, OTHER = "203.0.113.11", "203.0.113.12"
GUEST, NEIGHBOUR, STRANGER = "2001:db8:9:1::5", "2001:db8:9:1:ffff::6", "2001:db8:9:2::5"
PUBLIC = "203.0.113.10"


@cache
def plan() -> Plan:
    charter = read(CHARTER, "busy.yaml").charter
    assert charter is not None
    return make_plan(charter)


def public6() -> str:
    """The server's own address within the line's prefix."""
    (booking,) = (one for one in plan().devices if one.name == "booking")
    (found,) = (str(a) for a in booking.addresses6 if str(a).startswith("2001:db8:5:"))
    return found


class Barn:
    """Sockets between the server and who comes to it."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.open = ExitStack()

    def begin(self, source: str, to: str, port: int, station: str = "copper") -> bool:
        """One conversation that stays open; whether the server answered."""
        asking = self.open.enter_context(end(self.site, station, family_of(to), 1, SILENCE))
        if source:
            asking.bind((source, 0))
        try:
            asking.connect((to, port))
        except TimeoutError:
            asking.close()
            return False
        self.last = asking
        return True

    def several(self, count: int, source: str, to: str, port: int, station: str = "copper") -> int:
        """How many of so many conversations were answered."""
        return sum(self.begin(source, to, port, station) for _ in range(count))

    def datagrams(self, count: int, source: str) -> None:
        """So many of one conversation, which nobody answers."""
        with end(self.site, "copper", socket.AF_INET, socket.SOCK_DGRAM, SILENCE) as asking:
            asking.bind((source, 0))
            for _ in range(count):
                asking.sendto(b"x", (PUBLIC, 5000))

    def listening(self, port: int) -> socket.socket:
        listener = self.open.enter_context(
            end(self.site, "booking", socket.AF_INET6, socket.SOCK_STREAM, PATIENCE)
        )
        listener.bind(("::", port))
        listener.listen(1000)
        return listener

    def counted(self, name: str) -> int:
        return self.site.counters()[name]


Found = dict[str, object]
Json = dict[str, Any]
Change = Callable[[Json], Json]


def _edited(old: str, new: str) -> Change:
    return lambda statement: cast(Json, json.loads(json.dumps(statement).replace(old, new)))


FAULTS: dict[str, Change] = {
    "no limit": lambda statement: {},
    "more than the charter says": _edited('"rate": 2', '"rate": 200'),
    "another number in quick succession": _edited('"burst": 2', '"burst": 5'),
    "by the minute": _edited('"per": "hour"', '"per": "minute"'),
    "of another offer": _edited("@nc_new4_offer_4", "@nc_new4_offer_1"),
    "of an area": _edited('"eth0"', '"eth1"'),
    "turned": _edited('"inv": true', '"inv": false'),
}


@cache
def seen() -> Found:
    """All that one site showed."""
    needed()
    own = [one for one in stations(plan()) if one.name != "copper"]
    held = tuple(
        map(ip_address, (ONE, OTHER, GUEST, NEIGHBOUR, STRANGER, "203.0.113.9", "2001:db8:1::1"))
    )
    places = (Station("copper", "copper", 0, held), *own)

    def within() -> Found:
        with Site(plan(), render(plan()).files, places, world(plan())) as site:
            barn = Barn(site)
            with barn.open:
                return dict(tried(barn))

    return apart(within, limit=120)


def tried(barn: Barn) -> Iterator[tuple[str, object]]:
    listeners = {port: barn.listening(port) for port in (443, 80, 8443, 22)}
    yield "begun", [barn.several(30, ONE, PUBLIC, 443), barn.several(2, ONE, PUBLIC, 443)]
    yield "refused", barn.counted("nc_over_offer_1")
    yield "let", barn.counted("nc_row_offer_1")
    yield "another", barn.several(2, OTHER, PUBLIC, 443)
    yield "besides", barn.several(2, ONE, PUBLIC, 22)
    yield "inside", barn.several(40, "", PUBLIC, 443, station="desk")
    yield "of one /64", [barn.several(n, s, public6(), 443) for n, s in (
        (20, GUEST), (10, NEIGHBOUR), (1, GUEST), (1, NEIGHBOUR), (1, STRANGER))]  # fmt: skip
    yield "at once", [barn.several(3, ONE, PUBLIC, 80), barn.several(1, ONE, PUBLIC, 80)]
    yield "at once by another", barn.several(1, OTHER, PUBLIC, 80)
    yield "at once in IPv6", [barn.several(n, s, public6(), 80) for n, s in (
        (2, GUEST), (1, NEIGHBOUR), (1, GUEST), (1, STRANGER))]  # fmt: skip
    yield "still open", talks(barn, listeners[80])
    yield "after an end", ended(barn, listeners[80])
    yield "by the second", [barn.several(2, ONE, PUBLIC, 8443), given_back(barn)]
    barn.datagrams(9, ONE)
    yield "datagrams of one", [barn.counted("nc_row_offer_4"), barn.counted("nc_over_offer_4")]
    barn.datagrams(1, ONE)
    barn.datagrams(1, ONE)
    yield "datagrams of others", barn.counted("nc_over_offer_4")
    yield "in a flood", flooded(barn)
    listing = barn.site.listing()
    yield "agreement", kernel_equals_plan(plan(), NOW, listing)
    for words, change in FAULTS.items():
        yield words, kernel_equals_plan(plan(), NOW, changed(listing, change))


def flooded(barn: Barn) -> tuple[int, int]:
    """With a set as full as many sources make it: what comes of one that it has not, and of one
    that it has."""
    rate = "limit rate over 30/hour burst 30 packets"
    there = 2  # sources that have been there already
    many = [f"100.64.{n >> 8}.{n & 255} {rate}" for n in range(SOURCES - there)]
    for at in range(0, len(many), 2000):
        some = ", ".join(many[at : at + 2000])
        barn.site.nft(f"add element inet netcharter nc_new4_offer_1 {{ {some} }}\n")
    return barn.several(32, "203.0.113.9", PUBLIC, 443), barn.several(1, ONE, PUBLIC, 443)


def changed(listing: str, change: Change) -> str:
    """The listing with each statement of one rule as `change` makes it; none left: no such rule."""
    found = json.loads(listing)
    rules = [one["rule"] for one in found["nftables"] if "rule" in one]
    (rule,) = (one for one in rules if "@nc_new4_offer_4" in str(one))
    expr = [made for one in rule["expr"] if (made := change(one))]
    rule["expr"] = expr if len(expr) == len(rule["expr"]) else []
    return json.dumps(found)


def talks(barn: Barn, listener: socket.socket) -> bool:
    """What was open before others were refused goes on."""
    server, _ = listener.accept()
    barn.open.enter_context(server)
    server.settimeout(PATIENCE)
    server.sendall(b"still here")
    return True


def ended(barn: Barn, listener: socket.socket) -> int:
    """One more after both ends of one have been closed."""
    before = barn.several(1, "203.0.113.9", PUBLIC, 80)
    asking = barn.last
    peer = None
    while peer is None:
        server, (address, *_) = listener.accept()
        peer = server if address.endswith("203.0.113.9") else None
        barn.open.enter_context(server)
    full = barn.several(3, "203.0.113.9", PUBLIC, 80)
    asking.close()
    peer.close()
    deadline = time.monotonic() + PATIENCE
    while time.monotonic() < deadline:  # until the gateway has seen the end
        if barn.begin("203.0.113.9", PUBLIC, 80):
            return before + full + 1
    return before + full


def given_back(barn: Barn) -> bool:
    time.sleep(1.2)
    return barn.begin(ONE, PUBLIC, 8443)


def test_the_thirty_first_is_not_answered() -> None:
    found = seen()
    assert found["begun"] == [30, 0]
    assert found["refused"] == 2 and found["let"] == 30


def test_another_source_is_and_what_has_no_limit() -> None:
    assert seen()["another"] == 2 and seen()["besides"] == 2


def test_nobody_inside_is_limited() -> None:
    assert seen()["inside"] == 40


def test_a_flood_from_many_sources_shuts_nobody_out() -> None:
    """Whoever finds no room in a full set is not limited; whoever stands in it still is."""
    assert seen()["in a flood"] == (32, 0)


def test_a_64_is_one_source() -> None:
    """RFC 8981: a host takes new addresses within its /64."""
    assert seen()["of one /64"] == [20, 10, 0, 0, 1]


def test_so_many_at_once_and_one_more_after_an_end() -> None:
    found = seen()
    assert found["at once"] == [3, 0] and found["at once by another"] == 1
    assert found["at once in IPv6"] == [2, 1, 0, 1]
    assert found["still open"] and found["after an end"] == 1 + 2 + 1


def test_with_time_one_may_again() -> None:
    assert seen()["by the second"] == [2, True]


def test_a_flow_without_answers_is_one_conversation() -> None:
    found = seen()
    assert found["datagrams of one"] == [9, 0]
    assert found["datagrams of others"] == 1  # the third conversation


@pytest.mark.parametrize("fault", FAULTS)
def test_another_limit_is_not_the_plan(fault: str) -> None:
    agreement = seen()[fault]
    assert isinstance(agreement, Agreement)
    assert not agreement.same
    sentences = [one.sentence for one in agreement.differences]
    assert sentences and all("offer 4" in words and "limit" in words for words in sentences), (
        sentences
    )


def test_no_rehearsal_trips_over_the_lowest_limit() -> None:
    """Its many probes have few sources."""
    needed()
    lowest = re.sub(r"per-source: {[^}]*}", "per-source: {new: 1 per hour, at-once: 1}", CHARTER)
    charter = read(lowest, "busy.yaml").charter
    assert charter is not None
    strict = make_plan(charter)
    found = rehearse(strict, render(strict).files, NOW, limit=250, seconds=240.0)
    assert found.ok, found.mismatches
    assert found.repeated == 0
    assert any("limit per source" in words for words in found.differs)


def test_the_kernel_is_the_plan_and_the_limits_are_assumed() -> None:
    agreement = seen()["agreement"]
    assert isinstance(agreement, Agreement)
    assert agreement.same, agreement.differences
    limits = [words for words in agreement.assumed if "nc_new" in words or "nc_once" in words]
    assert len(limits) == 10 and all("this limit is not exceeded" in words for words in limits)
