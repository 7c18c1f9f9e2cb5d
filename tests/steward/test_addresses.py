"""Who else lends addresses: what is asked and what is understood, judged by scapy; and real programs."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

import pytest
from scapy.layers.dhcp import BOOTP, DHCP
from scapy.layers.inet import IP, UDP
from scapy.layers.inet6 import ICMPv6ND_RA, ICMPv6ND_RS, IPv6
from scapy.layers.l2 import ARP, Ether
from scapy.packet import Packet

from netcharter.charter.read import read
from netcharter.lab.tools import path_of
from netcharter.plan import make_plan
from netcharter.rollout.reading import fields, written
from netcharter.steward.duties import addresses
from netcharter.steward.schedule import schedule
from netcharter.steward.segments import Heard, Segment, answer, questions
from netcharter.steward.shapes import Clock, Facts, Schedule
from tests.kernel.namespace import run

NOW = datetime(2026, 11, 26, 12, tzinfo=UTC)
OWN, TOKEN, ROGUE = bytes.fromhex("020000000001"), b"\x01\x02\x03\x04", "02:00:00:bb:00:09"
DESK = "02:00:00:aa:00:01"
HALL = Segment("hall", "eth3", "10.40.0.1", True, {"10.40.0.14": frozenset({DESK})})


def asked(segment: Segment = HALL, number: int = 0) -> list[Packet]:
    return [Ether(frame) for frame in questions(segment, OWN, TOKEN, number)]


def test_rfc2131_a_question_for_an_address_wants_its_answer_as_a_broadcast() -> None:
    (frame,) = (one for one in asked() if DHCP in one)
    assert (frame.dst, frame[IP].src, frame[IP].dst) == (
        "ff:ff:ff:ff:ff:ff",
        "0.0.0.0",
        "255.255.255.255",
    )
    assert (frame[UDP].sport, frame[UDP].dport, frame[BOOTP].op) == (68, 67, 1)
    assert frame[BOOTP].flags.B and frame[BOOTP].chaddr[:6] == OWN and len(frame[BOOTP]) >= 300
    assert ("message-type", 1) in frame[DHCP].options
    again = Ether(bytes(frame))
    del again[IP].chksum
    assert Ether(bytes(again))[IP].chksum == frame[IP].chksum


def test_rfc4861_4_1_routers_are_asked_for_by_nobody_in_particular() -> None:
    (frame,) = (one for one in asked() if ICMPv6ND_RS in one)
    assert (frame.dst, frame[IPv6].src, frame[IPv6].dst) == ("33:33:00:00:00:02", "::", "ff02::2")
    assert frame[IPv6].hlim == 255
    again = Ether(bytes(frame))
    del again[ICMPv6ND_RS].cksum
    assert Ether(bytes(again))[ICMPv6ND_RS].cksum == frame[ICMPv6ND_RS].cksum


def test_rfc5227_2_1_1_who_holds_an_address_is_asked_with_no_sender_s_address() -> None:
    probes = [one[ARP] for one in asked() if ARP in one]
    assert {one.pdst for one in probes} == {"10.40.0.1", "10.40.0.14"}
    assert all(
        (one.op, one.psrc, one.hwdst) == (1, "0.0.0.0", "00:00:00:00:00:00") for one in probes
    )


MANY = [f"10.40.{n // 250}.{n % 250 + 1}" for n in range(1, 290)]


def test_every_address_is_asked_in_its_turn_and_no_round_asks_very_many() -> None:
    crowded = Segment("hall", "eth3", "10.40.0.1", True, {one: frozenset({DESK}) for one in MANY})
    rounds = [{p[ARP].pdst for p in asked(crowded, n) if ARP in p} for n in range(7, 7 + 5)]
    assert all("10.40.0.1" in one and len(one) <= 65 for one in rounds)
    assert set().union(*rounds) == {"10.40.0.1", *MANY}
    assert crowded.turns == 5 and HALL.turns == 1


def test_where_somebody_else_lends_nobody_is_asked_for_an_address() -> None:
    other = Segment("barn", "eth5", "10.40.2.1", lends=False)
    assert not [one for one in asked(other) if DHCP in one]
    assert answer(other, OWN, TOKEN, bytes(offer())) is None


def offer(server: str = "10.40.0.77", token: int = 0x01020304, port: int = 68) -> Packet:
    return (
        Ether(src=ROGUE, dst="ff:ff:ff:ff:ff:ff")
        / IP(src=server, dst="255.255.255.255")
        / UDP(sport=67, dport=port)
        / BOOTP(op=2, xid=token, chaddr=OWN)
        / DHCP(options=[("message-type", "offer"), ("server_id", server), "end"])
    )


def said(frame: Packet) -> Heard | None:
    return answer(HALL, OWN, TOKEN, bytes(frame))


def test_an_offer_is_somebody_else_s_unless_it_is_the_gateway_s_or_for_another() -> None:
    assert said(offer()) == Heard("hall", "lends", "10.40.0.77", ROGUE)
    for frame in (offer("10.40.0.1"), offer(token=5), offer(port=67)):
        assert said(frame) is None


def test_an_advertisement_is_believed_only_from_the_link() -> None:
    def frame(source: str = "fe80::9", hops: int = 255) -> Packet:
        return Ether(src=ROGUE) / IPv6(src=source, dst="ff02::1", hlim=hops) / ICMPv6ND_RA()

    assert said(frame()) == Heard("hall", "routes", "fe80::9", ROGUE)
    assert said(frame(hops=64)) is None and said(frame("2001:db8::9")) is None


def test_who_holds_an_address_that_is_another_s_is_heard() -> None:
    def frame(address: str, hardware: str = ROGUE) -> Packet:
        return Ether(src=hardware, dst="ff:ff:ff:ff:ff:ff") / ARP(
            op=2, hwsrc=hardware, psrc=address
        )

    assert said(frame("10.40.0.1")) == Heard("hall", "holds", ROGUE, ROGUE, "10.40.0.1")
    assert said(frame("10.40.0.14")) == Heard("hall", "holds", ROGUE, ROGUE, "10.40.0.14")
    assert said(frame("10.40.0.14", DESK)) is None and said(frame("10.40.0.5")) is None


def test_no_bytes_whatever_break_it() -> None:
    rng = Random(6)
    good = [bytes(offer()), bytes(Ether(src=ROGUE) / ARP(op=2, psrc="10.40.0.1"))]
    for _ in range(4000):
        data = bytearray(rng.choice(good)[: rng.randrange(400)])
        for _ in range(rng.randrange(4)):
            if data:
                data[rng.randrange(len(data))] = rng.randrange(256)
        found = answer(HALL, OWN, TOKEN, bytes(data))
        assert found is None or found.area == "hall"


SITE = Schedule("Hut", ZoneInfo("UTC"), {}, (), ("lo",), segments=(HALL,))


def judged(
    state: addresses.State, found: tuple[Heard, ...] | None, minutes: int = 0, hall: Segment = HALL
) -> tuple[addresses.State, dict[str, str]]:
    site = replace(SITE, segments=(hall,))
    facts = Facts(Clock(True), schedule=site, addresses=found)
    decision = addresses.decide(state, facts, NOW + timedelta(minutes=minutes))
    return decision.state, {one.key: one.text for one in decision.reports if one.bad}


def test_what_was_heard_is_told_until_it_was_not_heard_three_times() -> None:
    rogue = Heard("hall", "lends", "10.40.0.77", ROGUE)
    state, bad = judged(addresses.State(), (rogue,))
    assert bad == {
        "addresses/dhcp hall": f"10.40.0.77 ({ROGUE}) lends addresses in hall, beside the gateway"
    }
    for left in (True, True, False):
        state, bad = judged(state, ())
        assert bool(bad) is left
    state, _ = judged(addresses.State(), (rogue,))
    assert addresses.duty().read(fields("x", written(addresses.duty().written(state)))) == state


def test_who_holds_one_of_very_many_addresses_is_told_until_all_were_asked_three_times() -> None:
    """One alarm, too, where one is heard of in one round and another in the next."""
    crowded = replace(HALL, held={one: frozenset({DESK}) for one in MANY[:100]})
    first, second = (Heard("hall", "holds", ROGUE, ROGUE, one) for one in (MANY[0], MANY[99]))
    state, bad = judged(addresses.State(), (first,), hall=crowded)
    state, bad = judged(state, (second,), hall=crowded)
    assert all(one in bad["addresses/held hall"] for one in (MANY[0], MANY[99]))
    again, same = judged(state, (first,), hall=crowded)
    assert same == bad
    assert addresses.duty().read(fields("x", written(addresses.duty().written(again)))) == again
    for left in (True, True, True, True, True, False):
        state, bad = judged(state, (), hall=crowded)
        assert bool(bad) is left


def test_somebody_with_any_number_of_addresses_fills_no_alarm() -> None:
    many = tuple(Heard("hall", "lends", f"10.40.1.{n}", ROGUE) for n in range(200))
    assert len(judged(addresses.State(), many)[1]["addresses/dhcp hall"]) < 2000


def test_that_nobody_can_be_asked_is_told_and_ends_nothing() -> None:
    state, _ = judged(addresses.State(), (Heard("hall", "routes", "fe80::9", ROGUE),))
    state, bad = judged(state, None)
    assert set(bad) == {"addresses/asked", "addresses/router hall"}
    assert set(judged(state, ())[1]) == {"addresses/router hall"}


CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk]}
lines: {copper: {device: eth0}}
areas:
  hall: {device: eth3, prefix: 10.40.0.0/28}
  barn: {device: eth5, prefix: 10.40.2.0/28, lease: none}
devices:
  desk: {area: hall, hardware: 02:00:00:aa:00:01, address: lasting}
"""


def test_the_areas_come_from_the_plan() -> None:
    charter = read(CHARTER, "hut.yaml").charter
    assert charter is not None
    hall, barn = schedule(make_plan(charter)).segments
    assert hall == HALL and (barn.lends, barn.held) == (False, {})


SCENE = """
mount -t tmpfs none /run; mkdir -p /run/netns; ip link set dev lo up
for key in default all; do echo 0 > /proc/sys/net/ipv6/conf/$key/accept_dad; done
ip netns add other
ip link add name eth3 type veth peer name eth0 netns other
ip address add 10.40.0.1/28 dev eth3; ip link set dev eth3 up
ip -n other link set dev eth0 address 02:00:00:bb:00:09; ip -n other link set dev eth0 up
ip -n other address add 10.40.0.7/28 dev eth0; ip -n other address add 10.40.0.14/28 dev eth0
ip -n other address add fd00:9::1/64 dev eth0 nodad
serve="--port=0 --keep-in-foreground --user=root --group= --pid-file= --log-facility=- --no-ping --conf-file=/dev/null"
printf 'table inet t {\\nchain i {\\ntype filter hook input priority 0; policy drop;\\n}\\n}\\n' | nft -f -
$PYTHON ask.py
ip netns exec other $DNSMASQ $serve --dhcp-leasefile=$PWD/other.leases --enable-ra \\
  --dhcp-range=10.40.0.8,10.40.0.9,255.255.255.240 --dhcp-range=::,constructor:eth0,ra-only 2> other.log & other=$!
ip netns exec other $PYTHON flood.py & flood=$!
for _ in $(seq 50); do grep -q 'DHCP, sockets\\|DHCP, IP range' other.log && break; sleep 0.1; done; sleep 0.3
$PYTHON ask.py
kill $other; kill $flood || :; wait || :  # on a busy machine the flood is over by then
"""
FLOOD = """
import socket, time
end = time.monotonic() + 30
with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
    while time.monotonic() < end:
        for port in range(69, 119):
            one.sendto(bytes(8), ("10.40.0.1", port))
        time.sleep(0.003)
"""
ASK = """
import json
from dataclasses import astuple
from netcharter.steward.loop import segments
from tests.steward.test_addresses import HALL
judged, others = segments.answer, []
def answer(segment, own, token, frame):
    kind = frame[12:14].hex()
    near = kind == "0806" or (kind == "86dd" and frame[54] == 134)
    if not near and not (kind == "0800" and frame[36:38] == b"\\0\\x44"):
        others.append(frame)
    return judged(segment, own, token, frame)
segments.answer = answer
found = segments.heard((HALL,), 1.5)
print(json.dumps([sorted(map(astuple, found)), len(others)]))
"""


@pytest.mark.kernel
def test_a_real_server_beside_the_gateway_is_found_though_the_filter_takes_nothing(
    tmp_path: Path,
) -> None:
    """Debian's dnsmasq lends and advertises there; and the machine holds the desk's address. That it
    sends much else drowns nothing."""
    dnsmasq = path_of("dnsmasq")
    if dnsmasq is None:
        pytest.skip("NOBODY ELSE LENT ADDRESSES: no dnsmasq (Debian's dnsmasq-base) is here")
    root = Path(__file__).parents[2]
    (tmp_path / "ask.py").write_text(ASK)
    (tmp_path / "flood.py").write_text(FLOOD)
    begin = f"DNSMASQ={dnsmasq}; PYTHON='env PYTHONPATH={root}/src:{root} {sys.executable}'\n"
    first, second = map(json.loads, run(begin + SCENE, tmp_path, private=True).splitlines())
    holds = ["hall", "holds", ROGUE, ROGUE, "10.40.0.14"]
    assert (first, second[1]) == ([[holds], 0], 0)  # nothing else has got as far as the steward
    kinds = {kind: who for _, kind, who, hardware, _ in second[0] if hardware == ROGUE}
    assert holds in second[0] and kinds["lends"] in ("10.40.0.7", "10.40.0.14")
    assert kinds["routes"].startswith("fe80:")


TAGGED = """
ip link add name eth3 type veth peer name other
ip link set dev eth3 up; ip link set dev other up
$PYTHON tagged.py
"""
TAG = """
import json, socket
from scapy.layers.inet6 import ICMPv6ND_RA, IPv6
from scapy.layers.l2 import Dot1Q, Ether
from netcharter.steward.loop import segments
from tests.steward.test_addresses import HALL, ROGUE
questions = segments.questions
def asked(segment, own, token, number):
    with socket.socket(socket.AF_PACKET, socket.SOCK_RAW) as other:
        other.bind(("other", 0))
        for number, tag in enumerate(([], [Dot1Q(vlan=0)], [Dot1Q(vlan=40)])):
            frame = Ether(src=ROGUE, dst="33:33:00:00:00:01")
            for one in (*tag, IPv6(src=f"fe80::a{number}", dst="ff02::1", hlim=255), ICMPv6ND_RA()):
                frame /= one
            other.send(bytes(frame))
    return questions(segment, own, token, number)
segments.questions = asked
print(json.dumps([one.who for one in segments.heard((HALL,), 0.5)]))
"""


@pytest.mark.kernel
def test_what_is_said_in_a_vlan_of_the_same_cable_is_not_this_area_s(tmp_path: Path) -> None:
    """IEEE Std 802.1Q: a tag with the number 0 gives a priority and is in no VLAN."""
    root = Path(__file__).parents[2]
    (tmp_path / "tagged.py").write_text(TAG)
    begin = f"PYTHON='env PYTHONPATH={root}/src:{root} {sys.executable}'\n"
    assert json.loads(run(begin + TAGGED, tmp_path, private=True)) == ["fe80::a0", "fe80::a1"]
