"""What a till, a telephone and those they talk to do all the time, as a program.

    python busy.py

One order a line, one answer a line, both JSON. Every wait is bounded. Instants are those of the clock
that all processes of a machine share (CLOCK_MONOTONIC), in seconds.
"""

from __future__ import annotations

import json
import socket
import struct
import sys
import threading
import time
from typing import Any

LIMIT = 600.0  # seconds after which whoever was not told to stop does so
EACH = 0.5  # seconds from one payment to the next
TRY = 2.0  # seconds for a try of a payment, as a terminal has
TRIES = 15  # of one payment; it then counts as failed
AGAIN = 0.25  # seconds from a try that was refused at once to the next
REQUEST = 300  # bytes of a payment, an invented card's
SOUND = 0.02  # seconds in a packet (RFC 3551 section 4.2)
OCTETS = 160  # of G.711 in one (8,000 a second, RFC 3551 section 4.5.14)
RTP = struct.Struct("!BBHII")  # RFC 3550 section 5.1; version 2, type 0 (PCMU)
ROOM = 1 << 20  # bytes that wait to be read, for a machine that has much to do
PATIENCE = 20.0  # seconds for the answer to one


class Payments:
    """A host that is paid. Whoever asks again with the same number gets the receipt that there is."""

    def __init__(self, port: int) -> None:
        self.book: list[dict[str, Any]] = []
        self._receipts: dict[str, int] = {}
        self._turn = threading.Lock()
        listener = socket.create_server(("", port), backlog=64)
        _daemon(self._accepts, listener)

    def _accepts(self, listener: socket.socket) -> None:
        while True:
            one, (source, _) = listener.accept()
            _daemon(self._served, one, source)

    def _served(self, one: socket.socket, source: str) -> None:
        one.settimeout(TRY)
        with one:
            try:
                asked = json.loads(_read(one))
                one.sendall(json.dumps(self._booked(asked, source)).encode() + b"\n")
            except (OSError, ValueError):
                return

    def _booked(self, asked: dict[str, Any], source: str) -> int:
        with self._turn:
            first = asked["payment"] not in self._receipts
            receipt = self._receipts.setdefault(asked["payment"], len(self._receipts) + 1)
            at = time.monotonic()
            known = {key: asked[key] for key in ("payment", "try")}
            self.book.append({**known, "source": source, "at": at, "paid": first})
            return receipt


class Till:
    """It begins a payment by the clock, whatever became of those before."""

    def __init__(self, address: str, port: int, source: str) -> None:
        self.log: list[dict[str, Any]] = []
        self._to, self._source = (address, port), source
        self._stop = threading.Event()
        self._open: list[threading.Thread] = []
        self._clock = _daemon(self._ticks)

    def _ticks(self) -> None:
        begin = time.monotonic()
        for number in range(int(LIMIT / EACH)):
            if self._stop.wait(max(begin + number * EACH - time.monotonic(), 0)):
                return
            one: dict[str, Any] = {"payment": f"payment {number}", "tries": [], "receipts": []}
            self.log.append(one)
            self._open.append(_daemon(self._paid, one))

    def _paid(self, one: dict[str, Any]) -> None:
        for number in range(TRIES):
            tried = {"began": time.monotonic(), "ended": 0.0, "fault": ""}
            one["tries"].append(tried)
            try:
                one["receipts"].append(self._tried(one["payment"], number))
            except (OSError, ValueError) as fault:
                tried["fault"] = type(fault).__name__
            tried["ended"] = time.monotonic()
            if not tried["fault"]:
                return
            time.sleep(AGAIN)

    def _tried(self, payment: str, number: int) -> int:
        asked = {"payment": payment, "try": number, "card": "0" * REQUEST}
        with socket.create_connection(self._to, TRY, (self._source, 0)) as one:
            one.sendall(json.dumps(asked).encode() + b"\n")
            receipt: int = json.loads(_read(one))
            return receipt

    def stopped(self) -> list[dict[str, Any]]:
        self._stop.set()
        self._clock.join(LIMIT)  # it may be just about to begin another
        for thread in self._open:
            thread.join(TRIES * (TRY + AGAIN))
        return self.log


class Voice:
    """One end of a stream of sound both ways. to: None for one that answers whoever speaks, where it
    hears him from (RFC 4961)."""

    def __init__(self, here: tuple[str, int], to: tuple[str, int] | None) -> None:
        self.heard: list[int] = []
        self.sources: list[str] = []
        self.sent = 0
        self._to = to
        self._known, self._stop = threading.Event(), threading.Event()
        self._channel = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._channel.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, ROOM)
        self._channel.bind(here)
        self._channel.settimeout(1.0)
        if to is not None:
            self._known.set()
        self._speaker = _daemon(self._speaks)
        _daemon(self._listens)

    def _listens(self) -> None:
        end = time.monotonic() + LIMIT
        while time.monotonic() < end:
            try:
                data, who = self._channel.recvfrom(999)
            except TimeoutError:
                continue
            except OSError:
                return
            self.heard.append(RTP.unpack_from(data)[2])
            if who[0] not in self.sources:
                self.sources.append(who[0])
            if not self._known.is_set():
                self._to = who
                self._known.set()

    def _speaks(self) -> None:
        self._known.wait(LIMIT)
        begin = time.monotonic()
        for number in range(int(LIMIT / SOUND)):
            if self._stop.wait(max(begin + number * SOUND - time.monotonic(), 0)):
                return
            assert self._to is not None
            header = RTP.pack(0x80, 0, number, number * OCTETS, 1)
            self._channel.sendto(header + bytes(OCTETS), self._to)
            self.sent = number + 1

    def quiet(self) -> int:
        """Say nothing more; how many packets were sent."""
        self._stop.set()
        self._speaker.join(PATIENCE)
        return self.sent

    def close(self) -> None:
        self._stop.set()
        self._channel.close()


class Standing:
    """A conversation that says a word every so many seconds, and is answered."""

    def __init__(self, address: str, port: int, source: str, every: float) -> None:
        self.said, self.fault, self._every = 0, "", every
        self._stop = threading.Event()
        self._one = socket.create_connection((address, port), PATIENCE, (source, 0))
        self.port: int = self._one.getsockname()[1]
        self._speaker = _daemon(self._speaks)

    def _speaks(self) -> None:
        with self._one:
            for number in range(int(LIMIT / self._every)):
                try:
                    self._one.sendall(b"%d\n" % number)
                    if _read(self._one) != b"%d\n" % number:
                        raise ConnectionAbortedError
                except OSError as fault:
                    self.fault = type(fault).__name__
                    return
                self.said += 1
                if self._stop.wait(self._every):
                    return

    def ended(self) -> dict[str, Any]:
        self._stop.set()
        self._speaker.join(PATIENCE)
        return {"said": self.said, "fault": self.fault}


class Busy:
    """The orders. Streams and conversations go by names."""

    def __init__(self) -> None:
        self.payments: Payments | None = None
        self.till: Till | None = None
        self.voices: dict[str, Voice] = {}
        self.standing: dict[str, Standing] = {}

    def is_paid(self, port: int) -> bool:
        self.payments = Payments(port)
        return True

    def book(self) -> list[dict[str, Any]]:
        assert self.payments is not None
        return list(self.payments.book)

    def pays(self, address: str, port: int, source: str) -> bool:
        self.till = Till(address, port, source)
        return True

    def payments_done(self) -> int:
        """How many payments have their receipt."""
        assert self.till is not None
        return sum(bool(one["receipts"]) for one in list(self.till.log))

    def stops_paying(self) -> list[dict[str, Any]]:
        assert self.till is not None
        return self.till.stopped()

    def speaks(self, name: str, source: str, address: str, port: int) -> bool:
        self.voices[name] = Voice((source, 0), (address, port))
        return True

    def answers(self, name: str, address: str, port: int) -> bool:
        self.voices[name] = Voice((address, port), None)
        return True

    def quiet(self, name: str) -> int:
        return self.voices[name].quiet()

    def heard(self, name: str) -> dict[str, Any]:
        """The numbers of the packets that came so far, in their order, and where from."""
        one = self.voices[name]
        return {"numbers": list(one.heard), "sources": list(one.sources)}

    def hangs_up(self, name: str) -> bool:
        self.voices.pop(name).close()
        return True

    def stands(self, name: str, address: str, port: int, source: str, every: float) -> int:
        """Begin a conversation; its own port."""
        self.standing[name] = Standing(address, port, source, every)
        return self.standing[name].port

    def said(self, name: str) -> dict[str, Any]:
        one = self.standing[name]
        return {"said": one.said, "fault": one.fault}

    def ends(self, name: str) -> dict[str, Any]:
        return self.standing.pop(name).ended()


def _daemon(work: Any, *words: Any) -> threading.Thread:
    thread = threading.Thread(target=work, args=words, daemon=True)
    thread.start()
    return thread


def _read(one: socket.socket) -> bytes:
    """A line, or what there is before the end."""
    found = b""
    while not found.endswith(b"\n") and (data := one.recv(999)):
        found += data
    return found


def main() -> None:
    busy = Busy()
    for line in sys.stdin:
        name, *words = json.loads(line)
        print(json.dumps(getattr(busy, name)(*words)), flush=True)


if __name__ == "__main__":
    main()
