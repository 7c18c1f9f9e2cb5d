"""What a kit asks of a host, and what is left to others."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from ipaddress import ip_interface
from pathlib import Path

import pytest

from netcharter.plan import labels
from netcharter.rollout import filtering
from netcharter.rollout.contents import KitBroken, classes, contents
from netcharter.rollout.converge import NotReached, converge, left_out, rehearsal, unlike
from netcharter.rollout.escape import Unsayable, element, ip_line, setting_line, table_name
from netcharter.rollout.filtering import carried
from netcharter.rollout.listing import block
from netcharter.rollout.shapes import (
    Choice,
    Element,
    Held,
    HostState,
    Link,
    Route,
    Run,
    Step,
    Table,
)
from netcharter.rollout.wanted import NotSetAside, as_before, clashes, settings_of, wanted
from tests.rollout.bench import kit_of
from tests.rollout.pair import NEW, OLD

Files = Mapping[str, bytes]


@pytest.fixture(scope="module")
def demo(repository: Path) -> Files:
    path = repository / "examples" / "tarn-hollow" / "charter.yaml"
    return kit_of(path.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def old() -> Files:
    return kit_of(OLD)


@pytest.fixture(scope="module")
def new() -> Files:
    return kit_of(NEW)


def bare(*names: str, **more: object) -> HostState:
    return replace(
        HostState(at=50.0, links=tuple(Link(n, True) for n in names)),
        **more,  # type: ignore[arg-type]
    )


def texts(steps: tuple[Step, ...]) -> dict[str, str]:
    return {
        step.name.partition(":")[0]: "".join(
            effect.stdin.decode() for effect in step.effects if isinstance(effect, Run)
        )
        for step in steps
    }


def held(device: str, text: str, *words: str) -> Held:
    return Held(device, ip_interface(text), words)


# --- the kit read back ---------------------------------------------------------------------------


def test_the_demo_is_read_back(demo: Files) -> None:
    found = contents(demo)
    assert found.links["eth3.20"] == Link("eth3.20", True, "eth3", 20)
    assert found.links["eth3"] == Link("eth3", True)
    assert found.automatic == {"eth1"} and "eth3" not in found.devices
    assert held("eth2", "10.73.0.1/27", "broadcast", "10.73.0.31") in found.addresses
    assert held("eth0", "203.0.113.10/29") in found.addresses
    assert Choice(4, ("pref", "10104", "fwmark", "0x2/0xf", "lookup", "254")) in found.choices
    default = "default via 203.0.113.9 dev eth0 table 101 proto 4 scope 0"
    assert Route(4, tuple(default.split())) in found.routes
    assert found.settings["net/ipv4/conf/eth3.20/rp_filter"] == "0"
    assert "net/bridge/bridge-nf-call-iptables" in found.optional
    assert block(found.text).name == "netcharter"


FOREIGN = {
    "links.batch": "link set dev eth0 down",
    "addresses.batch": "address del 10.0.0.1/24 dev eth0",
    "sysctl.conf": "net/ipv4/ip_forward=1; reboot",
    "routes.batch": "rule del pref 5",
    "routes6.batch": "route flush table main x",
}


@pytest.mark.parametrize(("name", "line"), FOREIGN.items())
def test_a_line_that_no_kit_has_is_an_error(old: Files, name: str, line: str) -> None:
    place = old[name].count(b"\n") + 1
    with pytest.raises(KitBroken) as found:
        contents({**old, name: old[name] + line.encode() + b"\n"})
    assert f"{name}, line {place}" in str(found.value)


@pytest.mark.parametrize("name", [*FOREIGN, "nftables.nft", "manifest.json"])
def test_a_file_that_is_missing_or_no_text_is_an_error(old: Files, name: str) -> None:
    for broken in ({n: d for n, d in old.items() if n != name}, {**old, name: b"\xff\n"}):
        with pytest.raises(KitBroken, match=name):
            contents(broken)


@pytest.mark.parametrize("more", [b"flush ruleset\n", b"table ip x { }\n", b"{\n", b'"\n'])
def test_a_ruleset_that_is_more_than_our_table_is_an_error(old: Files, more: bytes) -> None:
    with pytest.raises(KitBroken, match=r"nftables\.nft"):
        contents({**old, "nftables.nft": old["nftables.nft"] + more})
    with pytest.raises(KitBroken, match=r"nftables\.nft"):
        contents({**old, "nftables.nft": more})


# --- what is ours and what is not ----------------------------------------------------------------


def test_vlan_devices_are_made_and_go_with_their_kit(demo: Files, old: Files) -> None:
    now = bare("eth0", "eth1", "eth2", "eth3", "eth4", "eth5")
    said = texts(converge(now, wanted(demo, now)))
    assert said["devices are made"].splitlines() == [
        f"link add link eth3 name eth3.{tag} type vlan id {tag}" for tag in (20, 30, 40, 50)
    ]
    there = wanted(demo, now)
    gone = texts(converge(there, wanted(old, there, demo)))["old devices go"]
    assert gone.splitlines() == [f"link del dev eth3.{tag}" for tag in (20, 30, 40, 50)]
    kept = replace(there, links=(*there.links, Link("eth3.60", True, "eth3", 60)))
    assert Link("eth3.60", True, "eth3", 60) in wanted(old, kept, demo).links


def test_a_vlan_device_in_the_way_is_named_and_goes_first(demo: Files) -> None:
    other = (Link("guests", True, "eth3", 20), Link("eth3.30", True, "eth2", 7))
    now = bare("eth0", "eth1", "eth2", "eth3", "eth4", "eth5")
    now = replace(now, links=(*now.links, *other))
    first, second = sorted(clashes(demo, now))
    assert "eth3.30 is VLAN 7 of eth2" in first and "guests" in second and "eth3.20" in second
    made = texts(converge(now, wanted(demo, now)))["devices are made"].splitlines()
    assert made[:2] == ["link del dev eth3.30", "link del dev guests"]
    undone = as_before(now, wanted(demo, now), demo)
    assert set(undone.links) == set(now.links)


def test_addresses_of_others_stay_where_the_kit_has_no_part(old: Files, new: Files) -> None:
    foreign = (
        held("eth9", "192.0.2.1/24"),
        held("eth1", "198.51.100.77/28"),  # an automatic line: others bring its address
        held("eth2", "fe80::77/64"),
    )
    gone = (held("eth2", "192.0.2.2/24"), held("eth3", "2001:db8:1::1/64"))
    now = bare("eth0", "eth1", "eth2", "eth3", "eth9", addresses=(*foreign, *gone))
    asked = wanted(old, now).addresses
    assert set(foreign) <= set(asked) and not set(gone) & set(asked)
    assert set(asked) - set(foreign) == set(contents(old).addresses)
    after = wanted(new, wanted(old, now), old).addresses
    assert foreign[1] not in after  # now the charter gives that line its address


def test_what_the_previous_kit_gave_goes(old: Files, new: Files) -> None:
    """Also an address on a line that is automatic now, and routes in tables the new kit has not."""
    there = wanted(new, bare("eth0", "eth1", "eth2", "eth3"))
    own = held("eth1", "198.51.100.2/28")
    other = Route(4, ("198.18.0.0/15", "dev", "eth1", "table", "102", "proto", "4"))
    there = replace(there, routes=(*there.routes, other))
    found = wanted(old, there, new)
    assert own in there.addresses and own not in found.addresses
    assert set(found.routes) == {*contents(old).routes, other}
    assert found.choices == wanted(old, bare("eth0")).choices


def test_a_device_that_is_there_is_taken_as_it_is(old: Files) -> None:
    """A charter may name a VLAN device that somebody else made."""
    vlan = Link("eth2", False, "trunk", 7)
    now = bare("eth0", "eth1", "eth3", "trunk")
    now = replace(now, links=(*now.links, vlan))
    assert replace(vlan, up=True) in wanted(old, now).links
    assert "devices are made" not in texts(converge(now, wanted(old, now)))


def test_the_words_of_an_address_that_is_there_are_left(old: Files) -> None:
    mine = held("eth2", "10.7.0.1/26", "noprefixroute")
    now = bare("eth0", "eth1", "eth2", "eth3", addresses=(mine,))
    assert mine in wanted(old, now).addresses
    assert "10.7.0.1/26" not in texts(converge(now, wanted(old, now)))["new addresses are added"]


def test_settings_that_a_kernel_may_lack_are_asked_only_where_it_has_them(old: Files) -> None:
    name = "net/bridge/bridge-nf-call-iptables"
    assert name not in wanted(old, bare("eth0")).settings
    has = bare("eth0", settings={name: "1"})
    assert wanted(old, has).settings[name] == "0"
    assert name in settings_of(old)


def test_other_devices_forward_as_the_kernel_makes_them(old: Files) -> None:
    known = {
        "net/ipv4/ip_forward": "0",
        "net/ipv4/conf/eth9/forwarding": "0",
        "net/ipv4/conf/eth9/rp_filter": "1",
        "net/ipv4/conf/eth0/rp_filter": "1",
    }
    asked = wanted(old, bare("eth0", "eth9", settings=known)).settings
    assert asked["net/ipv4/conf/eth9/forwarding"] == "1"
    assert asked["net/ipv4/conf/eth9/rp_filter"] == "1"
    assert asked["net/ipv4/conf/eth0/rp_filter"] == "0"


def test_what_can_not_come_back_is_not_set_aside(old: Files) -> None:
    tables = (
        Table("ip", "fine", "table ip fine {\n}\n"),
        Table(
            "ip", "legacy", 'table ip legacy {\n\tchain c {\n\t\txt match "state" drop\n\t}\n}\n'
        ),
        Table("ip", "odd; name", ""),
        Table("ip", "open", "table ip open {\n"),
        Table("ip", "more", "table ip more {\n}\nflush ruleset\n"),
        Table("ip", "liar", "table ip other {\n}\n"),
    )
    now = bare("eth0", tables=tables)
    assert tables[0] not in wanted(old, now, None, ["ip fine", "ip absent"]).tables
    assert set(tables) <= set(wanted(old, now).tables)
    for table in tables[1:]:
        with pytest.raises(NotSetAside):
            wanted(old, now, None, [f"{table.family} {table.name}"])


def test_as_before_brings_back_ours_and_leaves_others(old: Files) -> None:
    other = Table("ip", "other", "table ip other {\n}\n")
    before = bare("eth0", "eth1", "eth2", "eth3", tables=(other,))
    there = wanted(old, before)
    grown = replace(other, text="table ip other {\n\tchain c {\n\t}\n}\n")
    later = replace(
        there,
        tables=(grown, *(t for t in there.tables if t != other)),
        routes=(*there.routes, Route(4, ("198.18.0.0/15", "dev", "eth9", "table", "254"))),
        addresses=(*there.addresses, held("eth9", "192.0.2.1/24"), held("eth2", "192.0.2.5/24")),
        links=(*there.links, Link("eth9", True)),
    )
    found = as_before(before, later, old)
    assert found.tables == (grown,)
    assert [r.words[0] for r in found.routes] == ["198.18.0.0/15"]
    assert found.addresses == (held("eth9", "192.0.2.1/24"),)
    assert found.choices == () and Link("eth9", True) in found.links
    once = replace(before, settings={"net/a": "1"})
    seen = replace(later, settings={"net/a": "0", "net/of/eth9": "1"})
    assert as_before(once, seen, old).settings == {"net/a": "1", "net/of/eth9": "1"}


# --- living elements -----------------------------------------------------------------------------


SET = "table inet netcharter {{\n\tset {name} {{\n\t\ttype {type}\n\t\tflags timeout\n\t}}\n}}\n"
MAP = SET.replace("set {name}", "map nc_class4")


def table(text: str, *living: Element) -> Table:
    return Table("inet", "netcharter", text, living)


def test_identity_classes_are_those_of_the_same_people(old: Files, new: Files) -> None:
    """Bits 4 to 11 of the mark, as `plan.labels` packs them."""
    numbers = classes(old, new)
    assert numbers == {0: 0, 1: 1, 2: 3}  # rowan comes second now; skye is gone
    marks = [f"0x{labels.pack(labels.Mark(identity=n)):08x}" for n in range(4)]
    assert filtering.CLASS_MASK == labels.IDENTITY_MASK
    text = MAP.format(type="ipv4_addr : mark")
    living = [Element("nc_class4", f"192.0.2.{n}", 60.0, mark) for n, mark in enumerate(marks)]
    found = carried(table(text, *living), table(text), 0.0, 0.0, numbers)
    assert {each.text: each.value for each in found} == {
        "192.0.2.0": marks[0],
        "192.0.2.1": marks[1],
        "192.0.2.2": marks[3],
    }
    assert len(carried(table(text, *living), table(text), 0.0, 0.0)) == 4


def test_many_people_share_a_class_that_tells_nothing(old: Files) -> None:
    """Class 255 stands for everyone beyond the 253rd (docs/explanation/kit.md)."""
    people = {"people": {"rowan": 2, "skye": labels.CLASS_OTHERS, "fern": labels.CLASS_OTHERS}}
    crowd = {**old, "manifest.json": json.dumps(people).encode()}
    assert classes(crowd, old) == {0: 0, 1: 1, 2: 2}
    assert filtering.CLASS_SHIFT == labels.IDENTITY_SHIFT


def test_elements_of_the_same_set_and_type_are_carried() -> None:
    one = SET.format(name="nc_signed4", type="ipv4_addr")
    lasting = Element("nc_signed4", "192.0.2.1", 60.0)
    for other, count in (
        (one, 1),
        ("table inet netcharter { set nc_signed4 { type ipv4_addr; flags timeout; } }", 1),
        (SET.format(name="nc_signed4", type="ipv6_addr"), 0),
        (SET.format(name="nc_signed5", type="ipv4_addr"), 0),
        (one.replace("flags timeout", "size 5"), 0),
    ):
        assert len(carried(table(one, lasting), table(other), 1.0, 1.0)) == count


def test_which_lines_failed_is_not_carried() -> None:
    """By their numbers, which may be others, and presence refuses."""
    names = [labels.gone_set(family) for family in (4, 6)]
    assert set(names) == filtering.GONE_SETS
    for name in names:
        text, lasting = SET.format(name=name, type="mark"), Element(name, "0x00000001", 20.0)
        assert carried(table(text, lasting), table(text, lasting), 1.0, 1.0) == ()


def test_hostile_elements_are_left_behind() -> None:
    one = SET.format(name="nc_signed4", type="ifname")
    bad = [
        Element("nc_signed4", '"x" } ; flush ruleset ; #', 60.0),
        Element("nc_signed4", '"x\ny"', 60.0),
        Element("nc_signed4", "$(reboot)", 60.0),
        Element("nc_signed4", '"good"', 60.0),
    ]
    now = bare(tables=(table(one, *bad),))
    then = bare(tables=(table(one.replace("flags", "size 9\n\t\tflags")),))
    (step,) = converge(now, then)
    said = texts((step,))["the packet filter is exchanged"]
    assert said.count("add element") == 1 and '"good" timeout 60000ms' in said
    assert "flush" not in said and "reboot" not in said


def test_a_table_that_says_more_than_itself_is_not_loaded() -> None:
    for text in ("table inet netcharter {\n}\nflush ruleset\n", "table ip other {\n}\n"):
        with pytest.raises(NotReached):
            converge(bare(), bare(tables=(table(text),)))


# --- in words ------------------------------------------------------------------------------------


def test_what_is_left_out_is_told(demo: Files) -> None:
    now = bare("eth0", "eth1", "eth2", "eth4", "eth5")
    said = left_out(now, wanted(demo, now))
    assert [text.split(";")[0] for text in said] == [
        f"there is no device {name}"
        for name in ("eth3", "eth3.20", "eth3.30", "eth3.40", "eth3.50")
    ]
    steps = converge(now, wanted(demo, now))
    assert not any("eth3" in text for name, text in texts(steps).items() if "filter" not in name)


def test_what_ip_can_not_be_told_is_left_out_and_told() -> None:
    odd = (Route(4, ("?", "{}")), Route(4, ("10.0.0.0/8", "dev", 'a"b', "table", "254")))
    before = bare('a"b', routes=odd, choices=(Choice(4, ("?", "{}")),))
    assert left_out(before, before) == ()
    now = bare('a"b')
    assert len(left_out(now, before)) == 3
    assert converge(now, before) == ()
    assert converge(before, now) == ()  # and is never deleted


def test_unlike_tells_every_difference() -> None:
    one = bare(
        "eth0",
        addresses=(held("eth0", "10.0.0.1/24"), held("eth0", "10.0.0.2/24")),
        routes=(Route(4, ("default",)),),
        choices=(Choice(6, ("pref", "9")),),
        tables=(table("table inet netcharter {\n}\n"),),
        settings={"net/a": "1", "net/b": "1"},
        shaping={"eth0": "x"},
    )
    assert unlike(one, one) == ()
    assert unlike(one, replace(one, at=99.0, settings={"net/a": "1"})) == ()
    for change, words in (
        ({"links": (Link("eth0", False),)}, "eth0, off"),
        ({"addresses": one.addresses[:1]}, "10.0.0.2/24"),
        ({"addresses": one.addresses[::-1]}, "from 10.0.0.2 instead of 10.0.0.1"),
        ({"routes": ()}, "IPv4 default"),
        ({"choices": ()}, "IPv6 pref 9"),
        ({"tables": ()}, "inet netcharter"),
        ({"tables": (table("table inet netcharter {\n\tx\n}\n"),)}, "line 2"),
        ({"settings": {"net/a": "0"}}, "net/a is 0 instead of 1"),
        ({"shaping": {}}, "queues of eth0"),
    ):
        other = replace(one, **change)
        assert any(words in text for text in unlike(one, other)), words
        assert len(unlike(other, one)) == len(unlike(one, other)) > 0


def test_hostile_names_are_shown_safely() -> None:
    one, other = bare("a\x1b[2J"), bare()
    assert all(text.isprintable() for text in unlike(one, other))


def test_the_exchange_is_tried_first(old: Files) -> None:
    now = bare("eth0", "eth1", "eth2", "eth3")
    (run,) = rehearsal(converge(now, wanted(old, now)))
    assert run.argv == ("nft", "-c", "-f", "-") and b"delete table inet netcharter" in run.stdin


HOSTILE = (
    "a b",
    'a"b',
    "a'b",
    "a#b",
    "a\nb",
    "a\\b",
    "a;b",
    "",
    "-batch",
    "$(x)",
    "a{b",
    "\u00e9",
    "\udc80",
)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_words_are_written_nowhere(text: str) -> None:
    with pytest.raises(Unsayable):
        ip_line(("link", "set", "dev", text, "up"))
    with pytest.raises(Unsayable):
        setting_line(f"net/ipv4/conf/{text}/rp_filter", "1")
    with pytest.raises(Unsayable):
        table_name("ip", text)
    if text not in ("a b", "-batch"):
        with pytest.raises(Unsayable):
            element(text)


def test_ordinary_words_are_written() -> None:
    assert (
        ip_line(("dev", "eth0.20", "via", "fe80::1", "0x1/0xf"))
        == "dev eth0.20 via fe80::1 0x1/0xf\n"
    )
    assert setting_line("net/ipv6/conf/eth3.20/accept_source_route", "-1").endswith("= -1\n")
    assert element('"eth2" . 10.0.0.1 . 02:00:00:aa:00:01 comment "x, y"')
    for bad in (("net/ipv4", "1\n2"), ("ipv4", "1"), ("net/../x", "1")):
        with pytest.raises(Unsayable):
            setting_line(*bad)
