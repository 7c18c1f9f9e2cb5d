"""What is asked in an area, and what an answer says: does somebody else lend addresses, advertise a way
out, or hold an address that is another's?

Frames of Ethernet, out and in. A question for an address (RFC 2131 section 3.1) and one for routers
(RFC 4861 section 6.3.7) go out by the area's device; the gateway's own dnsmasq does not hear what its
machine sends, so that whoever answers is somebody else. Who holds an address is asked as RFC 5227
section 2.1.1 has it, on behalf of nobody.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from ipaddress import IPv4Address, IPv6Address
from typing import Literal

Kind = Literal["lends", "routes", "holds"]
IPV4, ARP, IPV6 = 0x0800, 0x0806, 0x86DD
UDP, ICMP6, ADVERTISEMENT, SOLICITATION = 17, 58, 134, 133
SERVER, CLIENT = 67, 68
COOKIE = b"\x63\x82\x53\x63"  # RFC 2131 section 3
BROADCAST, ALL_ROUTERS = b"\xff" * 6, bytes.fromhex("333300000002")
MOST_ASKED = 64  # addresses of one area in one round; the next ones are asked in the next
_SERVER_ID, _END, _PAD = 54, 255, 0
_BOOTP, _OPTIONS = 236, 240  # bytes before the cookie, and before the options


@dataclass(frozen=True, slots=True)
class Segment:
    """An area. gateway: the gateway's IPv4 address; lends: whether the gateway lends here, so that
    nobody else may; held: addresses that are devices' own, and the hardware that may hold each."""

    area: str
    device: str
    gateway: str
    lends: bool
    held: Mapping[str, frozenset[str]] = field(default_factory=dict)

    @property
    def turns(self) -> int:
        """After how many rounds every address was asked."""
        return max(1, -(-len(self.held) // MOST_ASKED))

    def turn(self, number: int) -> Sequence[str]:
        """The addresses that are asked in one of the rounds, which are counted on and on."""
        place = number % self.turns * MOST_ASKED
        return tuple(self.held)[place : place + MOST_ASKED]


@dataclass(frozen=True, slots=True)
class Heard:
    """Somebody does what he should not. who: the address by which he does; about: the address that he
    holds; hardware: where it came from."""

    area: str
    kind: Kind
    who: str
    hardware: str
    about: str = ""


def questions(segment: Segment, own: bytes, token: bytes, number: int = 0) -> Iterator[bytes]:
    """The frames that ask. own: the device's hardware address; token: four bytes by which an answer
    is known to be one; number: of the round."""
    if segment.lends:
        yield _discover(own, token)
    yield _solicit(own)
    for address in (segment.gateway, *segment.turn(number)):
        yield _probe(own, address)


def answer(segment: Segment, own: bytes, token: bytes, frame: bytes) -> Heard | None:
    """What a frame from the cable says, if it says anything of that kind. Never fails on any bytes."""
    if len(frame) < 14 or frame[6:12] == own:
        return None
    hardware = frame[6:12].hex(":")
    kind, rest = int.from_bytes(frame[12:14], "big"), frame[14:]
    if kind == ARP:
        return _holds(segment, rest)
    if kind == IPV6:
        return _routes(segment, rest, hardware)
    if kind == IPV4 and segment.lends:
        return _lends(segment, rest, token, hardware)
    return None


# --- questions -----------------------------------------------------------------------------------


def _discover(own: bytes, token: bytes) -> bytes:
    """DHCPDISCOVER that wants its answer as a broadcast (RFC 2131 section 4.1)."""
    head = struct.pack("!BBBB4sHH16x", 1, 1, 6, 0, token, 0, 0x8000)
    options = COOKIE + b"\x35\x01\x01\x37\x02\x03\x06\xff"
    bootp = head + own + bytes(10 + 64 + 128) + options
    bootp += bytes(max(0, 300 - len(bootp)))
    udp = struct.pack("!HHHH", CLIENT, SERVER, 8 + len(bootp), 0) + bootp
    ip = struct.pack(
        "!BBHHHBBH4s4s", 0x45, 0, 20 + len(udp), 0, 0, 64, UDP, 0, bytes(4), b"\xff" * 4
    )
    ip = ip[:10] + _checksum(ip) + ip[12:]
    return BROADCAST + own + IPV4.to_bytes(2, "big") + ip + udp


def _solicit(own: bytes) -> bytes:
    """A router solicitation of somebody who has no address yet (RFC 4861 section 4.1)."""
    target, message = IPv6Address("ff02::2").packed, bytes((SOLICITATION, 0, 0, 0, 0, 0, 0, 0))
    pseudo = bytes(16) + target + struct.pack("!I3xB", len(message), ICMP6)
    message = message[:2] + _checksum(pseudo + message) + message[4:]
    ip = struct.pack("!IHBB", 6 << 28, len(message), ICMP6, 255) + bytes(16) + target
    return ALL_ROUTERS + own + IPV6.to_bytes(2, "big") + ip + message


def _probe(own: bytes, address: str) -> bytes:
    """Who has this address? Asked by nobody (RFC 5227 section 2.1.1)."""
    arp = struct.pack("!HHBBH", 1, IPV4, 6, 4, 1)
    body = own + bytes(4) + bytes(6) + IPv4Address(address).packed
    return BROADCAST + own + ARP.to_bytes(2, "big") + arp + body


def _checksum(data: bytes) -> bytes:
    """RFC 1071."""
    words = struct.unpack(f"!{len(data) // 2}H", data)
    total = sum(words)
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return int(~total & 0xFFFF).to_bytes(2, "big")


# --- answers -------------------------------------------------------------------------------------


def _holds(segment: Segment, arp: bytes) -> Heard | None:
    """An ARP reply, or an announcement (RFC 5227 section 3), from somebody who may not hold it."""
    if len(arp) < 28 or arp[:6] != struct.pack("!HHBB", 1, IPV4, 6, 4):
        return None
    hardware, address = arp[8:14].hex(":"), str(IPv4Address(arp[14:18]))
    if address == segment.gateway:
        return Heard(segment.area, "holds", hardware, hardware, address)
    allowed = segment.held.get(address)
    if allowed is None or hardware in allowed:
        return None
    return Heard(segment.area, "holds", hardware, hardware, address)


def _routes(segment: Segment, ip: bytes, hardware: str) -> Heard | None:
    """A router advertisement (RFC 4861 section 6.1.2: with a hop limit of 255, from the link)."""
    if len(ip) < 56 or ip[6] != ICMP6 or ip[7] != 255 or ip[40] != ADVERTISEMENT:
        return None
    source = IPv6Address(ip[8:24])
    return Heard(segment.area, "routes", str(source), hardware) if source.is_link_local else None


def _lends(segment: Segment, ip: bytes, token: bytes, hardware: str) -> Heard | None:
    """An answer to our question for an address."""
    length = (ip[0] & 0xF) * 4 if ip else 0
    if length < 20 or len(ip) < length + 8 + _OPTIONS or ip[9] != UDP:
        return None
    ports, bootp = struct.unpack_from("!HH", ip, length), ip[length + 8 :]
    if ports != (SERVER, CLIENT) or bootp[0] != 2 or bootp[4:8] != token:
        return None
    if bootp[_BOOTP:_OPTIONS] != COOKIE:
        return None
    named = _option(bootp[_OPTIONS:], _SERVER_ID)
    server = str(IPv4Address(named if len(named) == 4 else ip[12:16]))
    return None if server == segment.gateway else Heard(segment.area, "lends", server, hardware)


def _option(options: bytes, wanted: int) -> bytes:
    """The value of an option (RFC 2132 section 2), or nothing."""
    place = 0
    while place < len(options) and options[place] != _END:
        if options[place] == _PAD:
            place += 1
            continue
        if place + 1 >= len(options):
            break
        size = options[place + 1]
        if options[place] == wanted:
            return options[place + 2 : place + 2 + size]
        place += 2 + size
    return b""
