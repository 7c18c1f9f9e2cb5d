"""Network devices, addresses and routes of a gateway.

The shape of the JSON is iproute2's own: the last tests ask the `ip` of this machine.
"""

from __future__ import annotations

import json
from ipaddress import ip_interface, ip_network
from pathlib import Path

import pytest

from netcharter.tasks.inheriting.host import host_facts
from tests.kernel.namespace import run
from tests.tasks.inheriting.old_gateway import FOLDER, host


def test_the_old_gateway_of_the_example() -> None:
    found = host()
    assert found.problems == ()
    by_name = {device.name: device for device in found.devices}
    assert "lo" not in by_name
    assert by_name["eth0"].addresses == (
        ip_interface("203.0.113.10/29"), ip_interface("2001:db8:7aff::2/64")
    )  # fmt: skip
    assert by_name["eth1"].learnt and not by_name["eth0"].learnt
    tagged = by_name["eth3.20"]
    assert (tagged.parent, tagged.vlan, tagged.kind) == ("eth3", 20, "vlan")
    assert not by_name["eth6"].up
    ways = [(str(w.network), str(w.next_hop), w.device, w.metric) for w in found.ways
            if w.network.prefixlen == 0]  # fmt: skip
    assert ways == [
        ("0.0.0.0/0", "203.0.113.9", "eth0", 100),
        ("0.0.0.0/0", "192.0.2.65", "eth1", 200),
        ("::/0", "2001:db8:7aff::1", "eth0", 1024),
    ]


def test_spans_point_at_the_entry_in_the_text() -> None:
    text = (FOLDER / "addresses.json").read_text("utf-8").split("\n")
    for device in host().devices:
        line = text[device.span.line - 1]
        assert line[device.span.column - 1 : device.span.end_column - 1] == (
            f'"ifname":"{device.name}"'
        )


def test_a_text_on_one_line_has_its_places_too() -> None:
    text = json.dumps(json.loads((FOLDER / "addresses.json").read_text("utf-8")))
    found = host_facts(text)
    spans = [device.span for device in found.devices]
    assert {span.line for span in spans} == {1} and len(set(spans)) == len(spans)


def test_several_next_hops_are_several_ways() -> None:
    routes = [
        {"dst": "default", "metric": 5, "flags": [], "nexthops": [
            {"gateway": "203.0.113.9", "dev": "eth0", "weight": 3, "flags": []},
            {"gateway": "192.0.2.65", "dev": "eth1", "weight": 1, "flags": []}]},
        {"type": "blackhole", "dst": "10.0.0.0/8", "flags": []},
        {"type": "local", "dst": "10.20.10.1", "dev": "eth2", "table": "local", "flags": []},
        {"dst": "10.99.0.0/16", "via": {"family": "inet6", "host": "fe80::1"}, "dev": "eth2"},
        {"dst": "default", "gateway": "fe80::9", "dev": "eth0", "pref": "medium"},
        {"dst": "default", "dev": "wg0", "scope": "link", "table": 51},
    ]  # fmt: skip
    found = host_facts("[]", [json.dumps(routes)])
    told = [(str(w.network), str(w.next_hop), w.device, w.weight, w.shared, w.table)
            for w in found.ways]  # fmt: skip
    assert told == [
        ("0.0.0.0/0", "203.0.113.9", "eth0", 3, True, "main"),
        ("0.0.0.0/0", "192.0.2.65", "eth1", 1, True, "main"),
        ("10.99.0.0/16", "fe80::1", "eth2", 1, False, "main"),
        ("::/0", "fe80::9", "eth0", 1, False, "main"),
        ("0.0.0.0/0", "None", "wg0", 1, False, "51"),
    ]


def test_addresses_that_are_advertised_and_those_of_the_link_are_left_out() -> None:
    entry = {"ifname": "eth0", "flags": ["UP"], "address": "02:00:00:aa:fe:02", "addr_info": [
        {"family": "inet6", "local": "2001:db8::5", "prefixlen": 64, "scope": "global",
         "dynamic": True},
        {"family": "inet6", "local": "fe80::5", "prefixlen": 64, "scope": "link"},
        {"family": "inet", "local": "203.0.113.7", "address": "203.0.113.1", "prefixlen": 32,
         "scope": "global"}]}  # fmt: skip
    (device,) = host_facts(json.dumps([{}, entry])).devices
    assert device.addresses == (ip_interface("203.0.113.7/32"),)
    assert not device.learnt


@pytest.mark.kernel
def test_the_ip_of_this_machine_is_understood(tmp_path: Path) -> None:
    """The foreign judge: iproute2 prints what the kernel has."""
    script = """
    ip link set dev lo up
    for device in eth0 eth1 eth2; do
        ip link add name $device type veth peer name peer-$device
        ip link set dev $device up; ip link set dev peer-$device up
    done
    ip link add name br0 type bridge; ip link set dev eth2 master br0; ip link set dev br0 up
    ip address add 203.0.113.10/29 dev eth0
    ip address add 192.0.2.77/26 dev eth1 valid_lft 3600 preferred_lft 3600
    ip address add 10.20.10.1/24 dev br0
    ip -6 address add 2001:db8:7aff::2/64 dev eth0 nodad
    ip route add default metric 7 nexthop via 203.0.113.9 dev eth0 weight 2 \\
        nexthop via 192.0.2.65 dev eth1
    ip route add 10.99.0.0/16 via 10.20.10.9 dev br0
    ip -6 route add default via 2001:db8:7aff::1 dev eth0
    ip -j -d address > addresses.json; ip -j address > short.json
    ip -j route > routes.json; ip -j -6 route > routes6.json
    """
    run(script, tmp_path)
    texts = [(tmp_path / name).read_text() for name in ("routes.json", "routes6.json")]
    for name in ("addresses.json", "short.json"):
        found = host_facts((tmp_path / name).read_text(), texts)
        assert found.problems == ()
        by_name = {device.name: device for device in found.devices}
        assert {"eth0", "eth1", "eth2", "br0", "peer-eth0"} <= by_name.keys()
        assert by_name["eth0"].addresses == (
            ip_interface("203.0.113.10/29"), ip_interface("2001:db8:7aff::2/64")
        )  # fmt: skip
        assert by_name["eth1"].learnt and not by_name["eth0"].learnt
        assert by_name["eth2"].within == "br0"
        assert by_name["eth0"].hardware and by_name["eth0"].up
        default = [w for w in found.ways if w.network.prefixlen == 0]
        assert [(w.device, w.weight, w.shared, w.metric) for w in default] == [
            ("eth0", 2, True, 7), ("eth1", 1, True, 7), ("eth0", 1, False, 1024)
        ]  # fmt: skip
        assert [str(w.next_hop) for w in found.ways if w.network == ip_network("10.99.0.0/16")] == [
            "10.20.10.9"
        ]
    assert by_name["br0"].kind == ""  # without -d, `ip` does not tell
