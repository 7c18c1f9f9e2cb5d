"""DNS messages of a lab, as bytes (RFC 1035 section 4): questions, and answers to them.

Only what a lab asks and answers. What comes is checked for its bounds; ValueError tells that it is none.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address, ip_address

A, NS, SOA, PTR, AAAA, HTTPS = 1, 2, 6, 12, 28, 65
NO_ERROR, SERVER_FAILURE, NO_NAME, REFUSED = 0, 2, 3, 5
INTERNET = 1
_HEADER = struct.Struct("!6H")
_ANSWER, _AUTHORITY, _WANTED = 0x8000, 0x0400, 0x0100
_POINTER = 0xC0
_MOST_LABELS = 128  # a name has no more (RFC 1035 section 2.3.4)
_FIXED = struct.Struct("!HHIH")


@dataclass(frozen=True, slots=True)
class Record:
    """data: an address or a name as text; for what is neither, nothing."""

    name: str
    kind: int
    data: str
    time: int = 60


@dataclass(frozen=True, slots=True)
class Answer:
    """code: NO_ERROR and the like; records: of the answer's own section."""

    code: int
    records: tuple[Record, ...]

    def told(self, kind: int) -> tuple[str, ...]:
        """What records of a kind say, in order of text."""
        return tuple(sorted(one.data for one in self.records if one.kind == kind))


def question(number: int, name: str, kind: int) -> bytes:
    """Ask a resolver."""
    return _HEADER.pack(number, _WANTED, 1, 0, 0, 0) + _asked(name, kind)


def _asked(name: str, kind: int) -> bytes:
    return written(name) + struct.pack("!HH", kind, INTERNET)


def written(name: str) -> bytes:
    """A name as labels behind their lengths; "" is the root."""
    labels = name.split(".") if name else []
    return b"".join(bytes((len(one),)) + one.encode("ascii") for one in labels) + b"\0"


def asked(message: bytes) -> tuple[int, str, int]:
    """The number, name (in lower case) and kind of a question."""
    number, _, count, *_ = _HEADER.unpack_from(_long(message, _HEADER.size))
    if count != 1:
        raise ValueError("not one question")
    name, at = _name(message, _HEADER.size)
    return number, name.lower(), struct.unpack_from("!H", _long(message, at + 4), at)[0]


def reply(message: bytes, answers: Sequence[Record], authority: Sequence[Record] = ()) -> bytes:
    """The answer of a server that has the last word about the name that it is asked for."""
    number, name, kind = asked(message)
    head = _HEADER.pack(number, _ANSWER | _AUTHORITY, 1, len(answers), len(authority), 0)
    return head + _asked(name, kind) + b"".join(map(_record, (*answers, *authority)))


def _record(one: Record) -> bytes:
    if one.kind in (A, AAAA):
        data = ip_address(one.data).packed
    elif one.kind == SOA:
        data = written("") * 2 + struct.pack("!5I", 1, 3600, 600, 86400, 60)
    elif one.kind == HTTPS:  # of the name itself, by HTTP/2 (RFC 9460 sections 2.2, 7.1)
        data = struct.pack("!H", 1) + written("") + struct.pack("!HH", 1, 3) + b"\x02h2"
    else:
        data = written(one.data)
    return written(one.name) + _FIXED.pack(one.kind, INTERNET, one.time, len(data)) + data


def answer(message: bytes, number: int) -> Answer:
    """What a resolver answers to the question of that number."""
    said, flags, questions, count, *_ = _HEADER.unpack_from(_long(message, _HEADER.size))
    if said != number or not flags & _ANSWER:
        raise ValueError("not the answer to this question")
    at = _HEADER.size
    for _ in range(questions):
        at = _name(message, at)[1] + 4
    records = []
    for _ in range(count):
        name, at = _name(message, at)
        kind, _, time, length = _FIXED.unpack_from(_long(message, at + _FIXED.size), at)
        at += _FIXED.size
        _long(message, at + length)
        records.append(Record(name, kind, _data(message, at, kind, length), time))
        at += length
    return Answer(flags & 0xF, tuple(records))


def _data(message: bytes, at: int, kind: int, length: int) -> str:
    data = message[at : at + length]
    if kind == A:
        return str(IPv4Address(data))
    if kind == AAAA:
        return str(IPv6Address(data))
    return _name(message, at)[0] if kind in (NS, PTR) else ""


def _name(message: bytes, at: int) -> tuple[str, int]:
    """A name that begins there, and where what stands behind it does (section 4.1.4)."""
    labels: list[str] = []
    behind = 0
    for _ in range(2 * _MOST_LABELS):
        length = _long(message, at + 1)[at]
        if length >= _POINTER:
            behind = behind or at + 2
            at = struct.unpack_from("!H", _long(message, at + 2), at)[0] & 0x3FFF
            continue
        at += 1
        if length == 0:
            return ".".join(labels), behind or at
        labels.append(_long(message, at + length)[at : at + length].decode("ascii", "replace"))
        at += length
    raise ValueError("a name without an end")


def _long(message: bytes, length: int) -> bytes:
    if len(message) < length:
        raise ValueError("a message that ends too early")
    return message
