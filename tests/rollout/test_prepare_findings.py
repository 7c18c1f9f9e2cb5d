"""A machine judged by what a charter wants of it: each finding, and its near miss."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pytest

from netcharter.charter.read import read
from netcharter.diagnostics.of_preparing import PREPARING
from netcharter.plan import make_plan
from netcharter.render import render
from netcharter.rollout.observe import Said
from netcharter.rollout.prepare import Preparation, Use, Wanted, facts_of, prepare
from netcharter.rollout.preparing.asking import ADDRESS, CLOCK, LINK, NFT, TABLES, UNITS
from netcharter.rollout.preparing.shapes import Found
from netcharter.tasks.preparing import uses_of, wanted_of
from tests.rollout.machine import CONFIG, DPKG, LINKS, RELEASE, answers, link, said, vlan, wanted

MAST = Use("line", "mast", "eth0", automatic=True)


def judged(*links: dict[str, Any], want: Wanted | None = None, **more: Any) -> Preparation:
    return prepare(want or wanted(), facts_of(answers(*links, **more)))


def found(preparation: Preparation, id: str) -> list[Found]:
    return [one for one in preparation.findings if one.id == id]


def only(preparation: Preparation, id: str) -> Found:
    (one,) = found(preparation, id)
    return one


def told(preparation: Preparation) -> list[str]:
    """The ids, but for the reminder that always comes."""
    ids = [one.id for one in preparation.findings]
    assert ids[-1] == "console-at-hand" or "console-at-hand" in ids
    return [id for id in ids if id != "console-at-hand"]


def test_a_stock_gateway_lacks_nothing() -> None:
    preparation = judged()
    assert told(preparation) == [] and preparation.ok
    assert preparation.lines()[-1] == "Nothing is missing."
    assert preparation.as_json()["findings"][0]["id"] == "console-at-hand"


# --- devices -------------------------------------------------------------------------------------


def test_a_device_that_is_missing_is_looked_for_by_name() -> None:
    preparation = judged(link("eth0"), link("eth2"), link("eth33"), link("wlan7"))
    one = only(preparation, "device-missing")
    assert "area phones, area cameras" in one.message and "eth33 (02:00" in one.message
    assert one.help.endswith("write `device: eth33`")
    assert preparation.devices == {"eth3": "eth33"} and not preparation.ok


def test_and_by_being_the_only_one_left() -> None:
    assert judged(link("eth0"), link("eth2"), link("wlp7s0")).devices == {"eth3": "wlp7s0"}


@pytest.mark.parametrize(
    "links",
    [
        (link("eth0"), link("eth2"), link("wlp7s0"), link("ens9")),  # two to spare
        (link("eth0"), link("wlp7s0")),  # two are missing
        (link("eth0"), link("eth2")),  # nothing to spare
        (link("eth0"), link("eth2"), vlan("x", "eth0", 3)),  # no real device
    ],
)
def test_nothing_is_guessed(links: tuple[dict[str, Any], ...]) -> None:
    preparation = judged(*links)
    assert preparation.devices == {}
    assert all("cables tell" in one.help for one in found(preparation, "device-missing"))


def test_what_an_area_has_that_is_left_is_not_to_spare() -> None:
    links = (link("eth0"), link("eth2"), link("lan9"))
    assert judged(*links).devices == {"eth3": "lan9"}
    assert judged(*links, want=wanted(left=(Use("area", "barn", "lan9"),))).devices == {}


def test_one_device_is_never_suggested_for_two() -> None:
    uses = (Use("area", "office", "eth1"), Use("area", "barn", "eth2"))
    assert len(judged(link("eth9"), want=wanted(*uses)).devices) == 1


def test_a_cable_that_is_not_in() -> None:
    down = link("eth2", flags=["UP", "NO-CARRIER"])
    assert only(judged(LINKS[1], down, LINKS[3]), "no-carrier").severity == "warning"
    off = judged(LINKS[1], link("eth2", flags=[]), LINKS[3])
    assert told(off) == ["device-off"] and off.ok


def test_a_socket_that_is_slower_than_its_line() -> None:
    slow: Mapping[str, bytes] = {"/sys/class/net/eth0/speed": b"10\n"}
    assert "10 Mbit/s, and line copper has 40 Mbit/s" in (
        only(judged(files=slow), "device-slow").message
    )
    assert judged(files={"/sys/class/net/eth0/speed": b"100\n"}).ok
    assert told(judged(files={"/sys/class/net/eth2/speed": b"10\n"})) == []  # an area


def test_a_device_that_belongs_to_something_else() -> None:
    assert (
        "bridge0" in only(judged(*LINKS[:3], link("eth3", master="bridge0")), "device-within").help
    )
    uses = (Use("line", "copper", "lo"), Use("area", "office", "eth3.40"))
    unfit = judged(*LINKS, vlan("eth3.40", "eth3", 40), want=wanted(*uses))
    assert len(found(unfit, "device-unfit")) == 2


def test_a_vlan_that_is_there_already() -> None:
    assert told(judged(*LINKS, vlan("eth3.40", "eth3", 40))) == []
    for other in (vlan("eth3.40", "eth3", 41), vlan("eth3.40", "eth2", 40), link("eth3.40")):
        assert only(judged(*LINKS, other), "vlan-otherwise").severity == "error"


def test_what_hangs_on_one_device() -> None:
    lines = (Use("line", "a", "eth0", 7), Use("line", "b", "eth0", 8))
    assert told(judged(want=wanted(*lines))) == ["lines-share-device"]
    beside = (Use("line", "a", "eth0", 7), Use("area", "office", "eth0", 8))
    assert told(judged(want=wanted(*beside))) == ["line-beside-area"]


def test_no_devices_are_known() -> None:
    assert told(judged(said={LINK: Said(1, b"")})) == ["devices-unknown"]


# --- somebody else -------------------------------------------------------------------------------


def others(
    text: str, *uses: Use, running: str = "", path: str = "/etc/network/interfaces"
) -> Preparation:
    files = {path: text.encode(), "/proc/9/cmdline": running.encode()}
    return judged(files=files, want=wanted(*uses))


def test_an_area_that_asks_for_an_address() -> None:
    preparation = others("auto eth2\niface eth2 inet dhcp\n")
    one = only(preparation, "device-of-another")
    assert one.severity == "error" and not preparation.ok
    assert "/etc/network/interfaces, line 2" in one.message
    assert "iface eth2 inet manual" in one.help and one.files == {}


@pytest.mark.parametrize("text", ["iface eth2 inet dhcp", "auto eth2\niface eth2 inet static"])
def test_what_does_less_harm_is_a_warning(text: str) -> None:
    preparation = others(text)
    assert only(preparation, "device-of-another").severity == "warning" and preparation.ok


def test_a_device_that_is_left_alone() -> None:
    assert told(others("auto eth2\niface eth2 inet manual\n")) == []


def test_a_line_that_is_told_its_address_keeps_whoever_asks() -> None:
    assert told(others("auto eth0\niface eth0 inet dhcp\n", MAST)) == ["device-kept-by"]
    assert told(others("", MAST)) == ["line-without-client"]
    tagged = Use("line", "mast", "eth0", 7, automatic=True)
    assert "device-of-another" in told(others("auto eth0\niface eth0 inet dhcp\n", tagged))
    lent = {"ifname": "eth0", "addr_info": [
        {"family": "inet", "local": "203.0.113.9", "prefixlen": 29, "dynamic": True}]}  # fmt: skip
    assert told(judged(said={ADDRESS: said([lent])}, want=wanted(MAST))) == []


def test_systemd_networkd_gets_a_file_of_its_own_beside_theirs() -> None:
    path = "/etc/systemd/network/20-lan.network"
    one = only(
        others("[Match]\nName=eth2\n[Network]\nDHCP=yes\n", path=path,
               running="/lib/systemd/systemd-networkd\0"),
        "device-of-another",
    )  # fmt: skip
    assert path not in one.files and path in one.message
    new = {"/etc/systemd/network/00-eth2.network": b"[Match]\nName=eth2\n\n[Link]\nUnmanaged=yes\n"}
    assert {name: text.encode() for name, text in one.files.items()} == new
    running = {"/proc/9/cmdline": b"/lib/systemd/systemd-networkd\0", path: b"[Match]\nName=eth2\n"}
    assert told(judged(files={**running, **new})) == ["routes-taken-away"]


def test_what_is_proposed_for_routes_is_enough() -> None:
    running: dict[str, bytes] = {"/proc/9/cmdline": b"/lib/systemd/systemd-networkd\0"}
    one = only(judged(files=running), "routes-taken-away")
    proposed = {name: text.encode() for name, text in one.files.items()}
    assert told(judged(files={**running, **proposed})) == []


def test_what_is_proposed_for_network_manager_is_enough() -> None:
    running: dict[str, bytes] = {"/proc/9/cmdline": b"/usr/sbin/NetworkManager\0"}
    first = judged(files=running)
    assert len(found(first, "device-of-another")) == 3 and first.ok
    proposed = {n: t.encode() for one in first.findings for n, t in one.files.items()}
    for name, text in proposed.items():
        assert text.startswith(b"[keyfile]\nunmanaged-devices+=") and name.endswith(".conf")
    assert told(judged(files={**running, **proposed})) == []


def test_a_client_that_runs() -> None:
    one = only(others("", running="/sbin/dhclient\0eth2\0"), "device-of-another")
    assert one.severity == "error" and "process 9 (dhclient)" in one.message


def test_a_name_that_could_be_taken_for_syntax_is_written_into_no_file() -> None:
    want = wanted(Use("area", "office", "e]\x1b;#"))
    preparation = judged(
        link("e]\x1b;#"), files={"/proc/9/cmdline": b"/usr/sbin/NetworkManager\0"}, want=want
    )
    assert all(one.files == {} for one in preparation.findings)
    assert "\x1b" not in "".join(preparation.lines())


# --- the machine ---------------------------------------------------------------------------------


def test_packages_and_how_to_get_them() -> None:
    dpkg = {
        ("dpkg-query", "-W"): Said(1, DPKG.replace(b"nftables\t1\tinstalled", b"nftables\t\tnot"))
    }
    preparation = judged(said=dpkg, want=wanted(packages={"dnsmasq": "answers DHCP"}))
    assert told(preparation) == ["package-missing", "package-missing"]
    assert preparation.install == ("dnsmasq", "nftables")
    assert preparation.commands == ("apt-get update", "apt-get install dnsmasq nftables")
    assert "  apt-get install dnsmasq nftables" in preparation.lines()
    less = {("dpkg-query", "-W"): Said(1, DPKG.replace(b"conntrack", b"other"))}
    assert only(judged(said=less), "package-missing").severity == "warning" and judged(said=less).ok
    assert told(judged(said={("dpkg-query", "-W"): None})) == ["packages-unknown"]


def test_rules_of_others() -> None:
    tables = {
        "nftables": [{"table": {"family": "inet", "name": n}} for n in ("netcharter", "filter")]
    }
    one = only(judged(said={TABLES: said(tables)}), "table-of-another")
    assert one.about == "inet filter"
    assert told(judged(said={TABLES: None})) == ["rules-unknown"]


@pytest.mark.parametrize(
    ("state", "expected"), [("enabled", True), ("disabled", False), ("", True)]
)
def test_units_of_others(state: str, expected: bool) -> None:
    unit = (
        b"[Service]\nExecStart=/sbin/nft -f /etc/nftables.conf\nExecStop=/sbin/nft flush ruleset\n"
    )
    preparation = judged(
        files={"/lib/systemd/system/nftables.service": unit},
        said={UNITS: Said(0, f"nftables.service {state} enabled\n".encode()) if state else None},
    )
    assert told(preparation) == (["unit-loads-rules"] if expected else [])
    if expected:
        assert "empties the whole ruleset" in preparation.findings[0].message


def test_a_kernel_without_vlans_matters_only_with_vlans() -> None:
    config = {
        f"/boot/config-{RELEASE}": CONFIG.replace(
            "CONFIG_VLAN_8021Q=m", "# CONFIG_VLAN_8021Q is not set"
        ).encode()
    }
    assert only(judged(files=config), "kernel-lacks").about == "VLAN tags"
    assert told(judged(files=config, want=wanted(Use("area", "office", "eth2")))) == []


def test_only_what_the_kit_asks_for_is_needed() -> None:
    config = CONFIG.replace("CONFIG_NFT_LOG=y", "# CONFIG_NFT_LOG is not set").encode()
    files = {f"/boot/config-{RELEASE}": config}
    assert told(judged(files=files)) == []
    want = Wanted((), ruleset=' log prefix "x"')
    assert told(judged(files=files, want=want)) == ["kernel-lacks"]


def test_unknown_is_an_answer() -> None:
    files: dict[str, bytes | None] = {f"/boot/config-{RELEASE}": None}
    preparation = judged(files=files)
    assert told(preparation) == ["kernel-unknown"] and preparation.ok


def test_versions() -> None:
    nft = {NFT: Said(0, b"nftables v0.9.8 (E.D.S.)\n")}
    assert told(judged(said=nft)) == ["nft-old"]
    assert told(judged(said={NFT: Said(0, b"nftables v1.1.3 (x)\n")})) == ["nft-untried"]
    release = {"/proc/sys/kernel/osrelease": b"5.10.0-9-amd64\n"}
    assert "kernel-old" in told(judged(files=release))
    for fine in (b"6.18.44", b"6.1.0-27-amd64", b"not a version"):
        assert "kernel-old" not in told(judged(files={"/proc/sys/kernel/osrelease": fine}))


def test_modules_of_another_kernel_only() -> None:
    release = {"/proc/sys/kernel/osrelease": b"6.1.0-26-amd64\n"}
    assert "start the machine anew" in only(judged(files=release), "kernel-replaced").help


def test_room() -> None:
    little = {"/proc/meminfo": b"MemAvailable: 117000 kB\n"}
    assert only(judged(files=little), "room-short").about == "memory"
    assert told(judged(files={"/proc/meminfo": b"MemAvailable: 118000 kB\n"})) == []
    many = wanted(versions=20_000)
    assert only(judged(want=many), "room-short").about == "disk"
    assert judged().as_json()["needs"] == {"memory": 120_300_000, "disk": 20 * (300_000 + 65_536)}
    unknown = judged(files={"/proc/meminfo": None}, said={("df", "-P", "-k", "/var/lib"): None})
    assert told(unknown) == ["room-unknown", "room-unknown"]


def test_the_clock() -> None:
    off = {CLOCK: Said(0, b"NTPSynchronized=no\n")}
    assert "hours" in only(judged(said=off, want=wanted(timed=True)), "clock-off").message
    assert "hours" not in only(judged(said=off), "clock-off").message
    assert told(judged(said={CLOCK: Said(1, b"")})) == ["clock-unknown"]


def test_no_clock_is_advised_that_would_take_the_kit_s_own_away() -> None:
    """Debian's packages chrony and systemd-timesyncd: each conflicts with any other `time-daemon`."""
    off = {CLOCK: Said(0, b"NTPSynchronized=no\n")}
    assert "systemd-timesyncd" in only(judged(said=off), "clock-off").help
    own = wanted(packages={"chrony": "sets the clock"})
    found = only(judged(said=off, want=own), "clock-off").help
    assert "time servers" in found and "apt-get" not in found


# --- area by area --------------------------------------------------------------------------------


def test_an_area_left_on_this_very_machine_would_be_cut_off() -> None:
    barn = (Use("area", "barn", "eth5"),)
    held = {"ifname": "eth5", "addr_info": [
        {"family": "inet", "local": "192.0.2.1", "prefixlen": 24, "scope": "global"}]}  # fmt: skip
    here = judged(*LINKS, link("eth5"), said={ADDRESS: said([held])}, want=wanted(left=barn))
    assert only(here, "left-on-this-machine").severity == "error"
    assert told(judged(*LINKS, link("eth5"), want=wanted(left=barn))) == []
    assert told(judged(want=wanted(left=barn))) == []


# --- from a charter ------------------------------------------------------------------------------

CHARTER = """\
charter: 1
site: {name: T, timezone: Europe/London}
lines:
  copper: {device: eth0, vlan: 7, address: 203.0.113.10/29, rate: {down: 40 Mbit/s, up: 8 Mbit/s}}
  mast: {device: eth1, address: automatic, role: standby}
areas:
  office: {device: eth2, hosts: 3}
  barn: {device: eth5, hosts: 3}
rules:
  - {let: office, reach: internet, with: https, until: 2027-03-31, because: x, contact: y}
"""


def test_what_a_charter_wants() -> None:
    charter = read(CHARTER, "c").charter
    assert charter is not None
    assert uses_of(charter)[:2] == (
        Use("line", "copper", "eth0", 7, rate=40_000_000),
        Use("line", "mast", "eth1", automatic=True),
    )
    want = wanted_of(charter, {"nftables.nft": b"masquerade", "x": b"12"}, ["barn"])
    assert [one.name for one in want.uses] == ["copper", "mast", "office"]
    assert [one.name for one in want.left] == ["barn"]
    assert (want.ruleset, want.kit_bytes, want.timed) == ("masquerade", 12, True)
    plain = read(CHARTER.replace("until: 2027-03-31, ", ""), "c").charter
    assert plain is not None and not wanted_of(plain, {}).timed


def test_what_the_steward_has_begun_beside_itself_needs_dbus() -> None:
    """systemd-run(1) asks the service manager over D-Bus."""
    lists = "lists:\n  seen: {of: addresses, from: 'https://lists.example.org/seen'}\n"
    lists += "hostile: {lists: [seen]}\n"
    for text, needs in (
        (CHARTER, False),
        (CHARTER + lists, True),
        (CHARTER.replace("address: automatic", "address: automatic, prefix: delegated"), True),
    ):
        charter = read(text, "c").charter
        assert charter is not None
        kit = render(make_plan(charter)).files
        assert ("dbus" in wanted_of(charter, kit).packages) is needs


# --- the whole -----------------------------------------------------------------------------------


def test_json_and_text_say_the_same_in_the_same_order() -> None:
    preparation = judged(link("eth0"), said={CLOCK: None})
    shape = json.loads(json.dumps(preparation.as_json()))
    text = "\n".join(preparation.lines())
    assert shape["ok"] is False
    for one in shape["findings"]:
        assert f"{one['severity']}: {one['message']} [{one['id']}]\n  {one['help']}" in text
        assert one["id"] in PREPARING
    weights = [{"error": 0, "warning": 1, "note": 2}[one["severity"]] for one in shape["findings"]]
    assert weights == sorted(weights)
