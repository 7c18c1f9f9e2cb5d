"""The arithmetic below readback, against the plainest way of counting: one number after another."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from netcharter.readback import sources
from netcharter.readback.bits import both, changed_bits, down, either, unlike, up
from netcharter.readback.live import Live
from netcharter.readback.merging import together
from netcharter.readback.sets import EMPTY, Sets
from netcharter.readback.sources import BitSource, Fixed, FromField, Open, operated, unmasked
from netcharter.readback.telling import expression_text, rule_text
from netcharter.space.ranges import Ranges, has, intersect, ranges, subtract
from tests.readback.made import ct, match, meta, payload

Known = tuple[int, int]
Operation = Callable[[Known, Known], Known]
Plain = Callable[[int, int], int]
BITS = 8
ALL = (1 << BITS) - 1
WIDE = 0xFFFFFFFF


def drawn(rng: Random, most: int = ALL) -> Ranges:
    pairs = []
    for _ in range(rng.randrange(1, 5)):
        low = rng.randrange(most + 1)
        pairs.append((low, min(most, low + rng.randrange(1 + most // 6))))
    return ranges(*pairs)


@pytest.mark.parametrize("round_", range(200))
def test_masks_are_undone_exactly(seed: int, round_: int) -> None:
    rng = Random(f"mask/{seed}/{round_}")
    mask, wanted = rng.randrange(ALL + 1), drawn(rng)
    found = unmasked(wanted, mask, BITS)
    assert found is not None
    assert [x for x in range(ALL + 1) if has(found, x)] == [
        x for x in range(ALL + 1) if has(wanted, x & mask)
    ]


def test_masks_with_too_many_pieces_are_given_up() -> None:
    assert unmasked(((5, 5),), 0xF, 128) is None
    assert unmasked(((0, 0),), 0xFFFFFFFFFFFFFFFF << 64, 128) == ((0, (1 << 64) - 1),)


@pytest.mark.parametrize("round_", range(200))
def test_what_is_known_of_bits_answers_as_all_numbers_would(seed: int, round_: int) -> None:
    rng = Random(f"bits/{seed}/{round_}")
    known = rng.randrange(ALL + 1)
    value = rng.randrange(ALL + 1) & known
    wanted = drawn(rng)
    possible = [x for x in range(ALL + 1) if x & known == value]
    answers = {has(wanted, x) for x in possible}
    expected = answers.pop() if len(answers) == 1 else None
    assert sources.tested(BitSource(known | WIDE & ~ALL, value), wanted) is expected


@pytest.mark.parametrize("round_", range(100))
def test_computing_with_known_bits(seed: int, round_: int) -> None:
    """Every number that the operands may be gives a number that the result may be."""
    rng = Random(f"computed/{seed}/{round_}")

    def bits() -> tuple[int, int]:
        known = rng.randrange(ALL + 1)
        return known | WIDE & ~ALL, rng.randrange(ALL + 1) & known

    def possible(of: tuple[int, int]) -> list[int]:
        return [x for x in range(ALL + 1) if x & of[0] == of[1]]

    a, b = bits(), bits()
    places = (WIDE, rng.randrange(BITS))
    cases: tuple[tuple[str, Operation, tuple[int, int], Plain], ...] = (
        ("&", both, b, lambda x, y: x & y),
        ("|", either, b, lambda x, y: x | y),
        ("^", unlike, b, lambda x, y: x ^ y),
        ("<<", up, places, lambda x, y: x << y),
        (">>", down, places, lambda x, y: x >> y),
    )
    for name, operation, right, plain in cases:
        known, value = operation(a, right)
        others = possible(right) if right is b else [right[1]]
        assert all(plain(x, y) & known == value for x in possible(a) for y in others), name
        if right is places:
            source = operated(BitSource(*a), name, places[1])
            assert isinstance(source, BitSource)
            assert all(plain(x, places[1]) & source.known == source.value for x in possible(a))
    constant = rng.randrange(ALL + 1)
    for name in ("|", "^"):
        source = operated(BitSource(*a), name, constant)
        assert isinstance(source, BitSource)
        made = [x | constant if name == "|" else x ^ constant for x in possible(a)]
        assert all(x & source.known == source.value for x in made)


def test_values_that_are_one_of_several() -> None:
    several = Fixed(((3, 5),))
    assert sources.tested(several, ((0, 9),)) is True
    assert sources.tested(several, ((6, 9),)) is False
    assert sources.tested(several, ((5, 9),)) is None
    assert sources.tested(Open(), ((0, WIDE),)) is None
    assert sources.tested(FromField(0), ((1, 2),)) == ((1, 2),)


def test_bits_that_a_value_changes() -> None:
    kept = {"&": [ct("mark"), 0xFFFFFF0F]}
    assert changed_bits(kept, "ct") == 0xF0
    assert changed_bits({"|": [kept, 0x301]}, "ct") == 0x3F1
    assert changed_bits({"^": [ct("mark"), 8]}, "ct") == 8
    assert changed_bits(ct("mark"), "meta") == changed_bits(5, "ct") == WIDE


def test_bits_that_are_asked() -> None:
    live = Live()
    assert live.add("ct", 0xF0) and not live.add("ct", 0x10)
    assert (live.of("ct"), live.of("meta")) == (0xF0, 0)


@pytest.mark.parametrize("round_", range(50))
def test_numbered_sets_are_sets(seed: int, round_: int) -> None:
    rng = Random(f"sets/{seed}/{round_}")
    sets = Sets()
    some = [drawn(rng, 10_000) for _ in range(6)]
    many = ranges(*((n, n + 1) for n in rng.sample(range(0, 10_000, 3), 900)))
    for a in (*some, many):
        for b in (*some, many):
            assert sets.ranges(sets.meet(sets.of(a), sets.of(b))) == intersect(a, b)
            assert sets.ranges(sets.minus(sets.of(a), sets.of(b))) == subtract(a, b)
            assert sets.within(sets.of(a), sets.of(b)) is (subtract(a, b) == ())
    assert sets.of(()) == EMPTY


def test_negations_that_nft_compares_at_once() -> None:
    ports = match(payload("tcp", "sport"), 1, "!="), match(payload("tcp", "dport"), 2, "!=")
    assert together(ports) == [[0, 1]]
    assert together(ports[::-1]) == [[1, 0]]
    assert together((*ports, match(payload("tcp", "sequence"), 5, "!="))) == [[0, 1]]
    addresses = [match(payload("ip", f), "192.0.2.1", "!=") for f in ("saddr", "daddr")]
    assert together(addresses) == []
    assert together((ports[0], match(payload("tcp", "dport"), 2))) == []
    assert together((ports[0], match(payload("udp", "dport"), 2, "!="))) == []
    assert together((ports[0], match(payload("tcp", "dport"), "@s", "!="))) == []


@pytest.mark.parametrize(
    ("expr", "told"),
    [
        ([match(payload("ip", "saddr"), {"prefix": {"addr": "192.0.2.0", "len": 24}}), {"drop": None}], "ip saddr 192.0.2.0/24 drop"),
        ([match(meta("iifname"), "lan0", "!="), {"goto": {"target": "g"}}], "iifname != lan0 goto g"),
        ([match(ct("state"), ["new", "related"], "in"), {"accept": None}], "ct state new,related accept"),
        ([match({"&": [meta("mark"), 15]}, 3), {"counter": "c"}], 'meta mark & 15 3 counter name "c"'),
        ([match(payload("tcp", "dport"), {"set": [22, {"range": [80, 90]}]}), {"reject": {"type": "tcp reset"}}], "tcp dport { 22, 80-90 } reject with tcp reset"),
        ([{"vmap": {"key": meta("iifname"), "data": {"set": [["lan0", {"jump": {"target": "x"}}]]}}}], "iifname vmap { lan0 : jump x }"),
        ([{"mangle": {"key": ct("mark"), "value": {"|": [{"&": [ct("mark"), 1]}, 2]}}}], "ct mark set (ct mark & 1) | 2"),
        ([{"dnat": {"family": "ip", "addr": "192.0.2.7", "port": 80}}], "dnat ip to 192.0.2.7:80"),
        ([{"limit": {"rate": 5, "burst": 3, "per": "second", "inv": True}}, {"drop": None}], "limit rate over 5/second burst 3 packets drop"),
        ([{"quota": {"val": 5, "val_unit": "mbytes"}}, {"masquerade": None}], "quota 5 mbytes masquerade"),
        ([{"fib-like": {"x": [1]}}], '{"fib-like": {"x": [1]}}'),
        ([{"log": {"prefix": "a b", "group": 2}}, {"accept": None}], 'log prefix "a b" group 2 accept'),
    ],
)  # fmt: skip
def test_rules_are_told_in_the_words_of_nft(expr: list[dict[str, object]], told: str) -> None:
    assert rule_text(expr) == told


def test_what_is_misshapen_is_told_all_the_same() -> None:
    odds: tuple[Any, ...] = (
        {"range": [1]},
        {"prefix": 5},
        [{"set": 1}],
        {"payload": {}},
        None,
        {"a": 1, "b": 2},
    )
    for odd in odds:
        assert expression_text(odd)
    assert len(rule_text([{"counter": "x" * 9000}])) <= 2000
