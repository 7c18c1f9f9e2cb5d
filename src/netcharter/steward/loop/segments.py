"""Areas are asked by frames of their own, past the gateway's packet filter, and listened to for a while.

It takes CAP_NET_RAW, and sockets of packets (packet(7)). The kernel sorts out beforehand what could be
an answer, so that a busy area drowns none and costs nothing.
"""

from __future__ import annotations

import ctypes
import os
import selectors
import socket
import struct
import time
from collections.abc import Iterable
from contextlib import ExitStack, suppress

from netcharter.steward.segments import Heard, Segment, answer, questions

LISTENED = (
    2.0  # seconds after the questions; a server that asks first whether an address is held takes 1
)
_EVERY_PROTOCOL = 0x0003  # ETH_P_ALL of linux/if_ether.h
_OUTGOING = 4  # PACKET_OUTGOING of linux/if_packet.h
_ATTACH_FILTER = 26  # SO_ATTACH_FILTER of asm-generic/socket.h
_MOST = 2048  # bytes of a frame that are looked at
_MOST_FRAMES = 20_000  # in one round


# Classic BPF (linux/filter.h): code, how far to jump where it holds and where not, operand. Nothing of
# a VLAN: the kernel shows it at the device below, too, and it is another area's, or a line's. ARP; IPv6
# with an ICMPv6 message of type 134; IPv4, no later fragment, UDP to port 68.
_VLAN_TAG = 0xFFFFF000 + 44  # SKF_AD_OFF + SKF_AD_VLAN_TAG
_VLAN_NUMBER = 0x0FFF  # of a tag; 0 is none (IEEE Std 802.1Q)
_LOAD_WORD, _LOAD_HALF, _LOAD_BYTE, _LOAD_LENGTH, _LOAD_HALF_THERE = 0x20, 0x28, 0x30, 0xB1, 0x48
_EQUAL, _ANY_BIT, _END = 0x15, 0x45, 0x06
_WANTED = (
    (_LOAD_WORD, 0, 0, _VLAN_TAG),
    (_ANY_BIT, 15, 0, _VLAN_NUMBER),
    (_LOAD_HALF, 0, 0, 12),
    (_EQUAL, 14, 0, 0x0806),
    (_EQUAL, 0, 4, 0x86DD),
    (_LOAD_BYTE, 0, 0, 20),
    (_EQUAL, 0, 10, 58),
    (_LOAD_BYTE, 0, 0, 54),
    (_EQUAL, 9, 8, 134),
    (_EQUAL, 0, 7, 0x0800),
    (_LOAD_BYTE, 0, 0, 23),
    (_EQUAL, 0, 5, 17),
    (_LOAD_HALF, 0, 0, 20),
    (_ANY_BIT, 3, 0, 0x1FFF),
    (_LOAD_LENGTH, 0, 0, 14),
    (_LOAD_HALF_THERE, 0, 0, 16),
    (_EQUAL, 1, 0, 68),
    (_END, 0, 0, 0),
    (_END, 0, 0, 0xFFFF),
)


def heard(
    segments: Iterable[Segment], seconds: float = LISTENED, number: int = 0
) -> tuple[Heard, ...] | None:
    """Who does what he should not, in all areas at once; None where this process may not ask. An area
    whose device is not there, or is down, is left out. number: of the round."""
    found: dict[Heard, None] = {}
    token = os.urandom(4)
    with ExitStack() as stack, selectors.DefaultSelector() as ears:
        for segment in segments:
            try:
                ear = stack.enter_context(_opened(segment))
            except PermissionError:
                return None
            except OSError:
                continue
            own = ear.getsockname()[4]
            ears.register(ear, selectors.EVENT_READ, (segment, own))
            with suppress(OSError):  # a cable that is out
                for frame in questions(segment, own, token, number):
                    ear.send(frame)
        end, left = time.monotonic() + seconds, _MOST_FRAMES
        while left > 0 and (rest := end - time.monotonic()) > 0 and ears.get_map():
            for key, _ in ears.select(rest):
                left -= 1
                segment, own = key.data
                one = _one(key.fileobj, segment, own, token)
                if one is not None:
                    found[one] = None
    return tuple(found)


def _opened(segment: Segment) -> socket.socket:
    """Raises PermissionError where this process may not, OSError where there is no such device."""
    ear = socket.socket(socket.AF_PACKET, socket.SOCK_RAW | socket.SOCK_CLOEXEC, 0)
    try:
        ear.setblocking(False)
        _only_answers(ear)
        ear.bind((segment.device, _EVERY_PROTOCOL))
    except OSError:
        ear.close()
        raise
    return ear


def _only_answers(ear: socket.socket) -> None:
    """Raises OSError where the kernel takes no filter."""
    steps = b"".join(struct.pack("=HBBI", *step) for step in _WANTED)
    room = ctypes.create_string_buffer(steps, len(steps))
    program = struct.pack("@HP", len(steps) // 8, ctypes.addressof(room))
    ear.setsockopt(socket.SOL_SOCKET, _ATTACH_FILTER, program)


def _one(ear: object, segment: Segment, own: bytes, token: bytes) -> Heard | None:
    if not isinstance(ear, socket.socket):
        return None
    try:
        frame, place = ear.recvfrom(_MOST)
    except OSError:
        return None
    return None if place[2] == _OUTGOING else answer(segment, own, token, frame)
