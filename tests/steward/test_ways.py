"""Ways out: what the kernel is told of them, and who is asked over which; some of it by a kernel."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from ipaddress import ip_address
from itertools import combinations
from pathlib import Path

import pytest

from netcharter.render import render
from netcharter.render.routes import Share
from netcharter.render.routes import known_together as render_hops
from netcharter.rollout.run.tracking import Direction, Tracked
from netcharter.rollout.trouble import EffectFailed
from netcharter.steward.loop import outward
from netcharter.steward.loop.outward import Outward, flows, held, is_reset, leaves
from netcharter.steward.schedule import ways
from netcharter.steward.shapes import CutLine
from netcharter.steward.ways import Flow, Held, Limits, Ways, Words, amiss, asked, without
from netcharter.tasks.sources import Source, usable_plan
from tests.cli.gateway import CHARTER, FAR, Gateway, gateway

ROOT = Path(__file__).parents[2]
FAR6 = "2001:db8:100::66"
PAIR = (
    CHARTER.replace(
        "address: 203.0.113.10/29, next-hop: 203.0.113.9}",
        "address: [203.0.113.10/29, '2001:db8:5::2/64'], next-hop: [203.0.113.9, '2001:db8:5::1'],"
        " prefix: '2001:db8:50::/56', role: balanced, weight: 3}",
    )
    .replace(
        "address: 192.0.2.18/28, next-hop: 192.0.2.17, role: standby}",
        "address: [192.0.2.18/28, '2001:db8:6::2/64'], next-hop: [192.0.2.17, '2001:db8:6::1'],"
        " role: balanced}",
    )
    .replace("[198.51.100.64/28]", "[198.51.100.64/28, '2001:db8:100::/64']")
)
WATCH = f"watch: {{targets: [{FAR}, '{FAR6}']}}"
BOTH = PAIR.replace("weight: 3}", f"weight: 3, {WATCH}}}").replace(
    "role: balanced}", f"role: balanced, {WATCH}}}"
)
LEARNT = (
    CHARTER.replace("role: standby}", "role: standby, WATCH}")
    .replace("address: 192.0.2.18/28, next-hop: 192.0.2.17", "address: automatic")
    .replace("next-hop: 203.0.113.9}", "next-hop: 203.0.113.9, WATCH}")
    .replace("WATCH", f"watch: {{targets: {FAR}}}")
)


def test_the_watch_of_the_charter_reaches_the_steward() -> None:
    watch = f"watch: {{targets: [{FAR}, 198.51.100.67], every: 3s, loss: 30 %, delay: 400 ms}}"
    text = PAIR.replace("weight: 3}", f"weight: 3, {watch}}}")
    found = {
        leg.key: leg for leg in ways(usable_plan(Source("good.yaml", text.encode())).plan).legs
    }
    copper, copper6, mast = (found[key] for key in (("copper", 4), ("copper", 6), ("mast", 4)))
    assert (copper.targets, copper.named) == ((FAR, "198.51.100.67"), True)
    assert copper.limits == copper6.limits == Limits(3.0, 0.3, 0.4)
    assert (copper6.targets, copper6.named) == (("2001:db8:5::1",), False)  # its next hop
    assert (mast.targets, mast.named, mast.limits) == (
        ("192.0.2.17",),
        False,
        Limits(2.0, 0.5, None),
    )
    assert (copper.own, copper6.network) == ("203.0.113.10", "2001:db8:50::/56")


def test_nobody_on_the_link_alone_is_asked() -> None:
    text = PAIR.replace("'2001:db8:6::1'", "'fe80::1'")
    found = {
        leg.key: leg for leg in ways(usable_plan(Source("good.yaml", text.encode())).plan).legs
    }
    assert found[("mast", 6)].targets == () and "fe80::1" in found[("mast", 6)].route


def looked_up(text: str) -> list[str]:
    return [one for one in text.splitlines() if one.startswith("rule add") and " lookup " in one]


def rules(text: str) -> frozenset[Words]:
    """Those that look up a table; the others refuse, and are nobody's way."""
    return frozenset(map(asked, looked_up(text)))


@pytest.mark.parametrize("text", [CHARTER, PAIR, LEARNT])
def test_a_kit_without_lines_is_what_the_kernel_is_told_to_become(text: str) -> None:
    plan = usable_plan(Source("good.yaml", text.encode())).plan
    files, found = render(plan).files, ways(plan)
    keys = [leg.key for leg in found.legs]
    for count in range(len(keys) + 1):
        for out in combinations(keys, count):
            for family, name in ((4, "routes.batch"), (6, "routes6.batch")):
                whole = files[name].decode()
                led = without(whole, found, family, out)
                routes = frozenset((leg.family, leg.table, leg.device) for leg in found.legs)
                hops = render_hops(plan, family)
                there = Held(rules={family: rules(whole)}, hops={family: hops}, routes=routes)
                told = amiss(found, out, there).get(family, "").splitlines()
                gone = {asked(line) for line in told if line.startswith("rule del")}
                assert not [line for line in told if line.startswith("rule add")]
                assert rules(whole) - gone == rules(led)
                # Marked conversations, and whoever asks over the line, still find their way.
                assert [line for line in led.splitlines() if " fwmark 0x1/0xf lookup" in line] == [
                    line for line in whole.splitlines() if " fwmark 0x1/0xf lookup" in line
                ]
                for line in led.splitlines():
                    if "nexthop" in line:
                        assert line in told or not gone


def test_every_rule_of_a_kit_is_known_by_its_words() -> None:
    plan = usable_plan(Source("good.yaml", PAIR.encode())).plan
    text = render(plan).files["routes6.batch"].decode()
    assert len(rules(text)) == len(looked_up(text)) > 5


def test_what_ip_lists_is_read() -> None:
    """As iproute2 6.1 prints it with -j -d -N."""
    links = [
        {"ifname": "eth0", "flags": ["BROADCAST", "UP", "LOWER_UP"]},
        {"ifname": "eth9", "flags": ["NO-CARRIER", "BROADCAST", "UP"]},
    ]
    routes = [
        {"dst": "default", "gateway": "203.0.113.9", "dev": "eth0", "table": "101", "flags": []},
        {"dst": "default", "gateway": "192.0.2.17", "dev": "eth9", "flags": ["linkdown"]},
        {"dst": "default", "table": "100", "flags": [], "nexthops": [
            {"gateway": "203.0.113.9", "dev": "eth0", "weight": 3, "flags": []},
            {"gateway": "192.0.2.17", "dev": "eth9", "weight": 1, "flags": ["dead", "linkdown"]},
        ]},
    ]  # fmt: skip
    choices = [
        {"priority": 0, "src": "all", "table": "255", "protocol": "2"},
        {"priority": 10102, "src": "all", "fwmark": "0x1", "fwmask": "0xf", "table": "101",
         "protocol": "0"},
    ]  # fmt: skip
    text = "\n".join(json.dumps(one) for one in (links, routes, choices)) + "\n"
    found = held({4: text.encode()})
    assert found.carrier == {"eth0": True, "eth9": False}
    assert found.routes == {(4, "101", "eth0"), (4, "100", "eth0")}
    assert found.rules == {4: {asked("rule add pref 10102 fwmark 0x1/0xf lookup 101")}}
    assert found.hops == {
        4: (
            "nexthop via 203.0.113.9 dev eth0 weight 3",
            "nexthop via 192.0.2.17 dev eth9 weight 1",
        )
    }
    assert found.learnt == {(4, "101", "eth0"): "via 203.0.113.9 dev eth0"}


def test_what_others_put_in_the_place_of_the_balanced_route_is_none_of_ours() -> None:
    """As iproute2 6.1 prints a route without a next hop, and one that refuses: a keeper may have typed
    it, and lines are to be watched all the same."""
    others = [
        {"dst": "default", "dev": "eth0", "table": "100", "flags": []},
        {"type": "7", "dst": "default", "table": "100", "flags": []},
    ]
    for row in others:
        found = held({4: f"[]\n{json.dumps([row])}\n[]\n".encode()})
        copper = Share("eth0", 1, "via 203.0.113.9 dev eth0", "101")
        ways = Ways(balanced={4: {"copper": copper}})
        assert "route replace" in amiss(ways, (), found)[4]


@pytest.mark.parametrize("text", [b"", b"[]\n[]\n", b"{\n", b"[3]\n[]\n[]\n", b"[]\n[]\n[5]\n"])
def test_what_is_no_listing_is_told(text: bytes) -> None:
    with pytest.raises(EffectFailed):
        held({4: text})


def tracked(mark: int, sent: str, to: str, packets: int | None = None) -> Tracked:
    there = Direction(ip_address(sent), ip_address(to), (1024, 443))
    back = Direction(ip_address(to), ip_address(sent), (443, 1024))
    return Tracked(6, there, back, mark, packets=packets)


@pytest.mark.parametrize(
    ("mark", "sent", "to", "goes"),
    [
        (0x1071, "10.7.0.5", "198.51.100.66", True),
        (0x1071, "203.0.113.10", "198.51.100.66", True),  # the gateway's own
        (0x1071, "198.51.100.66", "203.0.113.10", False),  # it came in by the line
        (0x1072, "10.7.0.5", "198.51.100.66", False),  # it is on another line
        (0x1070, "10.7.0.5", "10.8.0.5", False),  # it never left the site
        (0x1071, "2001:db8:50:1::5", "2001:db8:100::66", False),  # of the other IP version
    ],
)
def test_what_left_by_a_line_is_cut_and_what_came_in_is_not(
    mark: int, sent: str, to: str, goes: bool
) -> None:
    effect = CutLine("copper", 1, 4, "eth0")
    own = frozenset({"203.0.113.10"})
    assert leaves(tracked(mark, sent, to), effect, own) is goes


def test_the_addresses_of_a_line_are_asked_for_once_however_much_is_open(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """To ask `ip` takes some thousandths of a second, and there may be ten thousand conversations."""
    asked_for: list[str] = []
    cut: list[Tracked] = []
    every = [tracked(1, "10.7.0.5", f"198.51.100.{n}") for n in range(1, 100)]

    def own(device: str) -> frozenset[str]:
        asked_for.append(device)
        return frozenset()

    def cut_of(wanted: Callable[[Tracked], bool]) -> int:
        cut.extend(filter(wanted, every))
        return len(cut)

    monkeypatch.setattr(outward, "_own", own)
    monkeypatch.setattr(outward, "_cut", cut_of)
    Outward(lambda text: None).perform(CutLine("copper", 1, 4, "eth0"))
    assert (cut, asked_for) == (every, ["eth0"])


def test_in_ipv6_what_comes_for_hosts_inside_is_not_cut() -> None:
    effect = CutLine("copper", 1, 6, "eth0", "2001:db8:50::/56")
    out, into = ("2001:db8:50:1::5", "2001:db8:100::66"), ("2001:db8:100::66", "2001:db8:50:1::5")
    assert leaves(tracked(1, *out), effect, frozenset())
    assert not leaves(tracked(1, *into), effect, frozenset())


def test_what_is_reset_is_not_cut() -> None:
    own = frozenset({"203.0.113.10"})
    inside = replace(tracked(1, "10.7.0.5", "198.51.100.66"), heard=True)
    assert is_reset(inside, own)
    assert not is_reset(replace(inside, heard=False), own)  # its SYN is to be a new one
    assert not is_reset(replace(inside, protocol=17), own)
    gateways = replace(tracked(1, "203.0.113.10", "198.51.100.66"), heard=True)
    assert not is_reset(gateways, own)


def test_only_conversations_that_hold_together_are_weighed() -> None:
    bit = 1 << 28
    all_ = [
        tracked(bit | 2, "10.7.0.5", "198.51.100.66", 7),
        tracked(2, "10.7.0.5", "198.51.100.66", 9),
        tracked(bit | 2, "2001:db8:50:1::5", "2001:db8:100::66", 9),
    ]
    assert list(flows(all_, bit)) == [Flow("10.7.0.5", 2, 7)]


# --- by a kernel ---------------------------------------------------------------------------------


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Gateway]:
    with gateway(tmp_path) as found:
        for command in (
            f"ip address add {FAR6}/128 dev lo",
            "ip address add 2001:db8:5::1/64 dev peer0 nodad",
            "ip address add 2001:db8:6::1/64 dev peer1 nodad",
        ):
            far(found, command)
        yield found


def far(place: Gateway, script: str) -> None:
    subprocess.run([*place.far.way, "sh", "-eu", "-c", script], check=True, timeout=60)


def on(place: Gateway, part: str, *more: str) -> str:
    """A part of `ways_inside.py`, on the gateway."""
    command = [sys.executable, "-m", "tests.steward.ways_inside", part, str(place.folder), *more]
    path = f"{ROOT / 'src'}:{ROOT}"
    found = place.bare(command, PYTHONPATH=path)
    assert found.code == 0, found.told
    return found.out


@pytest.mark.kernel
def test_a_kernel_leads_by_just_the_lines_that_are_left(place: Gateway) -> None:
    place.kept(PAIR)
    on(place, "told")


@pytest.mark.kernel
def test_each_line_is_asked_over_itself_whatever_the_routes_say(place: Gateway) -> None:
    place.kept(BOTH)
    every = {"copper/4": [FAR], "copper/6": [FAR6], "mast/4": [FAR], "mast/6": [FAR6]}
    assert json.loads(on(place, "asked")) == every
    far(place, "ip link set peer0 down")
    left = {**every, "copper/4": [], "copper/6": []}
    assert json.loads(on(place, "asked", "--once")) == left
    far(place, "ip link set peer0 up; ip address replace 2001:db8:5::1/64 dev peer0 nodad")
    for rule in ("11000", "11001"):  # nothing new is led over copper any more
        place.bench.shell(f"ip rule del pref {rule}; ip -6 rule del pref {rule}")
    assert json.loads(on(place, "asked")) == every


@pytest.mark.kernel
def test_a_line_whose_route_was_learnt_into_the_main_table_is_asked(place: Gateway) -> None:
    place.kept(LEARNT)
    place.bench.shell(
        "ip address add 192.0.2.18/28 dev eth9; ip route add default via 192.0.2.17 dev eth9"
    )
    assert json.loads(on(place, "asked")) == {"copper/4": [FAR], "mast/4": [FAR]}
    far(place, "ip address del 192.0.2.17/28 dev peer1")
    assert json.loads(on(place, "asked", "--once")) == {"copper/4": [FAR], "mast/4": []}
