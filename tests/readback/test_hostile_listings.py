"""Listings that are broken, hostile, huge or of other versions of nft.

What is asserted is work, never the clock: a listing is read or refused with a place, a walk says
itself whether it was complete, and the largest ones run in a process with little memory.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from copy import deepcopy
from functools import cache
from ipaddress import IPv4Address, IPv6Address
from pathlib import Path
from random import Random
from typing import Any

import pytest

from netcharter.diagnostics import Diagnostic
from netcharter.diagnostics.text import render
from netcharter.readback.decide import decide
from netcharter.readback.listing import read_listing
from netcharter.readback.shapes import OWN, V6, Answer, Decisions, Host, Packet
from netcharter.readback.walk import decisions

HERE = Path(__file__).parent
TEXT = (HERE / "everything.json").read_text(encoding="utf-8")
LEAVES = 10  # that one operation of a walk may end in: one for each way out
STEPS = 20_000  # of a walk: enough for every listing here that is not built to exceed it
NAME = "gate.json"
TCP = 6 << 16
MEMORY = 1_500_000_000  # bytes of address space for the largest listings
UNSEEN = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff]")


def number(address: str) -> int:
    return V6 + int(IPv6Address(address)) if ":" in address else int(IPv4Address(address))


HOST = Host(
    devices=("lan0", "tap0", "up0"),
    own={
        "lan0": ((number("192.0.2.1"), number("192.0.2.1")),),
        "up0": ((number("203.0.113.2"), number("203.0.113.2")),),
    },
    routes=(
        (((number("192.0.2.0"), number("192.0.2.63")),), ("lan0",)),
        (((number("198.51.100.0"), number("198.51.100.127")),), ("tap0",)),
        (((0, V6 - 1),), ("up0",)),
    ),
)


def packet(
    destination: str = "198.51.100.5", service: int = TCP | 80, source: str = "192.0.2.10"
) -> Packet:
    return Packet("lan0", number(source), number(destination), service, 0x020000000201)


def sound(found: tuple[Diagnostic, ...], text: str) -> None:
    """Diagnostics have a place in the text and can be shown on a terminal."""
    lines = text.split("\n")
    for each in found:
        span = each.span
        assert span.file == NAME
        assert 1 <= span.line <= span.end_line <= len(lines), each
        assert 1 <= span.column <= len(lines[span.line - 1]) + 1, each
        assert span.end_column <= len(lines[span.end_line - 1]) + 2, each
        assert each.message
    shown = render(found, {NAME: text}, width=100, colour=False)
    assert not UNSEEN.search(shown)
    shown.encode()


def walked(text: str, steps: int = STEPS) -> Decisions | None:
    """Read and walk a listing, as far as that goes; whatever is told must be sound."""
    listed = read_listing(text, NAME)
    sound(listed.problems, text)
    if listed.listing is None:
        assert any(each.severity == "error" for each in listed.problems)
        return None
    found = decisions(listed.listing, HOST, steps=steps)
    sound(found.notes, text)
    assert len(found.leaves) <= LEAVES * steps
    return found


def refused(text: str) -> str:
    """The words of the error that a listing is refused with."""
    listed = read_listing(text, NAME)
    sound(listed.problems, text)
    assert listed.listing is None
    (error,) = (each for each in listed.problems if each.severity == "error")
    return error.message


def decided(text: str, sent: Packet, steps: int = STEPS) -> Answer:
    found = walked(text, steps)
    assert found is not None, read_listing(text, NAME).problems
    return decide(found, sent, {})


def listing(*items: dict[str, Any]) -> str:
    return json.dumps({"nftables": list(items)})


def table(family: str = "inet", **more: Any) -> dict[str, Any]:
    return {"table": {"family": family, "name": "t", "handle": 1, **more}}


def chain(name: str, hook: str = "", policy: str = "accept", **more: Any) -> dict[str, Any]:
    said: dict[str, Any] = {"family": "inet", "table": "t", "name": name, "handle": 1}
    if hook:
        said |= {"type": "filter", "hook": hook, "prio": 0, "policy": policy}
    return {"chain": {**said, **more}}


def rule(name: str, *statements: Any, **more: Any) -> dict[str, Any]:
    said = {"family": "inet", "table": "t", "chain": name, "handle": 1, "expr": list(statements)}
    return {"rule": {**said, **more}}


def named_set(name: str, kind: Any, elements: list[Any], **more: Any) -> dict[str, Any]:
    said = {"family": "inet", "name": name, "table": "t", "type": kind, "handle": 1}
    return {"set": {**said, "elem": elements, **more}}


def payload(protocol: str, field: str) -> dict[str, Any]:
    return {"payload": {"protocol": protocol, "field": field}}


def match(left: Any, right: Any, op: str = "==") -> dict[str, Any]:
    return {"match": {"op": op, "left": left, "right": right}}


def jump(target: str, how: str = "jump") -> dict[str, Any]:
    return {how: {"target": target}}


DROP, ACCEPT = {"drop": None}, {"accept": None}
DPORT = payload("tcp", "dport")
START = (table(), chain("f", "forward"))


# --- broken texts ----------------------------------------------------------------------------------


def test_the_whole_listing_is_read() -> None:
    found = walked(TEXT, 200_000)
    assert found is not None
    assert found.complete
    assert found.notes


@pytest.mark.parametrize("start", range(0, 970, 97))
def test_a_truncated_listing_is_refused_where_it_ends(start: int) -> None:
    for end in range(start, len(TEXT.rstrip()) - 1, 970):
        listed = read_listing(TEXT[:end], NAME)
        assert listed.listing is None
        sound(listed.problems, TEXT[:end])


@pytest.mark.parametrize(
    "text",
    [
        *("", " \n", "{}", "[]", "null", "0", '"nftables"', "{", '{"nftables"', '{"nftables": {}}'),
        *('{"nftables": [}', '{"nftables": [1]}', '{"nftables": [[]]}', '{"nftables": [{}]}'),
        *('{"nftables": [null]}', '{"nftables": [{"table": 1}]}', '{"nftables": [{"rule": []}]}'),
        *('{"nftables": []} x', '{"nftables": [],}', '{"nftables": [{"a": {}, "b": {}}]}'),
        *('{"nftables": [{"table": NaN}]}', '{"nftables": [{"table": {"handle": Infinity}}]}'),
        *("table inet t { }", "<html>", "\x00\x00", "\ufeff", "%PDF-1.4"),
        '{"nftables": [{"table": {"family": "inet", "name": "a", "name": "b"}}]}',
        '{"nftables": [' + "9" * 5000 + "]}",
        '{"nftables": [{"table": {"family": "inet", "name": "t", "handle": 1' + "0" * 5000 + "}}]}",
    ],
)
def test_what_is_no_listing_is_refused(text: str) -> None:
    assert refused(text)


def test_a_text_ruleset_is_told_how_to_list_it() -> None:
    listed = read_listing("table inet t {\n}\n", NAME)
    assert "nft -j list ruleset" in (listed.problems[0].help or "")


def test_line_ends_and_a_byte_order_mark_do_not_matter() -> None:
    for text in ("\ufeff" + TEXT, TEXT.replace("\n", "\r\n"), TEXT.replace("\n", " ")):
        assert read_listing(text, NAME).listing is not None


@pytest.mark.parametrize("depth", [100, 5_000, 200_000])
@pytest.mark.parametrize("bracket", ["[]", '{"a":}', '{"concat":[]}', '{"&":[]}', '{"rule":}'])
def test_deep_nesting_is_refused_or_survived(depth: int, bracket: str) -> None:
    half = len(bracket) - (2 if bracket.endswith("]}") else 1)
    start, end = bracket[:half], bracket[half:]
    deep = start * depth + ("1" if ":}" in bracket else "") + end * depth
    for text in (
        f'{{"nftables": [{deep}]}}',
        listing(*START, rule("f", match(DPORT, "DEEP"), DROP)).replace('"DEEP"', deep),
        listing(*START, rule("f", match("DEEP", 1), DROP)).replace('"DEEP"', deep),
        deep,
        start * depth,
    ):
        walked(text)


def test_nesting_just_within_what_is_read_is_walked() -> None:
    left: Any = {"meta": {"key": "mark"}}
    for _ in range(20):
        left = {"|": [left, 0]}
    walked(listing(*START, rule("f", match(left, 1), DROP)))


@pytest.mark.parametrize("number_of_case", range(150))
def test_a_listing_with_other_characters_is_read_or_refused(number_of_case: int, seed: int) -> None:
    rng = Random(f"characters/{seed}/{number_of_case}")
    letters = list(TEXT)
    for _ in range(rng.choice((1, 1, 2, 5))):
        place = rng.randrange(len(letters))
        letters[place] = rng.choice(['"', "{", "}", "[", "]", ",", "\\", "0", "-", "", "\n", "e"])
    walked("".join(letters), 2_000)


# --- wrong shapes ----------------------------------------------------------------------------------

ODDITIES: tuple[Any, ...] = (
    *(None, True, False, 0, -1, 1, 2**32, 2**128, 10**39, 1.5, 1e308, "", "x", "@", "@nobody"),
    *("\u0000\u001b[31m\u202e", "9" * 400, [], {}, [[]], [None], {"a": 1}, {"range": [5, 1]}),
    *({"prefix": {"addr": "::", "len": 200}}, {"set": []}, {"elem": {}}, {"concat": []}),
    *({"elem": {"val": {"elem": {"val": 1}}}}, {"jump": {"target": "web"}}, {"map": {}}, "lan0"),
    *({"&": [1]}, {"<<": [{"meta": {"key": "mark"}}, 4000]}, {"range": ["a", {}]}, "192.0.2.1/99"),
)


@cache
def _items() -> tuple[dict[str, Any], ...]:
    return tuple(json.loads(TEXT)["nftables"])


def _places(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The ways to every value of a tree."""
    yield path
    if isinstance(node, dict | list):
        for key, value in node.items() if isinstance(node, dict) else enumerate(node):
            yield from _places(value, (*path, key))


def _changed(node: Any, rng: Random) -> None:
    """Change a tree somewhere: exchange, remove, double, rename, swap."""
    places = [path for path in _places(node) if path]
    if not places:
        return
    path = rng.choice(places)
    for key in path[:-1]:
        node = node[key]
    last = path[-1]
    turn = rng.random()
    if turn < 0.6:
        node[last] = deepcopy(rng.choice(ODDITIES))
    elif turn < 0.75:
        del node[last]
    elif isinstance(node, list):
        node.append(deepcopy(node[last]))
        rng.shuffle(node)
    else:
        node[rng.choice(("key", "op", "left", "right", "x", "\u0007"))] = node.pop(last)


@pytest.mark.parametrize("number_of_case", range(300))
def test_a_listing_of_other_shapes_is_read_or_refused(number_of_case: int, seed: int) -> None:
    rng = Random(f"shapes/{seed}/{number_of_case}")
    tree = {"nftables": deepcopy(list(_items()))}
    for _ in range(rng.choice((1, 2, 4, 30))):
        _changed(tree, rng)
    walked(json.dumps(tree), 2_000)


@pytest.mark.parametrize("place", range(len(_items())))
def test_every_value_of_an_item_may_be_odd(place: int, seed: int) -> None:
    """Each value of an item exchanged, the rest of its table around it."""
    rng = Random(f"values/{seed}/{place}")
    item = _items()[place]
    ((kind, said),) = item.items()
    if kind == "metainfo":
        return
    around = [
        each
        for each in _items()
        for other in each.values()
        if "table" in each or (kind == "rule" and other.get("name") in (said["chain"], "web"))
    ]
    for path in _places(item):
        changed = deepcopy(item)
        node: Any = changed
        for key in path[:-1]:
            node = node[key]
        if path:
            node[path[-1]] = deepcopy(rng.choice(ODDITIES))
        walked(json.dumps({"nftables": [*around, changed]}), 1_000)


@pytest.mark.parametrize(("place", "seed_then"), [(55, 185366465)])
def test_odd_values_that_were_too_much_once(place: int, seed_then: int) -> None:
    """More leaves than steps: one operation had several."""
    test_every_value_of_an_item_may_be_odd(place, seed_then)


def test_items_in_any_order_mean_the_same() -> None:
    items = [
        table(),
        named_set("s", "inet_service", [80]),
        chain("inner"),
        chain("f", "forward"),
        rule("inner", match(DPORT, "@s"), DROP),
        rule("f", jump("inner")),
    ]
    for order in (items, items[::-1], items[3:] + items[:3]):
        answer = decided(listing(*order), packet())
        assert not answer.may
        assert not answer.leaves[0].verdict.let


# --- loops and what is missing ---------------------------------------------------------------------


@pytest.mark.parametrize("how", ["jump", "goto"])
@pytest.mark.parametrize("length", [1, 2, 7])
def test_a_loop_of_jumps_is_told(how: str, length: int) -> None:
    names = [f"c{number}" for number in range(length)]
    items = [*START, *(chain(name) for name in names), rule("f", jump(names[0], how))]
    for name, target in zip(names, [*names[1:], names[0]], strict=True):
        items.append(rule(name, jump(target, how)))
    _told_or_refused(listing(*items))


def test_a_loop_through_a_map_is_told() -> None:
    vmap = {"vmap": {"key": DPORT, "data": {"set": [[80, jump("c")], [81, jump("f")]]}}}
    _told_or_refused(listing(*START, chain("c"), rule("f", vmap), rule("c", vmap)))


def test_a_jump_into_a_base_chain_is_told() -> None:
    _told_or_refused(listing(*START, chain("g", "input"), rule("f", jump("g"))))


def _told_or_refused(text: str) -> None:
    """What the kernel never holds: refused, or named and "may"."""
    listed = read_listing(text, NAME)
    sound(listed.problems, text)
    if listed.listing is None:
        return
    found = decisions(listed.listing, HOST, steps=STEPS)
    sound(found.notes, text)
    assert listed.problems or found.notes
    assert decide(found, packet(), {}).may


def test_many_ways_through_few_chains_end_within_the_work_allowed() -> None:
    """Every chain jumps twice into the next: 2 to the 15 ways, each told apart by a port."""
    items: list[dict[str, Any]] = [*START, *(chain(f"c{level}") for level in range(15))]
    items.append(rule("f", jump("c0")))
    for level in range(14):
        for side in (0, 1):
            ports = match({"&": [payload("tcp", "sport"), 1 << level]}, side << level)
            items.append(rule(f"c{level}", ports, jump(f"c{level + 1}")))
    items.append(rule("c14", match(DPORT, 80), DROP))
    for steps in (10, 1_000, 50_000):
        found = walked(listing(*items), steps)
        assert found is not None
        answer = decide(found, packet(), {})
        if not found.complete and len(answer.leaves) == 0:
            assert answer.may
        if not answer.may:
            assert not answer.leaves[0].verdict.let


def test_jumps_deeper_than_the_kernel_allows_do_no_harm() -> None:
    """The kernel stops at sixteen (NFT_JUMP_STACK_SIZE); five thousand are survived."""
    items: list[dict[str, Any]] = [*START, *(chain(f"c{level}") for level in range(5_000))]
    items.append(rule("f", jump("c0")))
    items += [rule(f"c{level}", jump(f"c{level + 1}")) for level in range(4_999)]
    walked(listing(*items, rule("c4999", DROP)))


@pytest.mark.parametrize(
    "statement",
    [
        jump("nowhere"),
        jump("nowhere", "goto"),
        {"vmap": {"key": DPORT, "data": "@nowhere"}},
        {"vmap": {"key": DPORT, "data": {"set": [[80, jump("nowhere")]]}}},
        match(DPORT, "@nowhere"),
        {
            "mangle": {
                "key": {"meta": {"key": "mark"}},
                "value": {"map": {"key": DPORT, "data": "@n"}},
            }
        },
        {"limit": "nowhere"},
        {"quota": "nowhere"},
    ],
)
def test_what_is_missing_is_told_and_makes_doubt(statement: dict[str, Any]) -> None:
    _told_or_refused(listing(*START, rule("f", statement, DROP), rule("f", ACCEPT)))


def test_a_counter_that_is_not_listed_does_no_harm() -> None:
    answer = decided(listing(*START, rule("f", {"counter": "nowhere"}, DROP)), packet())
    assert not answer.leaves[0].verdict.let


@pytest.mark.parametrize(
    "statement",
    [
        match({"payload": {"protocol": ["ip"], "field": "saddr"}}, 1),
        match({"payload": {"protocol": "ip", "field": {"x": 1}}}, 1),
        match({"meta": {"key": ["iifname"]}}, "eth0"),
        match({"concat": [{"meta": {"key": None}}, {"ct": {"key": 5}}]}, 1),
        {"vmap": {"key": {"ct": {"key": "state"}}, "data": {"set": 5}}},
        {"dnat": {"addr": {"map": {"key": payload("tcp", "dport"), "data": {"set": "x"}}}}},
    ],
)  # fmt: skip
def test_an_expression_of_another_shape_is_refused_with_its_place(
    statement: dict[str, Any],
) -> None:
    told = refused(listing(table(), chain("f", "forward"), rule("f", statement)))
    assert told.startswith("in the rule the ")


def test_a_rule_without_its_chain_is_told() -> None:
    assert refused(listing(table(), rule("f", DROP)))
    walked(listing(chain("f", "forward"), rule("f", DROP)))  # its table may be missing


# --- other versions --------------------------------------------------------------------------------


def test_another_schema_version_is_told() -> None:
    meta = {"metainfo": {"version": "9.9", "release_name": "x", "json_schema_version": 2}}
    listed = read_listing(listing(meta, *START, rule("f", DROP)), NAME)
    assert any("version" in each.message for each in listed.problems)


@pytest.mark.parametrize(
    "odd",
    [
        {"unheard-of": {"family": "inet", "table": "t", "name": "x"}},
        {"flowtable": {"family": "inet", "table": "t", "name": "x", "hook": "ingress", "prio": 0}},
        {"element": {"family": "inet", "table": "t", "name": "s", "elem": [1]}},
        {"tunnel": {"family": "inet", "table": "t", "name": "x"}},
        {"table": {"family": "inet", "name": "u", "handle": 9, "comment": "c", "flags": []}},
        {"chain": {"family": "netdev", "table": "w", "name": "i", "type": "filter"}},
    ],
)
def test_objects_of_other_versions_do_not_hide_the_rest(odd: dict[str, Any]) -> None:
    found = walked(listing(*START, odd, rule("f", match(DPORT, 80), DROP)))
    if found is not None:
        answer = decide(found, packet(), {})
        assert not any(leaf.verdict.let for leaf in answer.leaves) or answer.may


@pytest.mark.parametrize(
    "statement",
    [
        {"unheard-of": None},
        {"unheard-of": {"deep": [1, 2, {"more": 3}]}},
        {"xt": {"type": "match", "name": "recent"}},
        match({"unheard-of": {"key": "x"}}, 1),
        match(DPORT, 80, "~"),
        match({"meta": {"key": "unheard-of"}}, 1),
        match(payload("tcp", "unheard-of"), 1),
        match(payload("unheard-of", "x"), 1),
        match({"ct": {"key": "unheard-of"}}, 1),
        match({"fib": {"result": "unheard-of", "flags": ["saddr"]}}, 1),
        match({"fib": {"result": "type", "flags": ["unheard-of"]}}, "local"),
        match(DPORT, "unheard-of"),
        match(payload("ip", "saddr"), "gate.example"),
        match({"ct": {"key": "state"}}, "unheard-of", "in"),
        {"vmap": {"key": {"unheard-of": 1}, "data": {"set": [[1, DROP]]}}},
        {"vmap": {"key": DPORT, "data": {"set": [[80, {"unheard-of": None}]]}}},
        {"mangle": {"key": {"meta": {"key": "mark"}}, "value": {"unheard-of": 1}}},
        {"queue": {"num": 1}},
        {"synproxy": None},
        {"tproxy": {"addr": "192.0.2.1", "port": 1}},
    ],
)
def test_what_is_not_understood_is_named_and_makes_doubt(statement: dict[str, Any]) -> None:
    """A rule that may or may not drop: what follows it must stay possible too."""
    marked = match({"meta": {"key": "mark"}}, 0)
    text = listing(*START, rule("f", statement, marked, DROP), rule("f", match(DPORT, 80), ACCEPT))
    found = walked(text)
    assert found is not None
    assert found.notes
    assert decide(found, packet(), {}).may


def test_handles_policies_and_flags_may_be_missing_or_written_otherwise() -> None:
    bare: dict[str, Any] = {"family": "inet", "table": "t", "name": "f", "type": "filter"}
    bare |= {"hook": "forward", "prio": "filter"}
    items: list[dict[str, Any]] = [
        {"table": {"family": "inet", "name": "t"}},
        {"chain": bare},
        {"set": {"family": "inet", "table": "t", "name": "s", "type": "inet_service"}},
        named_set("p", "inet_service", [{"range": [80, 90]}], flags="interval"),
        named_set("q", "inet_service", [{"elem": {"val": 443, "comment": "x", "timeout": 1}}]),
        {
            "rule": {
                "family": "inet",
                "table": "t",
                "chain": "f",
                "expr": [match(DPORT, "@s"), DROP],
            }
        },
        {
            "rule": {
                "family": "inet",
                "table": "t",
                "chain": "f",
                "expr": [match(DPORT, "@p"), DROP],
            }
        },
    ]
    answer = decided(listing(*items), packet())
    assert not answer.may
    assert not answer.leaves[0].verdict.let
    other = decided(listing(*items), packet(service=TCP | 22))
    assert not other.may
    assert other.leaves[0].verdict.let


@pytest.mark.parametrize("flags", ["dormant", ["dormant"], "t", "Lester Gooch #5", ["owner"], 7])
def test_a_table_with_flags_is_never_taken_for_certain_against_the_kernel(flags: Any) -> None:
    """nft 1.0.6 lists the flags of a table, dormant or owner, as a text that means nothing."""
    meta = {"metainfo": {"version": "1.0.6", "release_name": "x", "json_schema_version": 1}}
    text = listing(meta, table(flags=flags), chain("f", "forward"), rule("f", DROP))
    found = walked(text)
    if found is not None:
        assert decide(found, packet(), {}).may


# --- names and comments ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        *(
            "\u0000",
            "\u001b[2J\u001b]0;x\u0007",
            "\u202egnorw",
            "a\nb",
            "\r",
            "\u009b31m",
            "\ud800",
        ),
        *("<script>alert(1)</script>", "'; drop", "x" * 100_000, "", " ", "@", "*", "\ufeff"),
    ],
)
def test_names_and_comments_are_shown_safely(name: str) -> None:
    mystery = {"unheard-of": name}
    items: tuple[dict[str, dict[str, Any]], ...] = (
        {"metainfo": {"version": name, "json_schema_version": 1}},
        {"table": {"family": "inet", "name": name, "handle": 1}},
        {"chain": {"family": "inet", "table": name, "name": name, "handle": 1}},
        {"chain": {"family": "inet", "table": name, "name": f"{name}f", "type": "filter"}},
        {"set": {"family": "inet", "table": name, "name": name, "type": "ifname", "elem": [name]}},
    )
    items[3]["chain"] |= {"hook": "forward", "prio": 0, "policy": "drop"}
    rules = [
        {"family": "inet", "table": name, "chain": f"{name}f", "comment": name, "expr": expr}
        for expr in (
            [match({"meta": {"key": "iifname"}}, name), {"counter": name}, DROP],
            [mystery, jump(name)],
            [{"log": {"prefix": name}}, match({"meta": {"key": "iifname"}}, f"@{name}"), ACCEPT],
            [{name: None}],
            [match({"meta": {"key": name}}, name)],
        )
    ]
    found = walked(listing(*items, *({"rule": each} for each in rules)))
    if found is not None:
        for leaf in found.leaves:
            leaf.decider.text.encode(errors="surrogatepass")


# --- large ones ------------------------------------------------------------------------------------

LARGE = 100_000


def _address(place: int) -> str:
    return str(IPv4Address(0x0A000000 + 3 * place))


def _plain_set() -> tuple[str, Packet, Packet]:
    elements = [_address(place) for place in range(LARGE)]
    text = listing(
        table(),
        named_set("s", "ipv4_addr", elements),
        chain("f", "forward"),
        rule("f", match(payload("ip", "daddr"), "@s"), DROP),
    )
    return text, packet(_address(777)), packet("10.0.0.1")


def _interval_set() -> tuple[str, Packet, Packet]:
    elements: list[Any] = [
        {"range": [_address(2 * place), str(IPv4Address(0x0A000001 + 6 * place))]}
        for place in range(LARGE)
    ]
    text = listing(
        table(),
        named_set("s", "ipv4_addr", elements, flags=["interval"]),
        chain("f", "forward"),
        rule("f", match(payload("ip", "daddr"), "@s"), DROP),
    )
    return text, packet("10.0.0.7"), packet("10.0.0.5")


def _anonymous_set() -> tuple[str, Packet, Packet]:
    elements = [_address(place) for place in range(LARGE)]
    text = listing(*START, rule("f", match(payload("ip", "daddr"), {"set": elements}), DROP))
    return text, packet(_address(777)), packet("10.0.0.1")


def _concatenated_set() -> tuple[str, Packet, Packet]:
    elements = [{"concat": [_address(place), 80 + place % 7]} for place in range(LARGE)]
    key = {"concat": [payload("ip", "daddr"), DPORT]}
    text = listing(
        table(),
        named_set("s", ["ipv4_addr", "inet_service"], elements),
        chain("f", "forward"),
        rule("f", match(key, "@s"), DROP),
    )
    return text, packet(_address(7)), packet(_address(8))


def _verdict_map() -> tuple[str, Packet, Packet]:
    elements = [[_address(place), DROP if place % 2 else ACCEPT] for place in range(LARGE)]
    said = {"family": "inet", "table": "t", "name": "m", "type": "ipv4_addr", "handle": 1}
    text = listing(
        table(),
        {"map": {**said, "map": "verdict", "elem": elements}},
        chain("f", "forward"),
        rule("f", {"vmap": {"key": payload("ip", "daddr"), "data": "@m"}}),
    )
    return text, packet(_address(777)), packet(_address(778))


def _rules() -> tuple[str, Packet, Packet]:
    rules = [
        rule("f", match(payload("ip", "daddr"), _address(place)), DROP) for place in range(20_000)
    ]
    return listing(*START, *rules), packet(_address(777)), packet("10.0.0.1")


LARGE_ONES: dict[str, Callable[[], tuple[str, Packet, Packet]]] = {
    "plain": _plain_set,
    "interval": _interval_set,
    "anonymous": _anonymous_set,
    "concatenated": _concatenated_set,
    "map": _verdict_map,
    "rules": _rules,
}


def large(name: str) -> None:
    """Read, walk and ask one of the large listings. Undecided is allowed, wrong is not."""
    text, dropped, let = LARGE_ONES[name]()
    found = walked(text, 2_000_000)
    assert found is not None
    for sent, lets in ((dropped, False), (let, True)):
        answer = decide(found, sent, {})
        assert answer.may or answer.leaves[0].verdict.let == lets
        assert answer.leaves or not found.complete
    print("complete" if found.complete else "not complete")


@pytest.mark.parametrize("name", LARGE_ONES)
def test_large_listings_take_little_memory(name: str) -> None:
    code = (
        f"import resource; resource.setrlimit(resource.RLIMIT_AS, ({MEMORY}, {MEMORY}))\n"
        f"from tests.readback.test_hostile_listings import large; large({name!r})"
    )
    found = subprocess.run(
        [sys.executable, "-c", code],
        cwd=HERE.parents[1],
        capture_output=True,
        text=True,
        timeout=300,  # a guard against hanging, not a measure
        check=False,
    )
    assert found.returncode == 0, found.stderr[-3000:]
    if name != "concatenated":  # a hundred thousand boxes may be more than the work allowed
        assert found.stdout.strip() == "complete"


def test_the_hosts_own_packets_are_decided_too() -> None:
    text = listing(table(), chain("o", "output"), rule("o", match(DPORT, 80), DROP))
    sent = Packet(OWN, number("192.0.2.1"), number("192.0.2.10"), TCP | 80)
    answer = decided(text, sent)
    assert not answer.may
    assert not answer.leaves[0].verdict.let
