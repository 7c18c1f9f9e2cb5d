"""Questions and orders to the kernel's netfilter without a process each.

By netlink (RFC 3549; the kernel's nfnetlink.h). A socket stays with the network namespace in which
it was opened.
"""

from __future__ import annotations

import os
import socket
import struct
from collections.abc import Iterator
from contextlib import suppress
from typing import Self

from netcharter.rollout.trouble import EffectFailed

LIMIT = 10.0  # seconds for one answer
TRIES = 100  # to list what somebody changes meanwhile

_NETFILTER = 12  # linux/netlink.h
_REQUEST, _ACK, _DUMP, _INTERRUPTED = 0x1, 0x4, 0x300, 0x10
_ERROR, _DONE = 2, 3
_HEAD = struct.Struct("=IHHII")  # struct nlmsghdr
_ERRNO = struct.Struct("=i")  # negative, at the beginning of an error's or an end's body


class _Torn(Exception):
    """What was listed changed meanwhile."""


class Netfilter:
    """The netfilter of the network namespace in which this was made. Close it after use."""

    def __init__(self) -> None:
        kind = socket.SOCK_RAW | socket.SOCK_CLOEXEC
        self._socket = socket.socket(socket.AF_NETLINK, kind, _NETFILTER)
        self._socket.settimeout(LIMIT)
        self._socket.bind((0, 0))
        self._number = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *fault: object) -> None:
        self._socket.close()

    def order(self, kind: int, body: bytes) -> None:
        """Have the kernel do something. Raises OSError if it refuses."""
        self._ask(kind, _REQUEST | _ACK, body)
        list(self._answers())

    def everything(self, kind: int, body: bytes) -> list[bytes]:
        """All that the kernel lists. Raises OSError if it refuses, EffectFailed if somebody changes
        it all the time."""
        for _ in range(TRIES):
            self._ask(kind, _REQUEST | _DUMP, body)
            with suppress(_Torn):
                return list(self._answers())
        raise EffectFailed("asking the kernel", "what is to be listed changes all the time")

    def _ask(self, kind: int, flags: int, body: bytes) -> None:
        self._number += 1
        length = _HEAD.size + len(body)
        self._socket.send(_HEAD.pack(length, kind, flags, self._number, 0) + body)

    def _answers(self) -> Iterator[bytes]:
        """The bodies of the answers to the last question, to the end."""
        interrupted = False
        while True:
            for kind, flags, number, body in _messages(self._socket.recv(1 << 16)):
                if number != self._number:
                    continue
                interrupted |= bool(flags & _INTERRUPTED)
                if kind in (_ERROR, _DONE):
                    fault = -_ERRNO.unpack_from(body)[0]
                    if fault:
                        raise OSError(fault, os.strerror(fault))
                    if interrupted:
                        raise _Torn
                    return
                yield body


def _messages(data: bytes) -> Iterator[tuple[int, int, int, bytes]]:
    while len(data) >= _HEAD.size:
        length, kind, flags, number, _ = _HEAD.unpack_from(data)
        yield kind, flags, number, data[_HEAD.size : length]
        data = data[length + 3 & ~3 :]


def attribute(kind: int, value: bytes) -> bytes:
    """An attribute as it is sent."""
    length = 4 + len(value)
    return struct.pack("=HH", length, kind) + value + b"\0" * (-length % 4)


def attributes(data: bytes) -> dict[int, bytes]:
    """The attributes of an answer, by their kind."""
    found = {}
    while len(data) >= 4:
        length, kind = struct.unpack_from("=HH", data)
        found[kind & 0x3FFF] = data[4:length]
        data = data[length + 3 & ~3 :]
    return found
