"""The random rulesets are made of everything that readback is said to understand."""

from __future__ import annotations

import re
from random import Random

import pytest

from tests.readback.rulesets import ruleset

MANY = 120  # as many as one run loads
EVERYTHING = {
    "families": (r"^table inet ", r"^table ip ", r"^table ip6 "),
    "types": ("type filter hook", "type nat hook", "type route hook"),
    "hooks": ("hook prerouting", "hook input", "hook forward", "hook output", "hook postrouting"),
    "policies": ("policy accept", "policy drop"),
    "ways": (r" jump r\d", r" goto r\d", r"^ +(.* )?return"),
    "verdict maps": (r"vmap \{", r"vmap @m\d", r"vmap \{ .* : (jump|goto) "),
    "named sets": (r" @s\d", r" != @s\d", "flags interval", "typeof "),
    "anonymous sets": (r"(?<!map) \{ [^}]+, ", r"!= \{ "),
    "intervals": (r"dport (!= )?\d+-\d+", r"addr (!= )?\d[\d.]+/\d+", r"addr (!= )?[\d.]+-[\d.]+"),
    "concatenations": (r" \. \w+ (\w+ )?\{", r" \. \w+ (\w+ )?@s", r'"\w+\*?" \. \d[\d.]+/'),
    "wildcards": (r'"(lan|tap|up|l)\*"',),
    "negation": (r"name != ", r"addr != ", r"port != ", r"mark != ", r"type != "),
    "ct state": ("ct state new", "ct state ! ", "ct state != ", r"ct state (!= )?\{"),
    "ct": (r"ct status (! )?dnat", "ct original ip daddr", "ct original proto-dst", "ct mark 0x"),
    "marks": ("meta mark set 0x", "ct mark set meta mark", "meta mark set ct mark"),
    "arithmetic": (
        r"set \w+ mark and ",
        " xor ",
        " or 0x",
        r" (<<|>>) \d",
        "mark and 0x[0-9a-f]+ ==",
    ),
    "maps of marks": ("mark set meta l4proto map", "mark set iifname map"),
    "fib": (
        "fib daddr type",
        "fib saddr type",
        r"fib \w+ \. iif type",
        "oif missing",
        "oif exists",
    ),
    "icmp": ("icmp type", "icmpv6 type", "icmp code"),
    "open": ("limit rate", "quota ", r"limit name", r"quota name"),
    "refusals": (
        "reject with tcp reset",
        "reject with icmp ",
        "reject with icmpx",
        r"reject(?! with)",
    ),
    "translation": ("dnat ip to", "snat ip to", "masquerade", "redirect", r"dnat .* map \{"),
    "more translation": (r"dnat .* map @m\d", r"to :\d+", "dnat ip6 to", "snat ip6 to", "random"),
    "untracked": ("notrack",),
    "what ends a rule": (
        r"(add|update) @f\d+ \{ ip6? ",
        r"counter name ip6? \w+ map",
        r"priority set \w+ \w+ map",
        r"(ttl|hoplimit|dscp) set ",
    ),
    "the rest": ("counter name", r"counter(?! name)", "comment ", "ether saddr", "tcp flags"),
}


@pytest.fixture(scope="module")
def texts(seed: int) -> list[str]:
    return [ruleset(Random(f"{seed}/{number}")).text for number in range(MANY)]


@pytest.mark.parametrize("what", EVERYTHING)
def test_a_run_has_every_kind_of_rule(what: str, texts: list[str]) -> None:
    for pattern in EVERYTHING[what]:
        found = re.compile(pattern, re.MULTILINE)
        assert sum(bool(found.search(text)) for text in texts) >= 2, pattern


def test_a_seed_gives_the_same_ruleset_again() -> None:
    assert ruleset(Random("7")).text == ruleset(Random("7")).text
