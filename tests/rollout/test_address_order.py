"""Which of several IPv4 addresses of a network the kernel sends from: the first (Linux,
net/ipv4/devinet.c; ip-address(8) calls the others secondary). Seen of a real kernel."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from ipaddress import IPv4Interface
from itertools import permutations

import pytest

from netcharter.rollout.converge import converge, unlike
from netcharter.rollout.shapes import Held, Run
from tests.rollout.bench import Bench, bench

pytestmark = pytest.mark.kernel

ADDRESSES = ("203.0.113.10/29", "203.0.113.12/29", "203.0.113.13/29")
ORDERS = [
    *permutations(ADDRESSES),
    *permutations(ADDRESSES, 2),
]
ROUTE = "192.0.2.0/24 via 203.0.113.9 dev eth0 src 203.0.113.12 proto static"


@pytest.fixture(scope="module")
def host() -> Iterator[Bench]:
    with bench() as found:
        found.devices(["eth0"])
        yield found


def begin(host: Bench, order: tuple[str, ...]) -> None:
    host.shell("ip -4 address flush dev eth0")
    for text in order:
        host.sure(("ip", "address", "add", text, "dev", "eth0"))


def source(host: Bench) -> str:
    """What the kernel itself says it would send from."""
    told = host.shell("ip -4 route get 203.0.113.9").split()
    return told[told.index("src") + 1]


@pytest.mark.parametrize("promotes", ["0", "1"])
def test_the_first_that_is_wanted_leads_whatever_was_there_before(
    host: Bench, promotes: str
) -> None:
    host.shell(f"echo {promotes} > /proc/sys/net/ipv4/conf/eth0/promote_secondaries")
    for before in ORDERS:
        for after in ORDERS:
            begin(host, before)
            now = host.observe()
            asked = tuple(Held("eth0", IPv4Interface(text)) for text in after)
            wanted = replace(now, addresses=asked)
            for step in converge(now, wanted):
                for effect in step.effects:
                    assert isinstance(effect, Run)
                    host.sure(effect.argv, effect.stdin)
            assert unlike(wanted, host.observe()) == (), (before, after)
            assert source(host) == after[0].split("/")[0], (before, after)


def test_a_route_that_sends_from_an_address_that_is_moved_is_there_afterwards(host: Bench) -> None:
    begin(host, ADDRESSES)
    host.sure(("ip", "route", "add", *ROUTE.split()))
    now = host.observe()
    asked = tuple(Held("eth0", IPv4Interface(text)) for text in reversed(ADDRESSES))
    wanted = replace(now, addresses=asked)
    for step in converge(now, wanted):
        for effect in step.effects:
            assert isinstance(effect, Run)
            host.run(effect.argv, effect.stdin)
    assert unlike(wanted, host.observe()) == ()
    assert source(host) == "203.0.113.13"
