"""Kernel settings on the real kernel: a roll-out leaves devices that no charter names as they are,
wherever it dies, and an undo leaves nothing behind.

The settings are read by `grep` out of /proc/sys, all of them, not by the code under test.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from netcharter.rollout.converge import converge, unlike
from netcharter.rollout.shapes import HostState, Run, Step
from netcharter.rollout.wanted import as_before, settings_of, wanted
from tests.rollout import scene
from tests.rollout.bench import Bench, bench, fitting, kit_of
from tests.rollout.deaths import ended

pytestmark = pytest.mark.kernel

Files = Mapping[str, bytes]
INVOLVED = ("eth0", "eth1")
OTHERS = ("eth7", "eth8", "eth9", "lo", "peer0", "peer4")
# eth9 nobody ever wrote; eth8 somebody did; eth7 has an address. What is tracked has settings of its
# own, which come with the first rule that looks at it.
THEIRS = """
ip address add 192.0.2.1/24 dev eth7
cd /proc/sys/net/ipv4/conf/eth8
echo 2 > rp_filter; echo 0 > send_redirects; echo 1 > log_martians
nft 'table inet tracking { chain c { ct state new; }; }'; nft delete table inet tracking
"""
ALL = "cd /proc/sys/net; grep -sr '' ipv4 ipv6 netfilter | grep -vE 'secret|count|_mem' | sort"


@pytest.fixture
def host() -> Iterator[Bench]:
    with bench() as found:
        found.devices((*INVOLVED, *OTHERS[:3]))
        found.shell(THEIRS)
        yield found


@pytest.fixture(scope="module")
def kit() -> Files:
    return fitting(kit_of(scene.OLD))


def everything(host: Bench) -> list[str]:
    found = host.shell(ALL).splitlines()
    assert len(found) > 500
    return found


def of_others(host: Bench) -> list[str]:
    """All settings of devices of others, but for what is forwarding in general."""
    found = [
        line
        for line in everything(host)
        if any(f"/{name}/" in line for name in OTHERS) and "forwarding:" not in line
    ]
    assert len(found) > 100 * len(OTHERS)
    return found


def effects(host: Bench, target: HostState) -> list[Run]:
    steps = converge(host.observe(target.settings), target)
    return [effect for step in steps for effect in step.effects if isinstance(effect, Run)]


def line_by_line(effect: Run) -> Iterator[Run]:
    """As the kernel is told: one setting after the other."""
    if effect.argv[0] != "sysctl":
        yield effect
        return
    for line in effect.stdin.splitlines(keepends=True):
        yield Run(effect.argv, line, effect.fails)


def arrived(host: Bench, target: HostState) -> None:
    host.take([Step("all", tuple(effects(host, target)))])
    assert_there(host, target)


def assert_there(host: Bench, target: HostState) -> None:
    """In all but the tables, which nft writes in its own way."""
    seen = host.observe(target.settings)
    assert unlike(replace(target, tables=()), replace(seen, tables=())) == ()


# --- what the kernel does ------------------------------------------------------------------------

FACTS = """
cd /proc/sys/net/ipv4/conf
for name in {keys}; do
  was=$(cat eth9/$name)
  sysctl -q -w net/ipv4/conf/eth8/$name=$(cat eth8/$name)
  before="$(cat eth7/$name) $(cat eth8/$name)"
  echo $((1 - was)) > default/$name
  test "$before" = "$(cat eth7/$name) $(cat eth8/$name)"
  echo $name $was $(cat eth9/$name)
done
ip link add name eth10 type veth peer name peer10
test $(cat eth10/accept_local) = $(cat default/accept_local)
"""


def test_a_value_for_devices_to_come_reaches_those_that_nobody_wrote(host: Bench) -> None:
    """Not those that were given what they had, and not those that were given an address."""
    keys = ("accept_local", "accept_redirects", "rp_filter", "send_redirects", "forwarding")
    found = host.shell(FACTS.format(keys=" ".join(keys))).splitlines()
    changed = {name: was != now for name, was, now in map(str.split, found)}
    assert changed == {name: name != "forwarding" for name in keys}


# --- what a roll-out does -------------------------------------------------------------------------


def test_devices_of_others_are_as_they_were_after_every_line(host: Bench, kit: Files) -> None:
    """Whoever dies between two lines leaves them so; and so does the undo, line by line too."""
    names = settings_of(kit)
    before, theirs, all_before = host.observe(names), of_others(host), everything(host)
    count = 0
    for effect in effects(host, wanted(kit, before)):
        for part in line_by_line(effect):
            host.take([Step("one line", (part,))])
            if effect.argv[0] == "sysctl":
                assert of_others(host) == theirs, part
                count += 1
    assert count > 50
    now = host.observe(names)
    assert_there(host, wanted(kit, now))
    for effect in effects(host, as_before(before, now, kit)):
        for part in line_by_line(effect):
            host.take([Step("one line", (part,))])
            if effect.argv[0] == "sysctl":
                assert of_others(host) == theirs, part
    assert everything(host) == all_before


def test_a_boot_that_died_and_is_done_again_ends_like_one_that_lived(kit: Files) -> None:
    ends = []
    for stop in (None, 0.1, 0.4, 0.7):
        with bench() as host:
            host.devices((*INVOLVED, *OTHERS[:3]))
            host.shell(THEIRS)
            if stop is not None:
                target = wanted(kit, host.observe(settings_of(kit)))
                every = [p for e in effects(host, target) for p in line_by_line(e)]
                host.take([Step("some of it", tuple(every[: int(len(every) * stop)]))])
            arrived(host, wanted(kit, host.observe(settings_of(kit))))
            ends.append(everything(host))
    assert ends[1:] == ends[:1] * 3


def test_a_device_that_comes_meanwhile_gets_what_is_for_devices_to_come(
    host: Bench, kit: Files
) -> None:
    before = host.observe(settings_of(kit))
    every = effects(host, wanted(kit, before))
    host.sure(("ip", "link", "add", "name", "late", "type", "veth", "peer", "name", "etal"))
    host.take([Step("all", tuple(every))])
    look = "cd /proc/sys/net/ipv4/conf; cat late/accept_redirects late/send_redirects"
    assert host.shell(look).split() == ["0", "0"]
    assert host.shell(look.replace("late", "eth9")).split() == ["1", "1"]
    now = host.observe(settings_of(kit))
    arrived(host, as_before(before, now, kit))
    assert host.shell(look.replace("late", "default")).split() == ["1", "1"]
    assert host.shell(look).split() == ["0", "0"]


def test_after_enact_and_undo_every_setting_is_as_before(host: Bench, tmp_path: Path) -> None:
    """The whole way, with a state folder and an undo timer."""
    kit = str(scene.written_kit(scene.OLD, tmp_path / "kit"))
    state, marks = str(tmp_path / "state"), str(tmp_path / "marks")
    installer = (*host.way, sys.executable, "-m", "tests.rollout.installer")
    seen = everything(host)
    scene.said([*installer, "try", state, kit, "600", marks])
    enacted = everything(host)
    assert enacted != seen
    armed = json.loads((tmp_path / "state" / "trial" / "armed").read_bytes())
    scene.said([*installer, "undo", state, marks])
    ended([armed["pid"]])
    assert everything(host) == seen
