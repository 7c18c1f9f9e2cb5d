"""Lists of names, read: what each form means, what is refused and why, and how little it holds."""

from __future__ import annotations

import hashlib
import tracemalloc
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcharter.plan.names import forms, reading, zones
from netcharter.plan.names.entries import BELOW, BOTH, ITSELF, SPARED, Entries
from netcharter.plan.names.reading import Form, Limits, over_wide, read


def _entries(text: bytes, form: Form | None = None) -> list[tuple[str, int, int]]:
    return [(entry.name, entry.line, entry.kind) for entry in read([text], form).entries]


def _refused(text: bytes, form: Form | None = None) -> dict[str, tuple[int, ...]]:
    return {told.reason: told.lines for told in read([text], form).refused}


def test_a_plain_line_means_the_name_and_what_is_below() -> None:
    text = b"# games\n\nGames.example.\n*.bets.example\n||ads.example^\n.dots.example # why\n! x\n"
    assert _entries(text) == [
        ("games.example", 3, BOTH),
        ("bets.example", 4, BOTH),
        ("ads.example", 5, BOTH),
        ("dots.example", 6, BOTH),
    ]
    assert read([text]).ignored == 3


def test_a_hosts_line_means_its_names_alone() -> None:
    text = (
        b"\xef\xbb\xbf127.0.0.1\tlocalhost\r\n::1 ip6-localhost ip6-loopback\r\n"
        b"0.0.0.0 a.example B.example # both\r\n0.0.0.0 0.0.0.0\r\n0 c.example\r\n"
    )
    found = read([text])
    assert found.form == "hosts"
    assert [tuple(entry) for entry in found.entries] == [
        ("a.example", 3, ITSELF),
        ("b.example", 3, ITSELF),
        ("c.example", 5, ITSELF),
    ]
    assert (found.refused, found.noted, found.ignored) == ((), (), 3)


def test_a_hosts_line_leads_nobody_elsewhere() -> None:
    found = read([b"0.0.0.0 a.example\n192.0.2.7 b.example\n"])
    assert [entry.name for entry in found.entries] == ["a.example", "b.example"]
    assert [(told.reason, told.lines) for told in found.noted] == [(forms.ELSEWHERE, (2,))]


# Records as in draft-vixie-dnsop-dns-rpz and the manuals of resolvers (from memory).
ZONE = b"""\
$TTL 3600
$ORIGIN lists.example.
@ IN SOA ns.example. keeper.example. ( 1 ; serial
    3600 600
    86400 60 )
  IN NS ns.example.
games.test CNAME .
*.games.test CNAME .
school.games.test.lists.example. 60 IN CNAME rpz-passthru.
nodata.test CNAME *.
silent.test IN CNAME rpz-drop.
old.test CNAME old.test.
walled.test A 192.0.2.1
            TXT "a; b"
led.test CNAME elsewhere.example.
$ORIGIN below.lists.example.
deep CNAME .
$ORIGIN lists.example.
32.7.2.0.192.rpz-client-ip CNAME .
24.0.2.0.192.rpz-ip CNAME .
ns.test.rpz-nsdname CNAME .
32.7.2.0.192.rpz-nsip CNAME .
tcp.test CNAME rpz-tcp-only.
$INCLUDE /etc/hostname
$GENERATE 1-9 a$ CNAME .
abroad.example. CNAME .
*.lists.example. CNAME .
word
"""


def test_a_response_policy_zone_lists_and_spares() -> None:
    found = read([ZONE])
    assert found.form == "response-policy"
    assert [tuple(entry) for entry in found.entries] == [
        ("games.test", 7, ITSELF),
        ("games.test", 8, BELOW),
        ("school.games.test", 9, ITSELF | SPARED),
        ("nodata.test", 10, ITSELF),
        ("silent.test", 11, ITSELF),
        ("old.test", 12, ITSELF | SPARED),
        ("walled.test", 13, ITSELF),
        ("walled.test", 14, ITSELF),
        ("led.test", 15, ITSELF),
        ("deep.below", 17, ITSELF),
    ]
    assert {told.reason: told.lines for told in found.refused} == {
        zones.BY_ASKER: (19,),
        zones.BY_ANSWER: (20,),
        zones.BY_SERVER: (21, 22),
        zones.TCP_ONLY: (23,),
        zones.DIRECTIVE: (24, 25),
        zones.OUTSIDE: (26,),
        forms.BOMB: (27,),
        zones.NO_RECORD: (28,),
    }
    assert [(told.reason, told.lines) for told in found.noted] == [
        (zones.OWN_RECORDS, (13, 14, 15))
    ]


def test_a_parenthesis_that_nothing_closes_does_not_swallow_the_list() -> None:
    text = b"@ SOA a. b. (\n" + b"junk\n" * 60 + b"games.test CNAME .\n"
    found = read([text], "response-policy")
    assert [tuple(entry) for entry in found.entries] == [("games.test", 62, ITSELF)]
    assert found.refused[-1].reason == zones.UNCLOSED
    assert _refused(b"a.test CNAME .\n@ SOA a. b. (\n")[zones.UNCLOSED] == (2,)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"a\x1b[2Jb.example", forms.CONTROL),
        (b"a\0.example", forms.CONTROL),
        (b"a.example\rb.example", forms.CONTROL),
        ("a\u202eb.example".encode(), forms.HIDDEN),
        ("a\u200b.example".encode(), forms.HIDDEN),
        (b"caf\xe9.example", forms.NOT_TEXT),
        (b"a" * 300 + b".example", "has a label of more than 63 bytes"),
        (b"a." * 150 + b"example", "is longer than 253 bytes"),
        (b"x" * 5_000, reading.TOO_LONG),
        (b"*", forms.BOMB),
        (b"*.", forms.BOMB),
        (b"*.*", forms.BOMB),
        (b"||*^", forms.BOMB),
        (b".", forms.BOMB),
        (b"*.*.example", "holds a character that no name has"),
        (b"192.0.2.1", forms.ADDRESS),
        (b"192.0.2.0/24", forms.ADDRESS),
        (b"2001:db8::1", forms.ADDRESS),
        (b"0.0.0.0 a.example", forms.WORDS),
        (b"https://a.example/b", forms.URL),
        (b"||a.example^$third", forms.RULE),
        (b"@@||a.example^", forms.RULE),
        (b"/banner[0-9]/", forms.RULE),
        (b"a.example##.ad", forms.RULE),
        (b"<p>a.example</p>", forms.HTML),
        (b'{"a":1}', "holds a character that no name has"),
        ("☃.example".encode(), "is not allowed as an international name"),
    ],
)
def test_what_is_no_name_is_refused_by_its_reason(line: bytes, reason: str) -> None:
    found = read([b"good.example\n", line, b"\nfine.example\n"], "plain")
    assert [(told.reason, told.count, told.lines) for told in found.refused] == [(reason, 1, (2,))]
    assert [entry.name for entry in found.entries] == ["good.example", "fine.example"]
    assert len(found.refused[0].quoted) < 200
    assert all(letter.isprintable() for letter in found.refused[0].quoted)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (b"", reading.EMPTY),
        (b"# nothing\n", reading.EMPTY),
        (b"\n<!DOCTYPE html>\n<p>games.example\n", reading.PAGE),
        ("games.example\n".encode("utf-16"), reading.UTF16),
        (b"\x1f\x8b\x08\0", reading.PACKED),
        (bytes(100) + b"\n" + bytes(range(256)), reading.BINARY),
        (b"a\n" * 12, reading.TOO_MANY_LINES.format(11)),
        (b"a" * 2_001, reading.TOO_LARGE.format(2_000)),
        (b"0.0.0.0 a.example b.example\n" * 3, reading.TOO_MANY_NAMES.format(5)),
    ],
)
def test_some_texts_are_no_list_at_all(text: bytes, reason: str) -> None:
    found = read([text], limits=Limits(size=2_000, lines=11, names=5))
    assert found.unusable == reason
    assert len(found.entries) == 0


def test_counts_are_whole_and_only_first_lines_are_kept() -> None:
    found = read([b"a.example\n" + b"*\n" * 1_000 + b"1.2.3.4\n"])
    assert [(told.count, told.lines) for told in found.refused] == [
        (1_000, (2, 3, 4, 5, 6)),
        (1, (1_002,)),
    ]
    assert (found.refused_lines, found.lines, len(found.entries)) == (1_001, 1_002, 1)


def test_a_line_without_end_and_a_file_without_end_take_no_memory() -> None:
    """A line of 21 MB, then lines for ever, until the limit; never more than a few blocks held."""

    def pieces() -> Iterator[bytes]:
        yield b"good.example\n"
        for _ in range(320):
            yield b"x" * 65_536
        yield b"\n"
        while True:
            yield b"*\n" * 32_768

    tracemalloc.start()
    try:
        found = read(pieces(), limits=Limits(size=21_050_000))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert found.unusable == reading.TOO_LARGE.format(21_050_000)
    assert {told.reason for told in found.refused} == {reading.TOO_LONG, forms.BOMB}
    assert peak < 5_000_000


@given(st.binary(max_size=400), st.sampled_from(reading.FORMS))
def test_nothing_that_is_read_raises_and_all_that_comes_out_is_a_name(
    text: bytes, form: Form
) -> None:
    found = read([text], form)
    assert found.digest == hashlib.sha256(text).hexdigest()
    assert found.size == len(text)
    for entry in found.entries:
        assert 0 < len(entry.name) <= 253
        assert 1 <= entry.line <= text.count(b"\n") + 1


@given(st.lists(st.integers(0, 60), max_size=8), st.sampled_from([ZONE, b"0 a.example\r\nb\n" * 9]))
def test_it_does_not_matter_where_the_pieces_are_cut(sizes: list[int], text: bytes) -> None:
    pieces, rest = [], text
    for size in sizes:
        pieces.append(rest[:size])
        rest = rest[size:]
    assert read([*pieces, rest]) == read([text])


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["a.example", "b.c.example", "xn--bcher-kva.test"]), st.booleans()
        ),
        min_size=1,
    )
)
def test_what_is_written_is_read_again(wanted: list[tuple[str, bool]]) -> None:
    names = [name for name, _ in wanted]
    text = "".join(f"{'*.' if star else ''}{name}\r\n" for name, star in wanted)
    assert read([text.encode()]).entries == Entries.of(names)
    text = "".join(f"0.0.0.0 {name.upper()}\n" for name in names)
    assert read([text.encode()]).entries == Entries.of(names, ITSELF)
    text = "".join(f"{'*.' if star else ''}{name} CNAME .\n" for name, star in wanted)
    assert [(entry.name, entry.below) for entry in read([text.encode()]).entries] == wanted


def test_entries_that_take_in_a_public_suffix_are_over_wide() -> None:
    names = ["com", "co.uk", "games.co.uk", "test.ck", "www.ck", "city.kobe.jp", "kobe.jp"]
    wide = [entry.name for entry in over_wide(Entries.of(names))]
    # By the published vectors: www.ck and city.kobe.jp are exceptions to a wildcard.
    assert wide == ["com", "co.uk", "test.ck", "kobe.jp"]
    assert not list(over_wide(Entries.of(names, ITSELF)))
    assert not list(over_wide(Entries.of(names, BOTH | SPARED)))
