"""Limits and cautions: said once, printed where they matter, no wider than the terminal."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from netcharter.report.limits import CAUTIONS, LIMITS, WHERE, cautions
from netcharter.tasks.check import check
from netcharter.tasks.check_text import summary
from netcharter.tasks.sources import Source, load_plan
from tests.cli.running import CHARTER, DRAFT, WHEN, run

NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)
PLAIN = """charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: desk}
lines:
  dsl: {device: eth0, address: automatic}
areas:
  home: {device: eth1, hosts: 12}
devices:
  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}
services:
  talk: [udp/5060]
  wide: [tcp/1-65535]
rules:
  - {let: home, reach: internet, with: https, because: work}
"""
MONITORING, EMERGENCY = CAUTIONS["monitoring"], CAUTIONS["emergency"]
FILTERS = CAUTIONS["filters"]


@pytest.mark.parametrize(
    ("old", "new", "called_for"),
    [
        ("", "", ()),
        ("hosts: 12}", "hosts: 12, sign-in: required}", (MONITORING,)),
        ("with: https", "with: [https, sip]", (EMERGENCY,)),
        ("with: https", "with: sips", (EMERGENCY,)),
        ("with: https", "with: talk", (EMERGENCY,)),
        ("with: https", "with: https, emergency: true", (EMERGENCY,)),
        ("with: https", "with: anything", ()),
        ("with: https", "with: wide", ()),
        ("with: https", "with: tcp/5059", ()),
        ("rules:", "names: [{withhold: play.example, for: home}]\nrules:", (FILTERS,)),
        ("rules:", "names: [{answer: play.example, for: home}]\nrules:", ()),
    ],
)
def test_a_charter_has_the_cautions_it_calls_for(
    old: str, new: str, called_for: tuple[str, ...]
) -> None:
    source = Source("hut.yaml", PLAIN.replace(old, new).encode() if old else PLAIN.encode())
    assert cautions(load_plan(source).plan) == called_for
    found = check(source, NOW)
    text = " ".join(" ".join(summary(found, 1000)).split())
    assert [c for c in CAUTIONS.values() if c in text] == list(called_for)
    assert found.as_json()["cautions"] == list(called_for)
    assert found.as_json()["limits"] == list(LIMITS)


@pytest.mark.parametrize("width", [40, 60, 100])
def test_the_limits_are_all_printed_and_fit(width: int) -> None:
    lines = list(summary(check(Source("hut.yaml", PLAIN.encode()), NOW), width))
    start = lines.index("limits of what is proven:")
    assert all(len(line) <= width for line in lines[start:])
    said = " ".join(line.strip().removeprefix("- ") for line in lines[start + 1 :])
    assert said == " ".join(LIMITS)


@pytest.mark.parametrize(
    "arguments",
    [
        ("compare", CHARTER, CHARTER),
        ("compare", DRAFT, CHARTER),
        ("ask", CHARTER, "who can reach booking"),
        ("ask", CHARTER, "can cameras reach internet"),
        ("why", CHARTER, "--from", "office", "--to", "gateway", "--with", "dns"),
    ],
)
def test_every_answer_ends_with_where_its_limits_stand(arguments: tuple[str | Path, ...]) -> None:
    ran = run(*arguments, "--as-of", WHEN)
    assert ran.out.splitlines()[-1] == WHERE
    assert ran.out.count(WHERE) == 1
    assert "check" in WHERE


def test_a_kit_is_handed_over_with_its_cautions(tmp_path: Path) -> None:
    (tmp_path / "hut.yaml").write_text(PLAIN)
    plain = " ".join(run("render", tmp_path / "hut.yaml", "-o", tmp_path / "a").out.split())
    assert CAUTIONS["console"] in plain
    assert MONITORING not in plain and EMERGENCY not in plain
    demo = " ".join(run("render", CHARTER, "-o", tmp_path / "b").out.split())
    for text in (CAUTIONS["console"], MONITORING, EMERGENCY):
        assert text in demo
