"""Messages really sent, to servers of the test's own on loopback; secrets stay secrets."""

from __future__ import annotations

import json
import os
import socket
import socketserver
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest

from netcharter.steward.alarms import Message
from netcharter.steward.loop.delivery import NotDelivered, deliver, secret
from netcharter.steward.settings import Mail, Settings, Syslog, Webhook
from tests.steward.kernel import at

NOW = at("2026-11-26 03:00")
MESSAGE = Message("begins", "health/memory", "urgent", "only 3 % free\r\n.\r\nQUIT", NOW, NOW)
PATIENCE = 10


@contextmanager
def served(server: socketserver.BaseServer) -> Iterator[None]:
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield
    finally:
        server.shutdown()
        thread.join(PATIENCE)
        server.server_close()


class MailServer(socketserver.StreamRequestHandler):
    """As much of RFC 5321 as takes one message."""

    got: dict[str, Any]
    refuse = False

    def handle(self) -> None:
        self._say("220 mail.example.org")
        for line in iter(self.rfile.readline, b""):
            word = line.split(b" ")[0].strip().upper()
            type(self).got.setdefault("commands", []).append(line.strip().decode())
            if word == b"DATA":
                self._say("354 go on")
                type(self).got["data"] = b"".join(iter(self.rfile.readline, b".\r\n"))
                self._say("550 no" if self.refuse else "250 taken")
            elif word == b"QUIT":
                self._say("221 bye")
                return
            else:
                self._say("250 well")

    def _say(self, text: str) -> None:
        self.wfile.write(text.encode() + b"\r\n")


@pytest.mark.parametrize("refuse", [False, True])
def test_an_email_is_handed_over_whole(refuse: bool) -> None:
    handler = type("Handler", (MailServer,), {"got": {}, "refuse": refuse})
    with socketserver.TCPServer(("127.0.0.1", 0), handler) as server, served(server):
        port = server.server_address[1]
        mail = Mail("127.0.0.1", port, "none", "gateway@example.org", ("keeper@example.org",))
        if refuse:
            with pytest.raises(NotDelivered, match="answered 550"):
                deliver(Settings(email=mail), "email", "Tarn Hollow", "gw", MESSAGE)
            return
        deliver(Settings(email=mail), "email", "Tarn Hollow", "gw", MESSAGE)
    commands = [line.split(" ")[0].upper() for line in handler.got["commands"]]  # type: ignore[attr-defined]
    assert commands == ["EHLO", "MAIL", "RCPT", "DATA", "QUIT"]
    assert b"only 3 % free . QUIT" in handler.got["data"]  # type: ignore[attr-defined]


def test_a_mail_server_that_offers_no_encryption_gets_no_message() -> None:
    handler = type("Handler", (MailServer,), {"got": {}})
    with socketserver.TCPServer(("127.0.0.1", 0), handler) as server, served(server):
        port = server.server_address[1]
        mail = Mail("127.0.0.1", port, "starttls", "gateway@example.org", ("k@example.org",))
        with pytest.raises(NotDelivered):
            deliver(Settings(email=mail), "email", "", "gw", MESSAGE)
    assert "data" not in handler.got  # type: ignore[attr-defined]


class Hook(BaseHTTPRequestHandler):
    got: list[tuple[str, str | None, bytes]]
    status = 204

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        type(self).got.append((self.path, self.headers["Authorization"], body))
        self.send_response(self.status)
        self.send_header("Location", "/elsewhere")
        self.end_headers()

    def log_message(self, format: str, *args: Any) -> None: ...


@pytest.mark.parametrize("status", [204, 302, 500])
def test_a_webhook_is_posted_once_and_followed_nowhere(tmp_path: Path, status: int) -> None:
    token = tmp_path / "token"
    token.touch(0o600)
    token.write_text("abc123\n")
    handler = type("Handler", (Hook,), {"got": [], "status": status})
    with HTTPServer(("127.0.0.1", 0), handler) as server, served(server):
        url = f"http://127.0.0.1:{server.server_address[1]}/hook?site=1"
        settings = Settings(webhook=Webhook(url, str(token)))
        if status == 204:
            deliver(settings, "webhook", "Tarn Hollow", "gw", MESSAGE)
        else:
            with pytest.raises(NotDelivered, match=str(status)) as fault:
                deliver(settings, "webhook", "Tarn Hollow", "gw", MESSAGE)
            assert "abc123" not in str(fault.value)
    ((path, authorization, body),) = handler.got  # type: ignore[attr-defined]
    assert (path, authorization) == ("/hook?site=1", "Bearer abc123")
    assert json.loads(body)["matter"] == "health/memory"


def test_syslog_gets_a_datagram_by_socket_and_by_udp(short_path: Path) -> None:
    path = str(short_path / "log")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as there:
        there.bind(path)
        there.settimeout(PATIENCE)
        deliver(Settings(syslog=Syslog(path)), "syslog", "Tarn Hollow", "gw", MESSAGE)
        assert there.recv(4096).startswith(b"<26>1 2026-11-26T03:00:00.000000Z gw netcharter ")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as there:
        there.bind(("127.0.0.1", 0))
        there.settimeout(PATIENCE)
        settings = Settings(syslog=Syslog(None, "127.0.0.1", there.getsockname()[1]))
        deliver(settings, "syslog", "Tarn Hollow", "gw", MESSAGE)
        assert there.recv(4096).endswith(b"only 3 % free . QUIT")


def test_a_channel_that_is_not_there_is_told_in_words(tmp_path: Path) -> None:
    closed = socket.socket()
    closed.bind(("127.0.0.1", 0))
    port = closed.getsockname()[1]
    closed.close()
    mail = Mail("127.0.0.1", port, "none", "gateway@example.org", ("keeper@example.org",))
    settings = Settings(
        email=mail,
        webhook=Webhook(f"http://127.0.0.1:{port}/"),
        syslog=Syslog(str(tmp_path / "no")),
    )
    for channel in settings.channels:
        with pytest.raises(NotDelivered, match="[a-z]"):
            deliver(settings, channel, "Tarn Hollow", "gw", MESSAGE)


@pytest.mark.parametrize("mode", [0o600, 0o400, 0o640, 0o604, 0o620])
def test_only_a_secret_that_nobody_else_can_read_is_taken(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "secret"
    path.write_text("s3cret\nmore\n")
    os.chmod(path, mode)
    if mode in (0o600, 0o400):
        assert secret(str(path)) == "s3cret"
        return
    with pytest.raises(NotDelivered, match="0600") as fault:
        secret(str(path))
    assert "s3cret" not in str(fault.value)


@pytest.mark.parametrize("data", [b"", b"\n", b"\xff\xfe\n", b"a\x00b\n", b"a\rb\n"])
def test_what_is_no_secret_is_refused(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "secret"
    path.touch(0o600)
    path.write_bytes(data)
    for wrong in (path, tmp_path, tmp_path / "none"):
        with pytest.raises(NotDelivered):
            secret(str(wrong))
