"""The program that runs in a network namespace of its own: rulesets in, what became of packets out.

    unshare -n python -m tests.readback.inside

One JSON object a line. First it says what `ip -j` says of the host. Then for each request
{"ruleset", "packets", "patience"} it loads the ruleset (as the only one), lists it, sends the
packets one by one and answers {"listing", "outcomes"}, or {"error"} where nft refuses the ruleset.

A packet written into a TAP device is through the kernel when the write returns; what goes over the
loopback device may come a little later. `patience` (seconds) is waited after each packet: a
second look at what was missing the first time.
"""

from __future__ import annotations

import fcntl
import json
import os
import select
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from tests.readback import ground
from tests.readback.frames import (
    GRE,
    ICMP,
    ICMP6,
    LITE,
    SCTP,
    TCP,
    UDP,
    Seen,
    Sent,
    answer,
    datagram,
    frame,
    is_own,
    read_datagram,
    read_frame,
    read_transport,
)

SIZE = 4096  # no packet here is longer
TAP, SET_TAP = 0x1002, 0x400454CA  # linux/if_tun.h: IFF_TAP | IFF_NO_PI, TUNSETIFF
HEADER_INCLUDED_6 = 36  # linux/in6.h: IPV6_HDRINCL
ETHERNET_ALL = 3
LOCAL4 = (TCP, UDP, ICMP, SCTP, GRE, LITE)
LOCAL6 = (TCP, UDP, ICMP6, SCTP, GRE, LITE)


def command(*words: str, text: str = "") -> str:
    """Run a command; its output, or RuntimeError with what it complains of."""
    found = subprocess.run(
        words, input=text, capture_output=True, text=True, timeout=60, check=False
    )
    if found.returncode != 0:
        raise RuntimeError(f"{' '.join(words)}: {found.stderr}")
    return found.stdout


class Netlink:
    """Requests to the kernel's netfilter by its own socket: linux/netfilter/nfnetlink*.h."""

    REQUEST, ACKNOWLEDGE, DUMP = 1, 4, 0x300
    FORGET = 1 << 8 | 2  # NFNL_SUBSYS_CTNETLINK, IPCTNL_MSG_CT_DELETE: without a filter, of all
    COUNTERS = 10 << 8 | 21  # NFNL_SUBSYS_NFTABLES, NFT_MSG_GETOBJ_RESET
    NAME, KIND, DATA = 2, 3, 4  # NFTA_OBJ_*
    KIND_COUNTER, PACKETS = 1, 2  # NFT_OBJECT_COUNTER, NFTA_COUNTER_PACKETS

    def __init__(self) -> None:
        self.socket = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, 12)
        self.socket.bind((0, 0))

    def forget(self) -> None:
        """Forget all connections."""
        for _, body in self._ask(self.FORGET, self.ACKNOWLEDGE, b""):
            raise RuntimeError(f"netlink: {body!r}")

    def counters(self) -> dict[str, int]:
        """Named counters that are not zero, and set them to zero."""
        kind = struct.pack("=HHI", 8, self.KIND, socket.htonl(self.KIND_COUNTER))
        out = {}
        for _, body in self._ask(self.COUNTERS, self.DUMP, kind):
            said = dict(_attributes(body[4:]))
            data = dict(_attributes(said[self.DATA]))
            packets = int.from_bytes(data[self.PACKETS], "big")
            if packets:
                out[said[self.NAME].rstrip(b"\0").decode()] = packets
        return out

    def _ask(self, kind: int, flags: int, body: bytes) -> Iterator[tuple[int, bytes]]:
        size = 20 + len(body)
        head = struct.pack("=IHHII", size, kind, self.REQUEST | flags, 1, 0)
        self.socket.send(head + bytes(4) + body)
        while True:
            data = self.socket.recv(1 << 16)
            while data:
                size, found = struct.unpack_from("=IH", data)
                if found == 2:  # NLMSG_ERROR, and so an acknowledgement
                    problem = struct.unpack_from("=i", data, 16)[0]
                    if problem:
                        raise RuntimeError(f"netlink: {os.strerror(-problem)}")
                    return
                if found == 3:  # NLMSG_DONE
                    return
                yield found, data[16:size]
                data = data[(size + 3) & ~3 :]


def _attributes(data: bytes) -> Iterator[tuple[int, bytes]]:
    while len(data) >= 4:
        size, kind = struct.unpack_from("=HH", data)
        yield kind & 0x3FFF, data[4:size]
        data = data[(size + 3) & ~3 :]


class Ears:
    """What is listened to: every TAP device, the loopback device, what the host itself receives."""

    def __init__(self) -> None:
        self.taps = {device.name: _tap(device.name) for device in ground.DEVICES}
        _configure()
        self.loopback = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(ETHERNET_ALL))
        self.loopback.bind(("lo", ETHERNET_ALL))
        self.here4 = {p: socket.socket(socket.AF_INET, socket.SOCK_RAW, p) for p in LOCAL4}
        self.here6 = {p: socket.socket(socket.AF_INET6, socket.SOCK_RAW, p) for p in LOCAL6}
        for each in self.here6.values():
            each.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_RECVPKTINFO, 1)
        self.members = _joined()
        self.poll = select.poll()
        self.names: dict[int, tuple[str, Any]] = {}
        for name, number in self.taps.items():
            self._listen("tap", number, name)
        self._listen("loopback", self.loopback.fileno(), self.loopback)
        for protocol, each in self.here4.items():
            self._listen("here4", each.fileno(), (protocol, each))
        for protocol, each in self.here6.items():
            self._listen("here6", each.fileno(), (protocol, each))

    def _listen(self, kind: str, number: int, what: Any) -> None:
        os.set_blocking(number, False)
        self.poll.register(number, select.POLLIN)
        self.names[number] = (kind, what)

    def heard(self, patience: float) -> Iterator[tuple[str, Seen]]:
        """(device, packet) of all that waits to be read; the device is "" for what the host
        itself received.
        """
        while ready := self.poll.poll(patience * 1000):
            for number, _ in ready:
                with suppress(BlockingIOError):
                    yield from self._read(number)

    def _read(self, number: int) -> Iterator[tuple[str, Seen]]:
        kind, what = self.names[number]
        if kind == "tap":
            name, found = what, read_frame(os.read(number, SIZE))
        elif kind == "loopback":
            data, sender = what.recvfrom(SIZE)
            outgoing = sender[2] == 4  # PACKET_OUTGOING: the same packet comes in once more
            name, found = "lo", read_frame(data) if outgoing else None
        elif kind == "here4":
            name, found = ground.OWN, read_datagram(what[1].recv(SIZE))
        else:
            name, found = ground.OWN, _received6(*what)
        if found is not None:
            yield name, found


def _received6(protocol: int, there: socket.socket) -> Seen | None:
    """A raw socket of IPv6 gives no header, but says the addresses."""
    data, said, _, sender = there.recvmsg(SIZE, 256)
    to = next(value[:16] for level, kind, value in said if kind == socket.IPV6_PKTINFO)
    return read_transport(ip_address(sender[0].split("%")[0]).packed, to, protocol, data)


def _tap(name: str) -> int:
    number = os.open("/dev/net/tun", os.O_RDWR | os.O_NONBLOCK)
    fcntl.ioctl(number, SET_TAP, struct.pack("16sH22x", name.encode(), TAP))
    return number


def _configure() -> None:
    wanted = dict(ground.SETTINGS)
    for name in (*ground.NAMES, "lo"):
        wanted |= {key.format(name): value for key, value in ground.PER_DEVICE.items()}
    for key, value in wanted.items():
        place = Path("/proc/sys", key)
        if place.exists():
            place.write_text(f"{value}\n")
    command("ip", "-batch", "-", text=ground.batch())


def _joined() -> list[socket.socket]:
    """Sockets that make every device a member of every group."""
    member4 = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    member6 = socket.socket(socket.AF_INET6, socket.SOCK_DGRAM)
    for name in ground.NAMES:
        index = socket.if_nametoindex(name)
        for group in ground.GROUPS:
            packed = ip_address(group).packed
            if len(packed) == 4:
                value = packed + bytes(4) + struct.pack("@i", index)
                member4.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, value)
            else:
                value = packed + struct.pack("@I", index)
                member6.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_JOIN_GROUP, value)
    return [member4, member6]


class Mouth:
    """How packets are sent: into a device, or by the host itself with a header of our making."""

    def __init__(self, taps: dict[str, int]) -> None:
        self.taps = taps
        self.own4 = socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_RAW)
        self.own4.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        self.own6 = socket.socket(socket.AF_INET6, socket.SOCK_RAW, socket.IPPROTO_RAW)
        self.own6.setsockopt(socket.IPPROTO_IPV6, HEADER_INCLUDED_6, 1)

    def say(self, sent: Sent, mark: int) -> str:
        """Send it; what the kernel says to the sender at once: "" or the name of an error."""
        if sent.entrance != ground.OWN:
            os.write(self.taps[sent.entrance], frame(sent, mark))
            return ""
        try:
            if ip_address(sent.destination).version == 4:
                self.own4.sendto(datagram(sent, mark), (sent.destination, 0))
            else:
                self.own6.sendto(datagram(sent, mark), (sent.destination, 0, 0, 0))
        except OSError as problem:
            return type(problem).__name__ if problem.errno is None else os.strerror(problem.errno)
        return ""


class Kernel:
    """A kernel that rulesets are loaded into, one after the other."""

    def __init__(self) -> None:
        self.ears = Ears()
        self.mouth = Mouth(self.ears.taps)
        self.netlink = Netlink()
        time.sleep(ground.SETTLED)
        self.mark = int.from_bytes(os.urandom(3), "big") << 7

    def host(self) -> dict[str, str]:
        table = ("route", "show", "table", "all")
        return {
            "addresses": command("ip", "-j", "address"),
            "routes4": command("ip", "-j", "-4", *table),
            "routes6": command("ip", "-j", "-6", *table),
        }

    def serve(self, request: dict[str, Any]) -> dict[str, Any]:
        try:
            # Not in one transaction: what is loaded should not depend on what was loaded before.
            command("nft", "flush", "ruleset")
            command("nft", "-f", "-", text=request["ruleset"])
        except RuntimeError as problem:
            return {"error": str(problem)}
        listing = command("nft", "-j", "list", "ruleset")
        list(self.ears.heard(0.0))
        patience = request.get("patience", 0.0)
        packets = [Sent(*each) for each in request["packets"]]
        return {"listing": listing, "outcomes": [self.one(sent, patience) for sent in packets]}

    def one(self, sent: Sent, patience: float) -> dict[str, Any]:
        """What becomes of one packet: where it was seen, what was answered, what counted."""
        self.mark += 1
        self.netlink.forget()
        self.netlink.counters()
        said = self.mouth.say(sent, self.mark)
        if patience:
            time.sleep(patience)
        seen: list[list[Any]] = []
        answers: set[str] = set()
        for device, found in self.ears.heard(0.0):
            if is_own(found, sent, self.mark):
                seen.append([device, found.source, found.destination, found.number, found.port])
            elif (told := answer(found, sent, self.mark)) is not None:
                answers.add(told)
        counters = self.netlink.counters()
        return {"seen": seen, "answers": sorted(answers), "said": said, "counters": counters}


def main() -> None:
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    kernel = Kernel()
    print(json.dumps(kernel.host()), flush=True)
    for line in sys.stdin:
        print(json.dumps(kernel.serve(json.loads(line))), flush=True)


if __name__ == "__main__":
    main()
