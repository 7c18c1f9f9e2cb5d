"""Multicast DNS of a lab: messages as bytes (RFC 6762, RFC 1035 section 4), and who sends and hears them.

Shares nothing with the relay that is tried (`render.relay`).
"""

from __future__ import annotations

import select
import socket
import struct
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from ipaddress import ip_address

from netcharter.lab import isolation
from netcharter.plan.shapes import Address
from netcharter.probes.shapes import Place

PORT = 5353
GROUP = {4: "224.0.0.251", 6: "ff02::fb"}
FAMILY = {4: socket.AF_INET, 6: socket.AF_INET6}
A, PTR, TXT, AAAA, SRV = 1, 12, 16, 28, 33
ASKS, TELLS = "asks for", "tells"
LIVES = 120  # seconds a record may be kept
_HEADER, _FIXED = struct.Struct("!6H"), struct.Struct("!HHIH")
_IN, _FLUSH = 1, 0x8001  # classes; the latter with the cache-flush bit of section 10.2

Labels = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Told:
    """One question or record. data: an address or a name as text; of others nothing."""

    what: str  # ASKS or TELLS
    name: Labels
    kind: int
    data: str = ""

    def __str__(self) -> str:
        return f"{self.what} {'.'.join(self.name)}{f' ({self.data})' if self.data else ''}"


def labels(text: str) -> Labels:
    return tuple(text.split("."))


def asking(names: Iterable[Labels]) -> bytes:
    """One message with a question for the services that are listed under each of these names."""
    parts = [_written(name) + struct.pack("!HH", PTR, _IN) for name in names]
    return _HEADER.pack(0, 0, len(parts), 0, 0, 0) + b"".join(parts)


def telling(records: Sequence[Told]) -> bytes:
    """One message that answers with these records; a service is met at port 9 of its host."""
    return _HEADER.pack(0, 0x8400, 0, len(records), 0, 0) + b"".join(map(_record, records))


def _record(one: Told) -> bytes:
    if one.kind in (A, AAAA):
        data = ip_address(one.data).packed
    elif one.kind == SRV:
        data = struct.pack("!3H", 0, 0, 9) + _written(labels(one.data))
    else:
        data = b"\x03v=1" if one.kind == TXT else _written(labels(one.data))
    owner = _IN if one.kind == PTR else _FLUSH
    return _written(one.name) + _FIXED.pack(one.kind, owner, LIVES, len(data)) + data


def _written(name: Labels) -> bytes:
    return b"".join(bytes((len(one),)) + one.encode("ascii") for one in name) + b"\0"


def read(message: bytes) -> Iterator[Told]:
    """What a message asks and tells. Raises ValueError, struct.error, IndexError for what is none."""
    _, flags, questions, *counts = _HEADER.unpack_from(message)
    at = _HEADER.size
    for _ in range(questions):
        name, at = _name(message, at)
        yield Told(ASKS, name, struct.unpack_from("!H", message, at)[0])
        at += 4
    for _ in range(sum(counts) if flags & 0x8000 else 0):
        name, at = _name(message, at)
        kind, _, _, length = _FIXED.unpack_from(message, at)
        at += _FIXED.size
        yield Told(TELLS, name, kind, _data(message, at, kind, length))
        at += length


def _data(message: bytes, at: int, kind: int, length: int) -> str:
    if kind in (A, AAAA):
        return str(ip_address(message[at : at + length]))
    if kind in (PTR, SRV):
        return ".".join(_name(message, at + (6 if kind == SRV else 0))[0])
    return ""


def _name(message: bytes, at: int) -> tuple[Labels, int]:
    found: list[str] = []
    behind = 0
    for _ in range(200):
        length = message[at]
        if length >= 0xC0:
            behind = behind or at + 2
            at = struct.unpack_from("!H", message, at)[0] & 0x3FFF
        elif not length:
            return tuple(found), behind or at + 1
        else:
            found.append(message[at + 1 : at + 1 + length].decode("ascii", "replace"))
            at += 1 + length
    raise ValueError("a name without an end")


# --- machines ------------------------------------------------------------------------------------


class Listener:
    """Machines that hear what is sent to the group, each in its own area, until it is closed."""

    def __init__(self, places: Mapping[str, Place]) -> None:
        self._who: dict[socket.socket, tuple[str, int]] = {}
        try:
            for name, place in places.items():
                with isolation.inside(place.namespace):
                    for family in GROUP:
                        self._who[_listening(place.device, family)] = (name, family)
        except OSError:
            self.close()
            raise

    def close(self) -> None:
        for one in self._who:
            one.close()

    def hear(self, seconds: float) -> Iterator[tuple[str, int, Told]]:
        """Where, in which family and what, as it comes in that time."""
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            for one in select.select(list(self._who), [], [], left)[0]:
                try:
                    found = list(read(one.recv(65_535)))
                except (ValueError, IndexError, struct.error):
                    continue
                for told in found:
                    yield (*self._who[one], told)


def _listening(device: str, family: int) -> socket.socket:
    one = socket.socket(FAMILY[family], socket.SOCK_DGRAM)
    try:
        index = socket.if_nametoindex(device)
        one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        group = socket.inet_pton(FAMILY[family], GROUP[family])
        if family == 4:
            where = struct.pack("4s4si", group, bytes(4), index)
            one.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, where)
            one.bind((GROUP[4], PORT))
        else:
            where = group + struct.pack("i", index)
            one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_JOIN_GROUP, where)
            one.bind((GROUP[6], PORT, 0, index))
    except OSError:
        one.close()
        raise
    return one


def send(place: Place, source: Address, message: bytes) -> None:
    """One machine sends to the group, from one of its addresses."""
    with isolation.inside(place.namespace):
        family = source.version
        index = socket.if_nametoindex(place.device)
        with socket.socket(FAMILY[family], socket.SOCK_DGRAM) as one:
            one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            if family == 4:
                where = struct.pack("4s4si", bytes(4), bytes(4), index)
                one.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, where)
                one.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 255)
                one.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_LOOP, 0)
                one.bind((str(source), PORT))
                one.sendto(message, (GROUP[4], PORT))
            else:
                one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_HOPS, 255)
                one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_LOOP, 0)
                one.bind((str(source), PORT))
                one.sendto(message, (GROUP[6], PORT, 0, index))
