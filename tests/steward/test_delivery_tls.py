"""Messages sent with encryption to servers of the tests' own: taken where the right authority vouches
for the right name just now (RFC 9525, RFC 5280 section 6), and else nothing is said to the server.
"""

from __future__ import annotations

import asyncio
import base64
import socketserver
import ssl
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from threading import Event
from typing import Any

import pytest

from netcharter.steward.alarms import Message
from netcharter.steward.loop import world as real
from netcharter.steward.loop.delivery import NotDelivered, deliver
from netcharter.steward.loop.service import Steward
from netcharter.steward.loop.world import Handed, RealWorld
from netcharter.steward.outbox import LONGEST_WAIT, Letter
from netcharter.steward.settings import Mail, Settings, Webhook
from tests.steward.apart import finished
from tests.steward.kernel import at
from tests.steward.test_delivery import served
from tests.steward.vouched import DAY, Server, authority
from tests.steward.world import Counting, FakeWorld

NOW = at("2026-11-26 03:00")
MESSAGE = Message("begins", "health/memory", "urgent", "only 3 % free", NOW, NOW)
PASSWORD, TOKEN = "s3cret-of-mail", "s3cret-of-the-hook"
PATIENCE = 30.0
WAYS = ("tls", "starttls", "https")


@dataclass
class Got:
    """What a server of the tests has heard, and what it shows and answers."""

    context: ssl.SSLContext
    begins: bool = True  # with TLS, from the first byte on
    answer: str = "235 welcome"
    lines: list[str] = field(default_factory=list)
    secure: list[str] = field(default_factory=list)


class MailServer(socketserver.StreamRequestHandler):
    """As much of RFC 5321, 3207 (STARTTLS) and 4954 (AUTH PLAIN) as takes one message."""

    got: Got

    def setup(self) -> None:
        self.is_secure = False
        super().setup()
        if self.got.begins:
            self._wrap()

    def _wrap(self) -> None:
        self.connection = self.got.context.wrap_socket(self.connection, server_side=True)
        self.is_secure = True
        self.rfile = self.connection.makefile("rb")
        self.wfile = self.connection.makefile("wb", buffering=0)

    def handle(self) -> None:
        self._say("220 mail.example.org")
        for line in iter(lambda: self.rfile.readline(), b""):  # which is another one later on
            said = line.strip().decode()
            self.got.lines.append(said)
            if self.is_secure:
                self.got.secure.append(said)
            if not self._answered(said.split(" ")[0].upper()):
                return

    def _answered(self, word: str) -> bool:
        if word == "EHLO":
            offers = "AUTH PLAIN" if self.is_secure else "STARTTLS"
            self._say(f"250-mail.example.org\r\n250 {offers}")
        elif word == "STARTTLS":
            self._say("220 go on")
            self._wrap()
        elif word == "AUTH":
            self._say(self.got.answer)
        elif word == "DATA":
            self._say("354 go on")
            self.got.lines += [line.decode() for line in iter(self.rfile.readline, b".\r\n")]
            self._say("250 taken")
        else:
            self._say("221 bye" if word == "QUIT" else "250 well")
        return word != "QUIT"

    def _say(self, text: str) -> None:
        self.wfile.write(text.encode() + b"\r\n")


class Hook(BaseHTTPRequestHandler):
    got: Got

    def setup(self) -> None:
        self.request = self.got.context.wrap_socket(self.request, server_side=True)
        super().setup()

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"])).decode()
        self.got.lines += [f"{self.path} {self.headers['Authorization']}", body]
        self.send_response(204)
        self.end_headers()

    def log_message(self, format: str, *args: Any) -> None: ...


class Quiet(HTTPServer):
    """A handshake that fails is what is tried here, and not worth a traceback."""

    def handle_error(self, request: Any, client_address: Any) -> None: ...


class QuietMail(socketserver.TCPServer):
    def handle_error(self, request: Any, client_address: Any) -> None: ...


@contextmanager
def listening(way: str, folder: Path, shown: Server) -> Iterator[tuple[int, Got]]:
    got = Got(shown.encryption(folder), begins=way == "tls")
    if way == "https":
        server: socketserver.TCPServer = Quiet(
            ("127.0.0.1", 0), type("Handler", (Hook,), {"got": got})
        )
    else:
        server = QuietMail(("127.0.0.1", 0), type("Handler", (MailServer,), {"got": got}))
    with server, served(server):
        yield int(server.server_address[1]), got


def secret(folder: Path, text: str) -> str:
    path = folder / text
    path.touch(0o600)
    path.write_text(text + "\n")
    return str(path)


def settings(way: str, port: int, folder: Path, vouches: str | None, host: str) -> Settings:
    if way == "https":
        url = f"https://{host}:{port}/hook"
        return Settings(webhook=Webhook(url, secret(folder, TOKEN), vouches))
    security: Any = way
    sender, to = "gateway@example.org", ("keeper@example.org",)
    password = secret(folder, PASSWORD)
    return Settings(
        email=Mail(host, port, security, sender, to, "gateway", password, vouches)
    )  # fmt: skip


def send(found: Settings) -> None:
    deliver(found, found.channels[0], "Tarn Hollow", "gw", MESSAGE)


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost"])
@pytest.mark.parametrize("way", WAYS)
def test_a_server_for_which_ones_own_authority_vouches_takes_it(
    way: str, host: str, tmp_path: Path
) -> None:
    with listening(way, tmp_path, Server()) as (port, got):
        send(settings(way, port, tmp_path, authority(tmp_path), host))
    whole = "\n".join(got.lines)
    assert "only 3 % free" in whole
    if way == "https":
        assert got.lines[0] == f"/hook Bearer {TOKEN}"
        return
    asked = [line.split(" ")[0].upper() for line in got.secure]
    assert asked == ["EHLO", "AUTH", "MAIL", "RCPT", "DATA", "QUIT"]
    given = base64.b64decode(got.secure[1].split(" ")[2])  # RFC 4616: NUL, name, NUL, password
    assert given == f"\0gateway\0{PASSWORD}".encode()


WRONG = {
    "of-another-authority": Server(by="Somebody else"),
    "for-another-name": Server(names=("mail.example.org",)),
    "ended": Server(left=-DAY),
    "not-begun": Server(left=35 * DAY),
    "vouching-for-itself": Server(by="127.0.0.1"),
}


@pytest.mark.parametrize("shown", WRONG.values(), ids=WRONG)
@pytest.mark.parametrize("way", WAYS)
def test_any_other_server_hears_nothing_that_matters(
    way: str, shown: Server, tmp_path: Path
) -> None:
    with listening(way, tmp_path, shown) as (port, got):
        found = settings(way, port, tmp_path, authority(tmp_path), "127.0.0.1")
        with pytest.raises(NotDelivered, match="certificate is not believed") as fault:
            send(found)
    assert got.secure == [] and set(got.lines) <= {*_greeting(got)}
    assert "s3cret" not in str(fault.value)


def _greeting(got: Got) -> list[str]:
    """What is said before encryption begins (RFC 3207): the name of the machine, and STARTTLS."""
    return [line for line in got.lines if line.split(" ")[0] in ("ehlo", "EHLO", "STARTTLS")]


@pytest.mark.parametrize("way", WAYS)
def test_without_ones_own_authority_the_machines_own_ones_count(way: str, tmp_path: Path) -> None:
    believed = pytest.raises(NotDelivered, match="certificate is not believed")
    with listening(way, tmp_path, Server()) as (port, got), believed:
        send(settings(way, port, tmp_path, None, "127.0.0.1"))
    assert got.secure == []


@pytest.mark.parametrize("content", [None, b"", b"-----BEGIN CERTIFICATE-----\n", b"\xff\0"])
@pytest.mark.parametrize("way", WAYS)
def test_an_authority_that_cannot_be_used_is_told(
    way: str, content: bytes | None, tmp_path: Path
) -> None:
    path = tmp_path / "none.pem"
    if content is not None:
        path.write_bytes(content)
    told = pytest.raises(NotDelivered, match=r"none\.pem (can't be read|holds no certificate)")
    with listening(way, tmp_path, Server()) as (port, got), told:
        send(settings(way, port, tmp_path, str(path), "127.0.0.1"))
    assert got.secure == []


def test_what_a_server_says_of_a_password_is_not_repeated(tmp_path: Path) -> None:
    with listening("tls", tmp_path, Server()) as (port, got):
        got.answer = f"535 {PASSWORD} is wrong"
        with pytest.raises(NotDelivered, match="answered 535") as fault:
            send(settings("tls", port, tmp_path, authority(tmp_path), "127.0.0.1"))
    assert "s3cret" not in str(fault.value) and not any("MAIL" in one for one in got.lines)


@pytest.mark.parametrize("way", ["tls", "https"])
def test_a_server_that_speaks_no_encryption_is_told(way: str, tmp_path: Path) -> None:
    handler = type("Handler", (MailServer,), {"got": Got(Server().encryption(tmp_path), False)})
    with QuietMail(("127.0.0.1", 0), handler) as server, served(server):
        port = int(server.server_address[1])
        with pytest.raises(NotDelivered, match="no encryption could be agreed on"):
            send(settings(way, port, tmp_path, authority(tmp_path), "127.0.0.1"))


@dataclass
class Site(FakeWorld):
    """A world with a clock of its own that really sends."""

    found: Settings = field(default_factory=Settings)
    tries: int = 0

    async def deliver(self, letter: Letter) -> None:
        self.tries += 1
        deliver(self.found, letter.channel, "Tarn Hollow", "gw", letter.message)


@pytest.mark.parametrize("way", WAYS)
def test_what_is_not_believed_is_said_tried_again_with_bounds_and_sent_once_it_is(
    way: str, tmp_path: Path
) -> None:
    async def told(port: int, got: Got) -> None:
        wrong = settings(way, port, tmp_path, authority(tmp_path, "Somebody else"), "127.0.0.1")
        world = Site(found=wrong)
        steward = Steward(world, [Counting(bad=True).duty], wrong.channels)
        stop = asyncio.Event()
        task = asyncio.create_task(steward.run(stop))
        await world.for_(hours=10)
        # 30 s, then twice as long each time up to half an hour
        assert 10 * 2 <= world.tries <= 10 * 2 + 7
        assert any("not delivered: the server's certificate" in line for line in world.said)
        assert "s3cret" not in "".join(world.said) + str(world.files) and got.secure == []
        world.found = settings(way, port, tmp_path, authority(tmp_path), "127.0.0.1")
        before = world.tries
        await world.until(world.clock + LONGEST_WAIT)
        assert world.tries == before + 1 and steward.box == ()
        assert "it is so" in "\n".join(got.lines)
        assert "s3cret" not in "".join(world.said) + str(world.files)
        stop.set()
        await task

    with listening(way, tmp_path, Server()) as (port, got):
        finished(asyncio.wait_for(told(port, got), PATIENCE))


class Dribbling(socketserver.BaseRequestHandler):
    """It is never silent for long, and never done, until it is let go."""

    let_go: Event

    def handle(self) -> None:
        while not self.let_go.wait(0.02):
            self.request.sendall(b"2")


def test_a_server_that_never_ends_its_line_does_not_keep_anybody_for_long(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(real, "DELIVERY", 0.3)
    handler = type("Handler", (Dribbling,), {"let_go": Event()})
    letter = Letter("email", MESSAGE, 0, NOW)

    async def told(port: int) -> None:
        mail = Mail("127.0.0.1", port, "none", "gateway@example.org", ("keeper@example.org",))
        world = RealWorld(tmp_path, Settings(email=mail), Handed(lambda: None, str))
        with pytest.raises(TimeoutError):
            await world.deliver(letter)
        for _ in range(3):
            with pytest.raises(NotDelivered, match="still goes on"):
                await world.deliver(letter)
        handler.let_go.set()  # type: ignore[attr-defined]
        await asyncio.wait({trying for _, trying in world._posting.values()})
        monkeypatch.setattr(real, "DELIVERY", PATIENCE)
        with pytest.raises(NotDelivered, match="it failed|answer"):
            await world.deliver(letter)  # the next try is one of its own

    with socketserver.TCPServer(("127.0.0.1", 0), handler) as server, served(server):
        try:
            finished(asyncio.wait_for(told(int(server.server_address[1])), PATIENCE))
        finally:
            handler.let_go.set()  # type: ignore[attr-defined]


@pytest.mark.parametrize("fault", [None, NotDelivered("2 of 3 addresses were refused", ["a@b"])])
def test_what_came_of_a_try_too_late_counts_for_its_message(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: NotDelivered | None
) -> None:
    tries: list[Message] = []
    let_go = Event()

    def slow(settings: Settings, channel: str, *rest: Any) -> None:
        tries.append(rest[2])
        assert let_go.wait(PATIENCE)
        if fault is not None:
            raise fault

    async def told() -> None:
        world = RealWorld(tmp_path, Settings(), Handed(lambda: None, str))
        first = Letter("email", MESSAGE, 0, NOW)
        with pytest.raises(TimeoutError):
            await world.deliver(first)
        let_go.set()
        await asyncio.wait({trying for _, trying in world._posting.values()})
        if fault is None:
            await world.deliver(first)
        else:
            with pytest.raises(NotDelivered, match="2 of 3") as said:
                await world.deliver(first)
            assert said.value.taken == ("a@b",)
        assert tries == [MESSAGE]
        monkeypatch.setattr(real, "DELIVERY", PATIENCE)
        other = Letter("email", replace(MESSAGE, text="another"), 0, NOW)
        with suppress(NotDelivered):
            await world.deliver(other)
        assert tries == [MESSAGE, other.message] and world._posting == {}

    monkeypatch.setattr(real, "DELIVERY", 0.05)
    monkeypatch.setattr(real, "deliver", slow)
    finished(asyncio.wait_for(told(), PATIENCE))


def test_one_channel_does_not_wait_for_another(tmp_path: Path) -> None:
    """The mail server says nothing; the webhook's message has gone meanwhile."""

    @dataclass
    class Stuck(FakeWorld):
        held: asyncio.Event = field(default_factory=asyncio.Event)

        async def deliver(self, letter: Letter) -> None:
            if letter.channel == "email":
                await self.held.wait()
            await super().deliver(letter)

    async def told() -> None:
        world = Stuck()
        steward = Steward(world, [Counting(bad=True).duty], ("email", "webhook"))
        stop = asyncio.Event()
        task = asyncio.create_task(steward.run(stop))
        await world.for_(seconds=1)
        assert [channel for _, channel, _ in world.sent] == ["webhook"]
        world.held.set()
        await world.for_(seconds=1)
        assert [channel for _, channel, _ in world.sent] == ["webhook", "email"]
        stop.set()
        await task

    finished(asyncio.wait_for(told(), PATIENCE))
