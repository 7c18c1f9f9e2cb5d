"""Routing rules and routes of others that lead packets elsewhere than the plan does, on a real machine.

Which they are is said twice: by what `holds` asks (led.py), which reads the kernel's lists, and by
the kernel itself, which is asked where it would send a packet (`ip route get`, ip-route(8)).
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.cli.gateway import CHARTER, DESK, FAR, HURRY, SERVER, SSH, Gateway, gateway

pytestmark = pytest.mark.kernel

LED = str(Path(__file__).with_name("led.py"))

# What the gateway answers, passes on and takes for its own: destination, source and more.
PROBES = (
    f"{DESK} from {SERVER}",
    f"{DESK} from {FAR} iif eth0 mark 1",
    f"{FAR} from {DESK} iif eth2",
    f"{FAR} from {DESK} iif eth2 mark 1",
    f"{FAR} from {DESK} iif eth2 mark 2",
    f"10.7.1.2 from {DESK} iif eth2",
    f"{SERVER} from {DESK} iif eth2",
    f"203.0.113.9 from {DESK} iif eth2",
    "fd0b:22e9:cb97:1::5",
)


@dataclass(frozen=True)
class Case:
    """What somebody else does, how it goes again, and whether the kernel then sends one of PROBES
    elsewhere (None: only what is not probed); says: what `holds` names, "" if nothing."""

    title: str
    does: str
    ends: str
    elsewhere: bool | None
    says: str


DUMMY = "ip link add other0 type veth peer name other1; ip link set other1 up; ip link set other0 up; ip address add {} dev other0"
GOES = "ip link del other0"
CASES = (
    Case("a rule for an area's addresses", "ip rule add pref 5 from 10.7.0.0/27 blackhole",
         "ip rule del pref 5", True, "pref 5 from 10.7.0.0/27 blackhole"),
    Case("a rule without a place of its own goes before ours", "ip rule add iif eth2 prohibit",
         "ip rule del iif eth2 prohibit", True, "iif eth2 prohibit"),
    Case("a rule among ours", "ip rule add pref 10110 to 198.51.100.64/28 unreachable",
         "ip rule del pref 10110", True, "pref 10110 to 198.51.100.64/28"),
    Case("a rule that the kernel is said to have made",
         f"ip rule add pref 7 to {DESK} unreachable protocol kernel", "ip rule del pref 7", True,
         f"pref 7 to {DESK}/32 unreachable"),
    Case("a rule after our last", "ip rule add pref 11201 from 10.7.0.0/27 blackhole",
         "ip rule del pref 11201", False, ""),
    Case("a rule for what comes in by a device of others",
         f"{DUMMY.format('10.99.0.1/24')}; ip rule add pref 6 iif other0 blackhole",
         f"ip rule del pref 6; {GOES}", False, ""),
    Case("own addresses are not looked for", "ip rule del pref 0", "ip rule add pref 0 lookup local",
         True, "own IPv4 addresses"),
    Case("own addresses are looked for later, and still before ours",
         "ip rule add pref 100 lookup local; ip rule del pref 0",
         "ip rule add pref 0 lookup local; ip rule del pref 100", False, ""),
    Case("part of an area", "ip route add 10.7.0.0/29 via 203.0.113.9", "ip route del 10.7.0.0/29",
         True, "10.7.0.0/29 via 203.0.113.9"),
    Case("one machine of it by another on the same segment", f"ip route add {DESK} via 10.7.0.9",
         f"ip route del {DESK}", True, f"{DESK} via 10.7.0.9"),
    Case("the whole of an area, before the kernel's", "ip route prepend blackhole 10.7.0.0/27",
         "ip route del blackhole 10.7.0.0/27", True, "blackhole 10.7.0.0/27"),
    Case("the whole of an area, after the kernel's", "ip route add blackhole 10.7.0.0/27 metric 9",
         "ip route del blackhole 10.7.0.0/27 metric 9", False, ""),
    Case("more than an area", "ip route add blackhole 10.7.0.0/16",
         "ip route del blackhole 10.7.0.0/16", False, ""),
    Case("part of the internet", "ip route add 198.51.100.64/28 via 10.7.0.9",
         "ip route del 198.51.100.64/28", True, "198.51.100.64/28 via 10.7.0.9"),
    Case("half of the internet, as DHCP might bring it",
         "ip route add 128.0.0.0/1 via 10.7.0.9 proto dhcp", "ip route del 128.0.0.0/1", True,
         "128.0.0.0/1 via 10.7.0.9"),
    Case("a default route in the main table, which is not asked there",
         "ip route add default via 203.0.113.9 dev eth0 proto dhcp; "
         "ip -6 route add default via fe80::9 dev eth0 proto ra",
         "ip route del default; ip -6 route del default", False, ""),
    Case("a default route in a table of ours", "ip route prepend default via 10.7.0.9 table 101",
         "ip route del default via 10.7.0.9 table 101", True, "default via 10.7.0.9"),
    Case("a table that nobody asks", "ip route add 10.7.0.0/29 via 203.0.113.9 table 77",
         "ip route flush table 77", False, ""),
    Case("an area's addresses are the host's own", "ip route add local 10.7.0.0/28 dev lo",
         "ip route del local 10.7.0.0/28 dev lo table local", True, "local 10.7.0.0/28"),
    Case("a network that the charter knows nothing of", DUMMY.format("172.17.0.1/16"), GOES, False, ""),
    Case("a network of others within an area", DUMMY.format("10.7.0.17/28"), GOES, None,
         "it comes with an address of other0"),
    Case("a private network behind a router", "ip route add 10.99.0.0/16 via 10.7.0.9",
         "ip route del 10.99.0.0/16", False, ""),
    Case("part of an area in IPv6", "ip -6 route add blackhole fd0b:22e9:cb97:1::/96",
         "ip -6 route del blackhole fd0b:22e9:cb97:1::/96", True, "blackhole fd0b:22e9:cb97:1::/96"),
    Case("the kernel's own route is gone", "ip route del 10.7.1.0/28 dev eth5",
         "ip route add 10.7.1.0/28 dev eth5 src 10.7.1.1 proto kernel", True, "10.7.1.0/28 by eth5"),
)  # fmt: skip


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Gateway]:
    """A gateway with a version that is kept, and the desk's conversation."""
    with gateway(tmp_path_factory.mktemp("gateway")) as found:
        found.kept()
        found.logged_in()
        yield found


def ways(place: Gateway) -> list[Any]:
    """Where the kernel would send each of PROBES."""
    found = []
    for probe in PROBES:
        said = place.bench.run(("ip", "-j", "route", "get", *probe.split()))
        known = json.loads(said.out) if said.code == 0 else said.err.decode()
        for way in known if isinstance(known, list) else ():
            way.pop("cache", None)  # whether it was asked before
            way.pop("uid", None)
            way.pop("prefsrc", None)  # in IPv6 also by which addresses are settled (RFC 4862)
        found.append(known)
    return found


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.title)
def test_what_leads_packets_elsewhere_is_named(good: Gateway, case: Case) -> None:
    before = ways(good)
    good.bench.shell(case.does)
    try:
        after, said = ways(good), good.bare([sys.executable, LED, "state"])
    finally:
        good.bench.shell(case.ends)
    if case.elsewhere is not None:
        assert (after != before) is case.elsewhere
    assert said.code == 0, said.told
    found = json.loads(said.out)
    assert any(case.says in one for one in found) if case.says else found == []
    assert ways(good) == before


def test_holds_calls_nothing_as_planned_while_it_is_there(good: Gateway) -> None:
    good.bench.shell("ip rule add pref 5 from 10.7.0.0/27 blackhole")
    try:
        said = good.run("holds")
    finally:
        good.bench.shell("ip rule del pref 5")
    found = said.json()
    assert said.code == 1 and found["state"] == "otherwise" and found["kernel"]["same"]
    assert any("pref 5 from 10.7.0.0/27 blackhole" in other for other in found["others"])


def test_and_after_all_of_that_it_is_as_planned(good: Gateway) -> None:
    assert good.run("holds").json()["state"] == "as planned"
    assert good.desk.do("probe", SERVER, SSH, DESK)


@pytest.mark.parametrize("console", [False, True], ids=["session", "console"])
def test_what_can_take_the_way_in_is_refused(good: Gateway, console: bool) -> None:
    good.write("less.yaml", CHARTER.replace("[http, https]", "https"))
    session = good.session
    good.bench.shell("ip rule add pref 5 from 10.7.0.0/27 blackhole")
    good.session = "" if console else session
    try:
        look = good.look()
        assert not good.desk.do("probe", SERVER, SSH, DESK)
        ran = good.run("enact", "less.yaml", *HURRY)
        told = good.run("enact", "less.yaml", "--only-judge", *HURRY, as_json=False)
        assert good.look() == look
    finally:
        good.session = session
        good.bench.shell("ip rule del pref 5")
    found = ran.json()
    assert ran.code == 1 and [one["check"] for one in found["refused"]] == ["management"]
    assert not found["management"]["holds"] and "proven" not in found["management"]["sentence"]
    assert any("pref 5 from 10.7.0.0/27 blackhole" in other for other in found["others"])
    assert "ip -4 rule del pref 5 from 10.7.0.0/27 blackhole" in " ".join(told.out.split())


@pytest.mark.parametrize(
    "does",
    [
        "pref 5 from 10.7.1.0/28 blackhole",
        "pref 5 to 10.7.0.5 ipproto udp blackhole",
        "pref 5 to 10.7.0.5 sport 80 blackhole",
        "pref 5 to 10.7.0.5 iif eth0 blackhole",
    ],
)
def test_what_can_not_is_named_and_nothing_is_called_as_planned(good: Gateway, does: str) -> None:
    """The desk's own answers do not match any of these: it gets in all the same."""
    good.write("less.yaml", CHARTER.replace("[http, https]", "https"))
    good.bench.shell(f"ip rule add {does}")
    try:
        ran = good.run("enact", "less.yaml", *HURRY, as_json=False)
        assert ran.code == 0, ran.told
        assert good.desk.do("probe", SERVER, SSH, DESK)
        undone = good.run("undo")
        assert undone.json()["left"] == []
    finally:
        good.bench.shell(f"ip rule del {does}")
    words = " ".join(ran.out.split())
    assert words.count(f"pref 5 {does.split()[2]}") >= 1 and "NOT as planned" in words
    assert "what the kernel has is as planned" not in words


def test_what_came_during_the_trial_is_not_kept_beside(good: Gateway) -> None:
    """What was there when it was put in place was told then, and is no reason."""
    before, since = "pref 6 from 10.7.1.0/28 blackhole", "pref 5 from 10.7.0.0/27 blackhole"
    good.write("less.yaml", CHARTER.replace("[http, https]", "https"))
    good.bench.shell(f"ip rule add {before}")
    try:
        ran = good.run("enact", "less.yaml", *HURRY)
        assert ran.code == 0, ran.told
        good.bench.shell(f"ip rule add {since}")
        kept = good.run("keep", as_json=False)
        good.bench.shell(f"ip rule del {since}")
        words = " ".join(kept.told.split())
        assert kept.code != 0 and since in words and before not in words, kept.told
        assert good.run("keep").code == 0
    finally:
        good.bench.shell(f"ip rule del {before}")
        good.run("undo")
        good.run("keep")


AUTOMATIC = CHARTER.replace("address: 192.0.2.18/28, next-hop: 192.0.2.17", "address: automatic")
# As a DHCP client and the kernel leave them (seen with systemd-networkd, dhclient, and of RFC 4861).
BROUGHT = """\
ip address add 192.0.2.18/28 dev eth9 valid_lft 3600 preferred_lft 3600
ip route add default via 192.0.2.17 dev eth9 proto dhcp src 192.0.2.18 metric 1024
ip route add 192.0.2.17 dev eth9 proto dhcp scope link src 192.0.2.18 metric 1024
ip route add 198.51.100.32/28 via 192.0.2.17 dev eth9 proto dhcp
ip -6 address add 2001:db8:5::7/64 dev eth9 valid_lft 3600 preferred_lft 3600
ip -6 route add default via fe80::9 dev eth9 proto ra metric 1024 expires 1800
"""


def test_what_dhcp_and_routers_bring_to_an_automatic_line_is_no_alarm(tmp_path: Path) -> None:
    """Also after it is in place, and not what a line's own default route in the main table is; that
    of another device there is one."""
    assert AUTOMATIC != CHARTER
    with gateway(tmp_path) as place:
        place.bench.shell(BROUGHT)
        place.write("good.yaml", AUTOMATIC)
        ran = place.run("enact", "good.yaml", *HURRY)
        assert ran.code == 0, ran.told
        assert ran.json()["others"] == []
        assert place.run("keep").code == 0
        said = place.run("holds")
        assert said.code == 0, said.told
        place.bench.shell("ip route add default via 203.0.113.9 dev eth0 metric 5")
        said = place.run("holds")
        assert any("default via 203.0.113.9" in one for one in said.json()["others"]), said.told
