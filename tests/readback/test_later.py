"""Which rules later packets of a conversation may meet: small chains, read packet by packet as
nft(8) says what `jump`, `goto` and `return` do. Whatever meets a rule there must be expected."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import pytest

from netcharter.readback.later import EVERY, NEW, Later
from netcharter.readback.listing import Listing, read_listing
from netcharter.readback.structure import Structure
from tests.readback.made import ACCEPT, DROP, Item, chain, ct, match, meta, rule, table, text

DEVICES = ("eth0", "eth1")
CASES = 150


@dataclass(frozen=True)
class Small:
    """A rule: a device, states (`not_`: all but these), a verdict."""

    device: str | None
    states: tuple[str, ...]
    not_: bool
    verdict: str
    target: str = ""

    def statements(self) -> list[Item]:
        found = [match(meta("iifname"), self.device)] if self.device else []
        if self.states:
            found.append(match(ct("state"), list(self.states), "!=" if self.not_ else "in"))
        return [*found, {self.verdict: {"target": self.target} if self.target else None}]

    def fits(self, device: str, state: str) -> bool:
        asked = not self.states or (state in self.states) is not self.not_
        return asked and self.device in (None, device)


Chains = Mapping[str, Sequence[Small]]
Met = set[tuple[str, int, str]]


def drawn(draw: random.Random) -> Chains:
    def one(below: Sequence[str]) -> Small:
        verdict = draw.choice(["accept", "drop", "return", *(["jump", "goto"] * bool(below))])
        states = draw.sample(sorted(EVERY), draw.choice([0, 0, 1, 2, 3]))
        target = draw.choice(below) if verdict in ("jump", "goto") else ""
        device = draw.choice([None, None, *DEVICES])
        return Small(device, tuple(states), draw.random() < 0.2, verdict, target)

    names = ["input", "one", "two", "three"]
    return {
        name: [one(names[at + 1 :]) for _ in range(draw.randrange(1, 5))]
        for at, name in enumerate(names)
    }


def met(chains: Chains) -> Met:
    """Which states meet which rules and fit them."""
    found: Met = set()
    for device, state in product(DEVICES, EVERY):
        _chain(chains, "input", device, state, found)
    return found


def _chain(chains: Chains, name: str, device: str, state: str, found: Met) -> bool:
    """Whether the packet was decided there."""
    for number, one in enumerate(chains[name], 1):
        if not one.fits(device, state):
            continue
        found.add((name, number, state))
        if one.verdict in ("accept", "drop"):
            return True
        if one.verdict == "return":
            return False
        if _chain(chains, one.target, device, state, found):
            return True
        if one.verdict == "goto":
            return False
    return False


def listing(chains: Chains) -> Listing:
    items = [chain(name, "input" if name == "input" else None) for name in chains]
    items += [rule(name, *one.statements()) for name, held in chains.items() for one in held]
    found = read_listing(text(table(), *items), "old")
    assert found.listing is not None, found.problems
    return found.listing


def later(chains: Chains) -> dict[tuple[str, int], bool]:
    read = listing(chains)
    told = Later(Structure(read))
    return {
        (name[2], one.number): told.only_first(one)
        for name, held in read.chains.items()
        for one in held.rules
    }


@pytest.mark.parametrize("case", range(CASES))
def test_rules_for_first_packets_alone_meet_no_others(case: int, seed: int) -> None:
    chains = drawn(random.Random(f"{seed} later {case}"))
    led_to = {"input"}
    for name in chains:  # they only lead downwards
        led_to |= {one.target for one in chains[name] if one.target and name in led_to}
    asks = any(one.states for name in led_to for one in chains[name])
    for (name, number), alone in later(chains).items():
        states = {state for place, at, state in met(chains) if (place, at) == (name, number)}
        assert not (alone and asks and states - NEW), (seed, case, name, number)


SETTLED = [
    Small(None, ("established", "related"), False, "accept"),
    Small(None, ("invalid",), False, "drop"),
]
LET = Small("eth0", (), False, "accept")


@pytest.mark.parametrize(
    ("alone", "chains"),
    [
        (True, {"input": [*SETTLED, LET]}),
        (True, {"input": [Small(None, ("new",), False, "accept")]}),
        (True, {"input": [LET]}),  # nothing tells packets apart
        (False, {"input": [SETTLED[0], LET]}),  # invalid ones come there, too
        (False, {"input": [Small("eth0", ("established",), False, "accept"), SETTLED[1], LET]}),
        (True, {"input": [Small(None, (), False, "jump", "one"), LET], "one": SETTLED}),
        (True, {"input": [Small(None, ("new",), False, "jump", "one")], "one": [LET]}),
        (
            False,
            {
                "input": [Small(None, (), False, "jump", "one"), LET],
                "one": [Small("eth1", (), False, "return"), *SETTLED],
            },
        ),
        (False, {"input": [LET, *SETTLED, Small(None, (), False, "jump", "one")], "one": []}),
    ],
)
def test_planted_and_near_misses(alone: bool, chains: Chains) -> None:
    last = "one" if chains.get("one") == [LET] else "input"
    numbers = [n for n, one in enumerate(chains[last], 1) if one.verdict == "accept"]
    place = max(numbers) if chains[last][0] != LET else 1
    assert later(chains)[last, place] is alone


def test_verdict_maps_over_states() -> None:
    def told(pairs: list[list[object]]) -> bool:
        vmap: Item = {"vmap": {"key": ct("state"), "data": {"set": pairs}}}
        items = [chain("input", "input"), rule("input", vmap), rule("input", ACCEPT)]
        found = read_listing(text(table(), *items), "old").listing
        assert found is not None
        return Later(Structure(found)).only_first(found.chains["inet", "t", "input"].rules[1])

    assert told([["established", ACCEPT], ["related", ACCEPT], ["invalid", DROP]])
    assert not told([["established", ACCEPT], ["invalid", DROP]])
    assert not told([["established", {"continue": None}], ["related", ACCEPT], ["invalid", DROP]])
