"""Rules that never decide, that could go, that contradict: against a naive reading of tiny
rulesets (tests/readback/tiny.py), packet by packet; certificates are checked once more."""

from __future__ import annotations

import random
from collections.abc import Iterable

import pytest

from netcharter.diagnostics import Diagnostic
from netcharter.readback.audit_reach import Gateway
from netcharter.readback.audit_rules import (
    Rules,
    absent_devices,
    contradictions,
    never_decides,
    redundant,
)
from netcharter.readback.points import points
from netcharter.readback.walk import decisions
from netcharter.readback.words import Words
from netcharter.space.checker import Checker
from tests.readback.tiny import HOST, PORTS, SOURCES, Ruleset, Tiny, drawn, packets

CASES = 30
FAILED = [(123580004, 20), (5031, 5), (5092, 14), (5271, 3)]  # too few were named
SEVERAL = {"listed-rule-never-decides", "listed-rule-never-met"}


def rules_of(ruleset: Ruleset, shadowed: bool = True) -> Rules:
    """shadowed: with the leaves of rules that nothing gets to, as `inherit` reads it."""
    listing = ruleset.listing()
    found = points(decisions(listing, HOST, shadowed=shadowed), HOST)
    return Rules(Gateway(listing, found, Words(), frozenset({"eth0"}), ()))


def places(rules: Rules, found: Iterable[Diagnostic]) -> dict[tuple[str, int], Diagnostic]:
    """The rules that findings underline, by chain and number."""
    spans = {
        rule.span: (rule.chain, rule.number)
        for chain in rules.gateway.listing.chains.values()
        for rule in chain.rules
    }
    return {spans[one.span]: one for one in found if one.span in spans}


def deciding(ruleset: Ruleset) -> set[tuple[str, int]]:
    told = (ruleset.decides(packet) for packet in packets())
    return {(chain, number) for chain, number, _ in told if number is not None}


def final(ruleset: Ruleset) -> set[tuple[str, int]]:
    """The rules that accept or drop."""
    return {
        (chain, number)
        for chain, rules in ruleset.chains.items()
        for number, rule in enumerate(rules, 1)
        if rule.verdict in ("accept", "drop")
    }


def led_to(ruleset: Ruleset) -> set[str]:
    """The chains that some rule of a chain that is led to leads to."""
    found = {ruleset.base}
    for name in ruleset.chains:  # they only lead downwards
        if name in found:
            found |= {rule.target for rule in ruleset.chains[name] if rule.target}
    return found


@pytest.mark.parametrize("case", range(CASES))
def test_rules_that_never_decide_are_those_that_decide_no_packet(case: int, seed: int) -> None:
    ruleset = drawn(random.Random(f"{seed} dead {case}"))
    rules = rules_of(ruleset, shadowed=case % 3 > 0)
    found = list(never_decides(rules))
    told = set(places(rules, (one for one in found if one.id in SEVERAL)))
    closed = {one.message.split()[6] for one in found if one.id == "chain-never-entered"}
    told |= {(chain, number) for chain, number in final(ruleset) if chain in closed}
    reached = {place for place in final(ruleset) if place[0] in led_to(ruleset)}
    assert told == reached - deciding(ruleset), (seed, case)


def asks(ruleset: Ruleset, place: tuple[str, int]) -> bool:
    """Does a rule ask for anything? Those that do not close a chain in plain words."""
    rule = ruleset.chains[place[0]][place[1] - 1]
    return (rule.device, rule.source, rule.port) != (None, None, None)


def says_what_the_policy_does(ruleset: Ruleset, place: tuple[str, int]) -> bool:
    """Does a rule refuse nothing but what the policy would refuse?"""
    less = ruleset.without(*place)
    mine = [packet for packet in packets() if ruleset.decides(packet)[:2] == place]
    return all(less.decides(packet)[1:] == (None, False) for packet in mine)


@pytest.mark.parametrize("case", range(CASES))
def test_what_comes_first_fits_all_that_never_gets_there(case: int, seed: int) -> None:
    none_is_left(seed, case)


@pytest.mark.parametrize(("seed", "case"), FAILED)
def test_what_comes_first_on_one_way_is_not_all(seed: int, case: int) -> None:
    none_is_left(seed, case)


def none_is_left(seed: int, case: int) -> None:
    """Whoever gets to the chain of a rule that never decides, and fits it, is decided without any
    rule but those that are named: were all others taken out, still none of them would be left."""
    ruleset = drawn(random.Random(f"{seed} core {case}"))
    rules = rules_of(ruleset, shadowed=case % 3 > 0)
    spans = {
        rule.span: (chain, rule.number)
        for (_, _, chain), held in rules.gateway.listing.chains.items()
        for rule in held.rules
    }
    for (chain, number), one in places(rules, never_decides(rules)).items():
        if one.id != "listed-rule-never-decides":
            continue
        named = {spans.get(span, ("policy", 0)) for span, _ in one.related}
        assert named and (chain, number) not in named
        kept = Ruleset(
            {
                name: [
                    rule
                    if (name, place) in named | {(chain, number)}
                    or rule.target
                    or rule.verdict == "return"
                    else Tiny(device="none", verdict="drop")
                    for place, rule in enumerate(rules_, 1)
                ]
                for name, rules_ in ruleset.chains.items()
            },
            ruleset.policy,
        )
        left = [one for one in packets() if kept.decides(one)[:2] == (chain, number)]
        # What another chain took before, whole, never gets there, and so nobody needs be named for it.
        assert not [p for p in left if ruleset.decides(p)[0] == chain], (seed, case, one.message)


@pytest.mark.parametrize("case", range(CASES))
def test_certificates_stand_up_to_a_checker_of_our_own(case: int, seed: int) -> None:
    rules = rules_of(drawn(random.Random(f"{seed} certificates {case}")))
    checker = Checker(rules.gateway.points.rules)
    for origin in rules.dead:
        for number in rules.leaves[origin]:
            if number in rules.gateway.points.boxes:
                verdict = rules.gateway.points.certified.dead_rule(number)
                assert checker.dead(number, verdict.core)  # type: ignore[union-attr]


@pytest.mark.parametrize("case", range(CASES))
def test_rules_that_could_go_are_those_without_which_all_fare_alike(case: int, seed: int) -> None:
    ruleset = drawn(random.Random(f"{seed} redundant {case}"))
    rules = rules_of(ruleset, shadowed=case % 3 > 0)
    told = set(places(rules, redundant(rules)))
    needless = {
        place
        for place in deciding(ruleset)
        if asks(ruleset, place)
        and all(
            ruleset.without(*place).decides(packet)[2] == ruleset.decides(packet)[2]
            for packet in packets()
        )
        and not says_what_the_policy_does(ruleset, place)
    }
    assert told == needless, (seed, case)


@pytest.mark.parametrize("case", range(CASES))
def test_who_would_do_the_same_are_those_who_then_decide(case: int, seed: int) -> None:
    ruleset = drawn(random.Random(f"{seed} heirs {case}"))
    rules = rules_of(ruleset, shadowed=case % 3 > 0)
    for place, one in places(rules, redundant(rules)).items():
        told = {message.removesuffix(" would do the same") for _, message in one.related}
        less, names = ruleset.without(*place), set()
        for packet in packets():
            if ruleset.decides(packet)[:2] == place:
                chain, number, _ = less.decides(packet)
                later = number is not None and chain == place[0] and number >= place[1]
                number = number + 1 if number is not None and later else number
                names.add(
                    f"the policy of chain {chain}"
                    if number is None
                    else f"rule {number} of chain {chain}"
                )
        assert names and names == told, (seed, case, place)


@pytest.mark.parametrize("case", range(CASES))
def test_a_contradiction_has_packets_that_both_fit(case: int, seed: int) -> None:
    ruleset = drawn(random.Random(f"{seed} contradict {case}"))
    rules = rules_of(ruleset, shadowed=case % 3 > 0)
    for (chain, number), one in places(rules, contradictions(rules)).items():
        assert one.witness is not None
        wins = ruleset.chains[chain][number - 1]
        others = places(rules, (Diagnostic("x", "note", "", span) for span, _ in one.related))
        assert others
        for other, place in others:
            loses = ruleset.chains[other][place - 1]
            assert wins.verdict != loses.verdict
            both = [p for p in packets() if ruleset.decides(p)[:2] == (chain, number)]
            assert any(loses.fits(packet) for packet in both), (seed, case, one.message)


def shadowed(*rules: Tiny) -> list[str]:
    found = rules_of(Ruleset({"input": list(rules)}, "drop"))
    return [one.id for look in (never_decides, redundant, contradictions) for one in look(found)]


WEB, SSH, THERE = PORTS[1], PORTS[0], SOURCES[0]


@pytest.mark.parametrize(
    ("told", "rules"),
    [
        (["listed-rule-never-decides"], (Tiny("eth0"), Tiny("eth0", port=WEB))),
        ([], (Tiny("eth0", port=WEB), Tiny("eth0", verdict="drop"), Tiny())),
        (["listed-rule-redundant"], (Tiny("eth0", port=WEB), Tiny("eth0"))),
        ([], (Tiny("eth0"), Tiny("eth1", verdict="drop"))),  # as the policy refuses it
        ([], (Tiny("eth0"), Tiny(verdict="drop"))),  # closes the chain in plain words
        (["listed-rules-contradict"],
         (Tiny("eth0", port=WEB, verdict="drop"), Tiny(source="203.0.113.9"))),
        ([], (Tiny("eth0", port=WEB, verdict="drop"), Tiny("eth0"))),  # an exception
        ([], (Tiny("eth0", THERE, WEB, verdict="drop"), Tiny(source=THERE))),  # another one
        ([], (Tiny("eth0", port=WEB), Tiny("eth1", port=SSH))),
    ],
)  # fmt: skip
def test_planted_rules_and_near_misses(told: list[str], rules: tuple[Tiny, ...]) -> None:
    assert shadowed(*rules) == told


def test_two_that_cover_together_are_both_named_and_no_third() -> None:
    ruleset = Ruleset(
        {"input": [Tiny("eth0"), Tiny("eth0", negated=True), Tiny(port=WEB), Tiny(port=SSH)]}
    )
    rules = rules_of(ruleset)
    found = places(rules, never_decides(rules))
    assert set(found) == {("input", 3), ("input", 4)}
    assert {len(one.related) for one in found.values()} == {2}


@pytest.mark.parametrize(
    ("shadowed", "first"),
    [
        (True, {"rule 3 of chain input"}),
        (False, {"rule 1 of chain input", "the policy of chain input"}),
    ],
)
def test_a_policy_that_some_get_to_early_is_not_all_that_comes_first(
    shadowed: bool, first: set[str]
) -> None:
    ruleset = Ruleset(
        {
            "input": [
                Tiny("eth1", THERE, SSH),
                Tiny("eth1", negated=True, verdict="return"),
                Tiny("eth0", negated=True, verdict="drop"),
                Tiny("eth0", negated=True, source=THERE, port=SSH),
            ]
        }
    )
    rules = rules_of(ruleset, shadowed)
    one = places(rules, never_decides(rules))["input", 4]
    assert {message.removesuffix(" comes first") for _, message in one.related} == first


def test_a_chain_that_no_packet_gets_to_is_told_once() -> None:
    ruleset = Ruleset(
        {
            "input": [Tiny(verdict="accept"), Tiny(verdict="jump", target="one")],
            "one": [Tiny(port=WEB), Tiny(verdict="drop")],
        }
    )
    found = list(never_decides(rules_of(ruleset)))
    assert [one.id for one in found] == ["chain-never-entered"]


def test_a_network_device_that_is_not_there() -> None:
    rules = rules_of(Ruleset({"input": [Tiny("eth7"), Tiny("eth1"), Tiny("lo")]}))
    assert set(places(rules, absent_devices(rules))) == {("input", 1)}
