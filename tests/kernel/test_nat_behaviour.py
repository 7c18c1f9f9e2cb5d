"""What the kernel's translation does, requirement by requirement, with real packets.

RFC 4787 (UDP), RFC 5382 (TCP), RFC 5508 (ICMP) and RFC 7857 (their update) ask of a network address
translator what applications may count on. The gateway translates as Linux does; where that is not
what a requirement asks, the test shows what it is instead, and `docs/reference/standards.md` says
so. One network of namespaces is asked once; each requirement is a test of what was seen.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.render import render
from netcharter.render.sysctl import TIMERS
from tests.kernel.namespace import HOSTS, run, written

CHARTER = """
charter: 1
site: {name: Two Rooms, timezone: UTC, managed-from: [desk]}
lines:
  dsl: {device: eth0, address: [203.0.113.10/29, 2001:db8:1::2/64],
        next-hop: [203.0.113.9, 2001:db8:1::1], prefix: 2001:db8:2::/48}
areas:
  one: {device: eth1, prefix: 10.7.1.0/24}
  two: {device: eth2, prefix: 10.7.2.0/24}
devices:
  desk: {area: one, hardware: 02:00:00:aa:00:01, address: 10.7.1.9}
  shop: {area: two, hardware: 02:00:00:aa:00:02, address: 10.7.2.9}
places:
  peers: {prefixes: [198.51.100.64/28]}
rules:
  - {let: [one, two], reach: [internet, peers], with: anything, because: they may}
offers:
  - {offer: udp/7000, on: dsl, to: shop, because: it is public}
"""
NEAR, FAR = "198.51.100.70", "198.51.100.71"  # two hosts beyond the line, on one machine
OURS = "203.0.113.10"
SITE = (
    HOSTS
    + """\
host world eth0 02:00:00:bb:00:01 203.0.113.9/29 203.0.113.10 2001:db8:1::1/64 2001:db8:1::2
ip -n world address add 198.51.100.70/32 dev lo; ip -n world address add 198.51.100.71/32 dev lo
host desk eth1 02:00:00:aa:00:01 10.7.1.9/24 10.7.1.1 2001:db8:2:1::9/64 2001:db8:2:1::1
host shop eth2 02:00:00:aa:00:02 10.7.2.9/24 10.7.2.1 2001:db8:2:2::9/64 2001:db8:2:2::1
ip -batch links.batch
sed 's/$/ nodad/; s/^#.*//' addresses.batch | ip -batch -
load_ruleset
sysctl -q -p sysctl.conf
echo 0 > /proc/sys/net/ipv4/icmp_ratelimit; echo 0 > /proc/sys/net/ipv6/icmp/ratelimit
ip -force -batch routes.batch; ip -6 -force -batch routes6.batch
python3 asked.py
"""
)

# Runs as one process that enters a namespace for the time of making a socket: a socket stays in
# the network it was made in (setns(2)). Waits are bounded; what did not come is None.
ASKED = r'''
import ctypes, json, os, select, socket, struct, time
libc = ctypes.CDLL(None, use_errno=True)
NEAR, FAR, OURS = "198.51.100.70", "198.51.100.71", "203.0.113.10"
TCP, UDP, RAW = socket.SOCK_STREAM, socket.SOCK_DGRAM, socket.SOCK_RAW
HOME = os.open("/proc/self/ns/net", os.O_RDONLY)
seen = {}

def made(host, kind=UDP, to=("", 0), protocol=0, family=socket.AF_INET):
    there = os.open("/run/netns/" + host, os.O_RDONLY)
    assert libc.setns(there, 0) == 0
    try:
        found = socket.socket(family, kind, protocol)
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if kind != RAW:
            found.bind(to)
        found.settimeout(3)
        return found
    finally:
        assert libc.setns(HOME, 0) == 0
        os.close(there)

def got(where, wait=3.0):
    """What arrives, and from whom; None if nothing does."""
    if not select.select([where], [], [], wait)[0]:
        return None
    data, sender = where.recvfrom(9000)
    return data, sender

def sent(one, to, where):
    """From which address and port it arrives there."""
    one.sendto(b"x", to)
    found = got(where)
    return found and list(found[1][:2])

near, near2, far = (made("world", to=to) for to in ((NEAR, 7100), (NEAR, 7101), (FAR, 7100)))
# RFC 4787 REQ-1, REQ-4: one socket, three peers
desk = made("desk", to=("10.7.1.9", 40000))
seen["mapping"] = [sent(desk, (NEAR, 7100), near), sent(desk, (NEAR, 7101), near2),
                   sent(desk, (FAR, 7100), far)]
odd = made("desk", to=("10.7.1.9", 40001))
seen["odd"] = sent(odd, (NEAR, 7100), near)
# REQ-8: who else may answer through that mapping
near.sendto(b"answer", (OURS, 40000)); seen["same"] = bool(got(desk))
near2.sendto(b"answer", (OURS, 40000)); seen["asked too"] = bool(got(desk))
other = made("world", to=(NEAR, 7102))
other.sendto(b"x", (OURS, 40000)); seen["other port"] = bool(got(desk, 0.5))
other = made("world", to=("203.0.113.9", 7100))
other.sendto(b"x", (OURS, 40000)); seen["other address"] = bool(got(desk, 0.5))
# REQ-3: the same port of two inside hosts, to the same peer and to another one
shop = made("shop", to=("10.7.2.9", 40000))
seen["clash"] = sent(shop, (NEAR, 7100), near)
third = made("shop", to=("10.7.2.9", 40001))
seen["overloaded"] = sent(third, (FAR, 7100), far)
# REQ-9: the public address from inside, from the same area and from another
offered = made("shop", to=("10.7.2.9", 7000))
for name in ("desk", "shop"):
    asker = made(name, to=("", 41000))
    seen["hairpin " + name] = sent(asker, (OURS, 7000), offered)
    offered.sendto(b"y", tuple(seen["hairpin " + name] or ("10.7.2.1", 9)))
    answer = got(asker)
    seen["hairpin back " + name] = answer and list(answer[1])
# REQ-12: an error arrives, translated, and the mapping stays
desk.connect((NEAR, 7199)); desk.send(b"x")
select.select([desk], [], [], 3)
seen["error"] = desk.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
desk.close(); desk = made("desk", to=("10.7.1.9", 40000))
seen["after the error"] = sent(desk, (NEAR, 7100), near)
# REQ-6: while the inside speaks the mapping stays, however long; the timers are short for it
def timers(seconds):
    for name in ("timeout", "timeout_stream"):
        with open("/proc/sys/net/netfilter/nf_conntrack_udp_" + name, "w") as file:
            file.write(str(seconds))
with open("timers.json") as file:
    seen["timers"] = {key: int(open("/proc/sys/net/netfilter/" + key).read())
                      for key in json.load(file)}
timers(2)
spoken = made("desk", to=("10.7.1.9", 45000))
for _ in range(3):
    sent(spoken, (NEAR, 7100), near); time.sleep(1.2)
near.sendto(b"late", (OURS, 45000)); seen["refreshed"] = bool(got(spoken, 1))
time.sleep(4)
near.sendto(b"too late", (OURS, 45000)); seen["forgotten"] = got(spoken, 1) is None
timers(300)
# RFC 6092 REC-11, 17, 19: IPv6, where nothing is translated
WORLD6, DESK6 = "2001:db8:1::1", "2001:db8:2:1::9"
far6 = [made("world", family=socket.AF_INET6, to=(WORLD6, port)) for port in (7100, 7101)]
six = made("desk", family=socket.AF_INET6, to=(DESK6, 46000))
seen["six"] = sent(six, (WORLD6, 7100), far6[0])
far6[1].sendto(b"x", (DESK6, 46000)); seen["other six"] = bool(got(six, 0.5))
six.sendto(b"x", (WORLD6, 7199)); time.sleep(0.3)  # nobody is there: an error comes back
far6[0].sendto(b"x", (DESK6, 46000)); seen["six after the error"] = bool(got(six))
# REQ-14: fragments, in order and not
big = b"z" * 4000
desk.sendto(big, (NEAR, 7100)); found = got(near); seen["big out"] = found and len(found[0])
near.sendto(big, (OURS, 40000)); found = got(desk); seen["big in"] = found and len(found[0])

def checksum(data):
    total = sum(struct.unpack(f"!{len(data) // 2}H", data))
    total = (total >> 16) + (total & 0xFFFF)
    return ~(total + (total >> 16)) & 0xFFFF

def fragments(source, to, port_from, port_to, size=2000):
    """One datagram as two fragments, the last first."""
    pseudo = socket.inet_aton(source) + socket.inet_aton(to) + struct.pack("!BBH", 0, 17, size + 8)
    datagram = struct.pack("!HHHH", port_from, port_to, size + 8, 0) + b"q" * size
    total = checksum(pseudo + datagram) or 0xFFFF
    datagram = datagram[:6] + struct.pack("!H", total) + datagram[8:]
    for start, more, part in ((1000, 0, datagram[1000:]), (0, 0x2000, datagram[:1000])):
        yield struct.pack("!BBHHHBBH4s4s", 0x45, 0, 20 + len(part), 77, more | start // 8, 64, 17,
                          0, socket.inet_aton(source), socket.inet_aton(to)) + part

raw = made("desk", RAW, protocol=socket.IPPROTO_RAW)
for part in fragments("10.7.1.9", NEAR, 40000, 7100):
    raw.sendto(part, (NEAR, 0))
found = got(near); seen["last first"] = found and [len(found[0]), *found[1]]
# RFC 5508 REQ-1: echo requests with one identifier from two hosts
def echo(host, number):
    raw = made(host, RAW, protocol=socket.IPPROTO_ICMP); raw.settimeout(3)
    head = struct.pack("!BBHHH", 8, 0, 0, number, 1)
    raw.sendto(struct.pack("!BBHHH", 8, 0, checksum(head), number, 1), (NEAR, 0))
    while (found := got(raw)) is not None:
        kind, _, _, answered, _ = struct.unpack("!BBHHH", found[0][20:28])
        if kind == 0:
            return answered
seen["echo"] = [echo("desk", 777), echo("shop", 777)]
# RFC 5382 REQ-4: a SYN that nobody asked for meets silence; REQ-2: both open at once
early = made("world", TCP, (NEAR, 7300)); early.settimeout(None); early.setblocking(False)
try:
    early.connect((OURS, 42000))
except BlockingIOError:
    pass
ready = select.select([early], [early], [early], 1.5)
seen["unasked"] = bool(ready[0] or ready[1] or ready[2])
late = made("desk", TCP, ("10.7.1.9", 42000)); late.settimeout(5)
try:
    late.connect((NEAR, 7300)); late.sendall(b"both")
    seen["both at once"] = bool(select.select([early], [], [], 3)[0]) and early.recv(9).decode()
except OSError as fault:
    seen["both at once"] = str(fault)
# RFC 5382 REQ-1: one socket address to two peers
listening = []
for to in ((NEAR, 7400), (FAR, 7400)):
    one = made("world", TCP, to); one.listen(); listening.append(one)
peers = []
for to, one in zip(((NEAR, 7400), (FAR, 7400)), listening):
    asker = made("desk", TCP, ("10.7.1.9", 43000)); asker.connect(to)
    peers.append(list(one.accept()[1])); listening.append(asker)
seen["tcp mapping"] = peers
# RFC 4787 REQ-13: too big for the line, and no fragmenting
os.system("ip link set dev eth0 mtu 1400; ip -n world link set dev eth0 mtu 1400")
exact = made("desk", to=("10.7.1.9", 44000))
exact.setsockopt(socket.IPPROTO_IP, 10, 2)  # IP_MTU_DISCOVER, IP_PMTUDISC_DO
exact.connect((NEAR, 7100)); exact.send(b"m" * 1440)
select.select([exact], [], [], 3)
seen["too big"] = [exact.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR),
                   exact.getsockopt(socket.IPPROTO_IP, 14)]  # IP_MTU
six = made("desk", family=socket.AF_INET6, to=("2001:db8:2:1::9", 44000))
six.setsockopt(socket.IPPROTO_IPV6, 23, 2)  # IPV6_MTU_DISCOVER, IPV6_PMTUDISC_DO
six.connect(("2001:db8:1::1", 7100)); six.send(b"m" * 1440)
select.select([six], [], [], 3)
seen["too big 6"] = [six.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR),
                     six.getsockopt(socket.IPPROTO_IPV6, 24)]  # IPV6_MTU
seen["helpers"] = int(open("/proc/sys/net/netfilter/nf_conntrack_helper").read()) if (
    os.path.exists("/proc/sys/net/netfilter/nf_conntrack_helper")) else 0
json.dump(seen, open("seen.json", "w"))
'''

ECONNREFUSED, EMSGSIZE = 111, 90


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder = tmp_path_factory.mktemp("nat")
    charter = read(CHARTER, "two-rooms.yaml").charter
    assert charter is not None
    files = render(make_plan(charter)).files
    written(files, folder)
    (folder / "asked.py").write_text(ASKED)
    (folder / "timers.json").write_text(json.dumps([key for key, _, _ in TIMERS]))
    run(SITE, folder, private=True)
    found: dict[str, Any] = json.loads((folder / "seen.json").read_text())
    found["ruleset"] = files["nftables.nft"].decode("ascii")
    return found


def test_rfc4787_req_1_one_socket_has_one_mapping_whoever_it_talks_to(seen: dict[str, Any]) -> None:
    assert seen["mapping"] == [[OURS, 40000]] * 3


def test_rfc4787_req_3_a_port_that_is_taken_for_one_peer_is_another_one_there(
    seen: dict[str, Any],
) -> None:
    address, port = seen["clash"]
    assert address == OURS and port != 40000


def test_rfc4787_req_3_not_met_two_hosts_share_a_port_towards_different_peers(
    seen: dict[str, Any],
) -> None:
    """The requirement forbids it ("port overloading"); Linux does it."""
    assert seen["odd"] == seen["overloaded"] == [OURS, 40001]


def test_rfc4787_req_4_even_ports_stay_even_and_odd_ones_odd(seen: dict[str, Any]) -> None:
    assert seen["mapping"][0][1] % 2 == 0 and seen["odd"][1] % 2 == 1


def test_rfc4787_req_6_who_speaks_from_inside_keeps_the_mapping(seen: dict[str, Any]) -> None:
    """With timers of two seconds, so that it can be seen that they do end what is not spoken in."""
    assert seen["refreshed"] and seen["forgotten"]


def test_rfc4787_req_8_only_whom_one_has_asked_may_answer(seen: dict[str, Any]) -> None:
    """Stricter than the requirement, which recommends filtering by address at most."""
    assert seen["same"] and seen["asked too"]
    assert not seen["other port"] and not seen["other address"]


def test_rfc4787_req_9_what_is_offered_is_reached_from_inside_by_its_public_address(
    seen: dict[str, Any],
) -> None:
    assert seen["hairpin desk"] == ["10.7.1.9", 41000]  # across areas the source is kept
    assert seen["hairpin shop"][0] == "10.7.2.1"  # in its own area it is the gateway's
    for name in ("desk", "shop"):
        assert seen[f"hairpin back {name}"] == [OURS, 7000]


def test_rfc4787_req_10_nothing_looks_into_conversations(seen: dict[str, Any]) -> None:
    """No application-level gateway: no helper is loaded, and none is set by itself."""
    assert seen["helpers"] == 0 and "ct helper" not in seen["ruleset"]


def test_rfc4787_req_12_an_error_arrives_and_ends_no_mapping(seen: dict[str, Any]) -> None:
    """RFC 5382 REQ-9 and RFC 5508 REQ-3 to REQ-5 ask the same of TCP and ICMP."""
    assert seen["error"] == ECONNREFUSED
    assert seen["after the error"] == [OURS, 40000]


def test_rfc4787_req_13_what_is_too_big_for_the_line_is_told(seen: dict[str, Any]) -> None:
    """RFC 1191 and RFC 8201: the path's size arrives with the error."""
    assert seen["too big"] == [EMSGSIZE, 1400] and seen["too big 6"] == [EMSGSIZE, 1400]


def test_rfc4787_req_14_fragments_pass_in_any_order(seen: dict[str, Any]) -> None:
    assert seen["big out"] == seen["big in"] == 4000
    assert seen["last first"] == [2000, OURS, 40000]


def test_rfc5382_req_1_one_socket_has_one_mapping_whoever_it_talks_to(seen: dict[str, Any]) -> None:
    assert seen["tcp mapping"] == [[OURS, 43000]] * 2


def test_rfc5382_req_2_both_may_open_at_once(seen: dict[str, Any]) -> None:
    assert seen["both at once"] == "both"


def test_rfc5382_req_4_who_was_not_asked_meets_silence(seen: dict[str, Any]) -> None:
    """The requirement: no answer within 6 s; here there is none at all."""
    assert seen["unasked"] is False


def test_rfc5508_req_1_echo_requests_of_two_hosts_with_one_identifier(seen: dict[str, Any]) -> None:
    assert seen["echo"] == [777, 777]


def test_rfc6092_rec_11_17_only_whom_one_has_asked_may_answer(seen: dict[str, Any]) -> None:
    assert seen["six"] == ["2001:db8:2:1::9", 46000] and not seen["other six"]


def test_rfc6092_rec_19_an_error_ends_no_conversation(seen: dict[str, Any]) -> None:
    assert seen["six after the error"]


@pytest.mark.parametrize(("key", "least"), (
    ("nf_conntrack_udp_timeout", 120),  # RFC 4787 REQ-5: two minutes
    ("nf_conntrack_udp_timeout_stream", 120),
    ("nf_conntrack_tcp_timeout_established", 7440),  # RFC 5382 REQ-5: 2 h 4 min
    ("nf_conntrack_tcp_timeout_syn_sent", 240),  # RFC 5382 REQ-5: transitory, 4 min
    ("nf_conntrack_tcp_timeout_fin_wait", 240),
    ("nf_conntrack_tcp_timeout_close", 240),  # RFC 7857 section 2.2: after a reset, 4 min
    ("nf_conntrack_icmp_timeout", 60),  # RFC 5508 REQ-2
    ("nf_conntrack_icmpv6_timeout", 60),
    ("nf_conntrack_generic_timeout", 120),  # RFC 6092 REC-12
))  # fmt: skip
def test_timers_of_the_kernel_are_no_shorter_than_asked(
    seen: dict[str, Any], key: str, least: int
) -> None:
    assert seen["timers"][key] >= least
    assert seen["timers"] == {name: seconds for name, seconds, _ in TIMERS}
