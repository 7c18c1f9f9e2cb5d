"""The pace of a rehearsal: it never asks for more refusals than are answered.

The kit's limit is that of docs/explanation/kit.md. Linux's on what routing says stands in
net/ipv4/route.c (`ip_error`: `ip_rt_error_burst`, five, and `ip_rt_error_cost`, one second).
"""

from __future__ import annotations

from ipaddress import ip_address

from netcharter.lab.performance import BURST, RATE, ROUTING_BURST, Pace
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
