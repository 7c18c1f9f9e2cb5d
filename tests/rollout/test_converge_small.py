"""Roll-outs of two small kits on the real kernel: stopped anywhere, among others' things, and with
what a kit must not touch. Runs as root or in a user namespace."""

from __future__ import annotations

import re
import subprocess
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from netcharter.rollout.converge import converge, left_out, rehearsal, unlike
from netcharter.rollout.diverting import Looked, diverting, looking
from netcharter.rollout.shapes import HostState, Run, Step
from netcharter.rollout.wanted import NotSetAside, as_before, clashes, settings_of, wanted
from tests.rollout.bench import Bench, bench, fitting, kit_of
from tests.rollout.pair import DEVICES, NEW, OLD

pytestmark = pytest.mark.kernel

Files = Mapping[str, bytes]


@pytest.fixture(scope="module")
def old() -> Files:
    return fitting(kit_of(OLD))


@pytest.fixture(scope="module")
def new() -> Files:
    return fitting(kit_of(NEW))


@pytest.fixture
def host() -> Iterator[Bench]:
    with bench() as found:
        found.devices(DEVICES)
        yield found


def towards(host: Bench, new: Files, old: Files | None, *aside: str) -> tuple[Step, ...]:
    now = host.observe(settings_of(new, *([old] if old else [])))
    target = wanted(new, now, old, aside)
    steps = converge(now, target)
    for run in rehearsal(steps):
        host.sure(run.argv, run.stdin)
    return steps


def back(host: Bench, before: HostState, *kits: Files) -> None:
    now = host.observe(settings_of(*kits))
    host.take(converge(now, as_before(before, now, *kits)))
    after = host.observe(settings_of(*kits))
    assert unlike(as_before(before, after, *kits), after) == ()


def passes_on(state: HostState) -> bool:
    return any(
        value != "0"
        for name, value in state.settings.items()
        if name == "net/ipv4/ip_forward" or name.endswith("/forwarding")
    )


def ruled(state: HostState) -> bool:
    return ("inet", "netcharter") in {(t.family, t.name) for t in state.tables}


def test_stopped_after_any_effect_it_goes_on_or_back(host: Bench, old: Files, new: Files) -> None:
    """And nothing is passed on while no rules stand; the office's address is there throughout."""
    names = settings_of(old, new)
    stock = host.observe(names)
    host.take(towards(host, old, None))
    there = host.observe(names)
    count = 0
    while True:
        effects = [e for step in towards(host, new, old) for e in step.effects]
        if count >= len(effects):
            break
        host.take([Step("the first ones", tuple(effects[: count + 1]))])
        held = {str(each.interface.ip) for each in host.observe().addresses}
        assert {"10.7.0.1", "fd5c:7a11:b0e:1::1"} <= held
        if count % 2:  # go on from there, then back
            host.take(towards(host, new, old))
        back(host, there, new, old)
        count += 1
    assert count > 7
    back(host, stock, old)


def test_nothing_is_passed_on_while_no_rules_stand(host: Bench, old: Files) -> None:
    names = settings_of(old)
    stock = host.observe(names)
    assert not passes_on(stock)
    for step in towards(host, old, None):
        for effect in step.effects:
            host.take([Step(step.name, (effect,))])
            state = host.observe(names)
            assert ruled(state) or not passes_on(state)
    state = host.observe(names)
    assert passes_on(state) and ruled(state)
    for step in converge(state, as_before(stock, state, old)):
        for effect in step.effects:
            host.take([Step(step.name, (effect,))])
            state = host.observe(names)
            assert ruled(state) or not passes_on(state)
    assert not ruled(state)


def until_seen(host: Bench, log: Path, block: int) -> None:
    """Add one address after the other until the monitor tells of one."""
    for number in range(1, 200):
        host.sure(("ip", "address", "add", f"192.0.{block}.{number}/32", "dev", "eth3"))
        if f" 192.0.{block}." in log.read_text(encoding="ascii"):
            return
        time.sleep(0.02)
    raise AssertionError("the monitor told of nothing")


def test_an_address_in_both_states_is_never_touched(
    host: Bench, old: Files, new: Files, tmp_path: Path
) -> None:
    """As `ip monitor` sees it: the kernel's own notes of what was deleted."""
    host.take(towards(host, old, None))
    log = tmp_path / "monitor"
    with (
        log.open("wb") as out,
        subprocess.Popen([*host.way, "ip", "-o", "monitor", "address"], stdout=out) as monitor,
    ):
        until_seen(host, log, 1)
        host.take(towards(host, new, old))
        until_seen(host, log, 2)
        monitor.kill()
    seen = log.read_text(encoding="ascii").splitlines()
    gone = [line for line in seen if line.startswith("Deleted")]
    assert any(" 10.7.1.1/26 " in line for line in gone)
    assert not any(re.search(r"10\.7\.0\.1/|fd5c:7a11:b0e:1::1/", line) for line in gone)


def test_the_next_address_of_a_network_is_not_taken_along(host: Bench, old: Files) -> None:
    """Linux deletes the others of a network with its first address, unless it promotes."""
    host.shell("ip address add 10.7.0.9/26 dev eth2; ip address add 10.7.0.8/26 dev eth2")
    before = host.observe(settings_of(old))
    host.take(towards(host, old, None))
    assert host.shell("ip -4 -br address show dev eth2").split()[2:] == ["10.7.0.1/26"]
    promoted = "cat /proc/sys/net/ipv4/conf/eth2/promote_secondaries"
    assert host.shell(promoted) == "1\n"
    back(host, before, old)
    assert host.shell(promoted) == "0\n"
    assert host.shell("ip -4 -br address show dev eth2").split()[2:] == [
        "10.7.0.9/26",
        "10.7.0.8/26",
    ]


def test_what_is_lent_stays(host: Bench, old: Files, new: Files) -> None:
    host.shell(
        "ip address add 198.51.100.2/28 dev eth1 valid_lft 900 preferred_lft 600;"
        "ip address add 10.7.0.50/26 dev eth2 valid_lft 900 preferred_lft 900"
    )
    before = host.observe(settings_of(old, new))
    assert len(before.lent) == 2
    assert any("198.51.100.2/28" in said for said in clashes(new, before))
    host.take(towards(host, new, None))
    assert "dynamic" in host.shell("ip -o -4 address show dev eth1")
    assert "10.7.0.50/26" in host.shell("ip -4 -br address show dev eth2")
    back(host, before, new)
    assert "198.51.100.2/28" in host.shell("ip -4 -br address show dev eth1")


OTHERS = """
ip address add 203.0.113.12/29 dev eth0
ip rule add pref 10301 from 192.0.2.7 lookup 101
ip rule add pref 10250 to 192.0.2.8 lookup 555
ip rule add pref 77 from 192.0.2.9 ipproto tcp dport 22 lookup 555 protocol 99
ip route add 192.0.2.0/24 dev eth0 table 101 proto static
ip route add default via 203.0.113.14 dev eth0 table 102 proto static
ip route add 198.18.0.0/15 nexthop via 203.0.113.9 dev eth0 nexthop via 203.0.113.14 dev eth0
ip -6 route add unreachable 2001:db8:dead::/48
"""


def looked(host: Bench) -> Looked:
    asking = looking()
    question = next(asking)
    while True:
        try:
            question = asking.send(host.run(question.argv))
        except StopIteration as end:
            found: Looked = end.value
            return found


ALL_ROUTES = "(ip -4 route show table all; ip -6 route show type unreachable) | sort"


def test_others_with_the_same_numbers_are_named_and_kept(
    host: Bench, old: Files, new: Files
) -> None:
    host.shell(OTHERS)
    before = host.observe(settings_of(old, new))
    named = clashes(new, before)
    assert any("default via 203.0.113.14" in said and "has to go" in said for said in named)
    leading = [one.sentence for one in diverting(new, before, looked(host), lambda where: False)]
    for words in (
        "pref 10301 from 192.0.2.7/32",
        "pref 10250",
        "pref 77",
        "192.0.2.0/24 dev eth0 table 101",
    ):
        assert any(words in said and "is not ours" in said for said in leading), words
    assert not any("203.0.113.14" in said for said in leading)
    rules, routes = host.shell("ip rule"), host.shell(ALL_ROUTES)
    host.take(towards(host, old, None))
    host.take(towards(host, new, old))
    seen = host.shell("ip rule; ip route show table 101; ip route show table 102; ip route")
    for words in ("from 192.0.2.7 lookup 101", "to 192.0.2.8 lookup 555", "dport 22 lookup 555"):
        assert words in seen
    assert "192.0.2.0/24 dev eth0" in seen and "198.18.0.0/15" in seen
    assert "default via 198.51.100.1 dev eth1" in seen
    assert "11001:\tfrom all lookup 101" in seen
    back(host, before, new, old)
    assert host.shell("ip rule") == rules
    assert host.shell(ALL_ROUTES) == routes


def test_what_others_do_meanwhile_stays(host: Bench, old: Files) -> None:
    before = host.observe(settings_of(old))
    host.take(towards(host, old, None))
    host.shell(
        "ip link add name other type veth peer name rehto; ip address add 192.0.2.1/24 dev other;"
        "ip link set dev other up; ip link set dev rehto up; ip rule add pref 9 lookup 7;"
        "ip route add 198.18.0.0/15 via 192.0.2.9; nft add table ip later"
    )
    back(host, before, old)
    assert "198.18.0.0/15 via 192.0.2.9" in host.shell("ip route")
    assert "lookup 7" in host.shell("ip rule")
    assert host.shell("nft list tables") == "table ip later\n"


ASIDE = """
table ip other {
  comment "x } # y"
  set s { type ipv4_addr; flags timeout; elements = { 192.0.2.1 timeout 1h, 192.0.2.2 } }
  set d { type ipv4_addr; flags dynamic,timeout; timeout 5m; elements = { 192.0.2.3 } }
  map m { type ipv4_addr . inet_service : ipv4_addr . inet_service
          elements = { 192.0.2.1 . 80 : 192.0.2.2 . 8080 } }
  chain c {
    type nat hook prerouting priority dstnat; policy accept;
    dnat ip to ip daddr . tcp dport map @m
    ip daddr { 192.0.2.9, 192.0.2.10 } counter
  }
}
table inet more {
  chain c { type filter hook forward priority 5; policy accept; counter accept; }
}
"""


SHOWN = "nft -s list table ip other | grep -v elements; nft -s list table inet more"


def test_a_table_set_aside_comes_back_whole(host: Bench, old: Files) -> None:
    host.sure(("nft", "-f", "-"), ASIDE.replace("accept; }", "accept\n}"))
    seen = host.shell(SHOWN)
    before = host.observe(settings_of(old))
    host.take(towards(host, old, None, "ip other", "bridge nothing"))
    assert "ip other" not in host.shell("nft list tables")
    assert "inet more" in host.shell("nft list tables")
    now = host.observe(settings_of(old))
    with pytest.raises(NotSetAside):
        wanted(old, now, None, ("inet netcharter",))
    back(host, before, old)
    assert host.shell(SHOWN) == seen  # the order of the tables is another
    listed = host.shell("nft list table ip other")
    assert re.search(r"192\.0\.2\.1 timeout (59m|1h).* expires 59m", listed)
    assert re.search(r"192\.0\.2\.2[ ,}]", listed) and "192.0.2.1 . 80 : 192.0.2.2 . 8080" in listed


HOSTILE = 'a"{;}#$(x)'


def test_hostile_names_are_read_and_left_alone(host: Bench, old: Files) -> None:
    host.sure(("ip", "link", "add", "name", HOSTILE, "type", "veth", "peer", "name", "--x=y"))
    host.sure(("ip", "link", "set", "dev", HOSTILE, "up"))
    host.sure(("ip", "link", "set", "dev", "--x=y", "up"))
    host.sure(("ip", "address", "add", "192.0.2.1/24", "dev", HOSTILE))
    host.sure(("ip", "route", "add", "198.18.0.0/15", "via", "192.0.2.9", "dev", HOSTILE))
    before = host.observe(settings_of(old))
    assert HOSTILE in {link.name for link in before.links}
    host.take(towards(host, old, None))
    back(host, before, old)
    assert "192.0.2.1/24" in host.sure(("ip", "address", "show", "dev", HOSTILE))


def test_what_is_not_there_is_told_and_left_out(host: Bench, old: Files) -> None:
    host.sure(("ip", "link", "del", "dev", "eth3"))
    now = host.observe(settings_of(old))
    target = wanted(old, now)
    (said,) = left_out(now, target)
    assert "no device eth3" in said and "10.7.1.1/26" in said and "settings" in said
    host.take(towards(host, old, None))
    assert "default via 203.0.113.9" in host.shell("ip route show table 101")
    back(host, now, old)


def test_shaping_is_seen(host: Bench) -> None:
    assert host.observe().shaping == {}
    host.shell("tc qdisc add dev eth2 root handle 1: htb default 10")
    host.shell("tc class add dev eth2 parent 1: classid 1:10 htb rate 1mbit")
    found = host.observe()
    assert set(found.shaping) == {"eth2"} and "rate 1Mbit" in found.shaping["eth2"]
    host.shell("tc class change dev eth2 parent 1: classid 1:10 htb rate 2mbit")
    assert unlike(found, host.observe()) == ("queues of eth2 are others",)


def test_every_step_is_a_program_that_is_known() -> None:
    """So that an installer may be given no more than these."""
    with bench() as host:
        host.devices(DEVICES)
        programs = {
            effect.argv[0]
            for step in towards(host, fitting(kit_of(OLD)), None)
            for effect in step.effects
            if isinstance(effect, Run)
        }
    assert programs == {"ip", "nft", "sysctl"}
