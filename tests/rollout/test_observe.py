"""What a host says is read as it is meant, and never trusted."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from ipaddress import ip_interface
from random import Random

import pytest

from netcharter.rollout.listing import Unlisted, block, plain, seconds
from netcharter.rollout.observe import Said, Unobservable, observing
from netcharter.rollout.shapes import Choice, Element, Held, HostState, Link, Route
from tests.rollout import recorded

SIZES = "src 10.0.0.1 mtu 1400 advmss 1300"
HOPS = "nexthop via 10.0.0.3 dev eth2 weight 1 nexthop via 10.0.0.2 dev eth2 weight 2"
MATCHES = "tos 0x10 fwmark 0x5 iif eth2 oif eth3 ipproto 6 sport 4-5 dport 7 lookup 333 protocol 99"
Answers = Mapping[tuple[str, ...], str | bytes]


def told(answers: Answers, settings: Collection[str] = ()) -> HostState:
    """The state of a host that answers so. A program not among the answers ends with 1."""
    asking = observing(100.0, settings)
    question = next(asking)
    while True:
        key = question.argv[:1] if question.argv[0] == "grep" else question.argv
        found = answers.get(key)
        data = found.encode() if isinstance(found, str) else found
        said = Said(1, b"", b"no such thing\x1b[2J") if data is None else Said(0, data)
        try:
            question = asking.send(said)
        except StopIteration as end:
            state: HostState = end.value
            return state


@pytest.fixture
def state() -> HostState:
    return told(recorded.ANSWERS)


def test_links(state: HostState) -> None:
    assert state.links == (
        Link("eth2", True),
        Link("eth2.20", False, "eth2", 20),
        Link("lo", True, mtu=65536),
        Link("outer", True),  # of another kind of VLAN, which is not ours to make
        Link('we"ird,{x', False),
    )


def test_addresses_in_the_kernels_order_without_what_the_kernel_made(state: HostState) -> None:
    def held(text: str, *words: str) -> Held:
        return Held("eth2", ip_interface(text), words)

    broadcast = ("broadcast", "10.0.0.255")
    assert set(state.addresses) == {
        held("10.0.10.1/32", "peer", "10.0.10.2/32", "scope", "link", "metric", "77"),
        held("10.0.0.9/24", *broadcast),
        held("10.0.0.1/24", *broadcast, "label", "eth2:x"),
        held("2001:db8:a::1/64", "home", "nodad", "noprefixroute"),
        held("2001:db8:b::1/64", "preferred_lft", "0"),
        held("fe80::77/64"),
    }
    order = [str(each.interface.ip) for each in state.addresses]
    assert order.index("10.0.0.9") < order.index("10.0.0.1")  # sent from, though it is greater
    assert [str(each.interface) for each in state.lent] == ["192.0.2.7/24", "2001:db8:9::1/64"]


def test_routes_but_for_those_somebody_looks_after(state: HostState) -> None:
    said = [" ".join(route.words) for route in state.routes if route.words[0] != "?"]
    assert sorted(said) == sorted(
        [
            "default via 9.9.9.9 dev eth2 table 333 proto 3 scope 0 onlink",
            "10.58.0.0/16 tos 0x10 via inet6 fe80::5 dev eth2 table 77 proto 3 scope 0 " + SIZES,
            "default via 203.0.113.9 dev eth0 table 101 proto 4 scope 0",
            "10.55.0.0/16 table 254 proto 3 scope 0 " + HOPS,
            "blackhole 10.56.0.0/16 table 254 proto 3 scope 0 metric 5",
            "default via 2001:db8:7aff::1 dev eth0 table 101 proto 4 metric 1024",
            "unreachable 2001:db8:56::/48 dev lo table 254 proto 3 metric 1024",
        ]
    )
    (unknown,) = [route for route in state.routes if route.words[0] == "?"]
    assert unknown.family == 4 and "encap" in unknown.words[1]


def test_choices_but_for_the_kernels(state: HostState) -> None:
    said = [" ".join(choice.words) for choice in state.choices if choice.words[0] != "?"]
    assert said == [
        "pref 7 l3mdev",
        "pref 9998 uidrange 0-100 goto 10500",
        "pref 9999 not from 1.2.3.4/32 to 5.6.7.0/24 " + MATCHES,
        "pref 10000 lookup 254 suppress_prefixlength 0",
        "pref 10103 fwmark 0x1/0xf prohibit",
        "pref 10401 iif eth0 blackhole",
        "pref 10202 from 2001:db8:7a00::/48 lookup 101",
    ]
    assert isinstance(state.choices[0], Choice) and "something" in state.choices[0].words[1]


def test_a_table_without_what_comes_and_goes(state: HostState) -> None:
    ours, odd = state.tables
    assert (odd.name, odd.text) == ("x; flush ruleset", "")  # nft was not asked for it
    for gone in ("timeout 1h", "expires", "1.2.3.4 counter", "ct count", "packets", "limit rate"):
        assert gone not in ours.text
    for kept in ("11.0.0.1-11.0.0.9", "1.2.3.4 . 80 : 5.6.7.8 . 8080", 'comment "x { y; # z"'):
        assert kept in ours.text
    assert block(ours.text).name == "netcharter"
    key = "10.73.0.5 . 02:00:00:aa:00:01"
    assert set(ours.living) == {
        Element("nc_signed4", f'"eth2" . {key}', 3599.788),
        Element(
            "nc_signed4", '"e,{h" . 10.73.0.6 . 02:00:00:aa:00:02 comment "hi, there"', 93600.0
        ),
        Element("nc_class4", f'"eth2" . {key}', 3599.788, "0x00000020"),
        Element("nc_mixed", "10.0.0.0/8", 3599.788),
        Element("nc_default", "1.2.3.4 counter packets 3 bytes 9", 299.896),
    }


def test_settings_and_shaping(state: HostState) -> None:
    assert state.settings == {"net/ipv4/ip_forward": "1", "net/ipv4/conf/eth2/forwarding": "0"}
    assert set(state.shaping) == {"eth2"}
    assert "direct_packets_stat" not in state.shaping["eth2"]
    assert "rate 1Mbit" in state.shaping["eth2"]


def test_the_settings_of_devices_that_change_along_are_asked_for() -> None:
    asking = observing(1.0, ["net/ipv4/conf/default/rp_filter", "net/ipv4/conf/eth7/rp_filter"])
    question = next(asking)
    while question.argv[0] != "grep":
        question = asking.send(Said(0, str(recorded.ANSWERS.get(question.argv, "")).encode()))
    for name in ("conf/eth2/rp_filter", "conf/eth7/rp_filter", "conf/eth2.20/forwarding"):
        assert f"/proc/sys/net/ipv4/{name}" in question.argv
    assert not any('"' in path for path in question.argv)


@pytest.mark.parametrize("command", [key for key in recorded.ANSWERS if key[0] not in ("grep",)])
def test_no_answer_is_told_with_the_command(command: tuple[str, ...]) -> None:
    answers = {key: text for key, text in recorded.ANSWERS.items() if key != command}
    if command[:2] == ("tc", "class"):
        assert told(answers).shaping["eth2"].startswith("qdisc htb")
        return
    with pytest.raises(Unobservable) as found:
        told(answers)
    assert " ".join(command) in str(found.value) and "no such thing<U+001B>" in str(found.value)


@pytest.mark.parametrize(
    "text",
    ["{", "[[[]]]", "[1]", '"x"', "[" * 100_000],
)
def test_what_is_no_answer_is_told(text: str) -> None:
    for command in recorded.ANSWERS:
        if command[0] == "ip":
            with pytest.raises(Unobservable):
                told({**recorded.ANSWERS, command: text})


@pytest.mark.parametrize("text", ['[{"ifname":"eth7"}]', '[{"flags":["UP"],"linkinfo":3}]'])
def test_a_device_without_what_every_device_has_is_told(text: str) -> None:
    with pytest.raises(Unobservable):
        told({**recorded.ANSWERS, ("ip", "-j", "-d", "link", "show"): text})


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("table inet netcharter {", "table inet other {} table inet netcharter {"),
        ("\n}\n", "\n}\nflush ruleset\n"),
        ("\n}\n", "\n"),
        ("\tchain nc_c {", '\tinclude "/etc/passwd"\n\tchain nc_c {'),
        ('comment "hi, there"', 'comment "hi'),
        ("timeout 1h expires 59m59s788ms", "timeout 1h expires soon"),
    ],
)
def test_a_listing_that_is_no_table_is_told(before: str, after: str) -> None:
    assert before in recorded.FULL
    command = ("nft", "list", "table", "inet", "netcharter")
    with pytest.raises(Unobservable):
        told({**recorded.ANSWERS, command: recorded.FULL.replace(before, after)})


@pytest.mark.parametrize("number", range(400))
def test_whatever_is_answered_it_is_a_state_or_it_is_told(number: int) -> None:
    """Bytes are cut out, doubled and changed anywhere."""
    rng = Random(f"observe {number}")
    answers: dict[tuple[str, ...], str | bytes] = dict(recorded.ANSWERS)
    command = rng.choice(list(recorded.ANSWERS))
    data = bytearray(recorded.ANSWERS[command].encode())
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(data))
        part = rng.choice(
            (b"", b'"', b"{", b"}", b"\xff", b"9" * 5000, b"null", b",", b"-1", b"\n")
        )
        data[at : at + rng.choice((0, 1, 1, 5, 40))] = part
    answers[command] = bytes(data)
    try:
        found = told(answers)
    except Unobservable as problem:
        assert str(problem).isprintable()
    else:
        assert isinstance(found, HostState)


def test_a_key_that_comes_twice_makes_a_route_unwritten() -> None:
    """Of two destinations JSON readers keep the last, which is another route (RFC 8259 section 4)."""
    command = ("ip", "-4", "-j", "-d", "-N", "route", "show", "table", "all")
    twice = '[{"dst":"10.0.0.0/8","dst":"10.0.0.9","dev":"eth2","table":"254","protocol":"3"}]'
    found = told({**recorded.ANSWERS, command: twice})
    assert [r.words[0] for r in found.routes if r.family == 4] == ["?"]


def test_an_address_with_an_end_is_lent_whatever_its_flags() -> None:
    address = recorded.ADDRESSES.replace('"dynamic":true,', "")
    assert address != recorded.ADDRESSES
    found = told({**recorded.ANSWERS, ("ip", "-j", "addr", "show"): address})
    assert len(found.lent) == 2


def test_nothing_stands_behind_a_table() -> None:
    for text in ("table ip x {\n}\nflush ruleset", "table ip x { } x", "table ip x { } # x\n}"):
        with pytest.raises(Unlisted):
            block(text)
    assert block("table ip x { }\n\n").name == "x"


def test_times_are_read_as_nft_writes_them() -> None:
    assert seconds("1d2h3m4s5ms") == pytest.approx(93784.005)
    for text in ("", "1", "h", "1h1d", "-1s"):
        with pytest.raises(Unlisted):
            seconds(text)


def test_what_a_reload_writes_otherwise_is_the_same() -> None:
    assert plain("ip saddr { 10.0.0.0-10.0.0.7 } drop") == "ip saddr 10.0.0.0-10.0.0.7 drop"
    for text in (
        "elements = { 10.0.0.1 }",
        "ct state vmap { established : accept }",
        "tcp dport { 1, 2 }",
        "limit { }",
    ):
        assert plain(text) == text


def test_a_route_is_not_read_as_another(state: HostState) -> None:
    assert len({route.words for route in state.routes}) == 8
    assert Route(4, ("default",)) not in state.routes
