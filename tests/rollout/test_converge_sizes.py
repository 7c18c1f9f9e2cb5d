"""The size of a line's packets on the real kernel: set, restored, told, and left to others."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pytest

from netcharter.rollout.converge import converge, unlike
from netcharter.rollout.network import link
from netcharter.rollout.shapes import HostState, Link
from netcharter.rollout.snapshot import restored, snapshot
from netcharter.rollout.wanted import settings_of, wanted
from tests.rollout.bench import Bench, bench, fitting, kit_of
from tests.rollout.test_converge_small import back, towards

SITE = """
charter: 1
site: {name: Small Hut, timezone: UTC, managed-from: [desk]}
lines:
  dsl: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9%s}
areas:
  hall: {device: eth1, prefix: 10.7.1.0/24}
devices:
  desk: {area: hall, hardware: 02:00:00:aa:00:01, address: lasting}
"""


@pytest.fixture(scope="module")
def narrow() -> Mapping[str, bytes]:
    return fitting(kit_of(SITE % ", mtu: 1492"))


@pytest.fixture(scope="module")
def plain() -> Mapping[str, bytes]:
    return fitting(kit_of(SITE % ""))


@pytest.fixture
def host() -> Iterator[Bench]:
    with bench() as found:
        found.devices(("eth0", "eth1"))
        yield found


def size(host: Bench, device: str = "eth0") -> int | None:
    return {each.name: each.mtu for each in host.observe().links}[device]


@pytest.mark.kernel
def test_it_is_set_and_restored(host: Bench, narrow: Mapping[str, bytes]) -> None:
    host.shell("ip link set dev eth0 mtu 1480")
    before = restored("a snapshot", snapshot(host.observe(settings_of(narrow))))
    host.take(towards(host, narrow, None))
    assert size(host) == 1492 and size(host, "eth1") == 1500
    assert not [step for step in towards(host, narrow, narrow) if "size" in step.name]
    back(host, before, narrow)
    assert size(host) == 1480


@pytest.mark.kernel
def test_a_charter_that_says_nothing_more_of_it_gives_the_device_back_what_ethernet_has(
    host: Bench, narrow: Mapping[str, bytes], plain: Mapping[str, bytes]
) -> None:
    """1500 bytes: RFC 894 for IPv4, RFC 2464 section 2 for IPv6."""
    host.take(towards(host, narrow, None))
    host.take(towards(host, plain, narrow))
    assert size(host) == 1500
    host.shell("ip link set dev eth0 mtu 1400")  # somebody else's doing is left
    host.take(towards(host, plain, plain))
    assert size(host) == 1400


@pytest.mark.kernel
def test_what_became_of_it_is_told(host: Bench, narrow: Mapping[str, bytes]) -> None:
    host.take(towards(host, narrow, None))
    host.shell("ip link set dev eth0 mtu 1500")
    now = host.observe(settings_of(narrow))
    told = [said for said in unlike(wanted(narrow, now, narrow), now) if "eth0" in said]
    assert told == ["eth0 takes 1500 bytes at a time instead of 1492"]


def test_a_vlan_is_made_as_large_as_its_device_and_goes_down_with_it() -> None:
    """What is to be written for `ip`, in an order that Linux takes (vlan_dev_change_mtu)."""

    def told(now: tuple[Link, ...], then: tuple[Link, ...]) -> list[str]:
        steps = converge(HostState(1.0, links=now), HostState(1.0, links=then))
        text = "".join(e.stdin.decode() for s in steps for e in s.effects)  # type: ignore[union-attr]
        return [line for line in text.splitlines() if " mtu " in line]

    small, large = Link("eth0", True, mtu=1400), Link("eth0", True, mtu=1500)
    tagged = Link("eth0.7", True, "eth0", 7, 1500)
    assert told((small,), (large, tagged)) == [
        "link set dev eth0 mtu 1500",
        "link set dev eth0.7 mtu 1500",
    ]
    assert told((large, tagged), (small, Link("eth0.7", True, "eth0", 7, 1400))) == [
        "link set dev eth0 mtu 1400"
    ]


def test_a_host_that_does_not_tell_it_is_not_asked_for_it() -> None:
    """`ip -j link` tells it since it was made; a snapshot of an earlier version does not."""
    assert link({"ifname": "eth0", "flags": ["UP"]}).mtu is None
    known, unknown = Link("eth0", True, mtu=1500), Link("eth0", True)
    states = [HostState(1.0, links=(each,)) for each in (known, unknown)]
    assert unlike(states[0], states[1]) == unlike(states[1], states[0]) == ()
    assert not converge(states[0], states[1])
