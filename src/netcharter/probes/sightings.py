"""What the bytes of a packet say of a probe: its own packet on the way, or an answer to it."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address

from netcharter.plan.coding import ICMP, ICMP6, PORTED, TCP
from netcharter.plan.icmp import ERRORS4, ERRORS6, REPLIES4, REPLIES6
from netcharter.plan.shapes import Address
from netcharter.probes.frames import (
    ACK,
    DESTINATION,
    FRAGMENT,
    IP4,
    IP6,
    MAGIC,
    REPLY,
    ROUTING,
    RST,
    SYN,
)
from netcharter.probes.shapes import Answered

EXTENSIONS = (0, ROUTING, DESTINATION)  # RFC 8200 section 4: those that are walked through
PROHIBITED4 = (9, 10, 13)  # RFC 1122 section 3.2.2.1, RFC 1812 section 5.2.7.1: codes of type 3
PROHIBITED6 = 1 << 8 | 1  # RFC 4443 section 3.1


@dataclass(frozen=True, slots=True)
class Sighting:
    """What one packet says of the probe with that token.

    answer: what it tells the sender, if it is an answer; None for a probe's own packet. Whether an
    ICMP error or reply is an answer or itself the probe, only the probe's own number can tell.
    number: destination port, ICMP type * 256 + code, or 0.
    """

    token: int
    answer: Answered | None
    source: Address
    destination: Address
    protocol: int
    number: int


def in_frame(frame: bytes) -> Sighting | None:
    """What an Ethernet frame says; None where it says nothing of a probe."""
    kind = frame[12:14]
    if kind == IP4:
        return in_packet4(frame[14:])
    return in_packet6(frame[14:]) if kind == IP6 else None


def in_packet4(packet: bytes) -> Sighting | None:
    """The same for an IPv4 packet; of a fragment only the first says anything."""
    found = _inside4(packet)
    if found is None:
        return None
    return in_body(*found, IPv4Address(packet[12:16]), IPv4Address(packet[16:20]))


def in_packet6(packet: bytes) -> Sighting | None:
    """The same for an IPv6 packet."""
    found = _inside6(packet)
    if found is None:
        return None
    return in_body(*found, IPv6Address(packet[8:24]), IPv6Address(packet[24:40]))


def _inside4(packet: bytes) -> tuple[int, bytes] | None:
    """The protocol of an IPv4 packet, and what it carries."""
    if len(packet) < 20 or packet[6] & 0x1F or packet[7]:
        return None
    return packet[9], packet[(packet[0] & 15) * 4 :]


def _inside6(packet: bytes) -> tuple[int, bytes] | None:
    """The protocol behind the extension headers of an IPv6 packet, and what it carries."""
    if len(packet) < 40:
        return None
    protocol, at = packet[6], 40
    while protocol in EXTENSIONS or protocol == FRAGMENT:
        if len(packet) < at + 8:
            return None
        if protocol == FRAGMENT and int.from_bytes(packet[at + 2 : at + 4], "big") >> 3:
            return None
        size = 8 if protocol == FRAGMENT else 8 * packet[at + 1] + 8
        protocol, at = packet[at], at + size
    return protocol, packet[at:]


def in_body(protocol: int, body: bytes, source: Address, destination: Address) -> Sighting | None:
    """The same for what an IP packet carries."""
    said = _told(protocol, body, source.version)
    if said is None:
        return None
    token, answer = said
    return Sighting(token, answer, source, destination, protocol, _number(protocol, body))


def _number(protocol: int, body: bytes) -> int:
    if protocol in PORTED:
        return int.from_bytes(body[2:4], "big")
    return int.from_bytes(body[:2], "big") if protocol in (ICMP, ICMP6) else 0


def _told(protocol: int, body: bytes, version: int) -> tuple[int, Answered | None] | None:
    if protocol == TCP:
        return _of_tcp(body)
    if protocol == ICMP and version == 4:
        return _of_icmp4(body)
    if protocol == ICMP6 and version == 6:
        return _of_icmp6(body)
    token = _marked(body, MAGIC)
    if token is not None:
        return token, None
    token = _marked(body, REPLY)
    return None if token is None else (token, "answered")


def _marked(body: bytes, word: bytes) -> int | None:
    at = body.find(word)
    if at < 0 or len(body) < at + 12:
        return None
    return int.from_bytes(body[at + 8 : at + 12], "big")


def _of_tcp(body: bytes) -> tuple[int, Answered | None] | None:
    """RFC 9293 section 3.5.2: a reset acknowledges what it answers, or takes its sequence number
    from the acknowledgement there.
    """
    if len(body) < 14:
        return None
    sequence, acknowledged = struct.unpack("!II", body[4:12])
    flags = body[13]
    if flags & RST:
        return ((acknowledged - 1) & 0xFFFFFFFF if flags & ACK else sequence), "reset"
    if flags & SYN and flags & ACK:
        return (acknowledged - 1) & 0xFFFFFFFF, "answered"
    return sequence, None


def _of_icmp4(body: bytes) -> tuple[int, Answered | None] | None:
    if len(body) < 8:
        return None
    kind, code = body[0], body[1]
    if kind in ERRORS4:
        prohibited = kind == 3 and code in PROHIBITED4
        return _of_quote(_inside4(body[8:]), "prohibited" if prohibited else "unreachable")
    if kind in REPLIES4:  # a timestamp reply brings back no more than the first four bytes
        token = _marked(body, MAGIC)
        return (int.from_bytes(body[8:12], "big") if token is None else token), "answered"
    token = _marked(body, MAGIC)
    return None if token is None else (token, None)


def _of_icmp6(body: bytes) -> tuple[int, Answered | None] | None:
    if len(body) < 4:
        return None
    if body[0] in ERRORS6:
        prohibited = int.from_bytes(body[:2], "big") == PROHIBITED6
        return _of_quote(_inside6(body[8:]), "prohibited" if prohibited else "unreachable")
    token = _marked(body, MAGIC)
    if token is None:
        return None
    return token, "answered" if body[0] in REPLIES6 else None


def _of_quote(quoted: tuple[int, bytes] | None, answer: Answered) -> tuple[int, Answered] | None:
    """Whom an error is about; it may quote no more than eight bytes (RFC 792)."""
    if quoted is None:
        return None
    protocol, body = quoted
    token = int.from_bytes(body[4:8], "big") if protocol == TCP else _marked(body, MAGIC)
    return None if token is None else (token, answer)
