"""A whole site in a lab: who reaches whom over real sockets, and what can be done with it."""

from __future__ import annotations

import json
import os
import socket
import struct
from collections.abc import Iterator
from ipaddress import ip_address
from pathlib import Path

import pytest
from pyroute2 import NFCTSocket  # type: ignore[import-untyped]

from netcharter.lab import isolation, tools
from netcharter.lab.apart import NAMESPACES, apart
from netcharter.lab.site import Site
from netcharter.lab.topology import BY_THE_GATEWAY
from netcharter.lab.trouble import CommandFailed
from netcharter.lab.world import world
from netcharter.plan import labels
from netcharter.plan.coding import hardware_text
from netcharter.plan.shapes import When
from netcharter.probes.shapes import GATEWAY, Station
from netcharter.render import render
from tests.lab.sites import Seen, at_site, demo, each_way, possible, stations, tcp, udp

pytestmark = pytest.mark.kernel

LAPTOP, LAPTOP6, LOCAL6 = "10.73.0.30", "2001:db8:7a00:1::1e", "fd5c:7a11:b0e:1::1e"
BOOKING, BOOKING6 = "10.73.0.118", "2001:db8:7a00:7::6"
TILL, TILL6 = "10.73.0.102", "2001:db8:7a00:4::6"
PUBLIC, MAST = "203.0.113.10", "100.64.77.2"
ANYBODY, ANYBODY6 = "9.9.9.9", "2620:fe::fe"  # far away; nobody is named by the charter there


def counted(site: Site, before: dict[str, int]) -> dict[str, int]:
    """Counters that changed, by how much."""
    return {k: n - before[k] for k, n in site.counters().items() if n != before[k]}


def row(label: str) -> str:
    return labels.row_name(label)


# Who asks, from where, who should hear it, what is addressed; what is seen, which decision counts.
TALKS: tuple[tuple[tuple[str, str, str, str, int], Seen, str], ...] = (
    (("duty-laptop", "", "copper", ANYBODY, 443), Seen("answered", PUBLIC, ANYBODY), "rule 4"),
    (
        ("duty-laptop", LAPTOP6, "copper", ANYBODY6, 443),
        Seen("answered", LAPTOP6, ANYBODY6),
        "rule 4",
    ),
    # the next machine on the line's own network is somebody on the internet, too
    (
        ("duty-laptop", "", "copper", "203.0.113.11", 443),
        Seen("answered", PUBLIC, "203.0.113.11"),
        "rule 4",
    ),
    (("duty-laptop", LOCAL6, "copper", ANYBODY6, 443), Seen("reset"), "local-prefix"),
    (("duty-laptop", "", "till-1", TILL, 80), Seen("reset"), "default"),
    (("duty-laptop", LAPTOP6, "till-1", TILL6, 80), Seen("reset"), "default"),
    (("copper", ANYBODY, "booking", PUBLIC, 443), Seen("answered", ANYBODY, BOOKING), "offer 1"),
    (
        ("copper", ANYBODY6, "booking", BOOKING6, 443),
        Seen("answered", ANYBODY6, BOOKING6),
        "offer 1 (IPv6)",
    ),
    (("duty-laptop", "", "booking", PUBLIC, 443), Seen("answered", LAPTOP, BOOKING), "offer 1"),
    (("booking", "", "booking", PUBLIC, 443), Seen("answered", "10.73.0.113", BOOKING), "offer 1"),
    (("copper", ANYBODY, "booking", PUBLIC, 80), Seen("silent"), "default"),
)


@each_way
def test_stations_reach_each_other_as_the_kit_lets_them(as_user: bool) -> None:
    possible(as_user)

    def work(site: Site) -> list[tuple[Seen, dict[str, int]]]:
        found = []
        for asked, _, _ in TALKS:
            before = site.counters()
            seen = tcp(site, *asked)
            found.append((seen, counted(site, before)))
        return found

    for (asked, seen, label), (really, counts) in zip(
        TALKS, at_site(demo(), work, as_user), strict=True
    ):
        assert really == seen, asked
        assert set(counts) == {row(label)}, asked
        assert seen.outcome == "silent" or counts[row(label)] == 1, asked


def test_a_neighbour_on_the_line_who_addresses_an_inside_host_hears_nothing() -> None:
    possible(as_user=False)

    def work(site: Site) -> tuple[Seen, dict[str, int]]:
        before = site.counters()
        asked = ("copper", ANYBODY, "booking", BOOKING, 443, BY_THE_GATEWAY)
        return tcp(site, *asked), counted(site, before)

    seen, counts = at_site(demo(), work)
    assert seen == Seen("silent")
    assert set(counts) == {row("default")}


def test_refusals_come_back_each_time_however_many() -> None:
    """The kernel would let six to one sender through in a burst, and fifty altogether (icmp(7) and
    the kernel's ip-sysctl, whose default for `icmp_ratemask` is 6168; some machines have none).
    """
    possible(as_user=False)

    def work(site: Site) -> list[Seen]:
        with isolation.inside(site.places[GATEWAY].namespace):
            Path("/proc/sys/net/ipv4/icmp_ratemask").write_text("6168", encoding="ascii")
        four = [udp(site, "duty-laptop", LAPTOP, TILL, 9000 + n) for n in range(70)]
        six = [udp(site, "duty-laptop", LAPTOP6, TILL6, 9000 + n) for n in range(70)]
        return four + six

    assert set(at_site(demo(), work)) == {Seen("prohibited")}


def test_no_frame_on_a_switch_is_anybodys_to_decide() -> None:
    possible(as_user=False)

    def work(site: Site) -> set[str]:
        found = set()
        for name in os.listdir(NAMESPACES):
            with isolation.inside(f"{NAMESPACES}/{name}"):
                for key in Path("/proc/sys/net/bridge").glob("bridge-nf-call-*"):
                    found.add(key.read_text(encoding="ascii").strip())
        return found

    assert at_site(demo(), work) <= {"0"}


def test_lines_go_down_and_come_up_again() -> None:
    possible(as_user=False)

    def work(site: Site) -> list[Seen]:
        out = []
        for up in ({"mast"}, set(), {"copper"}, {"copper", "mast"}):
            site.lines(frozenset(up))
            site.forget()
            if up:
                line = "copper" if "copper" in up else "mast"
                out.append(tcp(site, "duty-laptop", "", line, ANYBODY, 443))
            out.append(udp(site, "duty-laptop", LAPTOP, ANYBODY, 123))
            out.append(udp(site, "duty-laptop", LAPTOP6, ANYBODY6, 123))
        return out

    there, refused = Seen("unreachable"), Seen("prohibited")
    by_copper = [Seen("answered", PUBLIC, ANYBODY), there, there]
    assert at_site(demo(), work) == [
        Seen("answered", MAST, ANYBODY),
        there,
        refused,  # its address belongs to the line that is down
        refused,
        refused,
        *by_copper,
        *by_copper,
    ]


def test_a_site_at_rest_is_silent() -> None:
    """Nothing a lab does by itself is counted, also not when lines go and come."""
    possible(as_user=False)

    def work(site: Site) -> tuple[dict[str, int], set[str]]:
        for up in (set[str](), {"mast"}, {"copper", "mast"}):
            site.lines(frozenset(up))
        with isolation.inside(site.places[GATEWAY].namespace):
            # the next question for routers would come after 4 s (RFC 4861 section 10)
            keys = Path("/proc/sys/net/ipv6/conf").glob("eth*/router_solicitations")
            asking = {key.read_text(encoding="ascii").strip() for key in keys}
            waiting = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3))
        with waiting:
            waiting.settimeout(2.5)  # reports of membership come within 1 s (RFC 3810 section 9.11)
            with pytest.raises(TimeoutError):
                waiting.recv(99)
        return site.counters(), asking

    counters, asking = at_site(demo(), work)
    assert set(counters.values()) == {0}
    assert asking == {"0"}


# --- by frames -----------------------------------------------------------------------------------


def checksum(data: bytes) -> int:
    """RFC 1071: 0 over data that holds its own right checksum."""
    total: int = sum(struct.unpack(f"!{len(data) // 2}H", data))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return 0xFFFF - total


def echo(source: str, destination: str) -> bytes:
    """An IPv4 packet with an ICMP echo request (RFC 791, RFC 792)."""
    body = struct.pack("!BBHHH", 8, 0, 0, 7, 1)
    body = struct.pack("!BBHHH", 8, 0, checksum(body), 7, 1)
    head = struct.pack("!BBHHHBBH", 0x45, 0, 28, 1, 0, 64, 1, 0)
    head += socket.inet_aton(source) + socket.inet_aton(destination)
    return head[:10] + struct.pack("!H", checksum(head)) + head[12:] + body


def frames(site: Site, station: str) -> socket.socket:
    place = site.places[station]
    with isolation.inside(place.namespace):
        raw = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3))
    raw.bind((place.device, 3))
    raw.settimeout(2)
    return raw


def test_frames_of_ones_own_making_meet_the_same_decisions() -> None:
    possible(as_user=False)

    def work(site: Site) -> tuple[dict[str, int], bytes]:
        before = site.counters()
        to = bytes.fromhex(f"{site.places[GATEWAY].hardware:012x}")
        own = bytes.fromhex(f"{site.places['duty-laptop'].hardware:012x}")
        with frames(site, "duty-laptop") as raw:
            raw.send(to + own + b"\x08\x00" + echo("192.0.2.1", "10.73.0.1"))  # forged
            raw.send(to + own + b"\x08\x00" + echo(LAPTOP, "10.73.0.1"))
            while (found := raw.recv(2000))[:6] != own:
                pass
            return counted(site, before), found

    counts, answer = at_site(demo(), work)
    assert counts == {row("forged"): 1, row("echo"): 1}
    assert answer[34] == 0  # echo reply
    assert checksum(answer[14:34]) == checksum(answer[34:42]) == 0


def test_what_is_seen_on_the_cables_has_right_checksums() -> None:
    """TCP's is over a pseudo header too (RFC 9293 section 3.1)."""
    possible(as_user=False)

    def work(site: Site) -> list[bytes]:
        with frames(site, "duty-laptop") as near, frames(site, "copper") as far:
            tcp(site, "duty-laptop", "", "copper", ANYBODY, 443)
            tcp(site, "duty-laptop", "", "till-1", TILL, 80)  # reset by the gateway
            return [*_heard(near), *_heard(far)]

    found = at_site(demo(), work)
    assert len(found) > 15
    for frame in found:
        packet = frame[14 : 14 + int.from_bytes(frame[16:18], "big")]
        segment = packet[20:]
        pseudo = packet[12:20] + struct.pack("!HH", 6, len(segment))
        assert checksum(packet[:20]) == 0
        assert checksum(pseudo + segment + b"\0" * (len(segment) % 2)) == 0


def _heard(raw: socket.socket) -> Iterator[bytes]:
    raw.setblocking(False)
    try:
        while True:
            yield raw.recv(2000)
    except BlockingIOError:
        return


def test_nobody_in_an_area_hears_what_is_for_another() -> None:
    possible(as_user=False)

    def work(site: Site) -> list[bytes]:
        with frames(site, "recorder") as raw:
            tcp(site, "duty-laptop", "", "copper", ANYBODY, 443)
            return list(_heard(raw))

    assert at_site(demo(), work) == []


# --- what can be done with it --------------------------------------------------------------------


@each_way
def test_counters_and_forgetting_are_the_kernels_own(as_user: bool) -> None:
    """Against nft's listing, and against pyroute2's list of conversations."""
    possible(as_user)

    def work(site: Site) -> tuple[dict[str, int], str, int, int]:
        tcp(site, "duty-laptop", "", "copper", ANYBODY, 443)
        udp(site, "duty-laptop", LAPTOP, TILL, 9000)
        counters = site.counters()
        with isolation.inside(site.places[GATEWAY].namespace):
            listed = tools.run(("nft", "-j", "list", "counters"))
            before = _conversations()
            site.forget()
            return counters, listed, before, _conversations()

    counters, listed, before, after = at_site(demo(), work, as_user)
    items = [item["counter"] for item in json.loads(listed)["nftables"] if "counter" in item]
    assert counters == {item["name"]: item["packets"] for item in items}
    assert counters[row("rule 4")] == 1
    assert before > 0 and after == 0


def _conversations() -> int:
    with NFCTSocket() as kernel:
        found: list[object] = list(kernel.dump())
        return len(found)


def test_what_is_listed_is_the_kit() -> None:
    possible(as_user=False)
    found = json.loads(at_site(demo(), Site.listing))["nftables"]
    names = {item["counter"]["name"] for item in found if "counter" in item}
    assert names >= {row(each.label) for each in demo().rows if not each.routed}
    assert [item["table"]["name"] for item in found if "table" in item] == ["netcharter"]


def test_what_gate_and_steward_do_can_be_done() -> None:
    """Somebody signs in, and it is not bedtime: sets filled as docs/explanation/kit.md says."""
    possible(as_user=False)
    plan = demo()
    bunk = Station("bunk", "bunkrooms", 0x020000CC0001, (ip_address("10.73.1.9"),))
    open_ = labels.when_set(When(during="lights-out"), False)

    def work(site: Site) -> tuple[Seen, Seen]:
        asked = ("bunk", "", "copper", ANYBODY, 443)
        before = tcp(site, *asked)
        site.nft(
            f'add element inet netcharter {open_} {{ "eth3.30" timeout 1h }}\n'
            f"add element inet netcharter {labels.signed_set(4)} "
            '{ "eth3.30" . 10.73.1.9 . 02:00:00:cc:00:01 timeout 1h }\n'
        )
        return before, tcp(site, *asked)

    assert at_site(plan, work, more=(bunk,)) == (Seen("reset"), Seen("answered", PUBLIC, ANYBODY))


def test_an_automatic_line_has_its_address_where_the_kit_looks_for_it() -> None:
    possible(as_user=False)

    def work(site: Site) -> tuple[str, str]:
        listed = site.listing()
        with isolation.inside(site.places[GATEWAY].namespace):
            return listed, tools.run(("ip", "-j", "address", "show", "dev", "eth1"))

    listed, addresses = at_site(demo(), work)
    sets = {s["set"]["name"]: s["set"] for s in json.loads(listed)["nftables"] if "set" in s}
    assert sets[labels.line_set("mast")]["elem"] == [MAST]
    found = {a["local"] for a in json.loads(addresses)[0]["addr_info"]}
    assert found >= {MAST, "2001:db8:ffff::2"}


@each_way
def test_what_differs_from_the_site_is_told(as_user: bool) -> None:
    possible(as_user)
    told = " ".join(at_site(demo(), lambda site: site.differs, as_user))
    assert "frames carry no VLAN tags: eth3.20" in told
    assert ("piece by piece" in told) is as_user


def test_places_are_where_the_stations_really_are() -> None:
    possible(as_user=False)

    def work(site: Site) -> dict[str, str]:
        found = {}
        for name, place in site.places.items():
            if place.device:
                with isolation.inside(place.namespace):
                    listed = tools.run(("ip", "-j", "link", "show", "dev", place.device))
                found[name] = json.loads(listed)[0]["address"]
        return found

    plan = demo()
    found = at_site(plan, work)
    named = {s.name: hardware_text(s.hardware) for s in stations(plan) if s.hardware}
    assert {name: found[name] for name in named} == named
    assert set(found) == {station.name for station in stations(plan)}


# --- what goes wrong -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("nftables.nft", "table inet broken {", "syntax error"),
        ("routes.batch", "route add 192.0.2.0/24 via 192.0.2.1 dev eth9\n", "eth9"),
        ("sysctl.conf", "net/ipv4/conf/eth9/rp_filter = 0\n", "eth9"),
        ("addresses.batch", "address replace 192.0.2.1/24 dev eth9\n", "eth9"),
    ],
)
def test_a_kit_that_complains_is_told(name: str, text: str, said: str) -> None:
    possible(as_user=False)
    plan = demo()
    files = dict(render(plan).files)
    files[name] += text.encode()

    def work() -> None:
        with Site(plan, files, (), world(plan)):
            pass

    with pytest.raises(CommandFailed) as found:
        apart(work)
    assert said in str(found.value)
