"""Where rules stand in a text: what nft(8)'s grammar says, and what a kernel made of such texts."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from netcharter.diagnostics import Span
from netcharter.lab.reading import listing_of
from netcharter.readback.written import includes, without_comments, written

GOLDEN = Path(__file__).parents[1] / "render" / "golden" / "nftables.nft"
FORWARD = ("inet", "gate", "forward")
BLOCKS = """\
# the old gateway; tcp dport 1 accept
define lan = { eth1, eth2 }
table inet gate {
    comment "a { b"
    set known { type ipv4_addr; flags interval
        elements = { 192.0.2.0/24, 198.51.100.1 }; }
    chain forward {
        type filter hook forward priority 0; policy drop;
        comment "who; goes } there"
        ct state established,related accept; ct state invalid drop
        iifname $lan tcp dport { 80, 443 } \\
            accept comment "the # web; of course"
        tcp dport vmap {
            22 : jump admin,
            23 : drop
        }
        udp dport 53 accept # names }
    }
    chain admin { ip saddr @known accept; }
}
"""


def underlined(text: str, span: Span) -> str:
    """What a span of one text underlines."""
    lines = text.split("\n")[span.line - 1 : span.end_line]
    lines[-1] = lines[-1][: span.end_column - 1]
    lines[0] = lines[0][span.column - 1 :]
    return "\n".join(lines)


def rules(text: str, chain: tuple[str, str, str] = FORWARD) -> list[str]:
    return [underlined(text, span) for span in written(text, "old.nft").rules.get(chain, ())]


def test_rules_of_blocks_are_found_whole_and_in_order() -> None:
    assert rules(BLOCKS) == [
        "ct state established,related accept",
        "ct state invalid drop",
        'iifname $lan tcp dport { 80, 443 } \\\n            accept comment "the # web; of course"',
        "tcp dport vmap {\n            22 : jump admin,\n            23 : drop\n        }",
        "udp dport 53 accept",
    ]
    assert rules(BLOCKS, ("inet", "gate", "admin")) == ["ip saddr @known accept"]


def test_chains_sets_and_tables_are_found() -> None:
    found = written(BLOCKS, "old.nft")
    assert underlined(BLOCKS, found.chains[FORWARD]) == "chain forward"
    assert underlined(BLOCKS, found.sets["inet", "gate", "known"]) == "set known"
    assert underlined(BLOCKS, found.tables["inet", "gate"]) == "table inet gate"


def test_commands_add_insert_and_count() -> None:
    text = """\
add table gate
add chain gate forward { type filter hook forward priority 0; }
add rule gate forward tcp dport 1 accept
rule gate forward tcp dport 2 accept
insert rule ip gate forward tcp dport 3 accept
add rule gate forward index 0 tcp dport 4 accept
insert rule gate forward index 1 tcp dport 5 accept
"""
    found = rules(text, ("ip", "gate", "forward"))
    assert [re.findall(r"dport (\d)", one)[0] for one in found] == list("35412")


def test_what_is_flushed_or_deleted_does_not_count() -> None:
    assert rules(BLOCKS + "flush ruleset\n" + BLOCKS) == rules(BLOCKS)
    assert rules(BLOCKS + "delete table inet gate\n" + BLOCKS) == rules(BLOCKS)
    assert rules("table inet gate\nflush chain inet gate forward\n" + BLOCKS) == rules(BLOCKS)
    assert len(rules(BLOCKS + BLOCKS)) == 2 * len(rules(BLOCKS))


@pytest.mark.parametrize(
    "unsure",
    ["replace rule inet gate forward handle 4 drop", "delete rule inet gate forward handle 4",
     "add rule inet gate forward position 4 drop"],
)  # fmt: skip
def test_where_rules_cannot_be_told_apart_the_chain_is_told(unsure: str) -> None:
    text = BLOCKS + unsure + "\n"
    found = written(text, "old.nft")
    assert found.rule(FORWARD, 1, 5) == found.chains[FORWARD]


def test_another_number_of_rules_is_told_by_the_chain_or_table() -> None:
    found = written(BLOCKS, "old.nft")
    assert underlined(BLOCKS, found.rule(FORWARD, 2, 5) or Span("", 1, 1, 1, 1)).startswith("ct")
    assert found.rule(FORWARD, 2, 4) == found.chains[FORWARD]
    assert found.rule(("inet", "gate", "none"), 1, 1) == found.tables["inet", "gate"]
    assert found.rule(("inet", "none", "none"), 1, 1) is None


@pytest.mark.parametrize(
    ("text", "inside"),
    [
        ('include "a"', True),
        ('table ip a { chain b { include"a" } }', True),
        ('x;include "a"', True),
        ('"# " include "a"', True),
        ('comment "unended include', True),
        ('a # "\ninclude "x"', True),
        ("@include", True),
        ('# include "a"', False),
        ('comment "include me"', False),
        ('comment "a\ninclude b"', False),
        ("includes included pre-include", False),
        ("include/etc/passwd", False),
    ],
)
def test_include_is_found_outside_comments_and_quotes(text: str, inside: bool) -> None:
    assert (includes(text) is not None) is inside


def test_comments_are_blanked_and_nothing_moves() -> None:
    plain = without_comments(BLOCKS)
    assert len(plain) == len(BLOCKS) and plain.count("\n") == BLOCKS.count("\n")
    assert "#" not in plain.replace("the # web", "")
    assert rules(plain) == rules(BLOCKS)


@pytest.mark.parametrize(
    "text",
    ["", "}" * 5000, "{" * 5000, "table inet x {" * 5000, ";" * 5000, '"', "\\", "table", "add",
     "chain", "table inet x { chain", "rule a b", "add rule x y", "table x { chain y { a",
     "insert rule x y index 99999 drop", "add rule x y index -1 drop", "\0\r\x1b[2J",
     "chain x y {}}}}} table z { set q { } } "],
)  # fmt: skip
def test_whatever_the_text_the_scan_ends(text: str) -> None:
    for cut in range(min(len(text), 40)):
        written(text[cut:], "x")
    for end in range(0, len(BLOCKS), 7):
        written(text + BLOCKS[:end], "x")


# ---- against a kernel: a rule's comment comes back with its place ----


def _script(draw: random.Random) -> str:
    """Blocks and commands, every rule with a comment of its own."""
    number = iter(range(1000))
    chains = ["one", "two", "three"]

    def rule() -> str:
        kind = draw.choice(
            ["accept", "tcp dport { 22, 80 } drop", "ip saddr 192.0.2.0/24 jump aside",
             "tcp dport vmap {\n 1 : accept,\n 2 : drop }", "limit rate 5/second \\\n accept"]
        )  # fmt: skip
        return f'{kind} comment "n{next(number)};"'

    def block(chain: str) -> str:
        held = [rule() for _ in range(draw.randrange(4))]
        joined = "".join(one + draw.choice([";", "\n", " # x\n", ";\n\n"]) for one in held)
        return f"chain {chain} {{\n{joined} }}\n"

    lines = ["table inet t { chain aside { }; }", *(f"add chain inet t {c}" for c in chains)]
    for _ in range(draw.randrange(2, 8)):
        chain = draw.choice(chains)
        lines += [
            draw.choice(
                [
                    f"table inet t {{\n{block(chain)}}}",
                    f"add rule inet t {chain} {rule()}",
                    f"insert rule inet t {chain} {rule()}",
                    f"flush chain inet t {chain}",
                ]
            )
        ]
    return "\n".join(lines) + "\n"


def _listed(text: str) -> Iterator[tuple[tuple[str, str, str], list[str]]]:
    held: dict[tuple[str, str, str], list[str]] = {}
    for item in json.loads(listing_of(without_comments(text), []))["nftables"]:
        if "rule" in item:
            said = item["rule"]
            held.setdefault((said["family"], said["table"], said["chain"]), []).append(
                said.get("comment", "")
            )
    yield from held.items()


@pytest.mark.kernel
def test_places_are_those_of_the_kernel(seed: int) -> None:
    told = 0
    for case in range(30):
        text = _script(random.Random(f"{seed} {case}"))
        found = written(text, "old.nft")
        for chain, comments in _listed(text):
            spans = [found.rule(chain, n, len(comments)) for n in range(1, len(comments) + 1)]
            for span, comment in zip(spans, comments, strict=True):
                assert span is not None
                assert f'comment "{comment}"' in underlined(text, span), (seed, case, text)
                told += 1
    assert told > 50


@pytest.mark.kernel
def test_the_blocks_above_are_a_ruleset() -> None:
    assert dict(_listed(BLOCKS))[FORWARD] == ["", "", "the # web; of course", "", ""]


@pytest.mark.kernel
def test_a_kit_is_told_rule_by_rule() -> None:
    text = GOLDEN.read_text("ascii")
    found = written(text, "kit")
    for chain, comments in _listed(text):
        for number, comment in enumerate(comments, 1):
            span = found.rule(chain, number, len(comments))
            assert span is not None and span != found.chains.get(chain), chain
            assert (f'comment "{comment}"' in underlined(text, span)) is bool(comment)
