"""Hostile and broken files: refused line by line, counted, bounded, and never a traceback."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcharter.diagnostics import Diagnostic
from netcharter.diagnostics.catalogue import CATALOGUE
from netcharter.diagnostics.text import render
from netcharter.tasks.inheriting.held import KINDS, kind_of, read_held
from netcharter.tasks.inheriting.host import host_facts
from netcharter.tasks.inheriting.lines import FEW, LONGEST_LINE, MOST_BYTES, shown

PAGE = """<!DOCTYPE html>
<html><head><title>Sign in</title></head>
<body onload="x()"><form action="/login"><input name="dhcp-host"></form>
<p>Your session has ended; please sign in again.</p></body></html>
"""
GOOD = "dhcp-host=02:00:00:aa:00:01,laptop,10.20.10.10\n"
MOST_TOLD = 60  # findings of one file: a few of each reason, and their counts


def told(found: tuple[Diagnostic, ...]) -> list[tuple[str, int]]:
    return [(problem.id, problem.span.line) for problem in found]


def orderly(found: tuple[Diagnostic, ...], data: str | bytes) -> None:
    """Few findings of known kinds, each at a place that exists, and all of them can be shown."""
    assert len(found) <= MOST_TOLD
    text = shown(data)
    for problem in found:
        assert problem.id in CATALOGUE
        assert len(problem.message) < 300
        assert 1 <= problem.span.line <= text.count("\n") + text.count("\r") + 1
        assert problem.span.column >= 1
    printed = render(found, {"file": text}, width=80, colour=False)
    assert not any(ord(character) < 32 and character != "\n" for character in printed)


def test_a_page_in_the_place_of_a_file_is_no_file() -> None:
    found = read_held(PAGE, "file")
    assert told(found.problems) == [("file-kind-unknown", 1)]
    assert found.problems[0].severity == "error"
    assert not found.reservations and not found.leases


@pytest.mark.parametrize("kind", KINDS)
def test_a_page_that_is_said_to_be_a_file_is_refused_line_by_line(kind: str) -> None:
    found = read_held(PAGE, "file", kind)  # type: ignore[arg-type]
    assert not found.reservations and not found.leases and not found.pools
    orderly(found.problems, PAGE)
    assert any(problem.id == "entry-not-read" for problem in found.problems)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"dhcp-host=02:00:00:aa:00:02,caf\xe9,10.20.10.11", "not UTF-8"),
        (b"dhcp-host=02:00:00:aa:00:02,a\x1b[31m,10.20.10.11", "not seen: U+001B"),
        (b"dhcp-host=02:00:00:aa:00:02,a\x00b,10.20.10.11", "not seen: U+0000"),
        ("dhcp-host=02:00:00:aa:00:02,\u202eevil,10.20.10.11".encode(), "not seen: U+202E"),
        (b"dhcp-host=" + b"x" * 10_000_000, f"more than {LONGEST_LINE}"),
    ],
)
def test_a_bad_line_costs_only_itself(line: bytes, reason: str) -> None:
    data = GOOD.encode() + line + b"\n" + GOOD.encode().replace(b"00:01", b"00:03")
    found = read_held(data, "file")
    assert [one.hardware[0] & 0xFF for one in found.reservations] == [1, 3]
    (problem,) = found.problems
    assert reason in problem.message and problem.span.line == 2
    orderly(found.problems, data)


def test_many_bad_lines_are_counted() -> None:
    data = GOOD + "nothing at all\n" * 5_000 + "dhcp-range=x\n" * 7 + GOOD
    found = read_held(data, "file")
    orderly(found.problems, data)
    counts = [p.message for p in found.problems if p.id == "and-more"]
    assert counts == [
        f"{5_000 - FEW} more entries of this file, up to here: no setting of dnsmasq",
        f"{7 - FEW} more entries of this file, up to here: a range without its first address",
    ]
    assert len(found.reservations) == 2


def test_a_file_beyond_all_measure_is_not_read() -> None:
    found = read_held(b"#" * (MOST_BYTES + 1), "file", "dnsmasq")
    assert told(found.problems) == [("too-much-to-read", 1)]


def test_kinds_are_not_mistaken_for_each_other() -> None:
    assert kind_of("") is None
    assert kind_of("just some words\nand more of them\n") is None
    assert kind_of(json.dumps([{"dhcp-host": "x"}])) is None
    assert kind_of("# only\n# comments\n") is None
    assert kind_of("charter: 1\nsite:\n  name: x\n") is None


pieces = st.sampled_from(
    ["dhcp-host=", "dhcp-range=", "dhcp-option=", "interface=", "02:00:00:aa:00:01", "10.20.10.10",
     "[::1]", "::", "set:", "tag:", "id:", "ignore", "infinite", ",", ";", "{", "}", '"', "\\", "#",
     "\n", " ", "\t", "host", "lease", "subnet", "netmask", "255.255.255.0", "hardware ethernet",
     "range", "ends", "never", "epoch", "binding state active", "option routers", "name,mac,ip\n",
     "1767225600", "*", "duid", "iface", "inet", "static", "address", "\r", "\ufeff", "ä", "\x00",
     "option:router", "constructor:", "/", "999", "include", "fixed-address"]
)  # fmt: skip
soups = st.lists(pieces, max_size=40).map("".join)


@given(st.sampled_from(sorted(KINDS)), soups | st.text(max_size=80) | st.binary(max_size=80))
def test_no_soup_of_words_does_any_harm(kind: str, data: str | bytes) -> None:
    for found in (read_held(data, "file", kind), read_held(data, "file")):  # type: ignore[arg-type]
        orderly(found.problems, data)


@pytest.mark.parametrize("read", [lambda d: host_facts(d, (), ["file"]),
                                  lambda d: host_facts("[]", [d], ["x", "file"])])  # fmt: skip
@pytest.mark.parametrize(
    "data",
    [PAGE, "", "[", "[" * 100_000, "{}", "null", '"x"', "1" * 5_000, b"\xff\xfe", b"\x80",
     "[" + "1" * 5_000 + "]"],
)  # fmt: skip
def test_what_is_not_from_ip_is_told(read: Callable[[str | bytes], object], data: str) -> None:
    found = read(data)
    problems = found.problems  # type: ignore[attr-defined]
    assert told(problems) == [("not-from-ip", 1)]
    orderly(problems, data)


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8)
    | st.sampled_from(["10.0.0.1", "fe80::1", "default", "eth0", "global", "inet"]),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(
        st.sampled_from(["ifname", "addr_info", "local", "prefixlen", "scope", "flags", "link",
                         "linkinfo", "info_kind", "info_data", "id", "master", "address", "dst",
                         "gateway", "dev", "nexthops", "via", "metric", "table", "type", "weight"]),
        inner, max_size=8),
    max_leaves=30,
)  # fmt: skip


@given(st.lists(values, max_size=4))
def test_no_json_does_any_harm(data: list[object]) -> None:
    text = json.dumps(data)
    found = host_facts(text, [text], ["file", "file"])
    assert len(found.problems) <= 2 * MOST_TOLD
    assert all(problem.span.line == 1 for problem in found.problems)
