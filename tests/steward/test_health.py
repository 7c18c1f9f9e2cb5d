"""Health: every limit at both its values, and what has to last before it is an alarm."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

import pytest

from netcharter.rollout.reading import fields, written
from netcharter.steward.duties import health
from netcharter.steward.shapes import (
    Certificate,
    Clock,
    Disk,
    Facts,
    Heat,
    LineFact,
    Machine,
    Report,
)
from tests.steward.kernel import SYNCHRONISED, at

NOW = at("2026-11-26 03:00")
MINUTE = timedelta(minutes=1)


def told(facts: Iterable[Facts], key: str) -> list[bool]:
    """Whether the matter is bad, reading after reading."""
    state, found = health.State(), []
    for number, one in enumerate(facts):
        decision = health.decide(state, one, NOW + number * MINUTE)
        state = decision.state
        found += [report.bad for report in decision.reports if report.key == key]
    return found


def machine(**parts: object) -> Facts:
    return Facts(SYNCHRONISED, machine=Machine(**parts))  # type: ignore[arg-type]


def disk(share: float) -> Facts:
    return machine(disks=(Disk("/", int(share * 1000), 1000),))


def places(share: float) -> Facts:
    return machine(disks=(Disk("/", 900, 1000, int(share * 1000), 1000),))


def memory(share: float) -> Facts:
    return machine(memory=(int(share * 1000), 1000))


def heat(degrees: float, critical: float | None = None) -> Facts:
    return machine(heat=(Heat("soc", degrees, critical),))


def certificate(days: float) -> Facts:
    return machine(certificates=(Certificate("/c.pem", NOW + timedelta(days=days)),))


def line(carrier: bool | None, answers: bool | None = True) -> Facts:
    hops = {"203.0.113.9": answers}
    return machine(lines=(LineFact("copper", "eth0", carrier, hops),))


@pytest.mark.parametrize(
    ("make", "key", "values", "bad"),
    [
        (disk, "health/disk /", [0.10, 0.099, 0.10, 0.149, 0.15, 0.12], "-XXX--"),
        (places, "health/files /", [0.05, 0.049, 0.09, 0.10, 0.07], "-XX--"),
        (memory, "health/memory", [0.05, 0.05, 0.05, 0.09, 0.12, 0.05, 0.2, 0.05, 0.05], "--XX-----"),
        (heat, "health/heat soc", [85, 86, 86, 79, 78, 86, 70, 86], "--XX----"),
        (certificate, "health/certificate /c.pem", [22, 20.5, 27, 28.5, 0.5, -3], "-XX-XX"),
    ],
)  # fmt: skip
def test_an_alarm_begins_at_one_value_and_ends_at_another(
    make: object, key: str, values: list[float], bad: str
) -> None:
    assert callable(make)
    found = told(map(make, values), key)
    assert "".join("X" if one else "-" for one in found) == bad


def test_a_sensor_that_says_what_is_critical_is_judged_by_that() -> None:
    readings = [heat(91, 100), heat(93, 100), heat(93, 100), heat(86, 100), heat(85, 100)]
    assert told(readings, "health/heat soc") == [False, False, True, True, False]


def test_a_clock_has_ten_minutes() -> None:
    lost, right = Facts(Clock(False)), Facts(SYNCHRONISED)
    assert told([lost] * 9 + [right] + [lost] * 10 + [right], "health/clock") == (
        [False] * 9 + [False] + [False] * 9 + [True] + [False]
    )


def test_a_line_without_carrier_or_device_is_told_at_the_second_reading() -> None:
    for missing in (False, None):
        readings = [line(True), line(missing), line(True), line(missing), line(missing), line(True)]
        assert told(readings, "health/line copper") == [False, False, False, False, True, False]


def test_what_the_duty_of_lines_tells_is_not_told_twice() -> None:
    for carrier in (False, None, True):
        fact = LineFact("copper", "eth0", carrier, {}, ("203.0.113.10/29",), (4,), watched=True)
        readings = [machine(lines=(fact,))] * 3
        keys = {r.key for r in health.decide(health.State(), readings[0], NOW).reports}
        assert keys & {"health/line copper", "health/line copper route"} == set()
        address = "health/line copper address"
        assert told(readings, address) == ([] if carrier is None else [False, carrier, carrier])


def test_a_next_hop_is_judged_only_while_there_is_a_carrier_and_an_answer_is_known() -> None:
    key = "health/line copper 203.0.113.9"
    silent = [line(True, False)] * 3
    assert told([*silent, line(True, None), line(True, True)], key) == [
        False, False, True, True, False
    ]  # fmt: skip
    assert told([line(False, False)] * 5, key) == [False] * 5
    assert told([line(None, False)] * 5, key) == []


def test_a_certificate_that_cannot_be_read_is_an_alarm() -> None:
    facts = machine(certificates=(Certificate("/c.pem", None, "there is no such file"),))
    (report,) = _of(facts, "health/certificate /c.pem")
    assert report.bad and "there is no such file" in report.text


def test_the_last_days_of_a_certificate_and_the_end_of_a_disk_are_urgent() -> None:
    severities = [
        _of(certificate(days), "health/certificate /c.pem")[0].severity for days in (9, 2)
    ]
    assert severities == ["warning", "urgent"]
    assert [_of(disk(s), "health/disk /")[0].severity for s in (0.09, 0.02)] == [
        "warning",
        "urgent",
    ]


def _of(facts: Facts, key: str) -> list[Report]:
    decision = health.decide(health.State(), facts, NOW)
    return [report for report in decision.reports if report.key == key]


def test_what_is_bad_outlives_the_process_and_counts_do_not() -> None:
    duty = health.duty()
    state = health.State(frozenset({"health/disk /"}), {"health/clock": 3})
    again = duty.read(fields("health.json", written(duty.written(state))))
    assert again == health.State(frozenset({"health/disk /"}))
    decision = duty.decide(again, disk(0.12), NOW)
    assert [r.bad for r in decision.reports if r.key == "health/disk /"] == [True]


def test_nothing_is_said_of_what_a_machine_does_not_have() -> None:
    decision = health.decide(health.State(), machine(disks=(Disk("/x", 0, 0),)), NOW)
    assert [report.key for report in decision.reports] == ["health/clock"]
