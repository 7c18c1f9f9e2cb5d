"""Decisions as a whole: total, the same however they are found, bounded in work."""

from __future__ import annotations

import json
from pathlib import Path
from random import Random

import pytest

from netcharter.readback.decide import decide
from netcharter.readback.listing import read_listing
from netcharter.readback.shapes import (
    ADDRESS_SIZE,
    EXIT,
    HARDWARE_NONE,
    SERVICE_SIZE,
    V6,
    Condition,
    Decisions,
    Host,
    Packet,
)
from netcharter.readback.start import real_services
from netcharter.readback.values import ANY4, ANY6
from netcharter.readback.walk import decisions
from netcharter.space.engine import Engine
from netcharter.space.model import Covered, Entry, Field, RawBox, RuleList
from netcharter.space.ranges import full, ranges, subset
from tests.readback.made import (
    DROP,
    HOST,
    Item,
    chain,
    fate,
    mangle,
    match,
    meta,
    payload,
    rule,
    text,
    walked,
)

EVERYTHING = Path(__file__).with_name("everything.json")
HOSTS = {"known": HOST, "unknown": Host(known=False)}


def everything(steps: int, host: Host, shadowed: bool = False) -> Decisions:
    """A listing with every kind of statement that nft 1.0.6 writes."""
    listing = read_listing(EVERYTHING.read_text("utf-8"), EVERYTHING.name).listing
    assert listing is not None
    return decisions(listing, host, steps=steps, shadowed=shadowed)


def universe(found: Decisions) -> tuple[RawBox, ...]:
    """All first packets, without the device they leave by."""
    own, lo = found.devices.index(""), found.devices.index("lo")
    outside = ranges(*((n, n) for n in range(len(found.devices)) if n not in (own, lo)))
    boxes: list[RawBox] = []
    for family, addresses in ((4, ANY4), (6, ANY6)):
        rest = (addresses, addresses, real_services(family), full(1 << 16))
        boxes.append((outside, full(HARDWARE_NONE + 1), *rest))
        boxes.append((((own, own),), ((HARDWARE_NONE, HARDWARE_NONE),), *rest))
    return tuple(boxes)


def uncovered(found: Decisions) -> object:
    """What is no leaf's for sure: what engine and checker of `space` find, or None."""
    sizes = (len(found.devices), HARDWARE_NONE + 1, ADDRESS_SIZE, ADDRESS_SIZE, SERVICE_SIZE)
    fields = tuple(Field(str(n), size) for n, size in enumerate((*sizes, 1 << 16)))
    entries = [
        Entry((*leaf.box[:EXIT], *leaf.box[EXIT + 1 :]), number, True)
        for number, leaf in enumerate(found.leaves)
        if not leaf.held and subset(leaf.ways, leaf.box[EXIT])
    ]
    rules = RuleList(fields, tuple(entries), False, universe(found))
    verdict = Engine(rules).covered(rules.universe)
    return None if isinstance(verdict, Covered) else verdict


@pytest.mark.parametrize("host", HOSTS)
def test_every_first_packet_meets_a_leaf(host: str) -> None:
    found = walked(
        chain("r", "prerouting", -300),
        chain("n", "prerouting", -100, kind="nat"),
        chain("f", "forward", policy="drop"),
        chain("i", "input"),
        chain("o", "output"),
        chain("s", "postrouting", 100, kind="nat"),
        chain("g"),
        rule("r", match(meta("length"), 5), {"notrack": None}),
        rule("n", match(payload("tcp", "dport"), 80), {"dnat": {"family": "ip", "addr": "192.0.2.70"}}),
        rule("n", match(payload("tcp", "dport"), 81), {"redirect": {"port": 8080}}),
        rule("f", match(payload("ip", "saddr"), "192.0.2.7", "!="), {"jump": {"target": "g"}}),
        rule("f", match(meta("oifname"), "up*"), {"accept": None}),
        rule("g", match(payload("udp", "dport"), 53), {"return": None}),
        rule("g", {"limit": {"rate": 1, "per": "second"}}, {"reject": {"type": "tcp reset"}}),
        rule("i", {"queue": {"num": 1}}),
        rule("o", match(meta("skuid"), 7), DROP),
        rule("s", match(meta("oifname"), "up0"), {"masquerade": None}),
        host=HOSTS[host],
    )  # fmt: skip
    if host == "known":
        assert uncovered(found) is None
    assert found.complete


def test_what_is_missing_would_be_found() -> None:
    found = walked(chain("f", "forward"), rule("f", match(payload("tcp", "dport"), 80), DROP))
    assert uncovered(found) is None
    less = Decisions(found.devices, found.leaves[:-1], True)
    assert uncovered(less) is not None


def drawn(rng: Random, found: Decisions) -> Packet:
    """A packet at a corner of some leaf."""
    leaf = rng.choice(found.leaves)
    values = [rng.choice(rng.choice(inside)) for inside in leaf.box]
    entrance = found.devices[values[0]].replace("*", "9")
    return Packet(entrance, values[3], values[4], values[5], values[2], values[6])


@pytest.mark.parametrize("host", HOSTS)
def test_what_is_shadowed_changes_no_answer(seed: int, host: str) -> None:
    rng = Random(f"shadowed/{seed}/{host}")
    brief = everything(400_000, HOSTS[host])
    whole = everything(400_000, HOSTS[host], shadowed=True)
    assert len(brief.leaves) <= len(whole.leaves)
    conditions = sorted({c for leaf in whole.leaves for c, _ in leaf.held}, key=str)
    for _ in range(150):
        packet = drawn(rng, whole)
        held: dict[Condition, bool] = {c: rng.random() < 0.5 for c in conditions}
        answers = [decide(found, packet, held) for found in (brief, whole)]
        if brief.complete and whole.complete:
            assert answers[0].leaves[0].verdict == answers[1].leaves[0].verdict
            assert answers[0].leaves[0].decider == answers[1].leaves[0].decider


def test_the_work_is_bounded_and_what_was_found_stays() -> None:
    every = everything(400_000, HOST)
    for steps in (0, 1, 50, 1_000, 20_000):
        some = everything(steps, HOST)
        assert some.leaves == every.leaves[: len(some.leaves)]
        assert len(some.leaves) <= 3 * steps + 20
        if not some.complete:
            assert any(note.id == "listing-work-used-up" for note in some.notes)
            lost = Packet("lan0", 1, V6 - 2, 6 << 16)
            known = decide(some, lost, {})
            assert known.may or known.leaves[0] in every.leaves


def test_forks_that_multiply_end_within_the_work_allowed() -> None:
    """Thirty marks of their own fields each, all asked in the end: 2**30 ways."""
    marks = [
        rule("m", match({"&": [payload("ip", "saddr"), f"0.0.{n // 8}.0"]}, "0.0.0.0", "!="),
             mangle(meta("mark"), {"|": [meta("mark"), 1 << n]}))
        for n in range(30)
    ]  # fmt: skip
    for n in range(30):
        left = {"&": [payload("tcp", "sport" if n < 15 else "dport"), 1 << n % 15]}
        marks[n]["rule"]["expr"][0] = match(left, 0, "!=")
    asked = rule("f", match(meta("mark"), 0x3FFFFFFF), DROP)
    items: tuple[Item, ...] = (chain("m", "prerouting", -150), chain("f", "forward"), *marks, asked)
    found = walked(*items, steps=20_000)
    assert not found.complete
    assert fate(found, port=0x7FFF, number=0x7FFF) in ("may", "silent")
    assert fate(found, port=0, number=0) in ("may", "let")


def test_a_large_set_is_read_and_asked() -> None:
    """100 000 addresses in a row of which every third is a member."""
    elements = [f"198.{51 + n // 65536}.{n // 256 % 256}.{n % 256}" for n in range(0, 300_000, 3)]
    many: Item = {"set": {"family": "inet", "table": "t", "name": "m", "type": "ipv4_addr"}}
    many["set"]["elem"] = elements
    asked = match(payload("ip", "daddr"), "@m")
    found = walked(chain("f", "forward"), many, rule("f", asked, DROP))
    members = set(elements)
    for address in ("198.51.0.0", "198.51.0.1", "198.51.0.3", "198.55.147.221"):
        assert fate(found, destination=address) == ("silent" if address in members else "let")
    assert len(found.leaves) < 60


def test_items_in_any_order_are_one_ruleset(seed: int) -> None:
    rng = Random(f"order/{seed}")
    items = [rule("f", match(payload("tcp", "dport"), n), DROP) for n in (80, 81)]
    head, tail = [chain("f", "forward"), chain("g")], items
    said = json.loads(text(*tail, *rng.sample(head, 2)))
    listing = read_listing(json.dumps(said), "x").listing
    assert listing is not None
    found = decisions(listing, HOST)
    assert fate(found) == "silent" and fate(found, number=82) == "let"
