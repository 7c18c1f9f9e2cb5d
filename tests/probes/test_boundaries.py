"""Every boundary has both sides, and none that shows is missing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from random import Random

import pytest

from netcharter.lab.world import world
from netcharter.plan import coding, fate
from netcharter.plan.coding import ANY4, ANY6, ANY_HARDWARE, ANY_SERVICE, SYMBOLS
from netcharter.plan.fate import Attempt, Environment
from netcharter.plan.shapes import Plan, Region, Row
from netcharter.probes.boundaries import Boundary, boundaries
from netcharter.probes.classes import classes
from netcharter.probes.leading import settled
from netcharter.probes.programme import programme
from netcharter.probes.search import Search
from netcharter.probes.shapes import Packet, Programme, Unprobed
from netcharter.probes.stage import Stage
from netcharter.proofs.certify import Prover
from netcharter.space.ranges import has
from tests.kernel.sampling import attempts as corners
from tests.oracle.compared import NOW, pair
from tests.render.plans import small_plan

AT = datetime(2026, 11, 25, 12, tzinfo=UTC)
MANY = 100_000


@cache
def small() -> Plan:
    return small_plan()


def surveyed(plan: Plan, now: datetime) -> tuple[tuple[Boundary, ...], tuple[Unprobed, ...]]:
    plan = settled(plan, world(plan))
    search = Search(Stage(plan, world(plan)), Prover(plan, now))
    found, _ = classes(search)
    return boundaries(search, found, now, MANY)


@cache
def of_small() -> tuple[tuple[Boundary, ...], tuple[Unprobed, ...]]:
    return surveyed(small(), AT)


@cache
def made() -> Programme:
    return programme(small(), world(small()), AT)


def assert_sides(plan: Plan, found: tuple[Boundary, ...]) -> None:
    for each in found:
        inside, outside = (
            fate.fate(plan, trial.attempt, trial.environment).row
            for trial in (each.inside, each.outside)
        )
        assert inside is each.row, each
        assert outside is not each.row, each


def test_the_inside_is_decided_by_the_row_and_the_outside_is_not() -> None:
    found, _ = of_small()
    assert len(found) > 500
    assert_sides(small(), found)
    fields = {each.field for each in found}
    assert fields == {"destination", "source", "service", "hardware", "who", "time", "lines"}


@pytest.mark.parametrize("number", range(4))
def test_so_it_is_on_random_charters(number: int) -> None:
    plan = settled(pair(number).plan, world(pair(number).plan))
    assert_sides(plan, surveyed(plan, NOW)[0])


def test_both_sides_of_each_are_among_the_probes() -> None:
    """By what is sent and in which state of the lines; a refusal for want of a route may come from
    another source.
    """
    stage = Stage(small(), world(small()))
    sent = {_sent(p.packet, p.setting.up) for p in made().probes}
    sent |= {_sent(p.packet, p.setting.up)[1:] for p in made().probes}
    for each in of_small()[0]:
        for trial, side in ((each.inside, "inside"), (each.outside, "outside")):
            source, end = (
                stage.real(code) for code in (trial.attempt.source, trial.attempt.destination)
            )
            service = trial.attempt.service
            key = (source, end, service >> 16, service & 0xFFFF, trial.environment.lines)
            assert key in sent or (each.row.routed and key[1:] in sent), (side, each)


def _sent(packet: Packet, up: frozenset[str]) -> tuple[object, ...]:
    return packet.source, packet.destination, packet.protocol, packet.number, up


def _tried(**said: object) -> list[tuple[str, tuple[str, ...]]]:
    """Answer and counters of the probes of the small site with such packets."""
    return [
        (probe.expected.answer, probe.expected.counters)
        for probe in made().probes
        if probe.shape == "plain"
        and all(str(getattr(probe.packet, name)) == str(value) for name, value in said.items())
    ]


def _counted(label: str, **said: object) -> bool:
    return any(label in counters for _, counters in _tried(**said))


@pytest.mark.parametrize(
    ("inside", "outside"),
    [
        ("198.51.100.64", "198.51.100.63"),  # the place `payments`: 198.51.100.64/28
        ("198.51.100.79", "198.51.100.80"),
        ("2001:db8:cafe::", "2001:db8:cafd:ffff:ffff:ffff:ffff:ffff"),  # and 2001:db8:cafe::/48
        ("2001:db8:cafe:ffff:ffff:ffff:ffff:ffff", "2001:db8:caff::"),
    ],
)
def test_the_edges_of_a_place(inside: str, outside: str) -> None:
    for label in ("nc_row_calls_first", "nc_row_rule_1"):
        assert _counted(label, destination=inside)
        assert _tried(destination=outside) and not _counted(label, destination=outside)


@pytest.mark.parametrize("inside", [5000, 5010])
@pytest.mark.parametrize("step", [-1, 1])
def test_the_edges_of_a_range_of_ports(inside: int, step: int) -> None:
    label = "nc_row_calls_first"  # udp/5000-5010
    assert _counted(label, protocol=17, number=inside)
    outside = inside + step
    if not 5000 <= outside <= 5010:
        assert _tried(protocol=17, number=outside)
        assert not _counted(label, protocol=17, number=outside)


def test_a_message_has_its_codes_on_both_sides() -> None:
    label = "nc_row_rule_7"  # payments reach the gateway with icmp/8, code 0
    assert _counted(label, protocol=1, number=8 << 8)
    assert _tried(protocol=1, number=(8 << 8) + 1)
    assert not _counted(label, protocol=1, number=(8 << 8) + 1)


def test_hours_have_the_second_before_and_the_stroke() -> None:
    found = [each for each in of_small()[0] if each.field == "time" and each.row.label == "rule 2"]
    instants = {
        (each.inside.environment.instant, each.outside.environment.instant) for each in found
    }
    assert instants
    for inside, outside in instants:
        assert abs(inside - outside) == timedelta(seconds=1)
        edge = max(inside, outside).astimezone(UTC)
        assert (edge.hour, edge.minute, edge.second) in {(22, 0, 0), (7, 0, 0)}  # London, in winter
    words = {probe.purpose for probe in made().probes}
    assert any("just inside rule 2: time Wed 25 Nov 2026 22:00:00" in text for text in words)


def test_the_last_day_of_a_rule_has_both_sides() -> None:
    found = [each for each in of_small()[0] if each.field == "time" and each.row.label == "rule 4"]
    instants = {(e.inside.environment.instant, e.outside.environment.instant) for e in found}
    midnight = datetime(2027, 3, 31, 23, tzinfo=UTC)  # 31 March ends by London's summer time
    assert instants == {(midnight - timedelta(seconds=1), midnight)}


def test_who_is_nobody_a_guest_and_each_kind_of_person() -> None:
    found = [each for each in of_small()[0] if each.row.label == "rule 3" and each.field == "who"]
    assert {each.words for each in found} == {
        ("rowan", "nobody"),
        ("rowan", "a guest"),
        ("rowan", "skye"),
    }
    sign_in = {e.words for e in of_small()[0] if e.row.label == "sign-in" and e.field == "who"}
    assert ("nobody", "a guest") in sign_in


def test_a_device_by_its_hardware_and_a_stranger() -> None:
    found = {
        each.words for each in of_small()[0] if each.row.label == "management"
        and each.field == "hardware"
    }  # fmt: skip
    assert ("02:00:00:aa:00:01 (duty-laptop)", "a stranger's") in found
    known = {e.words for e in of_small()[0] if e.row.label == "strangers" and e.field == "hardware"}
    assert ("a stranger's", "02:00:00:aa:01:01 (till-1)") in known


def test_no_way_out_begins_where_the_last_line_goes_down() -> None:
    found = {each.words for each in of_small()[0] if each.row.label == "no-line"}
    assert {("no line up", "copper up"), ("no line up", "mast up")} <= found
    assert ("mast up", "copper and mast up") in found  # IPv6 from copper's prefix


# --- nothing that shows is missing ----------------------------------------------------------------


def test_whatever_a_random_context_shows_is_known() -> None:
    """For attempts drawn at random: each neighbouring pair of values, in each field of the region
    that decides them, that changes the decision, is among the boundaries or is told as untried.
    """
    plan = small()
    found, untried = of_small()
    known = {(each.row.label, each.field, each.words) for each in found}
    told = "\n".join(each.what for each in untried)
    shown = 0
    for attempt, environment in corners(plan, Random("boundaries"), 1500):
        row = fate.fate(plan, attempt, environment).row
        for field, words in _shown(plan, row, attempt, environment):
            shown += 1
            in_words = f"between {field} {words[0]} and {words[1]}"
            if (row.label, field, words) not in known and in_words not in told:
                stage = Stage(plan, world(plan))
                assert _is_edge_of_lab(stage, words), (row.label, field, words, attempt)
    assert shown > 2000


def _is_edge_of_lab(stage: Stage, words: tuple[str, str]) -> bool:
    """Numbers that an automatic line has in the lab are symbols there."""
    real = {str(stage.real(code)) for low, _ in stage.known_symbols for code in (low,)}
    return any(word in real for word in words)


def _shown(
    plan: Plan, row: Row, attempt: Attempt, environment: Environment
) -> Iterator[tuple[str, tuple[str, str]]]:
    """The edges of address fields that this context shows."""
    for region in row.regions:
        if not fate.matches(plan, region, attempt, environment):
            continue
        for field in ("destination", "source"):
            for inner, outer in _edges(region, field):
                sides = [
                    fate.fate(plan, _with(attempt, field, value), environment).row
                    for value in (inner, outer)
                ]
                if sides[0] is row and sides[1] is not row:
                    words = str(coding.decode(inner)), str(coding.decode(outer))
                    yield field, words


def _with(attempt: Attempt, field: str, value: int) -> Attempt:
    if field == "source":
        return replace(attempt, source=value)
    return replace(attempt, destination=value)


def _edges(region: Region, field: str) -> Iterator[tuple[int, int]]:
    found = getattr(region, field)
    if found in (ANY4, ANY6, ANY_SERVICE, ANY_HARDWARE):
        return
    bounds = (0, coding.V6 - 1) if found[0][0] < coding.V6 else (coding.V6, SYMBOLS - 1)
    for low, high in found[:12]:
        for inner, outer in ((low, low - 1), (high, high + 1)):
            if high < SYMBOLS and bounds[0] <= outer <= bounds[1] and not has(found, outer):
                yield inner, outer
