"""What changes between two rulesets: against a naive reading of both (tests/readback/tiny.py)."""

from __future__ import annotations

import random
from collections import Counter

import pytest

from netcharter.readback.differing import KINDS, Difference, difference, without
from netcharter.readback.points import Points, frame, points
from netcharter.readback.shapes import DESTINATION, ENTRANCE, SERVICE, SOURCE, Packet
from netcharter.readback.walk import decisions
from netcharter.readback.words import TCP, Words
from netcharter.space.ranges import full, has, ranges, size, union
from tests.readback.auditing import HOUSE, House, by, tcp
from tests.readback.made import ACCEPT, Item, match, payload
from tests.readback.tiny import (
    DEVICES,
    HOST,
    OWN4,
    PORTS,
    SOURCES,
    Ruleset,
    Tiny,
    code,
    drawn,
    packets,
)

CASES = 40


def both(old: Ruleset, new: Ruleset) -> tuple[Points, Points]:
    read = [decisions(one.listing(), HOST) for one in (old, new)]
    common = frame(*read, hosts=(HOST,))
    return points(read[0], HOST, common), points(read[1], HOST, common)


def compared(old: Ruleset, new: Ruleset) -> Difference:
    return difference(*both(old, new), Words())


def lets(ruleset: Ruleset, packet: Packet) -> bool:
    return ruleset.decides(packet)[2]


def changed(old: Ruleset, new: Ruleset) -> Counter[str]:
    names = {(False, True): "opened", (True, False): "closed"}
    fates = ((lets(old, packet), lets(new, packet)) for packet in packets())
    return Counter(names[pair] for pair in fates if pair in names)


def touched(draw: random.Random, old: Ruleset) -> Ruleset:
    """The same with a small change."""
    name = draw.choice(list(old.chains))
    number = draw.randrange(1, len(old.chains[name]) + 1)
    if draw.random() < 0.5 and len(old.chains[name]) > 1:
        return old.without(name, number)
    rules = list(old.chains[name])
    draw.shuffle(rules)
    return Ruleset({**old.chains, name: rules}, old.policy)


@pytest.mark.parametrize("case", range(CASES))
def test_what_changes_is_what_a_naive_reader_sees_change(case: int, seed: int) -> None:
    draw = random.Random(f"{seed} changes {case}")
    old = drawn(draw)
    new = touched(draw, old) if case % 4 else drawn(draw)
    told, expected = compared(old, new), changed(old, new)
    assert told.complete and told.read
    assert told.same is not bool(expected), (seed, case)
    assert {change for change in KINDS if told.totals[change]} == set(expected)
    for change in KINDS:
        assert sum(row.count for row in told.of(change)) == told.totals[change]


@pytest.mark.parametrize("case", range(CASES))
def test_the_packet_of_every_row_fares_as_it_is_told(case: int, seed: int) -> None:
    draw = random.Random(f"{seed} rows {case}")
    old, new = drawn(draw), drawn(draw)
    sides = both(old, new)
    devices = sides[0].frame.devices
    for row in difference(*sides, Words()).rows:
        point = row.witness.point
        packet = Packet(devices[point[ENTRANCE]], point[SOURCE], point[DESTINATION], point[SERVICE])
        if packet.entrance == "":
            continue  # the host's own packets to itself come back by lo
        fates = lets(old, packet), lets(new, packet)
        assert fates == (row.change == "closed", row.change == "opened")
        assert row.witness.sentence.endswith(": let.")  # told as on the side that lets it
        for ruleset, origin in zip((old, new), row.deciders, strict=True):
            chain, number, _ = ruleset.decides(packet)
            assert (chain, number) == (origin.chain, origin.number)


def test_counts_are_exact() -> None:
    """One device, source and port: as many packets as there are addresses that they may be for."""
    shut, rule = Ruleset({"input": []}, "drop"), Tiny("eth0", SOURCES[0], PORTS[0])
    opened = Ruleset({"input": [rule]}, "drop")
    told = compared(shut, opened)
    leaves = [leaf for leaf in both(shut, opened)[1].decisions.leaves if leaf.decider.number == 1]
    met = union(*(leaf.box[DESTINATION] for leaf in leaves))
    assert has(met, code(OWN4))
    assert told.totals == {"opened": size(met), "closed": 0, "altered": 0}
    assert {row.service for row in told.rows} == {"tcp/22"}


def test_hardware_and_source_ports_are_not_counted_twice() -> None:
    """Packets that differ only in what does not count are one."""

    def opened(*asked: Item) -> Difference:
        houses = House(input=()), House(input=[(by("lan0"), *asked, tcp(443), ACCEPT)])
        read = [decisions(one.listing(), HOUSE) for one in houses]
        common = frame(*read, hosts=(HOUSE,))
        old, new = (points(one, HOUSE, common) for one in read)
        return difference(old, new, Words())

    ports = match(payload("tcp", "sport"), {"set": [1024, {"range": [2000, 3000]}]})
    names = [f"02:00:00:00:00:{n:02x}" for n in (7, 9, 250)]
    hardware = match(payload("ether", "saddr"), {"set": names})
    plain = opened()
    for told in (opened(ports), opened(hardware), opened(ports, hardware)):
        assert told.totals == plain.totals
        assert sum(row.count for row in told.rows) == told.totals["opened"]


def test_the_order_of_rules_that_share_nothing_is_the_same_and_of_others_it_is_not() -> None:
    one, other = Tiny(DEVICES[0]), Tiny(DEVICES[1], verdict="drop")
    assert compared(Ruleset({"input": [one, other]}), Ruleset({"input": [other, one]})).same
    wide = Tiny(verdict="drop")
    told = compared(Ruleset({"input": [one, wide]}), Ruleset({"input": [wide, one]}))
    assert not told.same and told.totals["closed"] and not told.totals["opened"]


def test_a_manner_of_refusal_is_altered() -> None:
    old = Ruleset({"input": [Tiny(DEVICES[0], verdict="drop")]})
    told = compared(old, Ruleset({"input": [Tiny(DEVICES[0], verdict="reject")]}))
    assert {change for change in KINDS if told.totals[change]} == {"altered"}
    assert {row.outcomes[0] for row in told.rows} == {"dropped in silence"}


@pytest.mark.parametrize("case", range(50))
def test_a_box_without_another_is_cut_into_parts_that_do_not_meet(case: int, seed: int) -> None:
    draw = random.Random(f"{seed} boxes {case}")

    def box() -> tuple[tuple[tuple[int, int], ...], ...]:
        return tuple(ranges(*((n, n) for n in draw.sample(range(4), 2))) for _ in range(3))

    one, other = box(), box()
    parts = list(without(one, other))
    for a in range(4):
        for b in range(4):
            for c in range(4):
                point = (a, b, c)
                held = [part for part in parts if all(map(has, part, point))]
                inside = all(map(has, one, point)) and not all(map(has, other, point))
                assert len(held) == int(inside)
    assert not list(without(one, tuple(full(4) for _ in range(3))))


def test_services_are_told_by_their_ports() -> None:
    rule = Tiny(DEVICES[0], port=PORTS[1])
    (row,) = compared(Ruleset({"input": []}, "drop"), Ruleset({"input": [rule]}, "drop")).rows[:1]
    assert f"tcp/{PORTS[1]}" in row.service and (TCP << 16) + PORTS[1] == row.witness.point[SERVICE]
