"""Hosts are led away from the IPv6 prefix of a line that failed: when, and what the kernel is told."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import chain, combinations

import pytest

from netcharter.render import render
from netcharter.rollout import contents
from netcharter.rollout.network import deprecated
from netcharter.rollout.trouble import EffectFailed
from netcharter.steward import fading
from netcharter.steward.duties.lines import State, decide
from netcharter.steward.loop.prefixes import read
from netcharter.steward.schedule import ways
from netcharter.steward.shapes import Facts, Fade
from netcharter.steward.ways import Key, Seen, Ways
from netcharter.tasks.sources import Source, usable_plan
from tests.steward.kernel import SYNCHRONISED, at
from tests.steward.test_lines_judged import DEAD, GOOD, SITE, Site, leg
from tests.steward.test_ways import PAIR

COPPER, COPPER6 = leg("copper", 1), leg("copper", 1, 6)
MAST, MAST6 = leg("mast", 2), leg("mast", 2, 6)
PREFIXES = {
    "copper": (("eth5", "2001:db8:1:1::1/64"), ("eth6", "2001:db8:1:2::1/64")),
    "mast": (("eth5", "2001:db8:2:1::1/64"),),
}
WAYS = Ways((COPPER, COPPER6, MAST, MAST6), prefixes=PREFIXES)
EVERY = [place for places in PREFIXES.values() for place in places]
FRESH = dict.fromkeys(EVERY, False)


def keys(*legs: str) -> frozenset[Key]:
    return frozenset((line, int(family)) for line, _, family in (x.partition("/") for x in legs))


@pytest.mark.parametrize(
    ("down", "out", "lines"),
    [
        ((), (), set()),
        (("copper/6",), ("copper/6",), {"copper"}),
        (("copper/4",), ("copper/4",), set()),  # its IPv6 works
        (("copper/4", "copper/6"), ("copper/4", "copper/6"), {"copper"}),
        # The last line of IPv6 stays in use, and hosts take IPv4, as long as that works.
        (("copper/6", "mast/6"), ("mast/6",), {"copper", "mast"}),
        (("copper/6", "mast/6", "copper/4"), (), {"copper", "mast"}),
        # Nothing works: nothing is changed.
        (("copper/6", "mast/6", "copper/4", "mast/4"), (), set()),
        (("copper/6", "mast/6", "copper/4", "mast/4"), ("mast/6",), {"mast"}),
    ],
)
def test_hosts_are_led_away_where_there_is_somewhere_to_go(
    down: tuple[str, ...], out: tuple[str, ...], lines: set[str]
) -> None:
    assert fading.faded(WAYS, keys(*down), keys(*out)) == lines


def test_a_line_without_prefix_is_nobody_s_concern() -> None:
    bare = replace(WAYS, prefixes={"mast": PREFIXES["mast"]})
    assert fading.faded(bare, keys("copper/6"), keys("copper/6")) == set()


def test_the_kernel_is_told_what_is_amiss_and_nothing_else() -> None:
    text = fading.amiss(WAYS, {"copper"}, FRESH)
    assert text.splitlines() == [
        "address change 2001:db8:1:1::1/64 dev eth5 preferred_lft 0",
        "address change 2001:db8:1:2::1/64 dev eth6 preferred_lft 0",
    ]
    assert fading.amiss(WAYS, {"copper"}, {**FRESH, EVERY[0]: True, EVERY[1]: True}) == ""
    assert fading.amiss(WAYS, (), {**FRESH, EVERY[2]: True}) == (
        "address change 2001:db8:2:1::1/64 dev eth5 preferred_lft forever\n"
    )
    assert fading.amiss(WAYS, {"copper"}, {}) == ""  # what is not there is nobody's


def seen(site: Site, over: tuple[int, ...] = ()) -> list[Fade]:
    """What another round comes to where these addresses have no preferred time."""
    now = at("2026-11-26 03:30")
    held = site.held({each.key: GOOD for each in site.ways.legs})
    there = {place: n in over for n, place in enumerate(EVERY)}
    facts = Facts(
        SYNCHRONISED,
        schedule=replace(SITE, ways=site.ways),
        lines=Seen(now, site.seconds, now, held, prefixes=there),
    )
    effects = decide(site.state, facts, now).effects
    return [effect for effect in effects if isinstance(effect, Fade)]


def test_the_duty_tells_it_as_long_as_the_kernel_has_it_otherwise() -> None:
    site = Site(WAYS, State())
    assert seen(site) == []
    assert seen(site, (1,)) == [Fade(frozenset())]  # left by one who is not there any more
    rounds = {each.key: GOOD for each in WAYS.legs} | {COPPER6.key: DEAD}
    for _ in range(6):
        site.round(rounds)
    assert site.up() and ("copper", 6) in site.out
    assert seen(site) == [Fade(frozenset({"copper"}))]
    assert seen(site, (0, 1)) == []
    assert seen(site, (0, 1, 2)) == [Fade(frozenset({"copper"}))]


def test_a_plan_s_addresses_within_a_line_s_prefix_are_those_that_its_kit_gives() -> None:
    plan = usable_plan(Source("good.yaml", PAIR.encode())).plan
    found = ways(plan)
    assert set(found.prefixes) == {"copper"}
    text = render(plan).files["addresses.batch"].decode()
    for device, address in found.prefixes["copper"]:
        assert f"address replace {address} dev {device}\n" in text
        assert address.startswith("2001:db8:50:")
    assert len(found.prefixes["copper"]) == len(plan.areas)


def test_a_kit_with_it_says_just_that() -> None:
    plan = usable_plan(Source("good.yaml", PAIR.encode())).plan
    files, found = dict(render(plan).files), ways(plan)
    places = found.prefixes["copper"]
    text = files["addresses.batch"].decode()
    for over in chain.from_iterable(combinations(places, n) for n in range(len(places) + 1)):
        there = {place: place in over for place in places}
        led = fading.without(text, found, {"copper"}, there)
        assert fading.without(text, found, (), there) == text
        files["addresses.batch"] = led.encode()
        held = contents.contents(files).addresses
        assert {(h.device, str(h.interface)) for h in held if deprecated(h)} == set(over)
        assert len(held) == len(contents.contents(render(plan).files).addresses)


def test_what_ip_says_of_addresses_is_read() -> None:
    """As iproute2 6.1 prints it with -j; 4294967295 is forever (linux/if_addr.h, INFINITY_LIFE_TIME)."""
    rows = [
        {"ifname": "lo", "addr_info": []},
        {},
        {"ifname": "eth2", "addr_info": [
            {"family": "inet6", "local": "2001:db8:a:3::1", "prefixlen": 64, "scope": "global",
             "deprecated": True, "valid_life_time": 4294967295, "preferred_life_time": 0},
            {"family": "inet6", "local": "fe80::1", "prefixlen": 64, "scope": "link",
             "valid_life_time": 4294967295, "preferred_life_time": 4294967295},
        ]},
    ]  # fmt: skip
    assert read(json.dumps(rows).encode()) == {
        ("eth2", "2001:db8:a:3::1/64"): True,
        ("eth2", "fe80::1/64"): False,
    }
    for bad in (b"{", b'[{"ifname": "eth2", "addr_info": [{}]}]', b"[1]"):
        with pytest.raises(EffectFailed):
            read(bad)
