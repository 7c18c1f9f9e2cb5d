"""Roll-outs on the real kernel: from one kit to another and back, equal in every respect.

What the host is like is read twice over: by the code under test, and by other programs and options
(`looks`) that share nothing with it.
"""

from __future__ import annotations

import difflib
import json
import re
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from random import Random

import pytest

from netcharter.rollout.contents import classes
from netcharter.rollout.converge import converge, left_out, rehearsal, unlike
from netcharter.rollout.shapes import HostState
from netcharter.rollout.wanted import as_before, settings_of, wanted
from tests.kernel.namespace import needed
from tests.oracle.random_charters import random_charter
from tests.rollout.bench import Bench, bench, devices_of, kit_of, planned

pytestmark = pytest.mark.kernel

SETTINGS = (
    "cd /proc/sys/net; grep -sr '' ipv4/conf ipv6/conf ipv4/ip_forward netfilter "
    "| grep -vE 'stable_secret|nf_conntrack_(count|buckets|max)' | sort"
)
LOOKS = (
    "ip -o link show | sed 's/^[0-9]*: //; s/@[^ ]*//' | awk '{print $1, $2}' | sort",
    "ip -o address show scope global | sed 's/^[0-9]*: //; s/ tentative / /' | sort",
    "ip -4 route show table all | sort; ip -6 route show table all | grep -v 'proto kernel' | sort",
    "ip rule | sort; ip -6 rule | sort",  # no packet fits two of one preference
    "nft -s list ruleset | sed 's/ timeout [^ ]*//g; s/addr { \\([^ ]*\\) }/addr \\1/' | sort",
    SETTINGS,
)
LIVING = {  # set: element, value, seconds
    ("nc_signed4", '"eth2" . 10.73.0.5 . 02:00:00:aa:00:01', "", 3600),
    ("nc_class4", '"eth2" . 10.73.0.5 . 02:00:00:aa:00:01', "0x00000020", 3600),
    ("nc_signed6", '"eth6" . 2001:db8:7a00:2::5 . 02:00:00:aa:00:02', "", 1800),
    ("nc_line4_mast", "192.0.2.77", "", 900),
}
KITS = 20


def looks(host: Bench) -> list[str]:
    return [line for look in LOOKS for line in host.shell(f"{look} || true").splitlines()]


def assert_same(one: list[str], other: list[str]) -> None:
    different = list(difflib.unified_diff(one, other, n=0, lineterm=""))
    assert not different, "\n".join(different)


@pytest.fixture
def host() -> Iterator[Bench]:
    with bench() as found:
        yield found


def root_only() -> None:
    """A user namespace takes no large ruleset in one transaction (docs of `lab.loading`)."""
    if "-Urnm" in needed():
        pytest.skip("THIS KERNEL TEST DID NOT RUN: a ruleset of its size takes root")


def demo(repository: Path) -> str:
    """The demo without VLANs, which this kernel may not know."""
    text = (repository / "examples" / "tarn-hollow" / "charter.yaml").read_text(encoding="utf-8")
    for number, tag in enumerate(("20", "30", "40", "50"), 6):
        text = text.replace(f"device: eth3\n    vlan: {tag}\n", f"device: eth{number}\n")
    return text


def changed(text: str) -> str:
    """Another charter for the demo's place: an area renamed, a prefix renumbered, a line's address
    and next hop moved, an area gone, people in another order."""
    text = re.sub(r"\bbarn\b", "yard", text)
    text = text.replace("203.0.113.10/29", "203.0.113.11/29").replace("203.0.113.9", "203.0.113.14")
    text = text.replace("2001:db8:7aff::2/64", "2001:db8:7aff::22/64")
    text = text.replace("    device: eth2\n", "    device: eth2\n    prefix: 10.74.0.0/26\n", 1)
    assert "10.74.0.0/26" in text and "203.0.113.11" in text
    return text


def enacted(
    host: Bench, new: Mapping[str, bytes], old: Mapping[str, bytes] | None = None
) -> HostState:
    """Put a kit in place; returns what the host was like before."""
    names = settings_of(new, *([old] if old else []))
    before = host.observe(names)
    target = wanted(new, before, old)
    assert left_out(before, target) == ()
    steps = converge(before, target, classes=classes(old, new) if old else None)
    for run in rehearsal(steps):
        host.sure(run.argv, run.stdin)
    host.take(steps)
    return before


def undone(host: Bench, before: HostState, *kits: Mapping[str, bytes]) -> HostState:
    """Undo, and prove that it arrived; returns what the host is like."""
    now = host.observe(settings_of(*kits))
    host.take(converge(now, as_before(before, now, *kits), classes=classes(kits[0], kits[-1])))
    after = host.observe(settings_of(*kits))
    assert unlike(before, after) == ()
    return after


def test_from_stock_to_the_demo_and_back(host: Bench, repository: Path) -> None:
    root_only()
    text = demo(repository)
    kit = kit_of(text)
    host.devices(devices_of(planned(text)))
    host.shell(
        "ip address add 203.0.113.13/29 dev eth0; ip route add default via 203.0.113.9 dev eth0;"
        "ip address add 192.0.2.1/24 dev eth2; ip address add 192.0.2.2/24 dev eth2;"
        "ip address add 10.73.0.1/27 dev eth2; ip link set dev eth5 down;"
        "ip route add 198.51.100.0/24 via 192.0.2.9 dev eth2 src 192.0.2.2;"
        "ip address add 2001:db8:5::1/64 dev eth5; ip rule add pref 77 lookup 77;"
        "nft 'table ip other { set s { type ipv4_addr; elements = { 192.0.2.7 }; }; }'"
    )
    seen = looks(host)
    before = enacted(host, kit)
    assert host.shell("cat /proc/sys/net/ipv4/ip_forward") == "1\n"
    held = host.shell("ip -4 -br address show dev eth2").split()
    assert held[2:] == ["10.73.0.1/27"]
    assert "other" in host.shell("nft list tables")
    undone(host, before, kit)
    assert_same(seen, looks(host))


def shown(host: Bench) -> dict[tuple[str, str, str], float]:
    """What has a time limit, with the seconds that are left, as nft's JSON tells it."""
    listed = json.loads(host.sure(("nft", "-j", "list", "table", "inet", "netcharter")))
    found = {}
    for item in listed["nftables"]:
        for kind in ("set", "map"):
            for element in item.get(kind, {}).get("elem", ()):
                key, value = element if kind == "map" else (element, "")
                if isinstance(key, dict) and "elem" in key:
                    text = json.dumps(key["elem"]["val"])
                    left = key["elem"].get("expires", -1)
                    found[item[kind]["name"], text, str(value)] = left
    return found


def test_from_kit_to_kit_and_back_with_people_signed_in(host: Bench, repository: Path) -> None:
    root_only()
    one, two = demo(repository), changed(demo(repository))
    old, new = kit_of(one), kit_of(two)
    host.devices(devices_of(planned(one), planned(two)))
    enacted(host, old)
    who = min(re.findall(rb"nc_who4_\S+", old["nftables.nft"])).decode()
    for name, key, value, seconds in (*LIVING, (who, *LIVING_KEY, 3600)):
        element = f"{{ {key} timeout {seconds}s{f' : {value}' if value else ''} }}"
        host.sure(("nft", "add", "element", "inet", "netcharter", name, element))
    seen, people = looks(host), shown(host)
    assert len(people) == 5
    time.sleep(1.1)  # so that time that was given anew would be seen
    before = enacted(host, new, old)
    assert_carried(people, shown(host))
    assert host.shell("ip -4 -br address show dev eth2").split()[2:] == ["10.74.0.1/26"]
    assert "via 203.0.113.14 dev eth0" in host.shell("ip route show table 101")
    undone(host, before, new, old)
    assert_carried(people, shown(host))
    assert_same(seen, looks(host))


LIVING_KEY = ('"eth2" . 10.73.0.6 . 02:00:00:aa:00:09', "")


def assert_carried(
    before: Mapping[tuple[str, str, str], float], now: Mapping[tuple[str, str, str], float]
) -> None:
    """The same elements; each has as much less time as has passed, at least a second here."""
    assert set(now) == set(before)
    for key, left in now.items():
        assert before[key] - 60 < left < before[key]


@pytest.mark.parametrize("number", range(KITS))
def test_random_kits_follow_each_other_and_go_again(number: int, host: Bench) -> None:
    root_only()
    texts = [random_charter(Random(f"rollout {number} {place}")) for place in range(2)]
    one, two = (kit_of(text) for text in texts)
    host.devices(devices_of(*(planned(text) for text in texts)))
    stock = looks(host)
    first = enacted(host, one)
    between = looks(host)
    second = enacted(host, two, one)
    there = host.observe(settings_of(one, two))
    again = converge(there, wanted(two, there, one))
    assert [step.name for step in again if "packet filter" not in step.name] == []
    undone(host, second, two, one)
    assert_same(between, looks(host))
    undone(host, first, one)
    assert_same(stock, looks(host))
