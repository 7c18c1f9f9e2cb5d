"""Random rulesets, loaded into the kernel and probed with real packets, against readback.

The kernel is the judge: what it did with a packet must be what readback decided from the JSON
listing alone, or be among what it holds possible.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from random import Random
from typing import Any

import pytest

from netcharter.readback.shapes import Condition, Host
from netcharter.space.ranges import has, subset
from tests.readback import ground
from tests.readback.compared import (
    Tally,
    compare,
    corpus,
    host,
    kernel_host,
    packets_of,
    remember,
    told,
)
from tests.readback.frames import ICMP, ICMP6, Sent
from tests.readback.judging import coded
from tests.readback.packets import packets
from tests.readback.rulesets import ruleset
from tests.readback.traps import (
    DOUBTS,
    IN_TIME,
    IN_TIME_FALSE,
    LINKED,
    LIVING,
    LIVING_TRUE,
    SEVERAL,
    TRAPS,
    crossed,
    nearby,
)
from tests.readback.trying import Kernel

pytestmark = pytest.mark.kernel

LONG = "NETCHARTER_LONG"  # set: many more of everything
GROUPS, RULESETS, PACKETS = 10, 12, 60
AT_LEAST = 5_000
TOO_MANY_MAY = 0.02
EVERY_FATE = (
    *(f"arrived, {each}" for each in ("silent", "reset", "prohibited", "unreachable")),
    *("arrived, delivered", "arrived, sent on", "own, silent", "own, sent on", "own, delivered"),
    *("another destination", "another source"),
)


@pytest.fixture(scope="module")
def kernel() -> Iterator[Kernel]:
    with Kernel() as found:
        yield found


def test_the_host_is_what_its_own_tools_say(kernel: Kernel) -> None:
    """What the tests know of the host they made, against what readback makes of `ip -j` there."""
    known, said = host(), kernel_host(kernel)
    assert set(said.devices) == {*known.devices, "lo"}
    assert {name: said.own[name] for name in known.own} == known.own
    assert subset(known.broadcast, said.broadcast)
    assert subset(known.anycast, said.anycast)
    hosts = [each for device in ground.DEVICES for each in device.hosts]
    for address in (*hosts, *ground.FAR, *ground.NOWHERE):
        assert _way(said, coded(address)) == _way(known, coded(address)), address


def _way(there: Host, address: int) -> tuple[str, ...]:
    return next((names for to, names in there.routes if has(to, address)), ())


@pytest.mark.parametrize("entry", corpus(), ids=lambda entry: str(entry["seed"]))
def test_what_once_went_wrong_stays_right(kernel: Kernel, entry: dict[str, Any]) -> None:
    found = compare(kernel, entry["ruleset"], packets_of(entry))
    assert not found.wrong, told("", found)


@pytest.mark.parametrize("name", TRAPS)
def test_what_is_easily_misread_is_read_right(kernel: Kernel, name: str) -> None:
    found = compare(kernel, TRAPS[name], crossed())
    assert not found.wrong, told(TRAPS[name], found)
    assert not found.may or name in SEVERAL, told(TRAPS[name], found)


@pytest.mark.parametrize("name", LINKED)
def test_what_is_on_a_link_goes_no_other_way(kernel: Kernel, name: str) -> None:
    found = compare(kernel, LINKED[name], nearby())
    assert not found.wrong and not found.may, told(LINKED[name], found)


@pytest.mark.parametrize("name", DOUBTS)
def test_what_is_open_is_said_to_be_open(kernel: Kernel, name: str) -> None:
    found = compare(kernel, DOUBTS[name], crossed())
    assert not found.wrong, told(DOUBTS[name], found)
    assert found.may or found.aside


def test_what_living_sets_hold_can_be_said(kernel: Kernel) -> None:
    """With the truth about each set at hand nothing stays open."""

    def holds(sent: Sent, condition: Condition) -> bool:
        assert condition.kind == "set"
        return LIVING_TRUE[condition.name](sent)

    found = compare(kernel, LIVING, crossed(), holds)
    assert not found.wrong, told(LIVING, found)
    assert not found.may, told(LIVING, found)
    found = compare(kernel, LIVING, crossed())
    assert not found.wrong, told(LIVING, found)
    assert found.may


def test_limits_and_quotas_can_be_said(kernel: Kernel) -> None:
    def matches(sent: Sent, condition: Condition) -> bool:
        assert condition.kind in ("limit", "quota")
        return not any(word in condition.name for word in IN_TIME_FALSE)

    found = compare(kernel, IN_TIME, crossed(), matches)
    assert not found.wrong, told(IN_TIME, found)
    assert not found.may
    assert not found.aside


def test_the_other_familys_icmp_fits_no_conversation(kernel: Kernel) -> None:
    text = TRAPS["the other family's ICMP fits no conversation"]
    hardware = ground.HARDWARE[0]
    sent = [
        Sent("lan0", "192.0.2.10", "192.0.2.70", ICMP6, 0, 0, hardware),
        Sent("lan0", "2001:db8:0:1::10", "2001:db8:0:2::10", ICMP, 0, 0, hardware),
    ]
    assert not compare(kernel, text, sent).wrong
    assert [each.counters for each in kernel.tried(text, sent).outcomes] == [{"a": 1}] * 2


def test_random_rulesets_do_what_is_read_from_them(kernel: Kernel, seed: int) -> None:
    total = Tally()
    factor = 30 if os.environ.get(LONG) else 1
    for number in range(GROUPS * RULESETS * factor):
        found, text = _one(kernel, f"{seed}/{number}")
        if found.wrong:
            pytest.fail(f"seed {seed}/{number}\n{told(text, found)}")
        total.add(found)
    print(f"{total.packets} packets, {total.may} may, {total.aside} met a limit or quota")
    assert total.packets - total.aside >= AT_LEAST
    assert not [kind for kind in EVERY_FATE if not total.fates[kind]], total.fates
    share = total.may / (total.packets - total.aside)
    assert share < TOO_MANY_MAY, "\n".join([f"{share:.1%}", *total.doubts[:40]])


def _one(kernel: Kernel, seed: str) -> tuple[Tally, str]:
    rng = Random(seed)
    drawn = ruleset(rng)
    found = compare(kernel, drawn.text, packets(drawn.pool, rng, PACKETS))
    if found.wrong:
        remember(seed, drawn.text, found.suspects)
    return found, drawn.text


def test_what_is_not_understood_is_never_silently_wrong(kernel: Kernel, seed: int) -> None:
    for number in range(40 * (10 if os.environ.get(LONG) else 1)):
        rng = Random(f"blind/{seed}/{number}")
        drawn = ruleset(rng)
        found = compare(kernel, drawn.text, packets(drawn.pool, rng, 30), blind=rng)
        assert not found.wrong, f"blind/{seed}/{number}\n{told(drawn.text, found)}"
