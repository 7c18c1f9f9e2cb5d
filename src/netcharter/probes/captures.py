"""Frames as a capture file that common tools read: pcapng (draft-ietf-opsawg-pcapng)."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass

SECTION, INTERFACE, PACKET = 0x0A0D0D0A, 1, 6
ORDER, ETHERNET = 0x1A2B3C4D, 1  # the first tells a reader the order of bytes
NAME, RESOLUTION, COMMENT, END = 2, 9, 1, 0
NANOSECONDS = 9


@dataclass(frozen=True, slots=True)
class Taken:
    """One frame: at which station, and when in nanoseconds since 1970."""

    station: str
    at: int
    frame: bytes


def pcapng(frames: Sequence[Taken], comment: str) -> bytes:
    """The file: a section with a comment, an interface per station, the frames in order of time."""
    stations = list(dict.fromkeys(taken.station for taken in frames))
    head = struct.pack("=IHHq", ORDER, 1, 0, -1) + _options((COMMENT, comment.encode()))
    out = [_block(SECTION, head)]
    for station in stations:
        options = _options((NAME, station.encode()), (RESOLUTION, bytes((NANOSECONDS,))))
        out.append(_block(INTERFACE, struct.pack("=HHI", ETHERNET, 0, 0) + options))
    for taken in sorted(frames, key=lambda each: each.at):
        out.append(_block(PACKET, _packet(stations.index(taken.station), taken)))
    return b"".join(out)


def _packet(interface: int, taken: Taken) -> bytes:
    size = len(taken.frame)
    head = struct.pack("=IIIII", interface, taken.at >> 32, taken.at & 0xFFFFFFFF, size, size)
    return head + _padded(taken.frame)


def _block(kind: int, body: bytes) -> bytes:
    size = 12 + len(body)
    return struct.pack("=II", kind, size) + body + struct.pack("=I", size)


def _options(*said: tuple[int, bytes]) -> bytes:
    found = [struct.pack("=HH", kind, len(value)) + _padded(value) for kind, value in said]
    return b"".join(found) + struct.pack("=HH", END, 0)


def _padded(octets: bytes) -> bytes:
    return octets + bytes(-len(octets) % 4)
