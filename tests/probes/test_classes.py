"""Every class of connections that a large random sample reaches is among the probes, or is listed.

Samples come from two sources that know nothing of the search: attempts drawn from the charter's
YAML, and attempts drawn from the corners of the plan's decisions. What class an attempt belongs to
is told by the naive interpreter and by `tests/probes/reading.py`, for samples and probes alike.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from netcharter.plan import coding
from netcharter.plan.fate import Attempt as Coded
from netcharter.plan.fate import Environment as Around
from netcharter.plan.icmp import ICMPV4
from netcharter.probes.shapes import GATEWAY
from tests.kernel.sampling import attempts as corners
from tests.oracle import naive
from tests.oracle.compared import Pair, pair, plain_address
from tests.oracle.naive import Attempt, Environment
from tests.probes.reading import Reader, exit_of
from tests.probes.test_expectations import demo, reader_of

CHARTERS, SAMPLES, DEMO_SAMPLES = 4, 1200, 3000
Kind = tuple[str, str, str, int, str]  # decider, entrance, exit, family, translation
TRACKED = (8, 13, 15, 17)  # ICMP queries of IPv4: RFC 792, RFC 950


def kind_of(reader: Reader, attempt: Attempt, environment: Environment) -> Kind:
    fate = naive.fate(reader.site, attempt, environment)
    family = naive.family(attempt.source)
    out = exit_of(reader, attempt, environment.up)
    how = ""
    if fate.delivered is not None:
        out = next(
            a.name for a in reader.site.areas.values() if naive.in_area(a, fate.delivered[0])
        )
        how = "delivered"
        if attempt.entrance in reader.site.areas:
            how = "back" if out == attempt.entrance else "across"
    elif fate.verdict == "let" and out in reader.site.lines:
        inside = any(naive.inside(attempt.source, a.v4) for a in reader.site.areas.values())
        how = "hidden" if inside and _tracked(attempt) else ""
    return fate.decider, attempt.entrance, out, family, how


def _tracked(attempt: Attempt) -> bool:
    return attempt.protocol != 1 or attempt.number >> 8 in TRACKED


def naively(reader: Reader, attempt: Coded, around: Around) -> tuple[Attempt, Environment]:
    """A coded attempt in the interpreter's terms."""
    hardware = None if attempt.hardware == coding.HARDWARE_NONE else attempt.hardware
    plain = Attempt(
        attempt.entrance,
        plain_address(reader.plan, attempt.source),
        hardware,
        plain_address(reader.plan, attempt.destination),
        attempt.service >> 16,
        attempt.service & 0xFFFF,
    )
    return plain, Environment(around.lines, around.who, around.instant)


def samples(reader: Reader, found: Pair, count: int) -> Iterator[tuple[Attempt, Environment]]:
    drawn = found.attempts(count)
    drawn += (
        naively(reader, attempt, around)
        for attempt, around in corners(found.plan, Random(f"{found.seed} corners"), count)
    )
    for attempt, drawn_in in drawn:
        # A programme knows where names lead in its world; samples let them lead anywhere.
        environment = replace(drawn_in, led=reader.led(attempt.destination))
        if naive.exists(reader.site, attempt, environment):
            yield attempt, environment


def assert_complete(reader: Reader, found: Pair, count: int) -> None:
    tried = {
        kind_of(reader, reader.attempt(probe), reader.environment(probe))
        for probe in reader.programme.probes
    }
    told = "\n".join(one.what for one in reader.programme.unprobed)
    reached = 0
    for attempt, environment in samples(reader, found, count):
        kind = kind_of(reader, attempt, environment)
        reached += kind in tried
        if kind in tried or _unreal(reader, attempt):
            continue
        _, entrance, out, family, _ = kind
        assert f"{entrance} to {out}, IPv{family}" in told, f"{kind}\n{attempt}\n{environment}"
    assert reached > count / 2


def _unreal(reader: Reader, attempt: Attempt) -> bool:
    """Numbers that are an automatic line's in the lab, where the plan has a symbol for them."""
    chosen = {
        number
        for lines in (reader.world.lines4, reader.world.lines6)
        for own, hop in lines.values()
        for number in (own.ip, hop, own.network[0], own.network[-1])
    }
    return attempt.source in chosen or attempt.destination in chosen


@pytest.mark.parametrize("number", range(CHARTERS))
def test_random_charters_have_a_probe_of_every_class(number: int) -> None:
    found = pair(number)
    assert_complete(reader_of(found, 6000), found, SAMPLES)


def test_the_demo_has_a_probe_of_every_class(
    repository: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = demo(repository, monkeypatch)
    assert_complete(reader_of(found, 6000), found, DEMO_SAMPLES)


def test_a_class_that_cannot_be_tried_is_listed_with_its_reason(
    repository: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reader = reader_of(demo(repository, monkeypatch), 6000)
    listed = {one.what: one.why for one in reader.programme.unprobed}
    assert all(listed.values())
    many = "decided by housekeeping 'dhcp': gateway to many, IPv4"
    assert "kernel fills in a source" in listed[many]
    stations = {probe.station for probe in reader.programme.probes}
    assert GATEWAY in stations and "copper" in stations


def test_icmp_messages_that_begin_nothing_are_what_rfc_792_calls_errors_and_replies() -> None:
    """The sample's own list of queries beside the plan's table."""
    state = {m.type for m in ICMPV4 if m.through == "state"}
    assert not state & set(TRACKED) and {0, 3, 11, 12, 14, 16, 18} <= state
