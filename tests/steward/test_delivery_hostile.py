"""Servers that mean harm, or are broken: none of them is heard for long, is told more than a server
is to hear, or gets anybody to send a message again to whom it was given already.

Codes of answers are those of RFC 5321 section 4.2 and RFC 9110 section 15.
"""

from __future__ import annotations

import asyncio
import re
import socketserver
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from threading import Event

import pytest

from netcharter.steward.alarms import Message
from netcharter.steward.loop import delivery
from netcharter.steward.loop.delivery import NotDelivered, deliver
from netcharter.steward.loop.service import Steward
from netcharter.steward.outbox import Letter
from netcharter.steward.settings import Mail, Settings, Webhook
from tests.steward.apart import finished
from tests.steward.kernel import at
from tests.steward.test_delivery import served
from tests.steward.world import Counting, FakeWorld

NOW = at("2026-11-26 03:00")
MESSAGE = Message("begins", "health/memory", "urgent", "only 3 % free", NOW, NOW)
PATIENCE = 30.0
KEEPER, NIGHT, GONE = (f"{name}@example.org" for name in ("keeper", "night", "gone"))


@dataclass
class Server:
    """How a server of the tests answers. answers: in place of the plain ones, by the first word it
    hears (CONNECT for the connection, BODY for the end of a message); refuses: addresses; heard:
    all that it heard; got: the addresses of each message that it took."""

    answers: dict[str, bytes] = field(default_factory=dict)
    refuses: set[str] = field(default_factory=set)
    heard: list[str] = field(default_factory=list)
    got: list[tuple[str, ...]] = field(default_factory=list)
    endless: bytes = b""
    let_go: Event = field(default_factory=Event)


PLAIN = {
    "CONNECT": b"220 mail.example.org\r\n",
    "DATA": b"354 go on\r\n",
    "QUIT": b"221 bye\r\n",
}
WELL = b"250 well\r\n"


class Session(socketserver.StreamRequestHandler):
    server_: Server

    def handle(self) -> None:
        there, to = self.server_, list[str]()
        self._answer("CONNECT")
        for line in iter(self.rfile.readline, b""):
            said = line.strip().decode()
            word = said.split(" ")[0].upper()
            there.heard.append(said)
            address = re.search("<(.*)>", said)
            if word == "RCPT" and address is not None:
                if address[1] in there.refuses:
                    self.wfile.write(b"550 nobody\r\n")
                    continue
                to.append(address[1])
            self._answer(word)
            if word == "DATA":
                for _ in iter(self.rfile.readline, b".\r\n"):
                    pass
                there.got.append(tuple(to))
                self._answer("BODY")

    def _answer(self, word: str) -> None:
        there = self.server_
        self.wfile.write(there.answers.get(word, PLAIN.get(word, WELL)))
        if there.endless and word in there.answers:
            try:
                while not there.let_go.wait(0.001):
                    self.wfile.write(there.endless)
            except OSError:  # nobody listens any more
                return


class Quiet(socketserver.ThreadingTCPServer):
    daemon_threads = True

    def handle_error(self, request: object, client_address: object) -> None: ...


@contextmanager
def listening(there: Server) -> Iterator[int]:
    handler = type("Handler", (Session,), {"server_": there})
    with Quiet(("127.0.0.1", 0), handler) as server, served(server):
        try:
            yield int(server.server_address[1])
        finally:
            there.let_go.set()


def mail(port: int, *to: str) -> Settings:
    return Settings(email=Mail("127.0.0.1", port, "none", "gateway@example.org", to or (KEEPER,)))


def send(found: Settings, taken: tuple[str, ...] = ()) -> None:
    deliver(found, found.channels[0], "Tarn Hollow", "gw", MESSAGE, taken)


def test_who_has_it_does_not_get_it_again() -> None:
    """One of three addresses is refused for a while; the others get one message each."""
    there = Server(refuses={GONE})

    @dataclass
    class Site(FakeWorld):
        port: int = 0

        async def deliver(self, letter: Letter) -> None:
            send(mail(self.port, KEEPER, GONE, NIGHT), letter.taken)

    async def told(port: int) -> None:
        world = Site(port=port)
        steward = Steward(world, [Counting(bad=True).duty], ("email",))
        stop = asyncio.Event()
        task = asyncio.create_task(steward.run(stop))
        await world.for_(minutes=20)
        assert there.got == [(KEEPER, NIGHT)] and steward.box[0].taken == (KEEPER, NIGHT)
        stop.set()
        await task
        again = Site(clock=world.clock, files=dict(world.files), port=port)
        after, stop = Steward(again, [], ("email",)), asyncio.Event()
        task = asyncio.create_task(after.run(stop))
        await again.for_(minutes=40)
        assert there.got == [(KEEPER, NIGHT)]
        there.refuses.clear()
        await again.for_(minutes=40)
        assert there.got == [(KEEPER, NIGHT), (GONE,)] and after.box == ()
        stop.set()
        await task

    with listening(there) as port:
        finished(asyncio.wait_for(told(port), PATIENCE))


def test_all_refused_is_told_and_nobody_has_it() -> None:
    with (
        listening(Server(refuses={KEEPER, NIGHT})) as port,
        pytest.raises(NotDelivered, match="every address was refused") as fault,
    ):
        send(mail(port, KEEPER, NIGHT))
    assert fault.value.taken == ()


@pytest.mark.parametrize("farewell", [b"500 no\r\n", b"\xff\xff\r\n", b"", b"221-" * 50_000])
def test_what_is_taken_is_taken_whatever_is_said_at_the_end(
    farewell: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(delivery, "FAREWELL", 0.3)
    there = Server({"QUIT": farewell})
    with listening(there) as port:
        send(mail(port))
    assert there.got == [(KEEPER,)]


WORDS = ("CONNECT", "EHLO", "MAIL", "RCPT", "DATA", "BODY")


@pytest.mark.parametrize("word", WORDS)
@pytest.mark.parametrize("endless", [b"250-more and more\r\n", b"2" * 1000], ids=["lines", "line"])
def test_a_mail_server_without_end_is_left(word: str, endless: bytes) -> None:
    """In lines of one answer, or in one line; as much as it likes, and as fast."""
    with (
        listening(Server({word: endless}, endless=endless * 20)) as port,
        pytest.raises(NotDelivered, match="too much|answered|as one|failed"),
    ):
        send(mail(port))


@pytest.mark.parametrize("word", WORDS)
def test_a_mail_server_that_deals_it_out_is_left_at_the_deadline(
    word: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(delivery, "DEADLINE", 0.3)
    with (
        listening(Server({word: b"2"}, endless=b"5")) as port,
        pytest.raises(NotDelivered, match="takes too long"),
    ):
        send(mail(port))


@pytest.mark.parametrize("answer", [b"\xff\xfe\0\r\n", b"HTTP/1.1 400 Bad Request\r\n", b"\r\n"])
def test_what_is_no_mail_server_is_told(answer: bytes) -> None:
    with (
        listening(Server({"CONNECT": answer})) as port,
        pytest.raises(NotDelivered, match="does not answer as one"),
    ):
        send(mail(port))


# --- webhooks ------------------------------------------------------------------------------------


@dataclass
class Hook:
    """answer: what is said to a request, again and again if it is `endless`."""

    answer: Callable[[], bytes]
    endless: bool = False
    requests: int = 0


class Posted(socketserver.StreamRequestHandler):
    hook: Hook

    def handle(self) -> None:
        self.hook.requests += 1
        length = 0
        for line in iter(self.rfile.readline, b"\r\n"):
            if line.lower().startswith(b"content-length:"):
                length = int(line.split(b":")[1])
        self.rfile.read(length)
        self.wfile.write(self.hook.answer())
        end = time.monotonic() + PATIENCE
        while self.hook.endless and time.monotonic() < end:
            self.wfile.write(self.hook.answer())
            time.sleep(0.001)


@contextmanager
def posting(hook: Hook) -> Iterator[int]:
    handler = type("Handler", (Posted,), {"hook": hook})
    with Quiet(("127.0.0.1", 0), handler) as server, served(server):
        yield int(server.server_address[1])


def webhook(port: int) -> Settings:
    return Settings(webhook=Webhook(f"http://127.0.0.1:{port}/hook"))


@pytest.mark.parametrize("status", [300, 301, 302, 303, 307, 308])
def test_no_other_host_is_followed_to(status: int) -> None:
    elsewhere = Hook(lambda: b"HTTP/1.1 204 No Content\r\n\r\n")
    with posting(elsewhere) as other:
        where = b"Location: http://127.0.0.2:%d/\r\n" % other
        hook = Hook(lambda: b"HTTP/1.1 %d There\r\n%s\r\n" % (status, where))
        with (
            posting(hook) as port,
            pytest.raises(NotDelivered, match=f"the webhook answered {status}"),
        ):
            send(webhook(port))
    assert (hook.requests, elsewhere.requests) == (1, 0)


@pytest.mark.parametrize(
    "rest",
    [
        b"Content-Length: 10000000000000\r\n\r\nshort",
        b"Transfer-Encoding: chunked\r\n\r\nzzz\r\n",
        b"Content-Encoding: gzip\r\nContent-Length: 4\r\n\r\n\x1f\x8b\x08\x00",
        b"\r\n" + b"x" * 1_000_000,
    ],
    ids=["longer-than-it-is", "broken-chunks", "packed", "huge"],
)
def test_a_webhook_that_takes_it_has_it_whatever_its_answer_says(rest: bytes) -> None:
    hook = Hook(lambda: b"HTTP/1.1 200 Well\r\n" + rest)
    with posting(hook) as port:
        send(webhook(port))
    assert hook.requests == 1


@pytest.mark.parametrize(
    "answer",
    [
        b"HTTP/1.1 100 Continue\r\n\r\n" * 100,
        b"HTTP/1.1 200 Well\r\n" + b"X: " + b"x" * 200_000 + b"\r\n\r\n",
        b"HTTP/1.1 200 " + b"x" * 200_000,
        b"X: y\r\n" * 100,
        b"\0" * 1000,
        b"HTTP/1.1 99999 What\r\n\r\n",
    ],
    ids=["go-on-for-ever", "long-header", "long-status", "headers", "zeros", "status"],
)
def test_a_webhook_without_end_is_left(answer: bytes) -> None:
    with (
        posting(Hook(lambda: answer, endless=True)) as port,
        pytest.raises(NotDelivered, match="too much|failed"),
    ):
        send(webhook(port))


def test_a_webhook_that_deals_it_out_is_left_at_the_deadline(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(delivery, "DEADLINE", 0.3)
    with (
        posting(Hook(lambda: b"H", endless=True)) as port,
        pytest.raises(NotDelivered, match="takes too long"),
    ):
        send(webhook(port))
