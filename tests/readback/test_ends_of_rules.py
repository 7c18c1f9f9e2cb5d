"""Statements that end their rule, by what they read, and conditions that only look alike.

Where a value or an element is missing the kernel gives NFT_BREAK: nft_payload.c, nft_lookup.c,
nft_objref.c, nft_dynset.c, nft_flow_offload.c (from memory; `traps` tries what can be tried with
real packets).
"""

from __future__ import annotations

from typing import Any

import pytest

from netcharter.readback.listing import read_listing
from netcharter.readback.shapes import Host
from netcharter.readback.walk import decisions
from tests.readback.made import (
    ACCEPT,
    DROP,
    HOST,
    RESET,
    UDP,
    Item,
    answer,
    chain,
    concat,
    fate,
    forward,
    mangle,
    match,
    meta,
    named,
    payload,
    rule,
    table,
    text,
    walked,
)

SADDR, SADDR6, DPORT = payload("ip", "saddr"), payload("ip6", "saddr"), payload("tcp", "dport")
SIX: dict[str, Any] = {"source": "2001:db8:0:1::10", "destination": "2001:db8:ff::7"}


def mapped(key: Item, *elements: list[Any]) -> Item:
    return {"map": {"key": key, "data": {"set": list(elements)}}}


def added(key: Item, kind: str = "set", **more: Any) -> Item:
    return {kind: {"op": "update", "elem": key, kind: "@m", **more}}


MINE, OTHERS = ["192.0.2.10", "c"], ["192.0.2.99", "c"]
CHANGING = named("m", "ipv4_addr", [], flags=["dynamic"])


def goes_on(statement: Item, **fields: Any) -> str:
    """What becomes of a packet where a rule of a statement refuses it."""
    return fate(forward((statement, DROP), more=(CHANGING,)), **fields)


@pytest.mark.parametrize(
    ("there", "not_there"),
    [
        ({"counter": mapped(SADDR, MINE)}, {"counter": mapped(SADDR, OTHERS)}),
        ({"ct helper": mapped(SADDR, MINE)}, {"ct helper": mapped(DPORT, [21, "c"])}),
        ({"ct timeout": mapped(DPORT, [80, "c"])}, {"ct timeout": mapped(DPORT, [21, "c"])}),
        (
            mangle(meta("priority"), mapped(SADDR, ["192.0.2.10", "1:1"])),
            mangle(meta("priority"), mapped(SADDR, ["192.0.2.11", "1:1"])),
        ),
        (
            mangle(payload("ip", "dscp"), mapped(SADDR, ["192.0.2.10", "ef"])),
            mangle(payload("ip", "dscp"), mapped(SADDR, ["192.0.2.11", "ef"])),
        ),
        (
            {"dup": {"addr": mapped(SADDR, ["192.0.2.10", "192.0.2.50"])}},
            {"dup": {"addr": mapped(SADDR, ["192.0.2.11", "192.0.2.50"])}},
        ),
        (added(SADDR), added(SADDR6)),
        (added(concat(SADDR, DPORT)), added(concat(SADDR, payload("udp", "dport")))),
        (added({"elem": {"val": SADDR, "timeout": 60}}), added({"elem": {"val": SADDR6, "timeout": 60}})),
        (added(SADDR, "map", data=DPORT), added(SADDR, "map", data=payload("udp", "sport"))),
        (mangle(payload("ip", "dscp"), "cs1"), mangle(payload("ip6", "dscp"), "cs1")),
        (mangle(payload("ip", "ttl"), 5), mangle(payload("udp", "checksum"), 0)),
        ({"log": None}, {"flow": {"op": "add", "flowtable": "@ft"}}),
    ],
)  # fmt: skip
def test_a_rule_ends_where_what_a_statement_reads_is_missing(there: Item, not_there: Item) -> None:
    assert (goes_on(there), goes_on(not_there)) == ("silent", "let")


def test_the_same_rule_goes_on_for_those_who_have_it() -> None:
    assert goes_on(added(SADDR), **SIX) == "let"
    assert goes_on(added(SADDR6), **SIX) == "silent"
    assert goes_on(mangle(payload("ip", "ttl"), 5), **SIX) == "let"
    assert goes_on(mangle(payload("udp", "checksum"), 0), protocol=UDP, number=53) == "silent"


def test_a_map_that_changes_makes_doubt() -> None:
    said = {"counter": {"map": {"key": SADDR, "data": "@m"}}}
    held = named("m", "ipv4_addr", [MINE], data="counter", flags=["dynamic"])
    assert fate(forward((said, DROP), more=(held,))) == "may"


def test_counters_of_a_map_are_counted() -> None:
    found = forward(({"counter": mapped(SADDR, MINE, ["192.0.2.11", "d"])}, ACCEPT))
    assert answer(found).leaves[0].counters == ("c",)
    assert answer(found, source="192.0.2.11").leaves[0].counters == ("d",)
    assert answer(found, source="192.0.2.12").leaves[0].counters == ()


def noted(*items: Item, **fields: Any) -> str:
    """What becomes of a packet by a listing about which something is told."""
    listed = read_listing(text(table(), *items), "listing.json")
    assert listed.listing is not None, listed.problems
    found = decisions(listed.listing, HOST, steps=100_000)
    assert found.notes or listed.problems
    return fate(found, **fields)


@pytest.mark.parametrize(
    "statement",
    [
        mangle({"payload": {"base": "th", "offset": 16, "len": 16}}, 8080),
        mangle({"payload": {"base": "nh", "offset": 128, "len": 32}}, 0x0A000005),
        mangle(payload("tcp", "flags"), "ack"),
        mangle(payload("ip", "daddr"), "192.0.2.70"),
        mangle(payload("ip", "saddr"), "192.0.2.99"),
        mangle(payload("tcp", "dport"), 8080),
        mangle(payload("ip", "ttl"), 1),
        mangle(payload("ether", "saddr"), "02:00:00:00:00:01"),
        mangle(meta("pkttype"), "host"),
        mangle({"payload": {"protocol": "ip", "field": "ttl", "tunnel": "gre"}}, 5),
        mangle({"ct": {"key": "label"}}, DPORT),
        mangle({"tcp option": {"name": "maxseg", "field": "size"}}, {"rt": {"key": "mtu"}}),
        match({"payload": {"protocol": "ip", "field": "saddr", "tunnel": "vxlan"}}, "192.0.2.10"),
        match({"meta": {"key": "l4proto", "tunnel": "vxlan"}}, "tcp"),
        {"match": {"op": "==", "left": DPORT, "right": 80, "invert": True}},
        match(SADDR, {"set": [{"elem": {"val": "192.0.2.10", "limit": {"rate": 1, "per": "day"}}}]}),
        match(SADDR, {"set": [{"elem": {"val": "192.0.2.10", "quota": {"val": 1}}}]}),
        added(SADDR, stmt=[{"later": None}]),
    ],
)  # fmt: skip
def test_what_is_not_followed_makes_doubt(statement: Item) -> None:
    rules = (rule("f", statement, DROP), rule("f", match(DPORT, 80), ACCEPT))
    assert noted(CHANGING, chain("f", "forward", policy="drop"), *rules) == "may"


def test_harmless_words_beside_an_element_are_none() -> None:
    held = {
        "val": "192.0.2.10",
        "comment": "x",
        "counter": {"packets": 1, "bytes": 1},
        "expires": 9,
    }
    assert fate(forward((match(SADDR, {"set": [{"elem": held}]}), DROP))) == "silent"


@pytest.mark.parametrize(("hook", "kind"), [("later", "filter"), ("forward", "zapper")])
def test_a_chain_of_an_unknown_hook_or_type_may_drop(hook: str, kind: str) -> None:
    through = chain("f", "forward")
    assert noted(chain("x", hook, policy="drop", kind=kind), through) == "may"
    assert noted(chain("x", hook, kind=kind), through, rule("x", DROP)) == "may"


# --- conditions ----------------------------------------------------------------------------------


ACCEPT_NOTHING: Item = {"counter": {"packets": 0, "bytes": 0}}
MARK = mangle(meta("mark"), 1)


def marked(first: Item, second: Item, between: tuple[Item, ...] = ()) -> str:
    """What becomes of a packet that fits one test, and not the other afterwards: "may" where it can
    be both, "let" where it can't."""
    rules = [(first, MARK), *((one,) for one in between), (match(meta("mark"), 1), second, DROP)]
    listed = read_listing(
        text(table(), CHANGING, chain("f", "forward"), *(rule("f", *one) for one in rules)),
        "x.json",
    )
    assert listed.listing is not None
    return fate(decisions(listed.listing, HOST, steps=100_000))


def negated(left: Item, right: Any) -> Item:
    return match(left, right, "!=")


DSCP = payload("ip", "dscp")


def test_the_same_words_are_one_condition() -> None:
    assert marked(match(DSCP, "cs1"), negated(DSCP, "cs1")) == "let"
    assert marked(match(payload("ip", "length"), 99), negated(payload("ip", "length"), 99)) == "let"


@pytest.mark.parametrize(
    ("left", "other"),
    [
        ({"numgen": {"mode": "random", "mod": 2, "offset": 0}}, None),
        ({"numgen": {"mode": "inc", "mod": 2, "offset": 0}}, None),
        (meta("random"), None),
        ({"jhash": {"mod": 2, "expr": SADDR, "seed": 1}}, {"jhash": {"mod": 2, "expr": SADDR, "seed": 2}}),
        ({"tcp option": {"base": 2, "offset": 0, "len": 8}}, {"tcp option": {"base": 8, "offset": 0, "len": 8}}),
        ({"ipsec": {"key": "reqid", "dir": "in", "spnum": 0}}, {"ipsec": {"key": "reqid", "dir": "in", "spnum": 1}}),
        ({"socket": {"key": "cgroupv2", "level": 1}}, {"socket": {"key": "cgroupv2", "level": 2}}),
    ],
)  # fmt: skip
def test_what_only_looks_alike_is_two(left: Item, other: Item | None) -> None:
    assert marked(match(left, 1), negated(other or left, 1)) == "may"


LENGTH = payload("ip", "length")


@pytest.mark.parametrize(
    ("left", "right"),
    [(DSCP, "cs1"), (LENGTH, 99), (DSCP, {"set": ["cs1", "ef"]}), (DSCP, "@gone")],
)
def test_what_a_packet_lacks_fits_neither_a_test_nor_its_opposite(left: Item, right: Any) -> None:
    """An IPv6 packet has no field of IPv4; nft(8): `!=` asks for the field, too."""
    rules = (rule("f", match(left, right), ACCEPT), rule("f", negated(left, right), ACCEPT))
    listed = read_listing(text(table(), chain("f", "forward", policy="drop"), *rules), "x.json")
    assert listed.listing is not None
    found = decisions(listed.listing, HOST, steps=100_000)
    assert (fate(found), fate(found, **SIX)) == ("let", "silent")


@pytest.mark.parametrize(
    "left",
    [{"rt": {"key": "nexthop"}}, meta("skuid"), {"socket": {"key": "mark"}}, meta("iifkind"),
     {"tcp option": {"name": "maxseg", "field": "size"}}, {"payload": {"base": "nh", "offset": 8, "len": 8}}],
)  # fmt: skip
def test_where_it_is_not_known_whether_it_is_there_both_may_not_fit(left: Item) -> None:
    rules = (rule("f", match(left, 1), ACCEPT), rule("f", negated(left, 1), ACCEPT))
    listed = read_listing(text(table(), chain("f", "output", policy="drop"), *rules), "x.json")
    assert listed.listing is not None
    found = decisions(listed.listing, HOST, steps=100_000)
    assert fate(found, entrance="", source="203.0.113.2") == "may"
    rules = (rule("f", match(left, "@m"), ACCEPT), rule("f", negated(left, "@m"), ACCEPT))
    listed = read_listing(
        text(table(), CHANGING, chain("f", "output", policy="drop"), *rules), "x.json"
    )
    assert listed.listing is not None
    found = decisions(listed.listing, HOST, steps=100_000)
    assert fate(found, entrance="", source="203.0.113.2") == "may"


def test_a_field_that_is_written_meanwhile_is_another_each_time() -> None:
    again = (mangle(DSCP, "cs1"), mangle(DSCP, "ef"))
    assert marked(match(DSCP, "cs1"), negated(DSCP, "cs1"), again[:1]) == "may"
    rules = [
        (again[0],), (match(DSCP, "cs1"), MARK), (again[1],),
        (match(meta("mark"), 1), negated(DSCP, "cs1"), DROP),
    ]  # fmt: skip
    assert fate(walked(chain("f", "forward"), *(rule("f", *one) for one in rules))) == "may"


def test_a_set_that_a_rule_fills_is_another_one_afterwards() -> None:
    inside = (match(SADDR, "@m", "!="), MARK), (match(meta("mark"), 1), match(SADDR, "@m"), DROP)
    rules = (inside[0], (added(SADDR),), inside[1])
    for asked, word in ((rules, "may"), (inside, "let")):
        found = walked(CHANGING, chain("f", "forward"), *(rule("f", *one) for one in asked))
        assert fate(found) == word


def test_a_mark_of_which_little_is_known_is_another_one_each_time() -> None:
    lot = mangle(meta("mark"), {"numgen": {"mode": "random", "mod": 2, "offset": 0}})
    one, keep = match(meta("mark"), 1), mangle({"ct": {"key": "mark"}}, 5)
    kept, other = match({"ct": {"key": "mark"}}, 5), match(meta("mark"), 1, "!=")
    for again, word in (((lot,), "may"), ((), "let")):
        rules = ((lot,), (one, keep), again or (ACCEPT_NOTHING,), (kept, other, DROP))
        assert fate(walked(chain("f", "forward"), *(rule("f", *parts) for parts in rules))) == word


def test_ct_protocol_may_be_of_one_family_unless_a_family_is_listed_beside_it() -> None:
    """nft 1.0.6 takes the match on the family for granted (seen on a kernel)."""
    for key in ({"key": "protocol"}, {"key": "protocol", "dir": "original"}):
        asked = match({"ct": key}, "tcp")
        assert fate(forward((asked, DROP))) == "may"
        beside = match(meta("nfproto"), "ipv4")
        assert fate(forward((beside, asked, DROP))) == "silent"
        assert fate(forward((beside, asked, DROP)), protocol=UDP) == "let"
        four = (
            table(family="ip"),
            chain("f", "forward", family="ip"),
            rule("f", asked, DROP, family="ip"),
        )
        listed = read_listing(text(*four), "x.json").listing
        assert listed is not None
        assert fate(decisions(listed, HOST, steps=100_000)) == "silent"


def test_a_missing_option_is_missing_where_the_header_is_another() -> None:
    missing = match({"tcp option": {"name": "maxseg"}}, False)
    assert fate(forward((missing, DROP)), protocol=UDP, number=53) == "silent"
    assert fate(forward((missing, DROP))) == "may"
    there = match({"tcp option": {"name": "maxseg"}}, True)
    assert fate(forward((there, DROP)), protocol=UDP, number=53) == "let"


@pytest.mark.parametrize(
    "statement",
    [
        mangle({"ct": {"key": "zone"}}, 5),
        {"ct expectation": "e"},
        {"snat": {"family": "ip", "addr": {"prefix": {"addr": "203.0.113.0", "len": 24}},
                  "type_flags": "prefix", "flags": "netmap"}},
        {"dnat": {"family": "ip", "addr": "192.0.2.70", "flags": "random"}},
    ],
)  # fmt: skip
def test_what_depends_on_more_than_the_first_packet_makes_doubt(statement: Item) -> None:
    kind = "nat" if {"snat", "dnat"} & statement.keys() else "filter"
    hook = "postrouting" if "snat" in statement else "prerouting" if kind == "nat" else "forward"
    rules = (rule("n", statement, DROP) if kind == "filter" else rule("n", statement),)
    after = (
        chain("f", "postrouting", 200),
        rule("f", match({"ct": {"key": "status"}}, ["snat", "dnat"], "in"), DROP),
    )
    assert noted(chain("n", hook, kind=kind), *rules, *after) == "may"


def test_a_set_is_asked_anew_where_a_mark_or_a_status_is_another() -> None:
    """What is looked up has another value, so both may be true."""
    key = concat(meta("mark"), SADDR)
    rules = ((match(key, "@m", "!="), mangle({"ct": {"key": "mark"}}, 5)), (MARK,),
             (match({"ct": {"key": "mark"}}, 5), match(key, "@m"), DROP))  # fmt: skip
    held = named("m", ["mark", "ipv4_addr"], [], flags=["dynamic"])
    assert fate(walked(held, chain("f", "forward"), *(rule("f", *one) for one in rules))) == "may"
    same = (rules[0], rules[2])
    assert fate(walked(held, chain("f", "forward"), *(rule("f", *one) for one in same))) == "let"


@pytest.mark.parametrize("field", ["ttl", "checksum"])
def test_what_a_hop_changes_is_asked_anew_behind_it(field: str) -> None:
    """RFC 1812 section 5.3.1: a router takes one from the time to live."""
    left = payload("ip", field)
    rules = (
        rule("p", match(left, 64), MARK),
        rule("f", match(meta("mark"), 1), negated(left, 64), DROP),
    )
    assert fate(walked(chain("p", "prerouting", -150), chain("f", "forward"), *rules)) == "may"
    same = (rule("f", match(left, 64), MARK), rules[1])
    assert fate(walked(chain("f", "forward"), *same)) == "let"


def test_a_lot_is_drawn_anew_by_a_chain_that_is_passed_twice() -> None:
    lot = match({"numgen": {"mode": "random", "mod": 2, "offset": 0}}, 1)
    jump: Item = {"jump": {"target": "lots"}}
    once = (rule("lots", lot, {"return": None}), rule("lots", DROP))
    held = (chain("lots"), chain("f", "forward"), *once, rule("f", jump), rule("f", jump))
    listed = read_listing(text(table(), *held), "x.json").listing
    assert listed is not None
    drawn = [sum(true for _, true in leaf.held) for leaf in answer(decisions(listed, HOST)).leaves]
    assert max(drawn) == 2  # it may return by the first draw and be dropped by the second


def test_two_limits_of_one_rule_are_two_conditions() -> None:
    """The first may let, and the second be exceeded (nft(8), limit)."""
    one = {"limit": {"rate": 9, "burst": 5, "per": "second"}}
    over = {"limit": {"rate": 9, "burst": 5, "per": "second", "inv": True}}
    rules = (
        rule("f", one, MARK, over, DROP),
        rule("f", match(meta("mark"), 1), *RESET),
    )
    found = walked(chain("f", "forward"), *rules)
    assert {leaf.verdict.manner for leaf in answer(found).leaves} >= {"silent", "reset"}


def test_negations_at_the_link_layer_may_be_one() -> None:
    """nft 1.0.6 loads both as one comparison (tried on a kernel)."""
    both = [match(payload("ether", side), "02:00:00:aa:00:01", "!=") for side in ("daddr", "saddr")]
    assert fate(forward((*both, DROP))) == "may"
    one = [match(payload("ether", "saddr"), {"set": ["02:00:00:aa:00:01"]}, "!="),
           match(payload("ether", "type"), "ip6", "!=")]  # fmt: skip
    assert fate(forward((*one, DROP))) == "may"


def test_what_is_written_at_the_link_layer_makes_doubt() -> None:
    early = chain("i", "ingress")
    rules = rule("i", mangle(meta("mark"), 7)), rule("f", match(meta("mark"), 7), DROP)
    assert noted(early, chain("f", "forward"), *rules) == "may"


def test_a_statement_that_nft_lists_as_text_is_not_understood_and_changes_its_map() -> None:
    held = named("m", "ipv4_addr", [["192.0.2.10", 7]], data="mark")
    asked = match({"map": {"key": SADDR, "data": "@m"}}, 7)
    told: Any = "update @m { ip saddr : 7 }"
    rules = (
        rule("f", told),
        rule("f", mangle(meta("mark"), asked["match"]["left"])),
        rule("f", match(meta("mark"), 7), DROP),
    )
    assert noted(held, chain("f", "forward"), *rules) == "may"


def test_of_a_host_that_is_not_known_own_packets_may_leave_or_come_back() -> None:
    said = text(table(), chain("in", "input", policy="drop"))
    listed = read_listing(said, "x.json").listing
    assert listed is not None
    found = decisions(listed, Host(known=False), steps=100_000)
    assert fate(found, entrance="", source="203.0.113.2", destination="203.0.113.77") == "may"


def elsewhere(item: Item, name: str) -> Item:
    """The same thing in another table."""
    ((kind, said),) = item.items()
    return {kind: {**said, "table": name}}


@pytest.mark.parametrize(
    ("test", "sets"),
    [
        ({"limit": {"rate": 1, "burst": 5, "per": "day"}}, ((), ())),
        ({"quota": {"val": 1, "val_unit": "bytes"}}, ((), ())),
        (match(DSCP, "@s"), ((named("s", "dscp", ["ef"]),), (named("s", "dscp", ["cs1"]),))),
    ],
)
def test_what_is_called_alike_in_two_tables_is_two(
    test: Item, sets: tuple[tuple[Item, ...], tuple[Item, ...]]
) -> None:
    one = (*sets[0], chain("f", "forward", policy="drop"), rule("f", test, ACCEPT))
    two = (*sets[1], chain("f", "forward", 1), rule("f", test, DROP))
    said = text(
        table("a"), *(elsewhere(x, "a") for x in one), table("b"), *(elsewhere(x, "b") for x in two)
    )
    listed = read_listing(said, "x.json")
    assert listed.listing is not None and not listed.problems
    ways = decisions(listed.listing, HOST, steps=100_000)
    let = [leaf for leaf in answer(ways).leaves if leaf.verdict.let]
    assert fate(ways) == "may" and let
