"""Name servers on a lab's internet, in the place of all of them: they have the last word on all names.

Names below OUTSIDE lead to addresses of the lab's, those below REBOUND to addresses that no answer from
outside may hold (RFC 1918, RFC 4193). Other names have what is told to these servers, or nothing.
"""

from __future__ import annotations

import selectors
import socket
import threading
from collections.abc import Mapping, Sequence
from contextlib import ExitStack, suppress
from ipaddress import ip_address
from types import TracebackType
from typing import Self

from netcharter.lab import isolation
from netcharter.lab.messages import AAAA, HTTPS, NS, SOA, A, Record, asked, reply
from netcharter.probes.shapes import Place

OUTSIDE, REBOUND = "far.example", "rebound.example"  # RFC 2606
# The first name server of the internet, as IANA publishes it (root hints), and its addresses.
ROOT = "a.root-servers.net"
FIRST = ("198.41.0.4", "2001:503:ba3e::2:30")
FAR: Mapping[int, str] = {A: "192.0.2.80", AAAA: "2001:db8:ffff::80", HTTPS: ""}
ELSEWHERE: Mapping[int, str] = {A: "192.0.2.81", AAAA: "2001:db8:ffff::81", HTTPS: ""}
INSIDE: Mapping[int, str] = {A: "10.0.0.80", AAAA: "fd00::80"}
PORT = 53
LOOK = 0.1  # seconds between two looks whether it is over
MOST = 65_535  # bytes of a message


class Answering:
    """Answers while one is within, at the stations of lines. told: what it says of other names, by
    kind; heard: the names that were asked for."""

    def __init__(
        self,
        places: Sequence[Place],
        addresses: Sequence[str] = FIRST,
        told: Mapping[str, Mapping[int, str]] | None = None,
    ) -> None:
        self._places, self._addresses, self._more = places, addresses, told or {}
        self._open = ExitStack()
        self._ready = selectors.DefaultSelector()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="name servers", daemon=True)
        self.heard: set[str] = set()

    def __enter__(self) -> Self:
        self._open.enter_context(self._ready)
        try:
            for place in self._places:
                with isolation.inside(place.namespace):
                    for address in self._addresses:
                        self._begin(address)
        except BaseException:
            self._open.close()
            raise
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._over.set()
        self._thread.join()
        self._open.close()

    def _begin(self, address: str) -> None:
        family = socket.AF_INET if ip_address(address).version == 4 else socket.AF_INET6
        for kind in (socket.SOCK_DGRAM, socket.SOCK_STREAM):
            one = self._open.enter_context(socket.socket(family, kind))
            one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            one.bind((address, PORT))
            one.setblocking(False)
            if kind == socket.SOCK_STREAM:
                one.listen()
            self._ready.register(one, selectors.EVENT_READ)

    def _serve(self) -> None:
        while not self._over.is_set():
            for key, _ in self._ready.select(LOOK):
                one = key.fileobj
                assert isinstance(one, socket.socket)
                # Whoever asks may be gone, or ask what is no question: he is not answered.
                with suppress(OSError, ValueError):
                    self._datagram(one) if one.type == socket.SOCK_DGRAM else self._stream(one)

    def _datagram(self, one: socket.socket) -> None:
        message, asker = one.recvfrom(MOST)
        one.sendto(self._answer(message), asker)

    def _stream(self, one: socket.socket) -> None:
        """One question in a conversation (RFC 7766 lets a server end it)."""
        connection, _ = one.accept()
        with connection:
            connection.settimeout(LOOK)
            length = int.from_bytes(received(connection, 2), "big")
            message = self._answer(received(connection, length))
            connection.sendall(len(message).to_bytes(2, "big") + message)

    def _answer(self, message: bytes) -> bytes:
        _, name, kind = asked(message)
        self.heard.add(name)
        found = _told(name, kind, self._more)
        return reply(message, found, () if found else (Record("", SOA, ""),))


def _told(
    name: str, kind: int, more: Mapping[str, Mapping[int, str]] | None = None
) -> tuple[Record, ...]:
    if kind == NS and not name:
        return (Record("", NS, ROOT),)
    if name == ROOT and kind in (A, AAAA):
        return (Record(name, kind, FIRST[kind == AAAA]),)
    if more and kind in more.get(name, {}):
        return (Record(name, kind, more[name][kind]),)
    for above, addresses in ((OUTSIDE, FAR), (REBOUND, INSIDE)):
        if name.endswith(f".{above}") and kind in addresses:
            return (Record(name, kind, addresses[kind]),)
    return ()


def received(connection: socket.socket, length: int) -> bytes:
    """So many bytes; raises ValueError where the conversation ends before."""
    found = b""
    while len(found) < length:
        more = connection.recv(length - len(found))
        if not more:
            raise ValueError("a conversation that ends too early")
        found += more
    return found
