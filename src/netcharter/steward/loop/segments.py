"""Areas are asked by frames of their own, past the gateway's packet filter, and listened to for a while.

It takes CAP_NET_RAW, and sockets of packets (packet(7)).
"""

from __future__ import annotations

import os
import selectors
import socket
import time
from collections.abc import Iterable
from contextlib import ExitStack, suppress

from netcharter.steward.segments import Heard, Segment, answer, questions

LISTENED = (
    2.0  # seconds after the questions; a server that asks first whether an address is held takes 1
)
_EVERY_PROTOCOL = 0x0003  # ETH_P_ALL of linux/if_ether.h
_OUTGOING = 4  # PACKET_OUTGOING of linux/if_packet.h
_MOST = 2048  # bytes of a frame that are looked at
_MOST_FRAMES = 20_000  # in one round


def heard(segments: Iterable[Segment], seconds: float = LISTENED) -> tuple[Heard, ...] | None:
    """Who does what he should not, in all areas at once; None where this process may not ask. An area
    whose device is not there, or is down, is left out."""
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
                for frame in questions(segment, own, token):
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
        ear.bind((segment.device, _EVERY_PROTOCOL))
    except OSError:
        ear.close()
        raise
    return ear


def _one(ear: object, segment: Segment, own: bytes, token: bytes) -> Heard | None:
    if not isinstance(ear, socket.socket):
        return None
    try:
        frame, place = ear.recvfrom(_MOST)
    except OSError:
        return None
    return None if place[2] == _OUTGOING else answer(segment, own, token, frame)
