"""The plan and the naive interpreter decide alike, attempt by attempt, over random charters."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections import Counter
from ipaddress import IPv4Network
from itertools import combinations
from pathlib import Path
from random import Random

import pytest

from netcharter.plan.shapes import Plan
from tests.oracle.compared import (
    ATTEMPTS,
    CHARTERS,
    Pair,
    both,
    corpus,
    from_json,
    pair,
    plan_says,
    remember,
    rotating_seed,
    told,
)
from tests.oracle.naive import exists, fate
from tests.oracle.random_charters import random_charter
from tests.oracle.site import Network

INDEPENDENT = ("naive", "names", "promises", "site", "random_charters", "random_attempts")
EVERY_KIND = {
    *(
        "loopback",
        "barred",
        "strangers",
        "neighbour-discovery",
        "dhcp",
        "forged",
        "bound",
        "same-area",
    ),
    *(
        "directed-broadcast",
        "multicast",
        "unroutable",
        "no-line",
        "no-exit",
        "local-prefix",
        "echo",
        "names",
    ),
    *(
        "time",
        "found-services",
        "gate",
        "withheld-page",
        "management",
        "gateway-own",
        "emergency",
        "sign-in",
        "offer",
        "rule",
        "default",
    ),
}


def test_the_interpreter_knows_nothing_of_the_package() -> None:
    here = Path(__file__).parent
    for name in INDEPENDENT:
        for node in ast.walk(ast.parse((here / f"{name}.py").read_text())):
            imported = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            imported += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not [i for i in imported if i.split(".")[0] == "netcharter"], name
    names = ", ".join(f"tests.oracle.{name}" for name in INDEPENDENT)
    code = f"import sys, {names}; assert not [m for m in sys.modules if m.startswith('netcharter')]"
    subprocess.run([sys.executable, "-c", code], cwd=here.parents[1], check=True)


@pytest.mark.parametrize("entry", corpus(), ids=lambda entry: str(entry["seed"]))
def test_what_once_went_wrong_stays_right(entry: dict[str, str]) -> None:
    found = both(entry["seed"], entry["charter"])
    assert found is not None, f"the charter is not read any more:\n{entry['charter']}"
    attempt, environment = from_json(entry["attempt"])  # type: ignore[arg-type]
    assert fate(found.site, attempt, environment) == plan_says(found.plan, attempt, environment)


@pytest.mark.parametrize("number", range(CHARTERS))
def test_the_plan_decides_every_attempt_as_the_interpreter_does(number: int) -> None:
    found = pair(number)
    for attempt, environment in found.attempts(ATTEMPTS):
        assert exists(found.site, attempt, environment)
        naive, planned = (
            fate(found.site, attempt, environment),
            plan_says(found.plan, attempt, environment),
        )
        if naive != planned:
            remember(found, attempt, environment)
            pytest.fail(
                f"interpreter: {naive}\nplan: {planned}\n" + told(found, attempt, environment)
            )


@pytest.mark.parametrize("number", range(CHARTERS))
def test_the_address_plan_keeps_what_was_given_and_overlaps_nowhere(number: int) -> None:
    found = pair(number)
    _check_areas(found)
    _check_devices(found.plan)


def _check_areas(found: Pair) -> None:
    plan, site = found.plan, found.site
    if site.local is not None:
        assert plan.local_prefix == site.local
    networks: list[Network] = []
    for area in plan.areas:
        networks += [area.v4, *(s.network for s in area.subnets6)]
    for line in plan.lines:
        networks += [i.network for i in (line.v4, line.v6) if i is not None]
    for one, other in combinations(networks, 2):
        assert one.version != other.version or not one.overlaps(other), (one, other)
    for area in plan.areas:
        said = plan.charter.areas[area.name]
        for given in said.prefixes:
            kept = (
                [area.v4] if isinstance(given, IPv4Network) else [s.network for s in area.subnets6]
            )
            assert given in kept
        if said.hosts is not None:
            usable = area.v4.num_addresses - 3  # without network, broadcast and gateway
            assert usable >= said.hosts * (1 + said.growth)
        from_lines = {s.line for s in area.subnets6 if s.line is not None}
        assert from_lines == {line.name for line in plan.lines if line.prefix is not None}
        for subnet in area.subnets6:
            assert subnet.network.prefixlen == 64
            for line in plan.lines:
                if subnet.line == line.name:
                    assert line.prefix is not None and subnet.network.subnet_of(line.prefix)


def _check_devices(plan: Plan) -> None:
    areas = {area.name: area for area in plan.areas}
    taken = [address for device in plan.devices for address in device.addresses4]
    assert len(taken) == len(set(taken))
    for device in plan.devices:
        area, said = areas[device.area], plan.charter.devices[device.name]
        written = [a for a in said.addresses if a.version == 4]
        assert len(device.addresses4) == (len(said.hardware) if said.lasting else len(written))
        for address in device.addresses4:
            assert address in area.v4
            if area.v4.prefixlen < 31:
                assert address not in (area.v4[0], area.v4[1], area.v4[-1])


def test_most_random_charters_are_valid() -> None:
    drawn = [random_charter(Random(f"{rotating_seed()}/drawn/{number}")) for number in range(40)]
    valid = [text for text in drawn if both("drawn", text) is not None]
    assert len(valid) >= 32


def test_every_kind_of_decision_is_tried() -> None:
    decided: Counter[str] = Counter()
    for number in range(CHARTERS):
        found = pair(number)
        for attempt, environment in found.attempts(ATTEMPTS // 4):
            outcome = fate(found.site, attempt, environment)
            spoken = outcome.kind in ("rule", "offer", "emergency")
            decided[outcome.kind if spoken else outcome.decider] += 1
    missing = {kind for kind in EVERY_KIND if not decided[kind]}
    assert not missing, decided
