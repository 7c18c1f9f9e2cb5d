"""Echoes: targets are asked over one line each, whatever the routes say (RFC 792, RFC 4443).

A question is bound to the device of its line, comes from the line's own address, and has the line's
number as its mark: so the kernel looks for its way where conversations of that line find theirs, and
nowhere else. That holds for every kind of line, also where DHCP put the route into the main table, and
needs neither routes nor rules of its own. Raw sockets take CAP_NET_RAW.
"""

from __future__ import annotations

import errno
import os
import selectors
import socket
import struct
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field

from netcharter.steward.ways import Key, Leg

PATIENCE = 1.0  # seconds for an answer, at least
TOLERANCE = 1.5  # times what the charter allows
_ASKS = {4: (8, 0), 6: (128, 129)}  # echo request and reply
_HEAD = struct.Struct(">BBHHH")  # type, code, checksum, identifier, number
_TOKEN = 8  # bytes by which an answer is known to be ours
_MOST = 2048  # bytes of an answer that are looked at
_ICMP_FILTER, _ICMP6_FILTER = 1, 1  # linux/icmp.h, linux/icmpv6.h
_SOL_RAW = 255  # linux/socket.h


NOT_ALLOWED = (
    "lines can't be asked, and only their carriers and routes are watched: the steward may not open "
    "raw sockets (CAP_NET_RAW, CAP_NET_ADMIN); say `netcharter steward --install` again"
)


class NotAllowed(Exception):
    """This process may not send questions; says so in words."""


@dataclass
class _Asked:
    """A leg that is being asked. sent: by number of the question, the target and when."""

    leg: Leg
    channel: socket.socket
    identifier: int
    token: bytes
    sent: dict[int, tuple[str, float]] = field(default_factory=dict)
    found: dict[str, float | None] = field(default_factory=dict)

    @property
    def waits(self) -> bool:
        return any(self.found.get(target) is None for target, _ in self.sent.values())


def echoes(legs: Iterable[Leg]) -> dict[Key, Mapping[str, float | None]]:
    """Seconds after which each target of these legs answered, None where it did not in time. Whom the
    gateway's own packet filter lets nobody ask is left out.

    All are asked at once, one question each. Raises NotAllowed.
    """
    legs = [leg for leg in legs if leg.targets]
    found: dict[Key, Mapping[str, float | None]] = {
        leg.key: dict.fromkeys(leg.targets) for leg in legs
    }
    with ExitStack() as stack:
        asked = []
        for leg in legs:
            channel = _opened(leg)
            if channel is not None:
                stack.callback(channel.close)
                asked.append(_ask(leg, channel))
        _listen(asked, max(map(patience, legs), default=0.0))
        found |= {one.leg.key: dict(one.found) for one in asked}
    return found


def patience(leg: Leg) -> float:
    """Seconds for which an answer is waited for."""
    delay = leg.limits.delay
    return PATIENCE if delay is None else max(PATIENCE, TOLERANCE * delay)


def _opened(leg: Leg) -> socket.socket | None:
    """A socket on a line; None where the line has no such device or address just now."""
    family, protocol = (
        (socket.AF_INET, socket.IPPROTO_ICMP)
        if leg.family == 4
        else (socket.AF_INET6, socket.IPPROTO_ICMPV6)
    )
    try:
        channel = socket.socket(family, socket.SOCK_RAW | socket.SOCK_CLOEXEC, protocol)
    except PermissionError:
        raise NotAllowed(NOT_ALLOWED) from None
    try:
        channel.setblocking(False)
        channel.setsockopt(socket.SOL_SOCKET, socket.SO_MARK, leg.number)
        channel.setsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, leg.device.encode())
        _only_answers(channel, leg.family)
        if leg.own:
            channel.bind((leg.own, 0))
    except OSError as fault:
        channel.close()
        if fault.errno == errno.EPERM:
            raise NotAllowed(NOT_ALLOWED) from None
        return None
    return channel


def _only_answers(channel: socket.socket, family: int) -> None:
    answer = _ASKS[family][1]
    if family == 4:
        channel.setsockopt(_SOL_RAW, _ICMP_FILTER, struct.pack("=I", ~(1 << answer) & 0xFFFFFFFF))
        return
    words = [0xFFFFFFFF] * 8  # a bit that is set keeps a type out
    words[answer >> 5] &= ~(1 << (answer & 31))
    channel.setsockopt(socket.IPPROTO_ICMPV6, _ICMP6_FILTER, struct.pack("=8I", *words))


def _ask(leg: Leg, channel: socket.socket) -> _Asked:
    """Send a question to every target. What can't be sent is a question without answer."""
    token = os.urandom(_TOKEN)
    one = _Asked(leg, channel, int.from_bytes(os.urandom(2), "big"), token)
    one.found.update(dict.fromkeys(leg.targets))
    for number, target in enumerate(leg.targets, 1):
        try:
            channel.sendto(question(leg.family, one.identifier, number, token), (target, 0))
        except OSError as fault:
            if fault.errno == errno.EPERM:  # nft_do_chain: what the output hook drops is told so
                del one.found[target]
            continue
        one.sent[number] = target, time.monotonic()
    return one


def _listen(asked: list[_Asked], seconds: float) -> None:
    end = time.monotonic() + seconds
    with selectors.DefaultSelector() as selector:
        for one in asked:
            selector.register(one.channel, selectors.EVENT_READ, one)
        while any(one.waits for one in asked) and (left := end - time.monotonic()) > 0:
            for ready, _ in selector.select(left):
                _take(ready.data)


def _take(one: _Asked) -> None:
    """All that has come, a thousand at most, so that no flood keeps us."""
    for _ in range(1000):
        try:
            data, sender = one.channel.recvfrom(_MOST)
        except OSError:
            return
        number = answered(one.leg.family, data, one.identifier, one.token)
        target, sent = one.sent.get(number or 0, ("", 0.0))
        if target and _same(sender[0], target) and one.found[target] is None:
            one.found[target] = time.monotonic() - sent


def _same(sender: str, target: str) -> bool:
    family = socket.AF_INET6 if ":" in target else socket.AF_INET
    try:
        plain = sender.partition("%")[0]
        return socket.inet_pton(family, plain) == socket.inet_pton(family, target)
    except OSError:
        return False


# --- as they are on the line ---------------------------------------------------------------------


def question(family: int, identifier: int, number: int, token: bytes) -> bytes:
    """An echo request. The checksum of IPv6 is the kernel's work (RFC 3542 section 3.1)."""
    kind = _ASKS[family][0]
    plain = _HEAD.pack(kind, 0, 0, identifier, number) + token
    if family == 6:
        return plain
    return _HEAD.pack(kind, 0, checksum(plain), identifier, number) + token


def answered(family: int, data: bytes, identifier: int, token: bytes) -> int | None:
    """The number of our question that this answers. IPv4 comes with its header (raw(7))."""
    if family == 4:
        data = data[(data[0] & 15) * 4 :] if data else b""
    if len(data) < _HEAD.size:
        return None
    kind, code, _, said, number = _HEAD.unpack_from(data)
    ours = (kind, code, said) == (_ASKS[family][1], 0, identifier)
    return number if ours and data[_HEAD.size :] == token else None


def checksum(data: bytes) -> int:
    """RFC 1071."""
    padded = data + b"\0" * (len(data) % 2)
    total = sum(_words(padded))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF


def _words(data: bytes) -> Iterator[int]:
    return (word for (word,) in struct.iter_unpack(">H", data))
