"""Texts of rulesets that are broken, or written to do harm: each is refused in words, and none
reads or changes anything but what was named."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from netcharter.lab import reading
from netcharter.lab.reading import NotListed, listing_of
from netcharter.readback.listing import Rule
from netcharter.tasks.inheriting.ruleset import Ruleset, devices_by_index, ruleset_of
from netcharter.tasks.sources import Unusable
from tests.readback.auditing import House
from tests.readback.made import text

SMALL = (
    "table inet t {\n  chain c {\n    type filter hook input priority 0; policy drop;\n%s  }\n}\n"
)


def refused(given: str | bytes) -> tuple[str, int, str]:
    """Identifier, line and message of the first thing that is wrong."""
    data = given.encode() if isinstance(given, str) else given
    with pytest.raises(Unusable) as caught:
        ruleset_of(data, "old.nft")
    wrong = caught.value.diagnostics[0]
    assert wrong.severity == "error" and wrong.help
    assert wrong.span.file in caught.value.texts and wrong.span.file == "old.nft"
    return wrong.id, wrong.span.line, wrong.message


def loaded(given: str) -> Ruleset:
    return ruleset_of(given.encode(), "old.nft")


def rules(found: Ruleset) -> list[Rule]:
    return [rule for chain in found.listing.chains.values() for rule in chain.rules]


@pytest.mark.parametrize(
    ("given", "line"),
    [
        ('include "/etc/shadow"', 1),
        ("table inet t {\n include 'x'\n}", 2),
        ('define a = 1; include "b"', 1),
        ('# nothing\n\n\tinclude\t"/etc/passwd"', 3),
        ('table ip t { } ; include "/proc/self/environ"', 1),
    ],
)
def test_other_files_are_refused_before_nft_is_asked(
    given: str, line: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(*_: object) -> str:
        raise AssertionError("nft was asked")

    monkeypatch.setattr("netcharter.tasks.inheriting.ruleset.listing_of", never)
    ident, at, message = refused(given)
    assert (ident, at) == ("ruleset-includes", line) and "root:" not in message


@pytest.mark.parametrize(
    ("given", "ident"),
    [
        (b"\xff\xfe{", "not-utf-8"),
        (b"table inet t { comment \xe9 }", "not-utf-8"),
        ("", "listing-empty"),
        (" \n\n", "listing-empty"),
        ("{", "listing-not-json"),
        ("{}", "listing-not-json"),
        ('{"nftables": 7}', "listing-not-json"),
        ("{" * 100_000, "listing-not-json"),
        ("\0\0\0", "ruleset-not-loaded"),
        ("table inet t { }\n\0drop everything", "ruleset-not-loaded"),
        ('{"nftables": [{"rule": {"expr": [], "chain": "c"}}]}', "listing-shape"),
    ],
)
def test_what_is_no_ruleset_at_all(given: str | bytes, ident: str) -> None:
    assert refused(given)[0] == ident


@pytest.mark.kernel
@pytest.mark.parametrize(
    ("given", "line", "words"),
    [
        (SMALL % "    tcp dport nonsense\n", 4, "resolve service"),
        (SMALL % "    jump nowhere\n", 4, "No such file or directory"),
        ("table inet t {", 1, "syntax error"),
        ("inc\\\nlude \"/etc/passwd\"", 2, "syntax error"),
        ("\0\0\0", 1, ""),
        ("table inet t { }\0include \"x\"", 1, ""),
        ("x" * 3_000_000, 1, "syntax error"),
        ("flush ruleset; list ruleset; \u202e", 1, "syntax error"),
    ],
)  # fmt: skip
def test_what_nft_does_not_take_is_told_at_its_place(given: str, line: int, words: str) -> None:
    ident, at, message = refused(given)
    assert ident in ("ruleset-not-loaded", "ruleset-includes")
    assert at == line and words in message and len(message) < 1000 and "root:" not in message


@pytest.mark.kernel
def test_include_in_a_comment_or_a_string_is_nothing() -> None:
    found = loaded(SMALL % '    tcp dport 22 accept comment "include \'x\'" # include "y"\n')
    assert [rule.comment for rule in rules(found)] == ["include 'x'"]


@pytest.mark.kernel
@pytest.mark.parametrize(
    "given",
    [
        "list ruleset\n" + SMALL % "",
        'echo = "\'; touch /tmp/touched; #"\n',
        SMALL % "" + "monitor\n",
        "$(touch touched)\n`touch touched`\n",
        "!touch touched\n",
        "quit\n",
    ],
)
def test_nothing_but_rules_comes_of_a_text(given: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands of nft's own shell, of other shells, and those that never end."""
    monkeypatch.setattr(reading, "SECONDS", 3)
    before = _own_ruleset()
    try:
        found = loaded(given)
    except Unusable as wrong:
        told = wrong.diagnostics[0]
        assert told.id.startswith(("ruleset-", "listing-"))
    else:
        assert rules(found) == []
    assert not Path("touched").exists() and not Path("/tmp/touched").exists()
    assert _own_ruleset() == before


def _own_ruleset() -> str:
    done = subprocess.run(["nft", "list", "ruleset"], capture_output=True, text=True, check=False)
    return done.stdout + done.stderr


@pytest.mark.kernel
def test_what_never_ends_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "SECONDS", 2)
    with pytest.raises(NotListed) as caught:
        listing_of("monitor\n", [])
    assert "2 seconds" in caught.value.message or "nft" in caught.value.message


@pytest.mark.kernel
def test_a_text_says_the_same_as_what_the_kernel_lists_of_it() -> None:
    """Text, and the JSON of its listing given as a file, are one ruleset; only places differ."""
    given = SMALL % '    iifname "eth0" tcp dport { 22, 80 } accept comment "a"\n    drop\n'
    plain = loaded(given)
    listed = ruleset_of(listing_of(given, []).encode(), "old.json")
    assert [(r.expr, r.comment) for r in rules(plain)] == [
        (r.expr, r.comment) for r in rules(listed)
    ]
    assert [rule.span.line for rule in rules(plain)] == [4, 5]
    assert {rule.span.file for rule in rules(plain)} == {"old.nft"}


@pytest.mark.kernel
def test_devices_named_by_index_need_not_be_there() -> None:
    given = (
        "define wan = { eth7, eth8 }\n"
        + SMALL % "    iif { eth5, eth6 } accept\n    iif $wan drop\n"
    )
    found = loaded(given)
    assert "eth5" in json.dumps(rules(found)[0].expr) and "eth8" in json.dumps(rules(found)[1].expr)


def test_names_of_devices_are_looked_for_with_bounds() -> None:
    assert list(devices_by_index('iif "eth0" oif != lo device eth1 iifname eth9')) == [
        "eth0", "lo", "eth1",
    ]  # fmt: skip
    assert list(devices_by_index("iif { a, b,c }")) == ["a", "b", "c"]
    assert len(list(devices_by_index("iif { " + ", ".join(f"d{n}" for n in range(9999))))) <= 200
    assert list(devices_by_index("iif")) == [] and list(devices_by_index("define iif =")) == []


def test_json_of_a_kernel_needs_no_kernel() -> None:
    found = ruleset_of(text(*House().items()).encode(), "old.json")
    assert len(rules(found)) == 11 and found.problems == ()
