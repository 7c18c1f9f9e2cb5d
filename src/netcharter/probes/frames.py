"""The packets of a probe as bytes, ready to be sent.

Every packet carries a *token*, 32 bits that stay what they are whatever a gateway translates: the
sequence number of a TCP packet, else a mark within the data, which an answer or an ICMP error that
quotes it brings back (`sightings` reads them). Tokens stand `SPACING` apart, so that the sequence
numbers of one conversation never look like another's.

Messages of neighbour discovery are true to their form and mean nothing: they ask for nobody, and
carry the token in an option that RFC 4727 leaves for experiments.
"""

from __future__ import annotations

import struct
from dataclasses import replace
from functools import cache

from netcharter.plan.coding import DCCP, ICMP, ICMP6, SCTP, TCP, UDP, UDPLITE
from netcharter.plan.icmp import ECHO_REQUEST4, ECHO_REQUEST6, ERRORS6, REPLIES4, REPLIES6
from netcharter.plan.shapes import Address
from netcharter.probes.shapes import Packet, Shape

SPACING = 1 << 10
MAGIC, REPLY = b"ncprobe\x00", b"ncreply\x00"
FRAGMENT, ROUTING, DESTINATION = 44, 43, 60  # RFC 8200 sections 4.4 to 4.6
IP4, IP6 = b"\x08\x00", b"\x86\xdd"
SYN, RST, ACK = 0x02, 0x04, 0x10  # RFC 9293 section 3.1
QUOTING4 = (3, 4, 5, 11, 12)  # ICMP messages that quote a packet, RFC 792
PIECE = 32  # bytes of a fragment, a multiple of 8; the first one holds the token
ADVERTISING = range(133, 138)  # RFC 4861: hop limit 255
LISTENING = (130, 131, 132, 143, 151, 152, 153)  # RFC 3810, RFC 4286: hop limit 1
NOBODY6 = bytes.fromhex("fe800000000000006e6f626f64790001")  # no machine of a lab has it


def data(token: int, word: bytes = MAGIC) -> bytes:
    """What a probe says: the token, alone first since some replies bring back no more than that."""
    number = struct.pack("!I", token)
    return number + word + number + bytes(40)


def packets(packet: Packet, shape: Shape, token: int, backwards: bool = False) -> list[bytes]:
    """The IP packets of a probe in the order of sending; `backwards`: fragments last one first.

    `talk` gives what its first packet is. Raises ValueError for a packet that cannot exist.
    """
    if packet.source.version != packet.destination.version:
        raise ValueError(f"from {packet.source} to {packet.destination}: two families")
    body = _body(packet, shape, token)
    if shape != "fragments":
        return [_whole(packet, shape, body, token)]
    pieces = _pieces(packet, body, token)
    return pieces[::-1] if backwards else pieces


def framed(packet: bytes, source: int, destination: int) -> bytes:
    """An Ethernet frame. `destination`: where a packet to one machine goes; one to many goes to
    the group's own hardware address (RFC 1112 section 6.4, RFC 2464 section 7).
    """
    if packet[0] >> 4 == 4:
        end, kind = packet[16:20], IP4
        if end == b"\xff" * 4:
            destination = (1 << 48) - 1
        elif end[0] >> 4 == 14:
            destination = 0x01005E000000 | int.from_bytes(end, "big") & 0x7FFFFF
    else:
        end, kind = packet[24:40], IP6
        if end[0] == 0xFF:
            destination = 0x333300000000 | int.from_bytes(end[12:], "big")
    return destination.to_bytes(6, "big") + source.to_bytes(6, "big") + kind + packet


def checksum(octets: bytes) -> int:
    """The Internet checksum, RFC 1071."""
    if len(octets) % 2:
        octets += b"\0"
    total: int = sum(struct.unpack(f"!{len(octets) // 2}H", octets))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return total ^ 0xFFFF


# --- the network layer ----------------------------------------------------------------------------


def _whole(packet: Packet, shape: Shape, body: bytes, token: int) -> bytes:
    protocol = packet.protocol
    if packet.source.version == 4:
        return _header4(packet, len(body), token, 0) + body
    if shape == "extension":  # destination options: a PadN that fills eight bytes
        body, protocol = bytes((protocol, 0, 1, 4, 0, 0, 0, 0)) + body, DESTINATION
    elif shape == "source-routed":  # type 0, one segment left: back to where it came from
        header = bytes((protocol, 2, 0, 1, 0, 0, 0, 0)) + packet.source.packed
        body, protocol = header + body, ROUTING
    return _header6(packet, protocol, len(body)) + body


def _header4(packet: Packet, size: int, token: int, fragment: int) -> bytes:
    """RFC 791. fragment: the flags and the offset in eights."""
    number = token // SPACING & 0xFFFF or 1
    head = struct.pack("!BBHHHBBH", 0x45, 0, 20 + size, number, fragment, 64, packet.protocol, 0)
    head += packet.source.packed + packet.destination.packed
    return head[:10] + checksum(head).to_bytes(2, "big") + head[12:]


def _header6(packet: Packet, following: int, size: int) -> bytes:
    """RFC 8200."""
    head = struct.pack("!IHBB", 6 << 28, size, following, _hops(packet))
    return head + packet.source.packed + packet.destination.packed


def _hops(packet: Packet) -> int:
    """What the receiver of a message demands as its hop limit."""
    if packet.protocol == ICMP6:
        kind = packet.number >> 8
        if kind in ADVERTISING:
            return 255
        if kind in LISTENING and _stays(packet.destination):
            return 1
    return 64


def _stays(end: Address) -> bool:
    """Does a packet to that address stay on its link?"""
    return end.is_link_local or (end.is_multicast and end.packed[1] & 15 == 2)


def _pieces(packet: Packet, body: bytes, token: int) -> list[bytes]:
    found = []
    for start in range(0, len(body), PIECE):
        piece, more = body[start : start + PIECE], int(start + PIECE < len(body))
        if packet.source.version == 4:
            found.append(_header4(packet, len(piece), token, more << 13 | start // 8) + piece)
        else:
            extra = struct.pack("!BBHI", packet.protocol, 0, start | more, token)
            found.append(_header6(packet, FRAGMENT, 8 + len(piece)) + extra + piece)
    return found


# --- what it carries ------------------------------------------------------------------------------


def _body(packet: Packet, shape: Shape, token: int) -> bytes:
    protocol = packet.protocol
    if protocol == TCP:
        return _summed(packet, _tcp(packet, shape, token), 16)
    if protocol in (UDP, UDPLITE):
        return _udp(packet, token)
    if protocol == ICMP and packet.source.version == 4:
        message = struct.pack("!HH", packet.number, 0) + _message4(packet, token)
        return message[:2] + checksum(message).to_bytes(2, "big") + message[4:]
    if protocol == ICMP6 and packet.source.version == 6:
        message = struct.pack("!HH", packet.number, 0) + _message6(packet, token)
        return _summed(packet, message, 2)
    if protocol == DCCP:
        return _summed(packet, _dccp(packet, token), 6)
    if protocol == SCTP:
        return _sctp(packet, token)
    return bytes(8) + data(token)


def _summed(packet: Packet, body: bytes, at: int) -> bytes:
    """With the checksum over it and the pseudo header (RFC 9293 section 3.1, RFC 8200 8.1)."""
    ends = packet.source.packed + packet.destination.packed
    total = checksum(ends + struct.pack("!II", len(body), packet.protocol) + body)
    if packet.protocol == UDP:
        total = total or 0xFFFF  # RFC 768: zero would mean that there is none
    return body[:at] + total.to_bytes(2, "big") + body[at + 2 :]


def _tcp(packet: Packet, shape: Shape, token: int) -> bytes:
    """A first packet, or one that pretends to belong to a conversation."""
    flags, acknowledged = (ACK, token) if shape == "no-start" else (SYN, 0)
    ends = struct.pack("!HH", packet.port, packet.number)
    return ends + struct.pack("!IIBBHHH", token, acknowledged, 5 << 4, flags, 64240, 0, 0)


def _udp(packet: Packet, token: int) -> bytes:
    """RFC 768; RFC 3828 says "all of it" by a coverage of 0 where UDP says its length.

    Linux's conntrack takes the checksum of UDP-Lite for UDP's (nf_conntrack_proto_udp.c, 6.18) and
    would call one by RFC 3828 invalid; nobody else looks at it here.
    """
    said = data(token)
    size = 8 + len(said) if packet.protocol == UDP else 0
    body = struct.pack("!HHHH", packet.port, packet.number, size, 0) + said
    return _summed(replace(packet, protocol=UDP), body, 6)


def _dccp(packet: Packet, token: int) -> bytes:
    """A request, RFC 4340 sections 5.1 and 5.2: 48-bit sequence number, service code 0."""
    head = struct.pack("!HHBBHBBHI", packet.port, packet.number, 5, 0, 0, 1, 0, 0, token)
    return head + bytes(4) + data(token)


def _sctp(packet: Packet, token: int) -> bytes:
    """An INIT, RFC 9260 section 3.3.2, with a parameter that receivers skip (section 3.2.1)."""
    said = struct.pack("!HH", 0x8EEE, 4 + len(data(token))) + data(token)
    chunk = struct.pack("!BBHIIHHI", 1, 0, 20 + len(said), token, 65536, 1, 1, token) + said
    head = struct.pack("!HHII", packet.port, packet.number, 0, 0)
    total = crc32c(head + chunk)
    return head[:8] + total.to_bytes(4, "little") + chunk


def crc32c(octets: bytes) -> int:
    """RFC 9260 appendix A, as a number whose lowest byte is sent first."""
    table, total = _crc_table(), 0xFFFFFFFF
    for octet in octets:
        total = total >> 8 ^ table[(total ^ octet) & 0xFF]
    return total ^ 0xFFFFFFFF


@cache
def _crc_table() -> tuple[int, ...]:
    found = []
    for value in range(256):
        for _ in range(8):
            value = value >> 1 ^ (0x82F63B78 if value & 1 else 0)
        found.append(value)
    return tuple(found)


def _message4(packet: Packet, token: int) -> bytes:
    kind = packet.number >> 8
    if kind in QUOTING4:
        return bytes(4) + _quoted(packet, token)
    if kind in (ECHO_REQUEST4, *REPLIES4, 13, 15, 17):  # queries: an identifier and a number
        return struct.pack("!HH", packet.port, 1) + data(token)
    return bytes(4) + data(token)


def _message6(packet: Packet, token: int) -> bytes:
    kind = packet.number >> 8
    if kind in ERRORS6:
        return bytes(4) + _quoted(packet, token)
    if kind in (ECHO_REQUEST6, *REPLIES6):
        return struct.pack("!HH", packet.port, 1) + data(token)
    if kind in ADVERTISING or kind in LISTENING[:3]:
        return _neighbourly(kind) + _option(token)
    return bytes(4) + data(token)  # type 143 with it: a report of no groups


def _neighbourly(kind: int) -> bytes:
    """RFC 4861 section 4, RFC 3810 section 5: the fixed part behind the checksum.

    A router advertisement announces no router; a query asks for a group that nobody is in.
    """
    if kind == 133:
        return bytes(4)
    if kind == 134:
        return bytes(12)
    if kind in LISTENING:
        group = b"\xff\x02" + NOBODY6[2:]
        return bytes(4) + group + (bytes(4) if kind == 130 else b"")
    return bytes(4) + NOBODY6 + (NOBODY6 if kind == 137 else b"")


def _option(token: int) -> bytes:
    """A neighbour discovery option for experiments: RFC 4727 section 3.3, 24 bytes long."""
    return b"\xfd\x03" + bytes(2) + MAGIC + struct.pack("!I", token) + bytes(8)


def _quoted(packet: Packet, token: int) -> bytes:
    """A packet that the receiver never sent, which an error pretends to be about."""
    asked = Packet(packet.destination, packet.source, UDP, 9, 9, None)
    return packets(asked, "plain", token)[0]
