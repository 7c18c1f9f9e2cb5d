"""Settings and leases of dnsmasq.

Every line here is written by us after the options of dnsmasq(8); the forms of `dhcp-host`,
`dhcp-range` and `dhcp-option` are those that page documents (dnsmasq 2.90 takes all of them in its
own check of settings). The lease file has no page: its form is that which dnsmasq 2.90 writes.
"""

from __future__ import annotations

from datetime import UTC, datetime
from ipaddress import ip_address, ip_network

import pytest

from netcharter.tasks.inheriting.dnsmasq import read_leases, read_settings
from netcharter.tasks.inheriting.shapes import Held, Pool, Reservation

LAPTOP, TABLET = 0x020000AA0001, 0x020000AA0006


def settings(text: str) -> Held:
    return read_settings(text, "dnsmasq.conf")


def only(text: str) -> Reservation:
    """The one reservation of a line that is read without a word."""
    found = settings(text)
    assert found.problems == ()
    (one,) = found.reservations
    return one


def pool(text: str) -> Pool:
    found = settings(text)
    assert found.problems == ()
    (one,) = found.pools
    return one


@pytest.mark.parametrize(
    ("text", "name", "hardware", "addresses"),
    [
        ("02:00:00:aa:00:01,10.20.10.10", "", (LAPTOP,), ("10.20.10.10",)),
        ("02:00:00:aa:00:01,laptop", "laptop", (LAPTOP,), ()),
        ("02:00:00:aa:00:01,laptop,10.20.10.10,infinite", "laptop", (LAPTOP,), ("10.20.10.10",)),
        ("02:00:00:aa:00:01,10.20.10.10,laptop,45m", "laptop", (LAPTOP,), ("10.20.10.10",)),
        ("laptop,10.20.10.10", "laptop", (), ("10.20.10.10",)),
        ("02:00:00:AA:00:01,02:00:00:aa:00:06,10.20.10.10", "", (LAPTOP, TABLET), ("10.20.10.10",)),
        ("01-02:00:00:aa:00:01,10.20.10.10", "", (LAPTOP,), ("10.20.10.10",)),
        ("02:00:00:aa:00:01,id:*,laptop", "laptop", (LAPTOP,), ()),
        ("02:00:00:aa:00:01,set:staff,tag:office,laptop", "laptop", (LAPTOP,), ()),
        ("02:00:00:aa:00:01,[2001:db8:1::10],laptop", "laptop", (LAPTOP,), ("2001:db8:1::10",)),
        ("02:0:0:aa:0:1,laptop", "laptop", (LAPTOP,), ()),
    ],
)
def test_documented_forms_of_dhcp_host(
    text: str, name: str, hardware: tuple[int, ...], addresses: tuple[str, ...]
) -> None:
    one = only(f"dhcp-host={text}")
    assert (one.name, one.hardware) == (name, hardware)
    assert one.addresses == tuple(map(ip_address, addresses))


def test_a_tag_of_dhcp_host_tells_where_it_belongs_and_a_comment_is_kept() -> None:
    one = only("dhcp-host=02:00:00:aa:00:01,tag:office,laptop  # the warden's #1")
    assert (one.area, one.note, one.ignored) == ("office", "the warden's #1", False)
    assert one.span.line == 1 and one.span.column == 1
    assert only("dhcp-host=02:00:00:aa:00:01,ignore").ignored


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("id:01:02:03,10.20.10.10", "client identifier only"),
        ("00:20:e0:3b:13:*,ignore", "gaps"),
        ("06-00:20:e0:3b:13:af,10.20.10.10", "not Ethernet's"),
        ("02:00:00:aa:00:01,[::56]", "without its prefix"),
        ("02:00:00:aa:00:01,[2001:db8::50/126]", "more than one"),
    ],
)
def test_what_a_charter_has_no_words_for_is_a_note(text: str, reason: str) -> None:
    (problem,) = settings(f"dhcp-host={text}").problems
    assert (problem.id, problem.severity) == ("entry-left-out", "note")
    assert reason in problem.message


@pytest.mark.parametrize(
    ("text", "first", "last", "network", "tag", "device"),
    [
        ("10.20.10.50,10.20.10.150,12h", "10.20.10.50", "10.20.10.150", None, "", ""),
        ("set:red,10.20.10.50,10.20.10.150,255.255.255.0,12h", "10.20.10.50", "10.20.10.150",
         "10.20.10.0/24", "red", ""),
        ("red,10.20.10.50,10.20.10.150", "10.20.10.50", "10.20.10.150", None, "red", ""),
        ("tag:eth2,10.20.10.50,10.20.10.150", "10.20.10.50", "10.20.10.150", None, "", "eth2"),
        ("10.20.10.0,static,255.255.255.0", None, None, "10.20.10.0/24", "", ""),
        ("10.20.10.0,static", None, None, None, "", ""),
        ("10.20.10.50,10.20.10.150,255.255.255.0,10.20.10.255,1h", "10.20.10.50", "10.20.10.150",
         "10.20.10.0/24", "", ""),
        ("2001:db8:1::100,2001:db8:1::1ff,64,12h", "2001:db8:1::100", "2001:db8:1::1ff",
         "2001:db8:1::/64", "", ""),
        ("2001:db8:1::,ra-only", None, None, "2001:db8:1::/64", "", ""),
        ("::1,::400,constructor:eth0,ra-names,64,12h", None, None, None, "", "eth0"),
        ("::,constructor:eth3.20,slaac", None, None, None, "", "eth3.20"),
    ],
)  # fmt: skip
def test_documented_forms_of_dhcp_range(
    text: str, first: str | None, last: str | None, network: str | None, tag: str, device: str
) -> None:
    one = pool(f"dhcp-range={text}")
    assert one.first == (ip_address(first) if first else None)
    assert one.last == (ip_address(last) if last else None)
    assert one.network == (ip_network(network) if network else None)
    assert (one.tag, one.device) == (tag, device)


def test_routers_come_from_options_with_the_same_tag_or_the_same_network() -> None:
    found = settings(
        "dhcp-range=set:red,10.20.10.50,10.20.10.150,255.255.255.0\n"
        "dhcp-range=set:blue,10.20.20.50,10.20.20.150,255.255.255.0\n"
        "dhcp-range=set:green,10.20.30.50,10.20.30.150,255.255.255.0\n"
        "dhcp-option=tag:red,option:router,10.20.10.254\n"
        "dhcp-option=3,10.20.20.1\n"
        "dhcp-option=tag:red,option:ntp-server,10.20.10.2\n"
    )
    assert found.problems == ()
    routers = [[str(router) for router in one.routers] for one in found.pools]
    assert routers == [["10.20.10.254"], ["10.20.20.1"], []]


def test_the_rest_of_the_settings_is_heard_or_passed_over() -> None:
    found = settings(
        "# a comment\n\nno-resolv\nserver=192.0.2.53\naddress=/example.test/192.0.2.1\n"
        "interface=eth2,eth3.20\ninterface=lo\nlisten-address=10.20.10.1,127.0.0.1\n"
        "domain=example.test,10.20.0.0/16\nconf-dir=/etc/dnsmasq.d/,*.conf\n"
        "conf-file=/etc/more.conf\ndhcp-hostsfile=/etc/hosts.dhcp\n"
    )
    assert found.devices == ("eth2", "eth3.20", "lo")
    assert found.domains == ("example.test",)
    assert found.addresses == (ip_address("10.20.10.1"),)
    assert [p.id for p in found.problems] == ["file-not-followed"] * 3
    assert "/etc/dnsmasq.d/" in found.problems[0].message


@pytest.mark.parametrize(
    "text",
    ["what is this", "dhcp-range=laptop", "dhcp-range=10.20.10.9,10.20.10.1", "dhcp-range=10.0.0.1",
     "dhcp-host=02:00:00:aa:00:01,a b", "= 3"],
)  # fmt: skip
def test_what_is_no_setting_is_told_with_its_place(text: str) -> None:
    (problem,) = settings(f"no-resolv\n{text}\n").problems
    assert problem.id == "entry-not-read" and problem.span.line == 2


def test_leases_of_both_families() -> None:
    found = read_leases(
        "1767225600 02:00:00:aa:00:01 10.20.10.101 laptop 01:02:00:00:aa:00:01\n"
        "0 02:00:00:aa:00:06 10.20.10.102 * *\n"
        "1767225600 06-00:20:e0:3b:13:af 10.20.10.103 ring *\n"
        "duid 00:01:00:01:2a:aa\n"
        "1767225600 T123456 2001:db8:1::15 laptop 00:01:00:01:2a:bb\n"
        "1767225600 987654 2001:db8:1::16 * 00:01:00:01:2a:cc\n",
        "leases",
    )
    assert found.problems == ()
    first, forever, ring, temporary, six = found.leases
    assert (first.name, first.hardware, str(first.address)) == ("laptop", LAPTOP, "10.20.10.101")
    assert first.until == datetime(2026, 1, 1, tzinfo=UTC)
    assert (forever.until, forever.name, forever.hardware) == (None, "", TABLET)
    assert ring.hardware is None
    assert str(temporary.address) == "2001:db8:1::15" and temporary.client.startswith("00:01")
    assert (six.name, six.hardware) == ("", None)


@pytest.mark.parametrize(
    "text",
    ["x 02:00:00:aa:00:01 10.20.10.101 a *", "1 02:00:00:aa:00:01 10.20.10.300 a *", "1 2 3",
     "1 nonsense 10.20.10.101 a *", "1 02:00:00:aa:00:01 224.0.0.1 a *",
     "99999999999999999999 02:00:00:aa:00:01 10.20.10.101 a *"],
)  # fmt: skip
def test_what_is_no_lease_is_told(text: str) -> None:
    found = read_leases(f"{text}\n1 02:00:00:aa:00:01 10.20.10.101 a *\n", "leases")
    assert len(found.leases) == 1
    assert [(p.id, p.span.line) for p in found.problems] == [("entry-not-read", 1)]
