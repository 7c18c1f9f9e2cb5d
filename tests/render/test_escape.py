"""Nothing of a charter's text can end a string, a line or a reader's trust."""

from __future__ import annotations

import re
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcharter.render import escape

ALLOWED = set(string.ascii_letters + string.digits + escape.SAFE + "%")


@given(st.text(max_size=300), st.text(max_size=200))
def test_a_comment_holds_nothing_but_plain_characters_and_keeps_its_limit(
    name: str, place: str
) -> None:
    found = escape.comment(name, place)
    assert found[0] == found[-1] == '"'
    assert len(found) - 2 <= 128  # nft(8): comments of at most 128 bytes
    assert set(found[1:-1]) <= ALLOWED


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=40))
def test_what_was_escaped_can_be_read_again(text: str) -> None:
    assert escape.plain_again("".join(escape.encoded(text))) == text


def test_percent_encoding_is_that_of_the_published_examples() -> None:
    # RFC 3986 section 2.5: "A" grave U+00C0 is "%C3%80", katakana A U+30A2 is "%E3%82%A2".
    assert escape.shortened("\u00c0", 40) == "%C3%80"
    assert escape.shortened("\u30a2", 40) == "%E3%82%A2"
    assert escape.shortened("100%", 40) == "100%25"


def test_the_place_stays_whole_where_the_name_is_cut() -> None:
    found = escape.comment("a" * 500, "charter.yaml:12")
    assert found.endswith('... at charter.yaml:12"')


def test_a_long_place_keeps_its_end() -> None:
    found = escape.comment("rule 1", "/".join(["folder"] * 60) + "/charter.yaml:12")
    assert found.endswith('/charter.yaml:12"')
    assert len(found) <= 130


@pytest.mark.parametrize(
    ("said", "left"),
    [
        (b"# one\nlet\n", b"let\n"),
        (b"a {\n\t# one\n  # two\n}\n", b"a {\n}\n"),
        (b"let\n# no end", b"let\n"),
        (b'counter x { comment "rule 1 at charter.yaml:9" }\n', b"counter x { }\n"),
        (b"server=127.0.0.1#5334\n", b"server=127.0.0.1#5334\n"),
        (b"#!/bin/sh\n", b"#!/bin/sh\n"),
    ],
)
def test_nothing_but_comments_goes(said: bytes, left: bytes) -> None:
    assert escape.uncommented(said) == left


@given(st.text(max_size=300))
def test_a_remark_is_one_line(text: str) -> None:
    assert set(escape.remark(text)) <= ALLOWED | {"#"}


@pytest.mark.parametrize(
    "name",
    [
        "",
        "eth*",
        'eth0"',
        "eth 0",
        "eth0;",
        "eth0\n",
        "a/b",
        "$x",
        "-x",
        "x" * 16,
        "\u05d0",
        "a:b",
        "all",
    ],
)
def test_a_device_name_that_is_none_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="device name"):
        escape.device(name)


@pytest.mark.parametrize("name", ["eth0", "eth3.20", "wg-home", "br_lan", "enp0s31f6", "up", "via"])
def test_an_ordinary_device_name_is_kept(name: str) -> None:
    assert escape.device(name) == f'"{name}"'


@given(st.text())
def test_a_string_of_lua_is_read_back_as_its_bytes(text: str) -> None:
    quoted = escape.lua_string(text)
    assert set(quoted[1:-1]) <= ALLOWED | {"\\"}
    # Lua 5.1 manual, section 2.1: a backslash and three digits are the byte of that number.
    again = re.sub(r"\\(\d{3})", lambda found: chr(int(found[1])), quoted[1:-1])
    assert again.encode("latin-1") == text.encode("utf-8", "surrogatepass")
