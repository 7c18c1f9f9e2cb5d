"""The rules that are proposed where something is found and can't be reached: charters take them."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.proofs import prove

CHARTER = """
charter: 1
site: {name: Tarn Hollow, timezone: Europe/London}
lines: {copper: {device: eth0}}
areas:
  home: {device: eth1, hosts: 9}
  yard: {device: eth2, hosts: 9}
discovery: [{let: home, find: %s, in: yard}]
"""
NAME = "found-out-of-reach"


def told(text: str) -> list[str]:
    found = read(text, "hollow.yaml")
    assert found.charter is not None, found.diagnostics
    proof = prove(make_plan(found.charter), datetime(2026, 11, 26, tzinfo=UTC))
    return [one.help or "" for one in proof.findings if one.id == NAME]


@pytest.mark.parametrize("kind", ["printing", "scanning", "casting", "files", "_lights._udp"])
def test_the_rule_that_is_proposed_is_one(kind: str) -> None:
    [help] = told(CHARTER % kind)
    rules = re.findall(r"\{.*?\}", help)
    assert len(rules) == (kind != "_lights._udp")
    for rule in rules:
        assert told(f"{CHARTER % kind}rules: [{rule[:-1]}, because: they print}}]\n") == []


def test_of_which_no_port_is_known_is_said() -> None:
    [help] = told(CHARTER % "_lights._udp")
    assert "with `let: home, reach: yard` and the ports of _lights._udp" in help
    [help] = told(CHARTER % "casting")
    assert "with: [tcp/7250]}, and add the ports of _openscreen._udp" in help
