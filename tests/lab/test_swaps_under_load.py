"""Kits exchanged while traffic goes through the gateway: what both let loses nothing, neither of a
conversation that stands nor of those that begin.

`NETCHARTER_LONG=1` exchanges a hundred times; figures stand in benchmarks/FIGURES-enact.md.
"""

from __future__ import annotations

import hashlib
import os
import socket
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import replace

import pytest

from netcharter.lab import isolation
from netcharter.lab.site import Site
from netcharter.plan.shapes import Plan
from netcharter.probes.shapes import GATEWAY
from netcharter.render import render
from netcharter.rollout.run.real import clock, observe, perform
from netcharter.rollout.shapes import FILTERING
from netcharter.rollout.ways import WAYS
from tests.lab.rehearsing import SMALL, planned
from tests.lab.sites import PATIENCE, at_site, end, possible

pytestmark = pytest.mark.kernel

LONG = os.environ.get("NETCHARTER_LONG") == "1"
SWAPS, LIMIT = (100, 900.0) if LONG else (8, 120.0)  # seconds for all of it
REPAIRS = "  - {let: office, reach: [barn, tills], with: ssh, because: repairs}\n"
BOTH = "  - {let: office, reach: barn, with: [ssh, udp/5000-5001], because: repairs}\n"
FIRST = SMALL.replace(REPAIRS, BOTH)
SECOND = FIRST.replace(
    "  bunkrooms: {device: eth3, hosts: 12,", "  bunkrooms: {device: eth3, hosts: 13,"
)
SECOND = SECOND.replace(
    "with: [http, https, ntp], because: daily work", "with: [http, https], because: less"
)
THIRD = SECOND.partition("offers:")[0]  # without offers a base chain less
EACH = 0.001  # seconds between two datagrams
CHUNK = bytes(range(256)) * 64


class Datagrams:
    """Numbered datagrams one way; only the first is answered, if any. Without an answer each is
    decided as if it were the first."""

    def __init__(
        self, sending: socket.socket, receiving: socket.socket, to: tuple[str, int]
    ) -> None:
        self.sent = 0
        self.seen: set[int] = set()
        self._sockets = sending, receiving, to
        self.over = threading.Event()

    def answered(self) -> None:
        """One there and one back, so that the conversation stands."""
        sending, receiving, to = self._sockets
        sending.sendto(b"hello", to)
        _, back = receiving.recvfrom(16)
        receiving.sendto(b"hello", back)
        assert sending.recv(16) == b"hello"

    def send(self) -> None:
        sending, _, to = self._sockets
        while not self.over.is_set():
            sending.sendto(self.sent.to_bytes(4, "big"), to)
            self.sent += 1
            time.sleep(EACH)

    def receive(self) -> None:
        _, receiving, _ = self._sockets
        receiving.settimeout(0.5)
        while True:
            try:
                self.seen.add(int.from_bytes(receiving.recv(16), "big"))
            except TimeoutError:
                if self.over.is_set():
                    return


class Transfer:
    """A connection that never stops sending, and what arrives of it."""

    def __init__(self, asking: socket.socket, answering: socket.socket) -> None:
        self.sent, self.got = hashlib.sha256(), hashlib.sha256()
        self.count = 0
        self._ends = asking, answering
        self.over = threading.Event()

    def send(self) -> None:
        asking, _ = self._ends
        while not self.over.is_set():
            asking.sendall(CHUNK)
            self.sent.update(CHUNK)
            time.sleep(EACH)
        asking.shutdown(socket.SHUT_WR)

    def receive(self) -> None:
        _, answering = self._ends
        while data := answering.recv(1 << 16):
            self.got.update(data)
            self.count += len(data)


@contextmanager
def going(*work: object) -> Iterator[None]:
    """Senders and receivers at work; joined in the end."""
    threads = [
        threading.Thread(target=getattr(one, name), daemon=True)
        for one in work
        for name in ("receive", "send")
    ]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        for one in work:
            one.over.set()  # type: ignore[attr-defined]
        for thread in threads:
            thread.join(PATIENCE)


def exchanged(old: Mapping[str, bytes], new: Mapping[str, bytes]) -> None:
    """The gateway led from one kit to another, as `enact` does it: in five transactions."""
    now = observe(WAYS.settings_of(old, new))
    wanted = WAYS.wanted(new, now, old, ())
    steps = WAYS.converge(now, wanted, clock(), old, new)
    assert [len(step.effects) for step in steps if step.name.startswith(FILTERING)] == [5]
    for step in steps:
        for effect in step.effects:
            perform(effect)
    after = observe(WAYS.settings_of(old, new))
    assert WAYS.unlike(replace(wanted, tables=()), replace(after, tables=())) == ()


def booking_of(plan: Plan) -> str:
    (found,) = (one for one in plan.devices if one.name == "booking")
    return str(found.addresses4[0])


def test_nothing_is_lost_and_a_transfer_goes_on() -> None:
    possible(as_user=False)
    first, *others = (planned(text) for text in (FIRST, SECOND, THIRD))
    kits = [dict(render(plan).files) for plan in (first, *others)]
    there = booking_of(first)
    assert {booking_of(plan) for plan in others} == {there}
    assert len({kit["nftables.nft"] for kit in kits}) == len(kits)
    assert [b"chain nc_prerouting_nat" in kit["nftables.nft"] for kit in kits] == [
        True,
        True,
        False,
    ]

    def work(site: Site) -> tuple[tuple[int, int], tuple[int, int], bool, int]:
        with ExitStack() as stack:

            def made(station: str, kind: int) -> socket.socket:
                return stack.enter_context(end(site, station, socket.AF_INET, kind, PATIENCE))

            def datagrams(port: int) -> Datagrams:
                receiving = made("booking", socket.SOCK_DGRAM)
                receiving.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
                receiving.bind(("", port))
                return Datagrams(made("desk", socket.SOCK_DGRAM), receiving, (there, port))

            listening = made("booking", socket.SOCK_STREAM)
            listening.bind(("", 22))
            listening.listen()
            asking = made("desk", socket.SOCK_STREAM)
            asking.connect((there, 22))
            answering = stack.enter_context(listening.accept()[0])
            answering.settimeout(PATIENCE)
            standing, new = datagrams(5000), datagrams(5001)
            standing.answered()
            transfer = Transfer(asking, answering)
            with going(standing, new, transfer), isolation.inside(site.places[GATEWAY].namespace):
                for number in range(SWAPS):
                    exchanged(kits[number % 3], kits[(number + 1) % 3])
            whole = transfer.sent.digest() == transfer.got.digest()
            counts = [(each.sent, len(each.seen)) for each in (standing, new)]
            return counts[0], counts[1], whole, transfer.count

    standing, new, whole, count = at_site(first, work, limit=LIMIT)
    print(
        f"{SWAPS} exchanges: {standing[1]} of {standing[0]} datagrams of a conversation, "
        f"{new[1]} of {new[0]} first ones, {count} bytes of one connection"
    )
    assert standing[0] == standing[1] > 0
    assert new[0] == new[1] > 0
    assert whole and count > len(CHUNK)
