"""The pace of a rehearsal: it never asks for more refusals than are answered.

The kit's limit is that of docs/explanation/kit.md. Linux's on what routing says stands in
net/ipv4/route.c (`ip_error`: `ip_rt_error_burst`, five, and `ip_rt_error_cost`, one second).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from ipaddress import ip_address
from types import SimpleNamespace
from typing import Any

from netcharter.lab.performance import (
    BURST,
    GIVEN_UP,
    RATE,
    ROUTING_BURST,
    WAITS,
    Pace,
    Performed,
    Performer,
)
from netcharter.probes.shapes import Answered, Expected, Packet, Probe, Seen, Setting

DEFAULT = "nc_row_default"
SECOND = 1.0


class Clock:
    """A clock that moves when it is told to."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


def probe(answer: Answered, *counters: str, source: str = "10.0.0.7", who: str = "desk") -> Probe:
    packet = Packet(ip_address(source), ip_address("192.0.2.1"), 6, 80, 40_000, 1)
    if packet.source.version == 6:
        packet = Packet(packet.source, ip_address("2001:db8::1"), 6, 80, 40_000, 1)
    expected = Expected(answer, counters)
    return Probe(1, who, packet, "plain", Setting(frozenset()), expected, "", "", "")


def sent_at(each: Probe, times: int) -> list[float]:
    """When each of so many probes of a kind goes out, all of which are seen as expected."""
    clock = Clock()
    pace = Pace(frozenset({DEFAULT}), clock)
    out = []
    for _ in range(times):
        clock.now += pace.wait(each)
        out.append(clock.now)
        pace.note(each, Seen(each.expected.answer, (), dict.fromkeys(each.expected.counters, 1)))
    return out


def within_limits(times: list[float], burst: float, rate: float) -> bool:
    """A token bucket of that size, filled at that rate, is never empty when one is taken."""
    left, last = burst, 0.0
    for now in times:
        left = min(burst, left + (now - last) * rate)
        last = now
        if left < 1:
            return False
        left -= 1
    return True


def test_refusals_of_the_kit_stay_below_its_limit() -> None:
    times = sent_at(probe("reset", DEFAULT), 1000)
    assert within_limits(times, BURST, RATE)
    assert times[-1] < 1000 / RATE * 2 * SECOND, "slower than it need be"


def test_refusals_by_routing_stay_below_the_kernels_limit() -> None:
    times = sent_at(probe("prohibited"), 20)
    assert within_limits(times, ROUTING_BURST, 1)
    assert times[ROUTING_BURST - 1] == 0.0


def test_what_no_limit_stands_before_is_not_delayed() -> None:
    for each in (
        probe("answered", "nc_row_rule_1"),
        probe("silent", "nc_row_forged"),
        probe("prohibited", source="2001:db8::7"),
        probe("prohibited", who="gateway"),
    ):
        assert sent_at(each, 500)[-1] == 0.0


def test_each_address_has_a_bucket_of_its_own() -> None:
    clock = Clock()
    pace = Pace(frozenset({DEFAULT}), clock)
    for host in range(1, 50):
        one = probe("prohibited", source=f"10.0.0.{host}")
        assert pace.wait(one) == 0.0
        pace.note(one, Seen("prohibited", (), {}))


def test_a_refusal_that_nobody_heard_counts_as_well() -> None:
    clock = Clock()
    pace = Pace(frozenset({DEFAULT}), clock)
    lost = probe("silent", DEFAULT)
    for _ in range(BURST):
        pace.note(lost, Seen("silent", (), {DEFAULT: 1}))
    assert pace.wait(probe("reset", DEFAULT)) > 0


class Muffled:
    """A site and its field in one, in which no error comes back the first so many times."""

    def __init__(self, silent: int) -> None:
        self.silent = silent
        self.slept: list[float] = []

    def forget(self) -> None: ...

    def counters(self) -> dict[str, int]:
        return {}

    def send(self, probes: Sequence[Probe]) -> list[tuple[Answered, tuple[()]]]:
        self.silent -= 1
        return [("silent" if self.silent >= 0 else each.expected.answer, ()) for each in probes]

    @contextmanager
    def recording(self, stations: Sequence[str]) -> Iterator[list[Any]]:
        yield []

    def performs(self, *probes: Probe) -> Performed:
        plan: Any = SimpleNamespace(rows=())
        lab: Any = self
        performer = Performer(plan, lab, lab, self.slept.append)
        found = Performed()
        for each in probes:
            performer.take(each, found)
        return found

    @property
    def waits(self) -> int:
        return self.slept.count(GIVEN_UP)


def test_an_error_that_others_may_have_taken_the_room_of_is_waited_for() -> None:
    refused = probe("prohibited", source="2001:db8::7")
    for silent, waits in ((0, 0), (1, 0), (2, 1)):
        lab = Muffled(silent)
        found = lab.performs(refused)
        assert (found.agreed, found.repeated, lab.waits) == (1, bool(silent), waits)


def test_it_is_waited_for_so_often_and_then_believed() -> None:
    lab = Muffled(1000)
    found = lab.performs(*[probe("prohibited", source="2001:db8::7")] * 10)
    assert (len(found.mismatches), lab.waits) == (10, WAITS)


def test_what_is_no_error_is_not_waited_for() -> None:
    lab = Muffled(1000)
    lab.performs(probe("reset", source="2001:db8::7"), probe("answered", source="2001:db8::7"))
    assert lab.waits == 0
