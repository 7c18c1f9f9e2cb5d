"""What rules ask and do, one kind at a time, on listings written by hand.

Meanings are those of nft(8); where it is silent, of the kernel, against which the same kinds are
tried with real packets (`test_kernel_agrees`). Numbers: IANA's registries.
"""

from __future__ import annotations

from typing import Any

import pytest

from netcharter.readback.shapes import OTHER, OWN, SOME_OWN, Condition, Host, Verdict
from tests.readback.made import (
    ACCEPT,
    DROP,
    GRE,
    HOST,
    ICMP,
    ICMP6,
    RESET,
    UDP,
    Item,
    answer,
    chain,
    code,
    concat,
    ct,
    fate,
    forward,
    mangle,
    match,
    meta,
    named,
    payload,
    rule,
    walked,
)

DPORT = payload("tcp", "dport")
SADDR = payload("ip", "saddr")


def refuses(test: Item, **fields: Any) -> bool:
    """Whether a rule that asks this refuses the packet; it must be sure."""
    found = fate(forward((test, DROP)), **fields)
    assert found in ("let", "silent"), found
    return found == "silent"


SIX: dict[str, Any] = {"source": "2001:db8:0:1::10", "destination": "2001:db8:ff::7"}


@pytest.mark.parametrize(
    ("test", "yes", "no"),
    [
        (match(SADDR, "192.0.2.10"), {}, {"source": "192.0.2.11"}),
        (match(SADDR, "192.0.2.10", "!="), {"source": "192.0.2.11"}, {}),
        (match(SADDR, "192.0.2.10", "!="), {"source": "192.0.2.11"}, SIX),
        (match(SADDR, {"prefix": {"addr": "192.0.2.0", "len": 28}}), {}, {"source": "192.0.2.16"}),
        (match(SADDR, {"range": ["192.0.2.9", "192.0.2.10"]}), {}, {"source": "192.0.2.11"}),
        (match(SADDR, "192.0.2.9", ">"), {}, {"source": "192.0.2.9"}),
        (match(SADDR, "192.0.2.9", "<="), {"source": "192.0.2.9"}, {}),
        (match({"&": [SADDR, "255.255.255.240"]}, "192.0.2.0"), {}, {"source": "192.0.2.16"}),
        (match(payload("ip6", "daddr"), "2001:db8:ff::7"), SIX, {}),
        (match(payload("ip6", "daddr"), "2001:db8:ff::7", "!="), {**SIX, "destination": "2001:db8::9"}, {}),
        (match(DPORT, {"set": [22, {"range": [79, 81]}]}), {}, {"number": 82}),
        (match(DPORT, 80), {}, {"protocol": UDP}),
        (match(DPORT, 80, "!="), {"number": 81}, {"protocol": UDP, "number": 81}),
        (match(payload("th", "dport"), 53), {"protocol": UDP, "number": 53}, {}),
        (match(payload("udp", "sport"), 68), {"protocol": UDP, "port": 68}, {"protocol": UDP}),
        (match(meta("l4proto"), {"set": ["udp", "gre"]}), {"protocol": GRE, "number": 0}, {}),
        (match(payload("ip", "protocol"), "tcp"), {}, SIX),
        (match(payload("ip6", "nexthdr"), 6), SIX, {}),
        (match(meta("nfproto"), "ipv6"), SIX, {}),
        (match(meta("protocol"), "ip"), {}, SIX),
        (match(payload("ip", "version"), 4), {}, SIX),
        (match(meta("iifname"), "lan*"), {}, {"entrance": "up0"}),
        (match(meta("iifname"), {"set": ["lan0", "wlan*"]}), {"entrance": "wlan3"}, {"entrance": "lan1"}),
        (match(meta("iif"), "lan0"), {}, {"entrance": "lan1"}),
        (match(meta("oifname"), "lan1"), {"destination": "192.0.2.70"}, {}),
        (match(meta("oifname"), "lan*", "!="), {}, {"destination": "192.0.2.70"}),
        (match(payload("ether", "saddr"), "02:00:00:aa:00:01"), {}, {"hardware": 5}),
        (match(payload("tcp", "flags"), "syn", "in"), {}, {"protocol": UDP}),
        (match({"&": [payload("tcp", "flags"), ["syn", "ack"]]}, "syn"), {}, {"protocol": UDP}),
        (match(payload("tcp", "flags"), "ack", "!"), {}, {"protocol": UDP}),
        (match(ct("state"), ["new", "related"], "in"), {}, {"protocol": ICMP, "number": 0}),
        (match(ct("state"), "invalid"), {"protocol": ICMP, "number": 3 << 8}, {}),
        (match(ct("state"), "untracked"), {**SIX, "protocol": ICMP6, "number": 135 << 8}, SIX),
        (match(ct("state"), {"set": ["new"]}, "!="), {"protocol": ICMP, "number": 0}, {}),
        (match(ct("direction"), "original"), {}, {"protocol": ICMP, "number": 0}),
        (match(ct("ip saddr", "original"), "192.0.2.10"), {}, {"source": "192.0.2.11"}),
        (match(ct("proto-dst", "original"), 80), {}, {"number": 81}),
        (match(payload("icmp", "type"), "echo-request"), {"protocol": ICMP, "number": 8 << 8}, {}),
        (
            match(payload("icmpv6", "code"), "admin-prohibited"),
            {**SIX, "protocol": ICMP6, "number": 128 << 8 | 1},
            {**SIX, "protocol": ICMP6, "number": 128 << 8},
        ),
        (match({"fib": {"result": "type", "flags": ["saddr"]}}, "local"), {"source": "2001:db8:0:1::1", "destination": "2001:db8:ff::7"}, SIX),
        (match({"fib": {"result": "oif", "flags": ["saddr", "iif"]}}, False), {"source": "192.0.2.70"}, {}),
        (match({"fib": {"result": "oifname", "flags": ["daddr"]}}, "up0"), {}, {"destination": "192.0.2.70"}),
        (match({"exthdr": {"name": "frag"}}, False), SIX, {}),
        (match(meta("mark"), 0), {}, None),
        (match(concat(SADDR, DPORT), {"set": [concat("192.0.2.10", {"range": [80, 90]})]}), {}, {"number": 91}),
        (match(concat(SADDR, DPORT), {"set": [concat("192.0.2.10", 80)]}, "!="), {"number": 81}, {}),
        (match(concat(SADDR, DPORT), {"set": [concat("192.0.2.10", 80)]}, "!="), {"number": 81}, {"protocol": UDP}),
    ],
    ids=str,
)  # fmt: skip
def test_a_field_is_compared(test: Item, yes: dict[str, Any], no: dict[str, Any] | None) -> None:
    assert refuses(test, **yes)
    assert no is None or not refuses(test, **no)


@pytest.mark.parametrize(
    "test",
    [
        match(meta("length"), {"range": [0, 100]}),
        match(payload("ip", "ttl"), 64, "<"),
        match(meta("hour"), {"range": ["10:00", "12:00"]}),
        match({"numgen": {"mode": "inc", "mod": 2, "offset": 0}}, 0),
        match({"payload": {"base": "th", "offset": 64, "len": 8}}, 1),
        match(ct("bytes"), 100, ">"),
        match(payload("tcp", "window"), 5),
        match({"socket": {"key": "transparent"}}, 1),
        match(payload("th", "dport"), 5),
        match({"&": [SADDR, "0.0.0.15"]}, "0.0.0.10"),
        match(DPORT, "no-such-port"),
        match(meta("no-such-key"), 1),
        match({"no-such-thing": {"key": 1}}, 1),
        {"limit": {"rate": 5, "per": "second"}},
        {"limit": {"rate": 5, "per": "second", "inv": True}},
        {"quota": {"val": 5, "val_unit": "mbytes"}},
        {"ct count": {"val": 5, "inv": True}},
        {"no-such-statement": None},
        {"xt": {"type": "match", "name": "recent"}},
    ],
    ids=str,
)  # fmt: skip
def test_what_a_first_packet_does_not_settle_is_open(test: Item) -> None:
    """Both answers are possible, a condition says so and, given, settles it."""
    gre: dict[str, Any] = (
        {"protocol": GRE, "number": 0} if test == match(payload("th", "dport"), 5) else {}
    )
    found = forward((test, DROP))
    told = answer(found, **gre)
    assert told.may and {leaf.verdict.let for leaf in told.leaves} == {True, False}
    conditions = {condition for leaf in told.leaves for condition, _ in leaf.held}
    for true in (True, False):
        assert not answer(found, dict.fromkeys(conditions, true), **gre).may
    gauge = next(iter(test)) in ("limit", "quota", "ct count")
    assert bool(found.notes) is not gauge


def test_one_question_asked_twice_has_one_answer() -> None:
    asked = match(meta("length"), 100)
    found = forward((asked, match(DPORT, 80), DROP), (match(DPORT, 80), ACCEPT), (asked, DROP))
    condition = Condition("unread", "meta length 100")
    assert fate(found, {condition: True}) == fate(found, {condition: True}, number=81) == "silent"
    assert fate(found, {condition: False}, number=81) == "let"
    assert len(found.notes) == 1


# --- sets and maps -------------------------------------------------------------------------------


def test_named_sets_have_their_contents_and_living_ones_do_not() -> None:
    asked = match(concat(meta("iifname"), SADDR), "@s")
    elements = [concat("lan0", {"elem": {"val": "192.0.2.10", "comment": "x"}})]
    fixed = forward((asked, DROP), more=(named("s", ["ifname", "ipv4_addr"], elements),))
    assert fate(fixed) == "silent" and fate(fixed, source="192.0.2.11") == "let"
    living = forward(
        (asked, DROP), more=(named("s", ["ifname", "ipv4_addr"], [], flags=["timeout"]),)
    )
    held = Condition("set", "s", "iifname . ip saddr")
    assert fate(living) == "may"
    assert (fate(living, {held: True}), fate(living, {held: False})) == ("silent", "let")
    assert fate(living, **SIX) == "let"  # it has no such key


def test_a_negated_living_set() -> None:
    asked = match(SADDR, "@s", "!=")
    found = forward((asked, DROP), more=(named("s", "ipv4_addr", [], flags=["timeout"]),))
    held = Condition("set", "s", "ip saddr")
    assert (fate(found, {held: True}), fate(found, {held: False})) == ("let", "silent")
    assert fate(found, **SIX) == "let"


def test_verdict_maps_with_a_catch_all() -> None:
    data = [["lan0", ACCEPT], ["up*", {"goto": {"target": "g"}}], ["*", DROP]]
    found = walked(
        chain("f", "forward"),
        chain("g"),
        rule("f", {"vmap": {"key": meta("iifname"), "data": {"set": data}}}),
        rule("f", {"reject": {"type": "icmpx", "expr": "no-route"}}),
        rule("g", match(DPORT, 80), *RESET),
    )
    assert fate(found) == "let"
    assert fate(found, entrance="up0") == "reset"
    assert fate(found, entrance="up0", number=81) == "let"  # goto: on with the policy
    assert fate(found, entrance="lan1") == "silent"


def test_elements_that_overlap_leave_open_which_is_found() -> None:
    """The kernel takes both, and nothing says which of them it finds first."""
    data = [
        [concat({"prefix": {"addr": "192.0.2.0", "len": 24}}, 80), DROP],
        [concat("192.0.2.10", {"range": [1, 1000]}), ACCEPT],
    ]
    vmap = {"vmap": {"key": concat(SADDR, DPORT), "data": {"set": data}}}
    found = forward(vmap, RESET)
    assert fate(found) == "may"
    assert fate(found, source="192.0.2.11") == "silent"
    assert fate(found, number=81) == "let"


def test_negations_that_may_have_been_loaded_as_one() -> None:
    asked = (match(payload("tcp", "sport"), 40000, "!="), match(DPORT, 80, "!="))
    found = forward((*asked, DROP))
    assert fate(found, port=1, number=1) == "silent"
    assert fate(found) == "let"
    assert fate(found, number=1) == fate(found, port=1) == "may"
    apart = forward((match(DPORT, 80, "!="), match(SADDR, "192.0.2.9", "!="), DROP))
    assert fate(apart) == "let" and fate(apart, number=1) == "silent"


# --- the way through chains ----------------------------------------------------------------------


def test_jump_goto_and_return() -> None:
    found = walked(
        chain("f", "forward", policy="drop"),
        chain("g"),
        rule("f", match(DPORT, {"range": [80, 89]}), {"jump": {"target": "g"}}),
        rule("f", match(DPORT, 81), *RESET),
        rule("f", match(DPORT, 90), {"goto": {"target": "g"}}),
        rule("f", ACCEPT),
        rule("g", match(DPORT, 80), DROP),
        rule("g", match(DPORT, 81), {"return": None}),
        rule("g", match(DPORT, {"set": [81, 82]}), DROP),
    )
    expected = {80: "silent", 81: "reset", 82: "silent", 83: "let", 90: "silent", 91: "let"}
    assert {number: fate(found, number=number) for number in expected} == expected


def test_accept_ends_one_base_chain_and_drop_all() -> None:
    found = walked(
        chain("late", "forward", 10),
        chain("early", "forward", -10),
        rule("early", match(DPORT, 80), ACCEPT),
        rule("early", DROP),
        rule("late", match(SADDR, "192.0.2.10"), *RESET),
    )
    assert fate(found) == "reset" and fate(found, number=81) == "silent"
    told = answer(found, source="192.0.2.11").leaves[0]
    assert told.verdict.let and (told.decider.chain, told.decider.number) == ("early", 1)


def test_tables_of_one_family_see_that_family_alone() -> None:
    items = (
        {"table": {"family": "ip6", "name": "t", "handle": 2}},
        chain("f", "forward", family="ip6"),
        rule("f", DROP, family="ip6"),
    )
    found = walked(*items)
    assert fate(found) == "let" and fate(found, **SIX) == "silent"


def test_dormant_tables_do_nothing() -> None:
    from netcharter.readback.listing import read_listing
    from netcharter.readback.walk import decisions
    from tests.readback.made import table, text

    said = text(table(flags=["dormant"]), chain("f", "forward"), rule("f", DROP))
    listing = read_listing(said, "x").listing
    assert listing is not None
    assert fate(decisions(listing, HOST)) == "let"


def test_loops_and_missing_chains_end_and_are_told() -> None:
    for target, id in (("f2", "listing-loop"), ("nowhere", "listing-missing")):
        found = walked(
            chain("f", "forward"),
            chain("f1"),
            chain("f2"),
            rule("f", match(DPORT, 80), {"jump": {"target": "f1"}}),
            rule("f1", {"goto": {"target": target}}),
            rule("f2", {"jump": {"target": "f1"}}),
        )
        assert {note.id for note in found.notes} == {id}
        assert fate(found) == "may" and fate(found, number=81) == "let"
        assert all(note.span.file == "listing.json" for note in found.notes)


def test_chains_of_the_link_layer_make_doubt_where_they_could_drop() -> None:
    for policy, expected in (("accept", "let"), ("drop", "may")):
        found = walked(
            {"table": {"family": "netdev", "name": "t", "handle": 2}},
            chain("i", "ingress", policy=policy, family="netdev"),
        )
        assert fate(found) == expected
        assert [note.id for note in found.notes] == (["listing-link-layer"] * (expected == "may"))


# --- state, marks, translation -------------------------------------------------------------------


def test_before_conntrack_everything_is_invalid_to_it() -> None:
    raw = chain("raw", "prerouting", -300)
    for state, expected in (("invalid", "silent"), ("new", "let")):
        found = walked(raw, rule("raw", match(ct("state"), state, "in"), DROP))
        assert fate(found) == expected


def test_untracked_packets_have_no_conversation() -> None:
    found = walked(
        chain("raw", "prerouting", -300),
        chain("f", "forward"),
        rule("raw", match(DPORT, 80), {"notrack": None}),
        rule("f", match(ct("state"), "untracked", "in"), *RESET),
        rule("f", match(ct("mark"), 0), DROP),
    )
    assert fate(found) == "reset" and fate(found, number=81) == "silent"


def test_conntrack_stands_only_where_a_rule_needs_it() -> None:
    """nf_ct_netns_get: without a rule that needs it, nat chains are never asked."""
    nat = chain("n", "prerouting", -100, kind="nat")
    needing = {"dnat": {"family": "ip", "addr": "192.0.2.70"}}
    count = rule("n", {"counter": "c"})
    found = walked(nat, count)
    assert answer(found).leaves[0].counters == ()
    found = walked(nat, count, rule("n", match(DPORT, 1), needing))
    assert answer(found).leaves[0].counters == ("c",)
    assert answer(found, **SIX).leaves[0].counters == ()


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (5, 5),
        ({"|": [{"&": [ct("mark"), 0xFF]}, 0x100]}, 0x134),
        ({"^": [ct("mark"), 0xF]}, 0x3B),
        ({"<<": [ct("mark"), 4]}, 0x340),
        ({">>": [ct("mark"), 2]}, 0xD),
        ({"map": {"key": DPORT, "data": {"set": [[80, 7], [81, 8]]}}}, 7),
    ],
)
def test_arithmetic_of_marks(value: Any, expected: int) -> None:
    found = walked(
        chain("m", "prerouting", -150),
        chain("f", "forward"),
        rule("m", mangle(ct("mark"), 0x34)),
        rule("m", mangle(meta("mark"), value)),
        rule("f", match(meta("mark"), expected), DROP),
    )
    assert fate(found) == "silent"


def test_a_mark_that_nobody_asks_parts_nothing() -> None:
    sets = [rule("m", match(SADDR, f"192.0.2.{n}"), mangle(meta("mark"), n)) for n in range(9)]
    chains = (chain("m", "prerouting", -150), chain("f", "forward"))
    idle = walked(*chains, *sets, rule("f", match(DPORT, 80), DROP))
    asked = walked(*chains, *sets, rule("f", match(meta("mark"), 8), match(DPORT, 80), DROP))
    assert len(idle.leaves) < len(asked.leaves)
    assert fate(asked, source="192.0.2.8") == "silent" and fate(asked) == "let"


def test_the_mark_of_a_conversation_is_told() -> None:
    found = forward((mangle(ct("mark"), {"|": [ct("mark"), 0x30]}),), (ACCEPT,))
    assert answer(found).leaves[0].mark == (0xFFFFFFFF, 0x30)


NAT = chain("n", "prerouting", -100, kind="nat")
SNAT = chain("s", "postrouting", 100, kind="nat")


def to(address: str | Item, port: Any = None, **more: Any) -> Item:
    return {"dnat": {"family": "ip", "addr": address, **({"port": port} if port else {}), **more}}


def verdict(found: Any, **fields: Any) -> Verdict:
    told = answer(found, **fields)
    assert not told.may
    return told.leaves[0].verdict


def test_destinations_are_translated_and_seen_so() -> None:
    found = walked(
        NAT,
        chain("f", "forward", policy="drop"),
        rule("n", match(DPORT, 443), to("192.0.2.70", 8443)),
        rule("f", match(payload("ip", "daddr"), "192.0.2.70"), match(DPORT, 8443),
             match(ct("status"), "dnat", "in"), match(ct("ip daddr", "original"), "203.0.113.2"),
             match(ct("proto-dst", "original"), 443), match(meta("oifname"), "lan1"), ACCEPT),
    )  # fmt: skip
    fields = {"entrance": "up0", "source": "198.51.100.7", "destination": "203.0.113.2"}
    told = verdict(found, **fields, number=443)
    assert told == Verdict(True, None, code("192.0.2.70"), 8443)
    straight = {**fields, "destination": "192.0.2.70"}
    assert not verdict(found, **straight, number=8443).let  # it was not translated


def test_a_translation_to_what_is_there_already_is_none() -> None:
    found = walked(
        NAT,
        chain("f", "forward"),
        rule("n", to("192.0.2.70")),
        rule("f", match(ct("status"), "dnat", "in"), DROP),
    )
    assert fate(found, destination="192.0.2.70") == "let"
    assert fate(found, destination="192.0.2.71") == "silent"


def test_translation_by_maps_prefixes_and_ranges() -> None:
    ports = {
        "map": {"key": DPORT, "data": {"set": [[80, "192.0.2.70"], [81, concat("192.0.2.71", 90)]]}}
    }
    found = walked(NAT, rule("n", to(ports)))
    assert verdict(found).destination == code("192.0.2.70")
    told = verdict(found, number=81)
    assert (told.destination, told.port) == (code("192.0.2.71"), 90)
    assert verdict(found, number=82).destination is None
    key = payload("ip", "daddr")
    block = [
        {"prefix": {"addr": "198.51.100.0", "len": 28}},
        {"prefix": {"addr": "192.0.2.64", "len": 28}},
    ]
    netmap = to(
        {"map": {"key": key, "data": {"set": [block]}}}, type_flags="prefix", flags="netmap"
    )
    assert verdict(walked(NAT, rule("n", netmap))).destination == code("192.0.2.71")
    told_all = answer(walked(NAT, rule("n", to({"range": ["192.0.2.70", "192.0.2.72"]}))))
    assert told_all.may
    found_all = {leaf.verdict.destination for leaf in told_all.leaves}
    assert found_all == {code("192.0.2.70"), code("192.0.2.71"), code("192.0.2.72")}  # fmt: skip


def test_redirect_goes_to_the_device_of_entrance() -> None:
    found = walked(NAT, rule("n", match(DPORT, 80), {"redirect": {"port": 8080}}))
    told = verdict(found)
    assert (told.destination, told.port) == (code("192.0.2.1"), 8080)
    assert verdict(found, entrance="lan1").destination == code("192.0.2.65")
    assert not verdict(found, entrance="tun7").let  # no address to go to
    unknown = walked(NAT, rule("n", {"redirect": None}), host=Host(known=False))
    assert answer(unknown).leaves[0].verdict.destination == SOME_OWN


def test_sources_are_hidden_or_exchanged() -> None:
    out = match(meta("oifname"), "up0")
    found = walked(SNAT, rule("s", out, {"masquerade": None}))
    assert verdict(found) == Verdict(True, hidden=True, source=code("203.0.113.2"))
    assert verdict(found, destination="192.0.2.70") == Verdict(True)
    found = walked(SNAT, rule("s", out, {"snat": {"family": "ip", "addr": "203.0.113.2"}}))
    assert verdict(found) == Verdict(True, hidden=True, source=code("203.0.113.2"))
    assert verdict(found, **SIX) == Verdict(True)


@pytest.mark.parametrize(
    ("said", "four", "six"),
    [
        ({"type": "tcp reset"}, "reset", "reset"),
        ({"type": "icmp", "expr": "host-unreachable"}, "unreachable", "let"),
        ({"type": "icmp", "expr": "admin-prohibited"}, "prohibited", "let"),
        ({"type": "icmpv6", "expr": "admin-prohibited"}, "let", "prohibited"),
        ({"type": "icmpx", "expr": "admin-prohibited"}, "prohibited", "prohibited"),
        ({"type": "icmpx", "expr": "no-route"}, "unreachable", "unreachable"),
        ({"type": "icmp", "expr": 10}, "prohibited", "let"),
        (None, "may", "may"),
    ],
)
def test_kinds_of_refusal(said: Any, four: str, six: str) -> None:
    found = forward((RESET[0], {"reject": said}))
    assert (fate(found), fate(found, **SIX)) == (four, six)
    if four == "reset":
        assert fate(found, protocol=UDP) == "let"


# --- where packets go ----------------------------------------------------------------------------


def test_what_is_for_the_host_meets_input_and_the_rest_forward() -> None:
    found = walked(
        chain("i", "input"),
        chain("f", "forward"),
        rule("i", *RESET),
        rule("f", DROP),
    )
    for destination in ("192.0.2.1", "203.0.113.2", "192.0.2.63", "255.255.255.255", "224.0.0.1"):
        assert fate(found, destination=destination) == "reset"
    assert fate(found) == fate(found, destination="192.0.2.70") == "silent"


def test_the_hosts_own_packets() -> None:
    found = walked(
        chain("o", "output"),
        chain("i", "input"),
        rule("o", match(meta("oifname"), "up0"), match(DPORT, 80), DROP),
        rule("o", match(meta("iifname"), "lan0"), *RESET),
        rule("i", match(meta("iifname"), "lo"), match(DPORT, 81), DROP),
    )
    own: dict[str, Any] = {"entrance": OWN, "source": "203.0.113.2"}
    assert fate(found, **own) == "silent"
    assert fate(found, **own, number=81) == "let"
    assert fate(found, **own, destination="192.0.2.1", number=81) == "silent"


def test_what_the_kernel_refuses_by_itself() -> None:
    """RFC 1122 section 3.2.1.3, RFC 4291 sections 2.5 and 2.7; Linux's route.c and ip6_input.c."""
    found = forward((ACCEPT,))
    never: tuple[dict[str, Any], ...] = (
        {"source": "192.0.2.65"},
        {"source": "127.0.0.1"},
        {"source": "224.0.0.1"},
        {"destination": "127.0.0.1"},
        {"destination": "0.0.0.0"},
        {"source": "ff02::1", "destination": "2001:db8:ff::7"},
        {"source": "2001:db8:0:1::10", "destination": "::1"},
    )
    for fields in never:
        told = answer(found, **fields)
        assert fate(found, **fields) == "silent"
        assert told.leaves[0].decider.family == told.leaves[0].decider.table == ""
    link: dict[str, Any] = {"source": "fe80::9", "destination": "2001:db8:ff::7"}
    assert fate(found, **link) == "unreachable"
    nowhere = Host(devices=("lan0",), own=HOST.own, routes=HOST.routes[:1])
    assert fate(walked(chain("f", "forward"), host=nowhere)) == "unreachable"


def test_of_several_ways_each_counts() -> None:
    routes = (*HOST.routes[:4], *(((inside), ("up0", "up1")) for inside, _ in HOST.routes[4:]))
    two = Host(devices=HOST.devices, own=HOST.own, routes=routes)
    found = walked(chain("f", "forward"), rule("f", match(meta("oifname"), "up1"), DROP), host=two)
    assert fate(found) == "may" and fate(found, destination="192.0.2.70") == "let"
    both = match(meta("oifname"), {"set": ["up0", "up1"]})
    found = walked(chain("f", "forward"), rule("f", both, DROP), host=two)
    assert fate(found) == "silent"


def test_of_an_unknown_host_nothing_is_taken_for_granted() -> None:
    nobody = Host(known=False)
    found = walked(chain("i", "input"), rule("i", DROP), host=nobody)
    assert fate(found) == "may"
    assert fate(found, destination="224.0.0.1") == "silent"
    asked = match({"fib": {"result": "type", "flags": ["daddr"]}}, "local")
    assert fate(walked(chain("f", "forward"), rule("f", asked, DROP), host=nobody)) == "let"


def test_devices_that_nobody_names_are_one() -> None:
    found = forward((match(meta("iifname"), "wl*"), DROP))
    assert {OTHER, OWN, "wl*", "lan0"} <= set(found.devices)
    assert fate(found, entrance="wlan9") == "silent" and fate(found, entrance="eth7") == "let"


def test_decisions_name_the_rule_and_its_place() -> None:
    found = forward((match(DPORT, 80), {"counter": "c"}, DROP))
    told = answer(found).leaves[0]
    assert (told.decider.chain, told.decider.number, told.counters) == ("f", 1, ("c",))
    assert told.decider.text == 'tcp dport 80 counter name "c" drop'
    assert told.decider.span.file == "listing.json" and told.decider.span.line == 1
    other = answer(found, number=81).leaves[0].decider
    assert (other.number, other.text) == (None, "policy accept")


def test_a_family_that_nft_does_not_list_is_told() -> None:
    """Matches straight before a reset lose what is asked of the family (nft 1.0.6, tried)."""
    count, reset = RESET
    for before, told in (
        ((match(DPORT, 80),), True),
        ((count, match(DPORT, 80)), True),
        ((match(SADDR, "192.0.2.10"), match(DPORT, 80)), False),
        ((match(meta("nfproto"), "ipv4"), count, match(DPORT, 80)), False),
        ((match(DPORT, 80), count), False),
    ):
        found = forward((*before, reset))
        assert fate(found) == ("may" if told else "reset")
        assert fate(found, number=81) == "let"
        assert [note.id for note in found.notes] == ["listing-hides"] * told
