"""The way of one packet: against the plain lookup (its end), and a naive reading (its rules)."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from netcharter.readback.shapes import Leaf, Packet
from netcharter.readback.structure import Structure
from netcharter.readback.walk import decisions
from netcharter.readback.way import led, ways
from tests.readback import test_points, tiny
from tests.readback.auditing import HOUSE, House, by, tcp
from tests.readback.made import ACCEPT, DROP, TCP, Item, code, meta
from tests.readback.tiny import Ruleset

CASES = 40
REMEMBERED = ((102411960, 31),)  # seeds and cases that failed


def end(leaf: Leaf) -> object:
    return leaf.verdict, leaf.decider, leaf.held


@pytest.mark.parametrize(("once", "case"), REMEMBERED)
def test_a_way_that_was_once_told_wrong(once: int, case: int) -> None:
    ends_agree(once, case)


@pytest.mark.parametrize("case", range(CASES))
def test_a_way_ends_where_a_lookup_finds_the_packet(case: int, seed: int) -> None:
    ends_agree(seed, case)


def ends_agree(seed: int, case: int) -> None:
    draw = random.Random(f"{seed} ways {case}")
    listing = test_points.drawn(draw).listing()
    found = decisions(listing, HOUSE)
    for packet in draw.sample(list(test_points.packets()), 15):
        told = ways(listing, HOUSE, packet)
        expected = test_points.possible(found, packet)
        assert told.complete
        assert {way.leaf.verdict for way in told.ways} == {leaf.verdict for leaf in expected}
        assert {way.leaf.decider for way in told.ways} == {leaf.decider for leaf in expected}


def path(ruleset: Ruleset, packet: Packet) -> list[tuple[str, int]]:
    """The rules that a packet fits, in order, until it is decided."""
    found: list[tuple[str, int]] = []

    def chain(name: str) -> bool:
        for number, rule in enumerate(ruleset.chains[name], 1):
            if not rule.fits(packet):
                continue
            found.append((name, number))
            if rule.verdict in ("accept", "drop"):
                return True
            if rule.verdict == "return":
                return False
            if chain(rule.target):
                return True
            if rule.verdict == "goto":
                return False
        return False

    chain(ruleset.base)
    return found


@pytest.mark.parametrize("case", range(CASES))
def test_a_way_passes_the_rules_that_a_naive_reader_meets(case: int, seed: int) -> None:
    draw = random.Random(f"{seed} passed {case}")
    ruleset = tiny.drawn(draw)
    listing = ruleset.listing()
    for packet in draw.sample(list(tiny.packets()), 20):
        (way,) = ways(listing, tiny.HOST, packet).ways
        passed = [(rule.chain, rule.number) for rule in way.passed]
        assert passed == path(ruleset, packet), (seed, case, packet)


def packet(port: int = 80, entrance: str = "lan0", source: str = "10.1.0.9") -> Packet:
    return Packet(entrance, code(source), code("10.1.0.1"), (TCP << 16) + port, 2, 50000)


def test_what_hangs_on_a_condition_has_a_way_for_each_outcome() -> None:
    limit: Item = {"limit": {"rate": 1, "per": "second", "burst": 5}}
    house = replace(House(), input=((by("lan0"), limit, ACCEPT), (tcp(80), DROP)))
    told = ways(house.listing(), HOUSE, packet())
    lets = {way.leaf.verdict.let: way for way in told.ways}
    assert set(lets) == {True, False}
    assert [(rule.number, len(lets[True].leaf.held)) for rule in lets[True].passed] == [(1, 1)]
    assert [rule.number for rule in lets[False].passed] == [2]


def test_a_verdict_map_that_leads_on_is_told_between() -> None:
    leads = {"set": [["lan0", {"jump": {"target": "more"}}]]}
    vmap: Item = {"vmap": {"key": meta("iifname"), "data": leads}}
    house = replace(House(), input=((vmap,),), more=((tcp(80), ACCEPT),))
    listing = house.listing()
    (way,) = ways(listing, HOUSE, packet()).ways
    told = [(rule.chain, rule.number) for rule in led(Structure(listing), way)]
    assert told == [("input", 1), ("more", 1)]


def test_a_verdict_map_that_decides_is_told_last() -> None:
    vmap: Item = {"vmap": {"key": meta("iifname"), "data": {"set": [["lan0", ACCEPT]]}}}
    listing = replace(House(), input=((tcp(80), {"counter": None}), (vmap,))).listing()
    (way,) = ways(listing, HOUSE, packet()).ways
    assert way.leaf.verdict.let and way.leaf.decider.number == 2
    told = [(rule.chain, rule.number) for rule in led(Structure(listing), way)]
    assert told == [("input", 1), ("input", 2)]


def test_the_decider_is_told_as_it_is_listed() -> None:
    listing = replace(House(), input=((by("lan0"), tcp(80), ACCEPT),)).listing()
    (way,) = ways(listing, HOUSE, packet()).ways
    assert "counter" not in way.leaf.decider.text and way.leaf.counters == ()
