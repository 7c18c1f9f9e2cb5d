"""From any state to any other, by way of any interruption, on a model of a host."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from ipaddress import ip_interface
from random import Random

import pytest

from netcharter.rollout.converge import converge, unlike
from netcharter.rollout.shapes import (
    Choice,
    Element,
    Family,
    Held,
    HostState,
    Interface,
    Link,
    Route,
    Run,
    Step,
    Table,
)
from tests.rollout.model import Model

PAIRS = 100
PLAIN, PARENT = ("eth0", "eth1", "eth2"), "eth2"
SIZES = (1400, 1492, 1500, 1500, 9000)
VLANS = {"eth2.20": 20, "eth2.30": 30, "guests": 20}  # two names for one tag
ADDRESSES = (
    *("10.0.0.1/24", "10.0.0.2/24", "10.0.0.3/24", "10.0.1.1/26", "10.0.0.1/25"),
    *("2001:db8::1/64", "2001:db8::1/60", "2001:db8::2/64"),
)
KEYS = ("accept_redirects", "rp_filter", "forwarding", "promote_secondaries")
GENERAL = (
    *(f"net/ipv4/conf/{scope}/{key}" for scope in ("all", "default") for key in KEYS[:2]),
    *("net/ipv4/ip_forward", "net/ipv6/conf/all/forwarding", "net/ipv6/conf/default/forwarding"),
    *("net/ipv4/conf/default/forwarding", "net/netfilter/nf_conntrack_tcp_loose"),
)
TABLE = """table inet netcharter {
\tset nc_signed4 {
\t\ttype TYPE
\t\tflags timeout
\t}
\tchain nc_NAME {
\t\tcounter
\t}
}
"""
OTHER = """table ip other {
\tchain c {
\t\tcounter accept
\t}
}
"""


def drawn(rng: Random) -> Model:
    """A host: some of everything, and nothing that the kernel would not hold."""
    model = Model(at=1000.0)
    for name in PLAIN:
        model.links[name] = Link(name, rng.random() < 0.8, mtu=rng.choice(SIZES))
    tags: set[int] = set()
    for name, tag in VLANS.items():
        if tag not in tags and rng.random() < 0.5:
            up = model.links[PARENT].up and rng.random() < 0.8
            above = model.links[PARENT].mtu
            mtu = rng.choice([size for size in SIZES if above is not None and size <= above])
            model.links[name] = Link(name, up, PARENT, tag, mtu)
            tags.add(tag)
    for device in model.links:
        for text in rng.sample(ADDRESSES, rng.randint(0, 4)):
            held = Held(device, ip_interface(text))
            twice = any(
                h.device == device and h.interface.ip == held.interface.ip for h in model.held
            )
            if not twice or held.interface.version == 4:
                model.held.append(held)
    _ways(model, rng)
    _settings(model, rng)
    if rng.random() < 0.8:
        text = TABLE.replace("NAME", rng.choice("abc")).replace(
            "TYPE", rng.choice(("ipv4_addr", "ipv4_addr . ether_addr"))
        )
        living = tuple(
            Element("nc_signed4", f"192.0.2.{n}", rng.uniform(0.2, 90))
            for n in range(rng.randint(0, 3))
        )
        model.tables["inet", "netcharter"] = Table("inet", "netcharter", text, living)
    if rng.random() < 0.3:
        model.tables["ip", "other"] = Table("ip", "other", OTHER)
    return model


def _ways(model: Model, rng: Random) -> None:
    on = [name for name, link in model.links.items() if link.up]
    families: tuple[Family, ...] = (4, 6)
    for table in ("101", "102", "254"):
        for family in families:
            sending = [
                h for h in model.held if h.device in on and h.interface.version == family == 4
            ]
            if not on or rng.random() < 0.5:
                continue
            device = rng.choice(on)
            words = ["default", "dev", device, "table", table, "proto", "4"]
            mine = [h for h in sending if h.device == device]
            if family == 4 and not mine:
                continue  # a device without IPv4 address has no IPv4 routes
            if mine and rng.random() < 0.4:
                words += ["src", str(rng.choice(mine).interface.ip)]
            model.routes.append(Route(family, tuple(words)))
    for pref in rng.sample(range(10, 16), rng.randint(0, 5)):
        for family in families:
            ends = rng.sample((("lookup", "101"), ("lookup", "102"), ("prohibit",)), 2)
            for end in ends[: rng.randint(0, 2)]:
                asked = rng.choice(((), ("from", "192.0.2.1/32"), ("iif", "eth0")))
                choice = Choice(family, ("pref", str(pref), *asked, *end))
                if choice not in model.choices:
                    model.choices.append(choice)


def _settings(model: Model, rng: Random) -> None:
    names = [*GENERAL, *(f"net/ipv4/conf/{d}/{key}" for d in model.links for key in KEYS)]
    names += [f"net/ipv6/conf/{device}/forwarding" for device in model.links]
    model.settings = {name: rng.choice("01") for name in names}


def moved(model: Model, target: Model, number: int | None = None) -> Model:
    """After the first `number` effects; all if there is none."""
    found = deepcopy(model)
    steps = converge(found.state(), target.state())
    for effect in effects(steps)[:number]:
        found.take(effect)
    return found


def effects(steps: tuple[Step, ...]) -> list[Run]:
    return [effect for step in steps for effect in step.effects if isinstance(effect, Run)]


def differences(target: HostState, found: HostState) -> list[str]:
    """Which address comes first is not changed where both stay, and so is no difference here."""
    return [said for said in unlike(target, found) if " sends to " not in said]


def pair(number: int) -> tuple[Model, Model]:
    """Two states of one host: plain devices are the same ones."""
    rng = Random(f"converge {number}")
    return drawn(rng), drawn(rng)


@pytest.mark.parametrize("number", range(PAIRS))
def test_it_arrives_from_anywhere_and_from_every_interruption(number: int) -> None:
    one, two = pair(number)
    arrived = moved(one, two)
    assert differences(two.state(), arrived.state()) == []
    count = len(effects(converge(one.state(), two.state())))
    for stop in range(count):
        halted = moved(one, two, stop)
        assert differences(two.state(), moved(halted, two).state()) == [], stop
        assert differences(one.state(), moved(halted, one).state()) == [], stop
    assert differences(one.state(), moved(arrived, one).state()) == []


@pytest.mark.parametrize("number", range(PAIRS))
def test_what_is_in_both_is_always_there_and_nothing_passes_without_rules(number: int) -> None:
    one, two = pair(number)
    both = {(h.device, h.interface) for h in one.held} & {(h.device, h.interface) for h in two.held}
    kept = {
        (device, interface)
        for device, interface in both
        if one.links[device] == two.links[device]
        and two.links[device].up
        and may_stay(one, two, device, interface)
    }
    ruled = ("inet", "netcharter") in two.tables
    host = deepcopy(one)
    for effect in effects(converge(one.state(), two.state())):
        before = passing(host)
        host.take(effect)
        assert kept <= {(h.device, h.interface) for h in host.held}
        if passing(host) - before and ruled:
            assert host.tables["inet", "netcharter"].text == two.tables["inet", "netcharter"].text


def may_stay(one: Model, two: Model, device: str, interface: Interface) -> bool:
    """An IPv4 address that is to stand behind another of its network, and stands before it, is taken
    away and added again; the one that the kernel is to send from stays."""

    def order(host: Model) -> list[Interface]:
        return [
            held.interface
            for held in host.state().addresses
            if held.device == device and held.interface.network == interface.network
        ]

    before, after = order(one), order(two)
    if interface.version == 6:
        return True
    return after[0] in before and before.index(interface) >= before.index(after[0])


def passing(host: Model) -> set[str]:
    """Settings by which packets are passed on: general ones, and those of devices that are on."""
    off = {f"/{link.name}/" for link in host.links.values() if not link.up}
    return {
        name
        for name, value in host.settings.items()
        if value == "1"
        and "forward" in name.rsplit("/", 1)[-1]
        and not any(device in name for device in off)
    }


@pytest.mark.parametrize("number", range(40))
def test_there_is_nothing_to_do_where_one_is(number: int) -> None:
    one, _ = pair(number)
    assert converge(one.state(), one.state()) == ()


@pytest.mark.parametrize("number", range(40))
def test_living_elements_keep_the_time_they_have_left(number: int) -> None:
    one, two = pair(number)
    key = ("inet", "netcharter")
    if (
        key not in one.tables
        or key not in two.tables
        or one.tables[key].text == two.tables[key].text
    ):
        return
    two.at = 990.0
    host = deepcopy(one)
    for effect in effects(converge(one.state(), two.state(), at=1002.0)):
        host.take(effect)
    alike = one.tables[key].text.split("\n")[2] == two.tables[key].text.split("\n")[2]
    told, passed = (one.tables[key], 2.0) if alike else (two.tables[key], 12.0)
    expected = {e.text: e.seconds - passed for e in told.living if e.seconds - passed >= 1}
    found = {e.text: e.seconds for e in host.tables[key].living}
    assert found == pytest.approx(expected, abs=0.002)


def test_elements_of_another_boot_are_let_go() -> None:
    text = TABLE.replace("NAME", "a").replace("TYPE", "ipv4_addr")
    living = (Element("nc_signed4", "192.0.2.1", 90.0),)
    before = HostState(at=5000.0, tables=(Table("inet", "netcharter", text, living),))
    (step,) = converge(HostState(at=20.0), before)
    assert b"add element" not in effects((step,))[0].stdin
    assert (
        b"add element"
        in effects(converge(replace(before, at=4990.0, tables=()), replace(before, at=4990.0)))[
            0
        ].stdin
    )
