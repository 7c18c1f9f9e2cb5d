"""What is too large for a line, with real packets: both ends are told, and conversations pass.

Sources: RFC 1191 and RFC 8201 (a sender learns the size of its path from the errors about what did
not fit), RFC 4890 section 4.3.1 (those errors must not be dropped), RFC 2923 section 2.1 (they are
lost all the same), RFC 2516 section 7 (1492 bytes), RFC 879 and RFC 8200 section 8.3 (a segment is
40 bytes smaller than the packet in IPv4, 60 in IPv6). One network of namespaces is asked once:

    desk ==1500== gateway --1492-- provider ==1500== far
                                   provider --1400-- narrow
"""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.render import render
from tests.kernel.namespace import run, written

CHARTER = """
charter: 1
site: {name: One Room, timezone: UTC, managed-from: [desk]}
lines:
  dsl: {device: eth0, address: [203.0.113.10/29, 2001:db8:1::2/64], mtu: 1492,
        next-hop: [203.0.113.9, 2001:db8:1::1], prefix: 2001:db8:2::/48}
areas:
  one: {device: eth1, prefix: 10.7.1.0/24}
devices:
  desk: {area: one, hardware: 02:00:00:aa:00:01, address: [10.7.1.9, "2001:db8:2:1::9"]}
places:
  peers: {prefixes: [198.51.100.0/24, "2001:db8:e::/64", "2001:db8:f::/64"]}
rules:
  - {let: one, reach: peers, with: anything, because: they may}
offers:
  - {offer: tcp/7500, on: dsl, to: desk, because: it is public}
"""
SITE = """
mount -t tmpfs none /run; mkdir -p /run/netns
ip link set dev lo up
for key in default all; do echo 0 > /proc/sys/net/ipv6/conf/$key/accept_dad; done
for name in desk provider far narrow; do
  ip netns add $name
  ip -n $name link set dev lo up
  for key in default all; do
    ip netns exec $name sh -c "echo 0 > /proc/sys/net/ipv6/conf/$key/accept_dad"
  done
done
ip link add name eth1 type veth peer name net0 netns desk
ip link add name eth0 type veth peer name line netns provider
ip -n provider link add name far type veth peer name net0 netns far
ip -n provider link add name narrow type veth peer name net0 netns narrow
held() { # namespace, device, addresses
  where=$1; device=$2; shift 2
  ip -n $where link set dev $device up
  for one in "$@"; do ip -n $where address add $one dev $device; done
}
ip -n desk link set dev net0 address 02:00:00:aa:00:01
ip -n provider link set dev line mtu 1492
ip -n provider link set dev narrow mtu 1400; ip -n narrow link set dev net0 mtu 1400
held desk net0 10.7.1.9/24 2001:db8:2:1::9/64
held provider line 203.0.113.9/29 2001:db8:1::1/64
held provider far 198.51.100.1/25 2001:db8:f::1/64
held provider narrow 198.51.100.129/25 2001:db8:e::1/64
held far net0 198.51.100.70/25 198.51.100.71/25 2001:db8:f::70/64 2001:db8:f::71/64
held narrow net0 198.51.100.200/25 2001:db8:e::200/64
ip -n desk route add default via 10.7.1.1; ip -n desk -6 route add default via 2001:db8:2:1::1
ip -n far route add default via 198.51.100.1; ip -n far -6 route add default via 2001:db8:f::1
ip -n narrow route add default via 198.51.100.129
ip -n narrow -6 route add default via 2001:db8:e::1
ip -n provider -6 route add 2001:db8:2::/48 via 2001:db8:1::2
ip netns exec provider sh -c \\
  "echo 1 > /proc/sys/net/ipv4/ip_forward; echo 1 > /proc/sys/net/ipv6/conf/all/forwarding"
ip -batch links.batch
sed 's/$/ nodad/; s/^#.*//' addresses.batch | ip -batch -
load_ruleset
sysctl -q -p sysctl.conf
ip -force -batch routes.batch; ip -6 -force -batch routes6.batch
python3 asked.py
"""
FIREWALL = """
table inet lost {
    chain sent {
        type filter hook output priority 0; policy accept;
        icmp type destination-unreachable drop
        icmpv6 type packet-too-big drop
    }
}
"""

# One process that enters a namespace for the time of making a socket (setns(2)). Waits are bounded.
ASKED = r'''
import ctypes, json, os, select, socket, struct, subprocess, time
libc = ctypes.CDLL(None, use_errno=True)
HOME = os.open("/proc/self/ns/net", os.O_RDONLY)
FAR, FAR6, NARROW, NARROW6 = "198.51.100.70", "2001:db8:f::70", "198.51.100.200", "2001:db8:e::200"
DESK, DESK6, OURS = "10.7.1.9", "2001:db8:2:1::9", "203.0.113.10"
V4, V6, TCP, UDP = socket.AF_INET, socket.AF_INET6, socket.SOCK_STREAM, socket.SOCK_DGRAM
EMSGSIZE = 90
seen = {}

def made(host, kind, family=V4, to=None, protocol=0):
    there = os.open("/run/netns/" + host, os.O_RDONLY)
    assert libc.setns(there, 0) == 0
    try:
        found = socket.socket(family, kind, protocol)
        if family in (V4, V6):
            found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if to is not None:
            found.bind(to)
        found.settimeout(5)
        return found
    finally:
        assert libc.setns(HOME, 0) == 0
        os.close(there)

def learnt(family, to, size):
    """What a sender that may not fragment comes to know of its path: (error, size of the path)."""
    level, discover, path = (0, 10, 14) if family == V4 else (41, 23, 24)
    one = made("desk", UDP, family)
    one.setsockopt(level, discover, 2)  # IP_MTU_DISCOVER: never fragment; IP_MTU
    one.connect((to, 7600))
    headers = 28 if family == V4 else 48
    one.send(b"m" * (size - headers))
    select.select([one], [], [], 5)
    error = one.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
    known = one.getsockopt(level, path)
    try:
        one.send(b"m" * (known - headers)); fits = True
    except OSError:
        fits = False
    try:
        one.send(b"m" * (known + 1 - headers)); more = True
    except OSError as fault:
        more = fault.errno != EMSGSIZE
    return [error, known, fits, more]

def mss(frames):
    """The maximum segment size that each TCP opening packet says, by (source port, flags)."""
    found = {}
    while select.select([frames], [], [], 0.2)[0]:
        data = frames.recv(2048)
        kind = struct.unpack("!H", data[12:14])[0]
        if kind == 0x0800 and data[23] == 6:
            start = 14 + (data[14] & 15) * 4
        elif kind == 0x86DD and data[20] == 6:
            start = 54
        else:
            continue
        tcp = data[start:]
        if not tcp[13] & 2:
            continue
        options = tcp[20:(tcp[12] >> 4) * 4]
        while options and options[0] != 0:
            if options[0] == 1:
                options = options[1:]
                continue
            if options[0] == 2:
                found["syn-ack" if tcp[13] & 16 else "syn"] = struct.unpack("!H", options[2:4])[0]
            options = options[options[1]:]
    return found

def tapped(host):
    return made(host, socket.SOCK_RAW, socket.AF_PACKET, ("net0", 3), socket.htons(3))

BIG = 400_000

def poured(source, sink, wait):
    """How much of something big arrives within that many seconds."""
    source.setblocking(False); sink.setblocking(False)
    left, got, end = BIG, 0, time.monotonic() + wait
    while got < BIG and time.monotonic() < end:
        readable, writable, _ = select.select([sink], [source] if left else [], [], 0.5)
        if writable:
            try:
                left -= source.send(b"z" * min(left, 60000))
            except BlockingIOError:
                pass
        if readable:
            part = sink.recv(1 << 20)
            if not part:
                break
            got += len(part)
    return got

def talked(client, server, family, to, port, least=None, wait=20.0):
    """A conversation: what both ends were told of sizes, and how much passed each way."""
    taps = {host: tapped(host) for host in (client, server)}
    listening = made(server, TCP, family, ("", port)); listening.listen()
    ours = {"far": FAR if family == V4 else FAR6}.get(client, "")
    one = made(client, TCP, family, (ours, 0))
    if least is not None:
        one.setsockopt(socket.IPPROTO_TCP, 2, least)  # TCP_MAXSEG
    one.connect((to, port))
    other = listening.accept()[0]
    told = {host: mss(tap) for host, tap in taps.items()}
    found = {"to the server": told[server].get("syn"), "to the client": told[client].get("syn-ack"),
             "by the client": told[client].get("syn"), "by the server": told[server].get("syn-ack"),
             "up": poured(one, other, 20), "down": poured(other, one, wait)}
    for each in (one, other, listening, *taps.values()):
        each.close()
    return found

# Of another address: the desk is to know nothing of the path to that of the conversations.
seen["learnt"] = {"gateway 4": learnt(V4, "198.51.100.71", 1500),
                  "gateway 6": learnt(V6, "2001:db8:f::71", 1500),
                  "beyond 4": learnt(V4, NARROW, 1492), "beyond 6": learnt(V6, NARROW6, 1492)}
nat = subprocess.run(["nft", "list", "counter", "inet", "netcharter", "nc_invalid"],
                     capture_output=True, text=True, check=True).stdout
seen["invalid"] = nat
# From now on the provider says nothing of what does not fit.
subprocess.run(["ip", "netns", "exec", "provider", "nft", "-f", "lost.nft"], check=True)
seen["out 4"] = talked("desk", "far", V4, FAR, 7501)
seen["out 6"] = talked("desk", "far", V6, FAR6, 7502)
seen["in 4"] = talked("far", "desk", V4, OURS, 7500)
seen["in 6"] = talked("far", "desk", V6, DESK6, 7500)
seen["small"] = talked("desk", "far", V4, FAR, 7503, least=536)
# The same without a word about sizes, to see that it is that which helps.
subprocess.run(["nft", "flush", "chain", "inet", "netcharter", "nc_forward_size"], check=True)
seen["untold 4"] = talked("desk", "far", V4, FAR, 7504, wait=2.0)
seen["untold 6"] = talked("desk", "far", V6, FAR6, 7505, wait=2.0)
json.dump(seen, open("seen.json", "w"))
'''
EMSGSIZE = 90
BIG = 400_000


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder = tmp_path_factory.mktemp("sizes")
    charter = read(CHARTER, "one-room.yaml").charter
    assert charter is not None
    written(render(make_plan(charter)).files, folder)
    (folder / "asked.py").write_text(ASKED)
    (folder / "lost.nft").write_text(FIREWALL)
    run(SITE, folder, private=True)
    found: dict[str, Any] = json.loads((folder / "seen.json").read_text())
    return found


def test_rfc1191_the_gateway_tells_who_sends_more_than_its_line_takes(
    seen: dict[str, Any],
) -> None:
    """Exactly so much fits, and not one byte more. IPv6: RFC 8201."""
    for family in ("4", "6"):
        assert seen["learnt"][f"gateway {family}"] == [EMSGSIZE, 1492, True, False]


def test_rfc4890_4_3_1_what_is_said_beyond_the_line_reaches_who_sent(seen: dict[str, Any]) -> None:
    """Through the translation of addresses in IPv4, whose error is about an address that is the
    gateway's; RFC 5508 REQ-4. It counts as no stray message."""
    for family in ("4", "6"):
        assert seen["learnt"][f"beyond {family}"] == [EMSGSIZE, 1400, True, False]
    assert re.search(r"packets 0 bytes 0", seen["invalid"])


@pytest.mark.parametrize(("family", "size"), [("4", 1492 - 40), ("6", 1492 - 60)])
@pytest.mark.parametrize("way", ["out", "in"])
def test_both_ends_are_told_how_large_a_segment_is(
    seen: dict[str, Any], way: str, family: str, size: int
) -> None:
    found = seen[f"{way} {family}"]
    assert found["to the server"] == found["to the client"] == size
    assert found["by the client"] == found["by the server"] == size + 8  # as they said it


@pytest.mark.parametrize("family", ["4", "6"])
@pytest.mark.parametrize("way", ["out", "in"])
def test_a_large_transfer_passes_both_ways_though_nobody_tells_what_does_not_fit(
    seen: dict[str, Any], way: str, family: str
) -> None:
    """RFC 2923 section 2.1: without that word it hangs, as the next test shows."""
    assert (seen[f"{way} {family}"]["up"], seen[f"{way} {family}"]["down"]) == (BIG, BIG)


@pytest.mark.parametrize("family", ["4", "6"])
def test_without_being_told_it_hangs(seen: dict[str, Any], family: str) -> None:
    """What is sent by the desk passes still: the gateway is asked about it, and answers."""
    found = seen[f"untold {family}"]
    assert found["to the server"] == found["by the client"]
    assert found["up"] == BIG and found["down"] < BIG


def test_who_takes_less_is_told_nothing_else(seen: dict[str, Any]) -> None:
    """The kernel only ever lowers it (nft_exthdr.c). RFC 879: 536 is what a host takes at least."""
    assert seen["small"]["to the server"] == seen["small"]["by the client"] == 536
    assert seen["small"]["to the client"] == 1452
    assert (seen["small"]["up"], seen["small"]["down"]) == (BIG, BIG)
