"""What a machine says is understood, and whatever else it says hurts nobody."""

from __future__ import annotations

import gzip
import json
import os
import random
from dataclasses import fields, replace
from pathlib import Path

import pytest

from netcharter.rollout.observe import Said
from netcharter.rollout.prepare import Answers, Facts, asked, facts_of, prepare
from netcharter.rollout.preparing.asking import ADDRESS, LINK, OWN_NETWORK
from netcharter.rollout.preparing.kernel import FEATURES, VLAN, Kernel, kernel_of
from netcharter.rollout.preparing.shapes import Managed
from netcharter.rollout.run.gathering import carriers, gather
from tests.rollout.machine import CONFIG, FILES, RELEASE, SAID, answers, link, said, vlan, wanted


def managed(files: dict[str, str], *running: str, hardware: str = "") -> list[Managed]:
    """By whom eth2 is set up."""
    more = {f"/proc/{n}/cmdline": one.encode() for n, one in enumerate(running, 100)}
    found = facts_of(
        answers(
            link("eth2", address=hardware),
            link("eth3"),
            files={**{path: text.encode() for path, text in files.items()}, **more},
        )
    )
    return [one for one in found.managed if one.device == "eth2"]


# --- devices -------------------------------------------------------------------------------------


def test_devices_are_what_ip_tells() -> None:
    found = facts_of(
        answers(
            link("eth0"),
            link("eth1", flags=["BROADCAST", "UP", "NO-CARRIER"]),
            link("eth2", flags=["BROADCAST"], master="bridge0"),
            vlan("eth3.40", "eth3", 40),
            said={
                ADDRESS: said([
                    {"ifname": "eth0", "addr_info": [
                        {"family": "inet", "local": "203.0.113.10", "prefixlen": 29,
                         "scope": "global", "dynamic": True},
                        {"family": "inet6", "local": "fe80::1", "prefixlen": 64, "scope": "link"},
                    ]},
                ])
            },
            files={"/sys/class/net/eth0/speed": b"1000\n", "/sys/class/net/eth1/speed": b"-1\n"},
        )
    ).devices  # fmt: skip
    assert found is not None
    eth0 = found["eth0"]
    assert (eth0.up, eth0.carrier, eth0.speed) == (True, True, 10**9)
    assert (eth0.bus, eth0.driver, eth0.lent) == ("0000:01:00.0", "igb", True)
    assert eth0.addresses == ("203.0.113.10/29",)
    assert (found["eth1"].carrier, found["eth1"].speed) == (False, None)
    assert (found["eth2"].carrier, found["eth2"].master) == (None, "bridge0")
    tagged = found["eth3.40"]
    assert (tagged.parent, tagged.tag, tagged.real) == ("eth3", 40, False)


def test_what_the_kernel_says_of_a_cable_counts_more() -> None:
    found = facts_of(answers(link("eth0"), files={"/sys/class/net/eth0/carrier": b"0\n"})).devices
    assert found is not None and found["eth0"].carrier is False


# --- somebody else: interfaces(5) ----------------------------------------------------------------

IFUPDOWN = [
    ("auto eth2\niface eth2 inet dhcp\n", ("dhcp", True, 2)),
    ("iface eth2 inet dhcp\n", ("dhcp", False, 1)),
    ("allow-hotplug eth2\niface eth2 inet static\n  address 192.0.2.1/24\n", ("static", True, 2)),
    ("auto eth2\niface eth2 inet manual\n", ("manual", True, 2)),
    ("auto /eth*\niface eth2 inet6 auto\n", ("dhcp", True, 2)),
    ("# iface eth2 inet dhcp\n", None),
    ("auto eth20\niface eth20 inet dhcp\n", None),
    ("auto eth2\niface \\\n eth2 inet \\\n static\n", ("static", True, 2)),
    ("auto br0\niface br0 inet manual\n bridge_ports eth1 eth2\n", ("within another device", False, 3)),
    ("iface br0 inet manual\n bridge-ports eth1\n", None),
    ("iface\niface eth2\n", ("unknown", False, 2)),
    ("iface eth2 inet ppp\n", ("unknown", False, 1)),
]  # fmt: skip


@pytest.mark.parametrize(("text", "expected"), IFUPDOWN)
def test_interfaces(text: str, expected: tuple[str, bool, int] | None) -> None:
    found = managed({"/etc/network/interfaces.d/lan": text})
    if expected is None:
        assert found == []
        return
    (only,) = found
    how, active, line = expected
    assert (only.by, only.how, only.active) == ("ifupdown", how, active)
    assert only.where == f"/etc/network/interfaces.d/lan, line {line}"


# --- systemd.network(5) --------------------------------------------------------------------------

NETWORKD = "/lib/systemd/systemd-networkd\0"
NETWORKS = [
    ("[Match]\nName=eth2\n[Network]\nDHCP=yes\n", "dhcp"),
    ("[Match]\nName=en* eth*\n\n[Network]\nDHCP=ipv4\n", "dhcp"),
    ("[Match]\nName=!eth2\n[Network]\nDHCP=yes\n", None),
    ("[Match]\nName=!eth3\n[Network]\nAddress=192.0.2.1/24\n", "static"),
    ("[Match]\nName=eth2\n[Link]\nUnmanaged=yes\n", "unmanaged"),
    ("[Match]\nName=eth2\n[Network]\nBridge=br0\n", "within another device"),
    ("[Match]\nMACAddress=02:00:00:AA:00:02\n[Network]\nDHCP=yes\n", "dhcp"),
    ("[Match]\nMACAddress=02:00:00:aa:00:03\n[Network]\nDHCP=yes\n", None),
    ("[Match]\nType=ether\n[Network]\nDHCP=yes\n", "dhcp"),
    ("[Match]\nDriver=igb\n[Network]\nDHCP=yes\n", "unknown"),
    ("[Network]\nDHCP=yes\n", None),
    ("# [Match]\n;Name=eth2\n", None),
    ("[Match]\nName=eth2\n[Address]\nAddress=192.0.2.1/24\n", "static"),
]


@pytest.mark.parametrize(("text", "how"), NETWORKS)
def test_networks_of_systemd(text: str, how: str | None) -> None:
    path = "/etc/systemd/network/20-lan.network"
    found = managed({path: text}, NETWORKD, hardware="02:00:00:aa:00:02")
    assert [(one.by, one.how, one.where) for one in found] == (
        [("systemd-networkd", how, path)] if how else []
    )
    assert managed({path: text}) == []  # it does not run


def test_the_first_file_that_fits_counts_and_one_in_etc_hides_another() -> None:
    files = {
        "/etc/systemd/network/10-a.network": "[Match]\nName=eth3\n[Network]\nDHCP=yes\n",
        "/etc/systemd/network/20-b.network": "[Match]\nName=eth2\n[Link]\nUnmanaged=yes\n",
        "/lib/systemd/network/20-b.network": "[Match]\nName=eth2\n[Network]\nDHCP=yes\n",
        "/run/systemd/network/15-c.network": "",
        "/lib/systemd/network/15-c.network": "[Match]\nName=eth2\n[Network]\nDHCP=yes\n",
        "/etc/systemd/network/30-d.network": "[Match]\nName=eth2\n[Network]\nDHCP=yes\n",
    }
    assert [one.how for one in managed(files, NETWORKD)] == ["unmanaged"]


def test_whether_systemd_leaves_routes_alone() -> None:
    """networkd.conf(5), ManageForeignRoutes= and ManageForeignRoutingPolicyRules=."""

    def keeps(text: str) -> bool:
        files = {"/etc/systemd/networkd.conf.d/x.conf": text.encode()}
        return facts_of(answers(files=files)).keeps_rules

    assert not keeps("") and not keeps("[Network]\nManageForeignRoutes=no\n")
    both = "ManageForeignRoutes=no\nManageForeignRoutingPolicyRules=no\n"
    assert keeps(f"[Network]\n{both}") and not keeps(f"[DHCP]\n{both}")


# --- NetworkManager.conf(5) and processes --------------------------------------------------------

NM = "/usr/sbin/NetworkManager\0--no-daemon\0"
CONF = "/etc/NetworkManager/conf.d/x.conf"


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("", False),
        ("[keyfile]\nunmanaged-devices=interface-name:eth2\n", True),
        ("[keyfile]\nunmanaged-devices=interface-name:eth3;interface-name:eth*\n", True),
        ("[keyfile]\nunmanaged-devices=mac:02:00:00:AA:00:02\n", True),
        ("[keyfile]\nunmanaged-devices=*,except:interface-name:eth2\n", False),
        ("[keyfile]\nunmanaged-devices=interface-name:eth3\n", False),
        ("[device-lan]\nmatch-device=interface-name:eth2\nmanaged=0\n", True),
        ("[device-lan]\nmatch-device=interface-name:eth2\nmanaged=1\n", False),
    ],
)
def test_devices_that_network_manager_leaves(text: str, left: bool) -> None:
    found = managed({CONF: text}, NM, hardware="02:00:00:aa:00:02")
    assert [one.by for one in found] == ([] if left else ["NetworkManager"])


def test_a_profile_says_how() -> None:
    path = "/etc/NetworkManager/system-connections/lan.nmconnection"
    text = "[connection]\ninterface-name=eth2\n[ipv4]\nmethod=manual\n"
    assert [(o.how, o.where) for o in managed({path: text}, NM)] == [("static", path)]


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("/sbin/dhclient\0-4\0eth2\0", True),
        ("dhclient\0eth3\0", False),
        ("dhcpcd: [manager]\0", True),
        ("/usr/sbin/dhcpcd\0", True),
        ("udhcpc\0-i\0eth2\0", True),
        ("vi\0dhclient\0eth2\0", False),
        ("", False),
    ],
)
def test_dhcp_clients(words: str, found: bool) -> None:
    assert [one.by for one in managed({}, words)] == (["a DHCP client"] if found else [])


def test_what_asks_for_our_prefixes_is_nobody_elses() -> None:
    """dhcpcd's words are but its own title; /proc/*/cgroup as systemd 252 leaves it."""
    path = "/proc/100/cgroup"
    for unit, by in (("netcharter-prefix-2", []), ("dhcpcd", ["a DHCP client"])):
        files = {path: f"0::/system.slice/{unit}.service\n"}
        assert [one.by for one in managed(files, "dhcpcd: eth2 [ip6]\0")] == by


@pytest.mark.parametrize(
    ("network", "by"),
    [("net:[2]", []), ("net:[1]", ["a DHCP client"]), (None, ["a DHCP client"])],
)
def test_a_client_in_another_network_is_not_this_machines(
    network: str | None, by: list[str]
) -> None:
    """A container has an eth2 of its own (network_namespaces(7))."""
    links = {OWN_NETWORK: "net:[1]"} | ({"/proc/100/ns/net": network} if network else {})
    given = answers(link("eth2"), files={"/proc/100/cmdline": b"udhcpc\0-i\0eth2\0"})
    found = facts_of(replace(given, links=links))
    assert [one.by for one in found.managed if one.device == "eth2"] == by


# --- units ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "found", "empties"),
    [
        ("[Service]\nExecStart=/sbin/nft -f /a\nExecStop=/sbin/nft flush ruleset\n", True, True),
        ("[Service]\nExecStart=/usr/sbin/nft -f /etc/mine.nft\n", True, False),
        ("[Service]\nExecStart=/bin/sh -c 'iptables-restore < /etc/rules'\n", True, False),
        ("[Service]\nExecStartPre=-/sbin/ip6tables -F\nExecStart=/bin/true\n", True, False),
        ("[Unit]\nDescription=run nft\n[Service]\nExecStart=/usr/bin/nftlike\n", False, False),
        ("[Service]\nExecStart=/usr/bin/draft-nft-tool\n", False, False),
    ],
)  # fmt: skip
def test_units_that_load_rules(text: str, found: bool, empties: bool) -> None:
    path = "/etc/systemd/system/filter.service"
    units = facts_of(answers(files={path: text.encode()})).units
    assert [(one.where, one.empties) for one in units] == ([(path, empties)] if found else [])


def test_a_file_that_begins_with_emptying_empties() -> None:
    unit = b"[Service]\nExecStart=/usr/sbin/nft -f /etc/nftables.conf\n"
    files = {"/lib/systemd/system/nftables.service": unit}
    (one,) = facts_of(answers(files=files)).units
    assert (one.enabled, one.empties) == (False, False)
    files["/etc/nftables.conf"] = b"#!/usr/sbin/nft -f\n\nflush ruleset\n"
    (one,) = facts_of(answers(files=files)).units
    assert one.empties


def test_our_own_unit_is_none_of_others() -> None:
    files = {
        "/etc/systemd/system/netcharter-boot.service": b"[Service]\nExecStart=/sbin/nft -f x\n"
    }
    assert facts_of(answers(files=files)).units == ()


# --- the kernel ----------------------------------------------------------------------------------


def test_a_stock_kernel_can_do_everything() -> None:
    found = facts_of(answers())
    assert found.kernel == RELEASE and set(found.features.values()) == {True}
    assert found.other_kernels == ()


MODULE = FEATURES[0]


@pytest.mark.parametrize(
    ("options", "loaded", "built_in", "loadable", "can"),
    [
        ({"NF_TABLES": "y"}, None, None, None, True),
        ({"NF_TABLES": "n"}, None, None, frozenset(), False),
        ({"NF_TABLES": "m"}, None, None, frozenset(("nf_tables",)), True),
        ({"NF_TABLES": "m"}, None, None, frozenset(("other",)), False),
        ({"NF_TABLES": "m"}, None, None, None, None),
        ({"NF_TABLES": "m"}, frozenset(("nf_tables",)), None, frozenset(), True),
        (None, None, frozenset(("nf_tables",)), None, True),
        (None, None, None, frozenset(("nf_tables",)), True),
        (None, None, None, frozenset(), None),
        ({}, None, None, None, None),
        (None, None, None, None, None),
    ],
)
def test_what_a_kernel_can(
    options: dict[str, str] | None,
    loaded: frozenset[str] | None,
    built_in: frozenset[str] | None,
    loadable: frozenset[str] | None,
    can: bool | None,
) -> None:
    assert Kernel("6.1", options, loaded, built_in, loadable).can(MODULE) is can


def test_a_packed_configuration_is_read_and_a_bomb_is_cut() -> None:
    files = {**FILES, f"/boot/config-{RELEASE}": b""}
    packed = {**files, "/proc/config.gz": gzip.compress(CONFIG.encode())}
    assert kernel_of(packed).options == kernel_of(FILES).options
    bomb = {**files, "/proc/config.gz": gzip.compress(bytes(64 * 2**20))}
    assert kernel_of(bomb).options is None
    assert kernel_of({**files, "/proc/config.gz": b"no gzip"}).options is None


def test_a_kernel_whose_modules_were_replaced() -> None:
    files: dict[str, bytes | None] = dict.fromkeys(
        (f"/lib/modules/{RELEASE}/modules.dep", f"/lib/modules/{RELEASE}/modules.builtin")
    )
    files["/lib/modules/6.1.0-28-amd64/modules.dep"] = b""
    assert facts_of(answers(files=files)).other_kernels == ("6.1.0-28-amd64",)


def test_options_are_those_of_a_running_kernel() -> None:
    """The names in our table exist: the kernel's own configuration has each of them."""
    found = kernel_of(gather(asked()).files).options
    if found is None:
        pytest.xfail("this kernel does not tell how it was built")
    assert {one.option for one in (*FEATURES, VLAN)} <= found.keys()


# --- the rest ------------------------------------------------------------------------------------


def test_the_rest_of_a_stock_machine() -> None:
    found = facts_of(answers())
    assert found.packages is not None and set(found.packages) >= {"nftables", "procps"}
    assert (found.tables, found.nft, found.clock) == ((), (1, 0, 6), True)
    assert (found.memory, found.disk) == (900_000 * 1024, 4_000_000 * 1024)


def test_a_machine_that_says_nothing_is_unknown() -> None:
    found = facts_of(Answers())
    unknown = (found.devices, found.packages, found.tables, found.nft)
    assert {*unknown, found.memory, found.disk, found.clock} == {None}
    assert set(found.features.values()) == {None}
    assert prepare(wanted(), found).ok is False


HOSTILE = [b"", b"{", b"[" * 100_000, b"null", b"[null, 1, [], {}]", b"\xff\xfe\0", b"1e999999",
           b'[{"ifname": 7}, {"ifname": "a/b"}, {"ifname": "\\u001b[31m"}]', b"9" * 5000,
           b'[{"ifname": "eth0", "flags": 7, "linkinfo": [], "addr_info": {"a": 1}, "link": {}}]',
           b'{"nftables": [{"table": 1}, {"table": {"family": [], "name": "\\u202e"}}, 7]}',
           b"a\tb\tc\td\n\t\t\n" * 1000, b"NTPSynchronized=" * 100]  # fmt: skip


@pytest.mark.parametrize("data", HOSTILE)
def test_hostile_answers_hurt_nobody(data: bytes) -> None:
    for argv in SAID:
        for code in (0, 1, -9):
            found = facts_of(answers(said={argv: Said(code, data)}))
            _sound(found)
    for path in (*FILES, "/etc/NetworkManager/conf.d/x.conf", "/proc/1/cmdline",
                 "/etc/systemd/network/x.network", "/etc/systemd/system/x.service",
                 "/sys/class/net/eth0/carrier", "/sys/class/net/eth0/speed"):  # fmt: skip
        _sound(facts_of(answers(files={path: data})))


def _sound(found: Facts) -> None:
    assert isinstance(found, Facts) and fields(found)
    text = "\n".join(prepare(wanted(), found).lines())
    assert "\x1b" not in text and "\u202e" not in text
    json.dumps(prepare(wanted(), found).as_json())


def test_answers_cut_anywhere_or_shuffled_hurt_nobody() -> None:
    dice = random.Random(11)
    for argv, one in SAID.items():
        for _ in range(15):
            data = bytearray(one.out[: dice.randrange(len(one.out) + 1)])
            for _ in range(dice.randrange(4)):
                if data:
                    data[dice.randrange(len(data))] = dice.randrange(256)
            _sound(facts_of(answers(said={argv: Said(0, bytes(data))})))


# --- a real machine ------------------------------------------------------------------------------


def test_this_machine_answers() -> None:
    found = facts_of(gather(asked()))
    assert found.devices is not None and found.devices["lo"].kind == "loopback"
    assert found.memory and found.disk and found.kernel
    links = gather(asked()).links
    assert links[f"/proc/{os.getpid()}/ns/net"] == links[OWN_NETWORK]


def test_files_are_found_below_another_root_and_pipes_are_left(tmp_path: Path) -> None:
    (tmp_path / "etc/network/interfaces.d").mkdir(parents=True)
    (tmp_path / "etc/network/interfaces").write_text("auto lo\n")
    os.mkfifo(tmp_path / "etc/network/interfaces.d/pipe")
    (tmp_path / "sys/class/net/eth0").mkdir(parents=True)
    (tmp_path / "sys/class/net/eth0/carrier").write_text("1\n")
    found = gather(asked(), str(tmp_path))
    assert found.files["/etc/network/interfaces"] == b"auto lo\n"
    assert "/etc/network/interfaces.d/pipe" not in found.files
    assert carriers(["eth0", "eth1", "../x"], str(tmp_path)) == {
        "eth0": True, "eth1": None, "../x": None,
    }  # fmt: skip


def test_every_question_is_one_that_changes_nothing() -> None:
    looking = {"link", "addr", "list", "--version", "show", "-W", "-P", "list-unit-files", "-Hlnup"}
    for effect in asked({"dnsmasq": "x"}).runs:
        assert looking & {*effect.argv} and not effect.fails
    assert LINK in [effect.argv for effect in asked().runs]
