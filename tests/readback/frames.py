"""Packets as bytes and back: Ethernet, IPv4, IPv6, TCP, UDP, UDP-Lite, ICMP, ICMPv6, SCTP, GRE.

Written from RFC 791, 8200, 9293, 768, 3828, 792, 4443, 9260 and 2784; `test_frames.py` compares it
with scapy.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import ip_address

from tests.readback.ground import DEVICES, OWN

TCP, UDP, ICMP, ICMP6, SCTP, GRE, LITE = 6, 17, 1, 58, 132, 47, 136
PORTED = frozenset({TCP, UDP, SCTP, LITE})
RST, SYN = 0x04, 0x02
CARRIED = 0x88B5  # what GRE says it carries: a local experiment's Ethernet type (IEEE 802)
ERRORS = {ICMP: frozenset({3, 4, 5, 11, 12}), ICMP6: frozenset({1, 2, 3, 4})}


@dataclass(frozen=True)
class Sent:
    """A first packet. number: destination port, ICMP type * 256 + code, or 0. port: the source
    port (of an echo: its identifier). hardware: "" where the host itself sends.
    """

    entrance: str
    source: str
    destination: str
    protocol: int
    number: int
    port: int
    hardware: str


@dataclass(frozen=True)
class Seen:
    """A packet read from a device or a socket. body: what follows the first eight bytes of its
    transport header (TCP: its data; GRE: all that is carried); answer: what a TCP segment
    acknowledges where it is a reset.
    """

    source: str
    destination: str
    protocol: int
    number: int
    port: int
    body: bytes
    answer: int | None = None


def checksum(data: bytes) -> int:
    """RFC 1071."""
    if len(data) % 2:
        data += b"\0"
    total: int = sum(struct.unpack(f"!{len(data) // 2}H", data))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF


def crc32c(data: bytes) -> int:
    """RFC 9260 appendix A, reflected."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x82F63B78 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


def _pseudo(sent: Sent, size: int) -> bytes:
    ends = ip_address(sent.source).packed + ip_address(sent.destination).packed
    if len(ends) == 8:
        return ends + struct.pack("!BBH", 0, sent.protocol, size)
    return ends + struct.pack("!IxxxB", size, sent.protocol)


def transport(sent: Sent, mark: int) -> bytes:
    """The packet above IP. `mark` makes it recognisable: see `body_of`."""
    body = body_of(sent, mark)
    ports = (sent.port, sent.number)
    if sent.protocol == TCP:
        head = struct.pack("!HHIIBBHHH", *ports, mark, 0, 5 << 4, SYN, 8192, 0, 0)
        return _summed(sent, head + body, 16)
    if sent.protocol in (UDP, LITE):
        head = struct.pack("!HHHH", *ports, 8 + len(body), 0)
        return _summed(sent, head + body, 6)
    if sent.protocol == ICMP:
        head = struct.pack("!BBHHH", *divmod(sent.number, 256), 0, sent.port, 1)
        return _filled(head + body, 2, checksum(head + body))
    if sent.protocol == ICMP6:
        head = struct.pack("!BBHHH", *divmod(sent.number, 256), 0, sent.port, 1)
        return _summed(sent, head + body, 2)
    if sent.protocol == SCTP:
        head = struct.pack("!HHII", *ports, 0, 0) + body
        return head[:8] + struct.pack("<I", crc32c(head)) + head[12:]
    return struct.pack("!HH", 0, CARRIED) + body


def _filled(data: bytes, place: int, value: int) -> bytes:
    return data[:place] + struct.pack("!H", value) + data[place + 2 :]


def _summed(sent: Sent, data: bytes, place: int) -> bytes:
    value = checksum(_pseudo(sent, len(data)) + data)
    if sent.protocol in (UDP, LITE):
        value = (
            value or 0xFFFF
        )  # RFC 768: zero means that there is none; RFC 3828 section 3.1: no zero
    return _filled(data, place, value)


def body_of(sent: Sent, mark: int) -> bytes:
    """What the packet carries: eight bytes of its own, in the form the protocol asks for."""
    own = _badge(mark)
    kind = sent.number >> 8
    if kind in ERRORS.get(sent.protocol, ()):  # they quote a packet
        inner = Sent(OWN, sent.destination, sent.source, UDP, 9, 9, "")
        datagram = struct.pack("!HHHH", 9, 9, 16, 0) + own
        return _headed(inner, datagram)
    if sent.protocol == SCTP:  # an INIT chunk (RFC 9260 section 3.3.2)
        return struct.pack("!BBHIIHHI", 1, 0, 28, mark or 1, 8192, 1, 1, 7) + own
    return own + bytes(16)


def _badge(mark: int) -> bytes:
    return b"lab!" + struct.pack("!I", mark)


def _headed(sent: Sent, above: bytes) -> bytes:
    source, destination = ip_address(sent.source).packed, ip_address(sent.destination).packed
    if len(source) == 16:
        start = struct.pack("!IHBB", 6 << 28, len(above), sent.protocol, 64)
        return start + source + destination + above
    head = struct.pack("!BBHHHBBH", 0x45, 0, 20 + len(above), 7, 0, 64, sent.protocol, 0)
    head += source + destination
    return _filled(head, 10, checksum(head)) + above


def datagram(sent: Sent, mark: int) -> bytes:
    """The packet with its IP header."""
    return _headed(sent, transport(sent, mark))


def frame(sent: Sent, mark: int) -> bytes:
    """The packet as an Ethernet frame to the device it enters by."""
    to = ip_address(sent.destination)
    kind = struct.pack("!H", 0x0800 if to.version == 4 else 0x86DD)
    device = next(device for device in DEVICES if device.name == sent.entrance)
    if sent.destination in ("255.255.255.255", *device.broadcast):
        target = b"\xff" * 6
    elif to.is_multicast and to.version == 4:  # RFC 1112 section 6.4
        target = b"\x01\x00\x5e" + bytes([to.packed[1] & 0x7F]) + to.packed[2:]
    elif to.is_multicast:  # RFC 2464 section 7
        target = b"\x33\x33" + to.packed[12:]
    else:
        target = _six(device.hardware)
    return target + _six(sent.hardware) + kind + datagram(sent, mark)


def _six(hardware: str) -> bytes:
    return bytes.fromhex(hardware.replace(":", ""))


def read_frame(data: bytes) -> Seen | None:
    """What an Ethernet frame carries; None: not IP, or cut off."""
    kind = data[12:14]
    if kind not in (b"\x08\x00", b"\x86\xdd"):
        return None
    return read_datagram(data[14:])


def read_datagram(data: bytes) -> Seen | None:
    if len(data) >= 20 and data[0] >> 4 == 4:
        size = (data[0] & 15) * 4
        source, destination = data[12:16], data[16:20]
        return read_transport(source, destination, data[9], data[size:])
    if len(data) >= 40 and data[0] >> 4 == 6:
        return read_transport(data[8:24], data[24:40], data[6], data[40:])
    return None


def read_transport(source: bytes, destination: bytes, protocol: int, data: bytes) -> Seen | None:
    if len(data) < 8:
        return None
    ends = str(ip_address(source)), str(ip_address(destination))
    port, number = struct.unpack_from("!HH", data)
    if protocol == TCP and len(data) >= 20:
        acknowledged = struct.unpack_from("!I", data, 8)[0] if data[13] & RST else None
        return Seen(*ends, protocol, number, port, data[(data[12] >> 4) * 4 :], acknowledged)
    if protocol in (ICMP, ICMP6):
        kind, identifier = port, struct.unpack_from("!H", data, 4)[0]
        return Seen(*ends, protocol, kind, identifier, data[8:])
    if protocol == SCTP:
        return Seen(*ends, protocol, number, port, data[12:])
    if protocol in PORTED:
        return Seen(*ends, protocol, number, port, data[8:])
    return Seen(*ends, protocol, 0, 0, data[4:])


def is_own(seen: Seen, sent: Sent, mark: int) -> bool:
    """Whether this is the packet itself, perhaps translated; not an answer that repeats its body."""
    if seen.protocol != sent.protocol or seen.body != body_of(sent, mark):
        return False
    return seen.protocol not in (ICMP, ICMP6) or seen.number == sent.number


def answer(seen: Seen, sent: Sent, mark: int) -> str | None:
    """What a packet that was seen says about the one that was sent: "reset", "icmp 3/13",
    "icmpv6 1/1"; None: nothing.
    """
    if seen.answer is not None and sent.protocol == TCP:
        length = len(body_of(sent, mark)) + 1
        return "reset" if seen.answer == (mark + length) & 0xFFFFFFFF else None
    kind, code = divmod(seen.number, 256)
    if kind not in ERRORS.get(seen.protocol, ()) or is_own(seen, sent, mark):
        return None
    about = read_datagram(seen.body)  # not some other message that itself quotes the packet
    if about is None or (about.source, about.protocol) != (sent.source, sent.protocol):
        return None
    if _badge(mark) not in about.body:
        return None
    return f"{'icmp' if seen.protocol == ICMP else 'icmpv6'} {kind}/{code}"
