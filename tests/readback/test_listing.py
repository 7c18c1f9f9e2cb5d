"""Listings as texts: what is read, where it stands, what is refused and how that is told."""

from __future__ import annotations

import json
from typing import Any

import pytest

from netcharter.readback.document import MOST_DEPTH, MOST_DIGITS
from netcharter.readback.listing import Listed, read_listing
from tests.readback.made import (
    ACCEPT,
    Item,
    chain,
    match,
    named,
    payload,
    rule,
    table,
    text,
)

WHOLE = (
    table(),
    named("s", "ipv4_addr", ["192.0.2.1"]),
    chain("f", "forward", -5, "drop"),
    chain("g"),
    rule("f", match(payload("tcp", "dport"), 80), ACCEPT, comment="why"),
    rule("f", {"jump": {"target": "g"}}),
    {"counter": {"family": "inet", "table": "t", "name": "c", "handle": 3, "packets": 0}},
)


def read(*items: Item, **more: Any) -> Listed:
    return read_listing(text(*items, **more), "gate.json")


def refused(said: str, id: str) -> tuple[int, int]:
    """The place of the one error with this id."""
    listed = read_listing(said, "gate.json")
    assert listed.listing is None
    (told,) = [problem for problem in listed.problems if problem.severity == "error"]
    assert (told.id, told.span.file) == (id, "gate.json")
    return told.span.line, told.span.column


def test_a_listing_is_read_with_its_order_and_spans() -> None:
    said = text(*WHOLE)
    lines = said.replace(', {"rule"', ',\n{"rule"')
    listing = read_listing(lines, "gate.json").listing
    assert listing is not None and listing.version == "1.0.9"
    held = listing.chains["inet", "t", "f"]
    assert (held.hook, held.priority, held.policy) == ("forward", -5, "drop")
    assert [r.number for r in held.rules] == [1, 2] and held.rules[0].comment == "why"
    for one, line in zip(held.rules, (2, 3), strict=True):
        span = one.span
        assert (span.line, span.column) == (line, 1)
        whole = lines.split("\n")[line - 1]
        assert json.loads(whole[: span.end_column - 1])["rule"]["chain"] == "f"
    assert listing.sets["inet", "t", "s"].elements == ["192.0.2.1"]
    assert [(o.kind, o.name) for o in listing.objects] == [("counter", "c")]


def test_priorities_may_be_names() -> None:
    said = chain("f", "forward")
    said["chain"]["prio"] = "mangle"
    listing = read(table(), said).listing
    assert listing is not None and listing.chains["inet", "t", "f"].priority == -150


def test_what_changes_while_the_host_runs_is_known() -> None:
    """By its flags, by a time limit, or because rules add to it, update it or delete from it."""
    adding = {"set": {"op": "add", "elem": payload("ip", "saddr"), "set": "@added"}}
    meter = {"meter": {"name": "met", "key": payload("ip", "saddr"), "stmt": {"limit": {}}}}
    mapped = {"map": {"op": "update", "elem": payload("ip", "saddr"), "data": 1, "map": "@m"}}
    listing = read(
        table(),
        chain("f", "forward"),
        named("fixed", "ipv4_addr", []),
        named("timed", "ipv4_addr", [], flags=["timeout"]),
        named("limited", "ipv4_addr", [], timeout=60),
        named("dynamic", "ipv4_addr", [], flags="dynamic"),
        named("added", "ipv4_addr", []),
        named("met", "ipv4_addr", []),
        named("m", "ipv4_addr", [], data="mark"),
        rule("f", adding, meter, mapped),
    ).listing
    assert listing is not None
    living = {name[2] for name, found in listing.sets.items() if found.living}
    assert living == {"timed", "limited", "dynamic", "added", "met", "m"}


@pytest.mark.parametrize(
    ("version", "flags", "dormant"),
    [
        ("1.0.9", "dormant", True),
        ("1.0.9", ["owner"], False),
        ("1.0.9", ["something"], None),
        ("1.0.6", "dormant", None),
        ("", ["dormant"], None),
    ],
)
def test_a_table_is_dormant_only_where_that_is_readable(
    version: str, flags: Any, dormant: bool | None
) -> None:
    listed = read(table(flags=flags), version=version)
    assert listed.listing is not None
    assert listed.listing.tables[0].dormant is dormant
    told = [problem.id for problem in listed.problems]
    assert told == (["listing-flags"] if dormant is None else [])


def test_a_listing_that_is_none() -> None:
    assert refused("", "listing-empty") == (1, 1)
    assert refused(" \n  table inet t {\n}\n", "listing-not-json") == (2, 3)
    assert refused('{"nftables": {}}', "listing-not-json") == (1, 1)
    whole = text(*WHOLE)
    assert refused(whole[:-1], "listing-truncated") == (1, len(whole))
    assert refused(whole + "\nx", "listing-not-json") == (2, 1)
    assert refused('{"nftables": [1]}', "listing-shape") == (1, 15)
    assert refused('{"nftables": [{"rule": 1}]}', "listing-shape") == (1, 15)


@pytest.mark.parametrize("share", range(1, 20))
def test_a_truncated_listing_is_told_at_its_end(share: int) -> None:
    whole = text(*WHOLE)
    at = len(whole) * share // 20
    listed = read_listing(whole[:at], "gate.json")
    assert listed.listing is None
    told = listed.problems[-1]
    assert told.id in ("listing-truncated", "listing-not-json")
    assert told.span.column <= at + 1


def test_keys_that_stand_twice_are_refused() -> None:
    said = '{"nftables": [\n{"table": {"family": "inet", "name": "t", "name": "u"}}]}'
    assert refused(said, "listing-key-twice") == (2, 1)


def test_numbers_and_depth_are_bounded() -> None:
    said = '{"nftables": [{"table": {"family": "inet", "name": "t", "handle": %s}}]}'
    assert refused(said % ("9" * (MOST_DIGITS + 1)), "listing-number") == (1, 67)
    assert read_listing(said % ("9" * MOST_DIGITS), "x").listing is not None
    for depth in (MOST_DEPTH + 1, 100_000):
        deep = "[" * depth + "]" * depth
        refused('{"nftables": [{"table": {"x": ' + deep + "}}]}", "listing-too-deep")


@pytest.mark.parametrize(
    ("item", "id"),
    [
        ({"chain": {"family": "inet", "table": "t"}}, "listing-shape"),
        ({"chain": {"family": "odd", "table": "t", "name": "x"}}, "listing-shape"),
        (chain("g"), "listing-twice"),
        (rule("nowhere", ACCEPT), "listing-missing"),
        ({"rule": {"family": "inet", "table": "t", "chain": "f", "expr": {}}}, "listing-shape"),
        (named("s", "ipv4_addr", []), "listing-twice"),
        (table(), "listing-twice"),
    ],
)
def test_what_cannot_be_read_is_refused(item: Item, id: str) -> None:
    refused(text(*WHOLE, item), id)


def test_what_other_versions_add_is_told_and_the_rest_is_read() -> None:
    items = (
        table(),
        {"table": {"family": "ip", "name": "u", "handle": 2, "new-key": 1}},
        {"new-object": {"family": "inet"}},
    )
    said = text(*items).replace('"json_schema_version": 1', '"json_schema_version": 2')
    listed = read_listing(said, "gate.json")
    assert listed.listing is not None
    told = [problem.id for problem in listed.problems]
    assert told == ["listing-other-version", "listing-unknown-key", "listing-unknown-object"]
    assert all(problem.severity == "warning" for problem in listed.problems)
