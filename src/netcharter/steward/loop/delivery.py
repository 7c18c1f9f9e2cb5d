"""Messages are sent: by SMTP, as JSON by HTTP, to syslog.

Secrets are read when they are needed and stand in no message of a fault: what a server says is not
repeated word for word, since it may quote them. A server may say little, and not for long: only
so much of it is read, until a deadline, however it deals it out.
"""

from __future__ import annotations

import http.client
import io
import os
import smtplib
import socket
import ssl
import stat
import time
from collections.abc import Collection, Sequence
from contextlib import suppress
from typing import Any
from urllib.parse import urlsplit

from netcharter.steward import messages
from netcharter.steward.alarms import Message
from netcharter.steward.settings import Mail, Settings, Syslog, Webhook

PATIENCE = 20.0  # seconds for one connection, and for one part of an answer
DEADLINE = 60.0  # seconds for all that a server says once it is connected
FAREWELL = 5.0  # seconds for its last word, when it has taken the message
MOST_SAID = 1 << 16  # bytes that a server may say in all
MOST_SECRET = 4096
TOO_LONG = "the server takes too long"


class NotDelivered(Exception):
    """A channel did not take a message; says why, without secrets. taken: addresses that have it
    all the same."""

    def __init__(self, why: str, taken: Sequence[str] = ()) -> None:
        super().__init__(why)
        self.taken = tuple(taken)


def deliver(
    settings: Settings,
    channel: str,
    site: str,
    host: str,
    message: Message,
    taken: Collection[str] = (),
) -> None:
    """Send a message by a channel. taken: addresses that have it already. Raises NotDelivered."""
    try:
        if channel == "email" and settings.email is not None:
            data = messages.mail(settings.email, site, host, message)
            send_mail(settings.email, data, [to for to in settings.email.to if to not in taken])
        elif channel == "webhook" and settings.webhook is not None:
            post(settings.webhook, messages.webhook(site, host, message))
        elif channel == "syslog" and settings.syslog is not None:
            log(settings.syslog, messages.syslog(site, host, os.getpid(), message))
    except NotDelivered:
        raise
    except smtplib.SMTPResponseException as fault:
        said = f"answered {fault.smtp_code}" if fault.smtp_code > 0 else "does not answer as one"
        raise NotDelivered(f"the mail server {said}") from None
    except smtplib.SMTPRecipientsRefused:
        raise NotDelivered("every address was refused") from None
    except ssl.SSLCertVerificationError as fault:  # a ValueError and an OSError as well
        said = fault.verify_message.rstrip(".")
        raise NotDelivered(f"the server's certificate is not believed: {said}") from None
    except (smtplib.SMTPException, http.client.HTTPException, ValueError) as fault:
        raise NotDelivered(f"it failed ({type(fault).__name__})") from None
    except ssl.SSLError as fault:
        said = (fault.reason or type(fault).__name__).lower().replace("_", " ")
        raise NotDelivered(f"no encryption could be agreed on: {said}") from None
    except OSError as fault:
        raise NotDelivered(fault.strerror or f"it failed ({type(fault).__name__})") from None


class _Heard(io.RawIOBase):
    """What is heard from a server. Raises NotDelivered for too much of it, or for too long."""

    def __init__(self, channel: socket.socket, end: float) -> None:
        self._channel, self._end, self._left = channel, end, MOST_SAID

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        left = self._end - time.monotonic()
        if left <= 0:
            raise NotDelivered(TOO_LONG)
        self._channel.settimeout(min(left, PATIENCE))
        try:
            count = self._channel.recv_into(buffer)
        except TimeoutError:
            raise NotDelivered(TOO_LONG) from None
        self._left -= count
        if self._left < 0:
            raise NotDelivered("the server says too much")
        return count


class _Mail(smtplib.SMTP):
    """A mail server, heard with bounds. end: by CLOCK_MONOTONIC; None before it is connected."""

    end: float | None = None

    def getreply(self) -> tuple[int, bytes]:
        if self.end is None:
            self.end = time.monotonic() + DEADLINE
        if self.file is None and self.sock is not None:
            self.file = io.BufferedReader(_Heard(self.sock, self.end))
        return super().getreply()


class _MailByTls(smtplib.SMTP_SSL, _Mail):
    """The same with TLS from the first byte on."""


def send_mail(settings: Mail, data: bytes, to: Sequence[str]) -> None:
    """Hand an e-mail over (RFC 5321); with TLS, only to a server whose certificate is its own.
    to: those of its addresses that are to get it."""
    if not to:
        return
    server: _Mail
    context = encryption(settings.authority_file)
    if settings.security == "tls":
        server = _MailByTls(settings.server, settings.port, timeout=PATIENCE, context=context)
    else:
        server = _Mail(settings.server, settings.port, timeout=PATIENCE)
    try:
        if settings.security == "starttls":
            server.starttls(context=context)
        if settings.user is not None and settings.password_file is not None:
            server.login(settings.user, secret(settings.password_file))
        refused = server.sendmail(settings.sender, list(to), data)
        _farewell(server)
    finally:
        server.close()
    if refused:
        have = [one for one in to if one not in refused]
        raise NotDelivered(f"{len(refused)} of {len(settings.to)} addresses were refused", have)


def _farewell(server: _Mail) -> None:
    """The message is taken, whatever the server says now."""
    server.file, server.end = None, time.monotonic() + FAREWELL
    with suppress(NotDelivered, OSError, ValueError, smtplib.SMTPException):
        server.quit()


class _Http:
    """A connection to an HTTP server, as http.client uses one, heard with bounds."""

    def __init__(self, channel: socket.socket) -> None:
        self._channel = channel
        self._end = time.monotonic() + DEADLINE

    def sendall(self, data: bytes) -> None:
        self._channel.sendall(data)

    def makefile(self, mode: str) -> io.BufferedReader:
        return io.BufferedReader(_Heard(self._channel, self._end))

    def close(self) -> None:
        self._channel.close()


def post(settings: Webhook, data: bytes) -> None:
    """POST a body (RFC 9110). No other place is followed to: it would get the token as well."""
    parts = urlsplit(settings.url)
    if parts.scheme == "https":
        there: http.client.HTTPConnection = http.client.HTTPSConnection(
            parts.hostname or "",
            parts.port,
            timeout=PATIENCE,
            context=encryption(settings.authority_file),
        )
    else:
        there = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=PATIENCE)
    headers = {"Content-Type": "application/json", "User-Agent": "netcharter"}
    if settings.token_file is not None:
        headers["Authorization"] = f"Bearer {secret(settings.token_file)}"
    try:
        path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        there.connect()
        there.sock = _Http(there.sock)
        there.request("POST", path, data, headers)
        answer = there.getresponse()  # its status decides; what else it says is not waited for
        if not 200 <= answer.status < 300:
            raise NotDelivered(f"the webhook answered {answer.status}")
    finally:
        there.close()


def log(settings: Syslog, record: bytes) -> None:
    """Send a record: one datagram, to a socket of this machine or by UDP (RFC 5426)."""
    if settings.host is None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel:
            channel.settimeout(PATIENCE)
            channel.connect(settings.path or "/dev/log")
            channel.send(record)
        return
    found = socket.getaddrinfo(settings.host, settings.port, type=socket.SOCK_DGRAM)
    family, kind, protocol, _, address = found[0]
    with socket.socket(family, kind | socket.SOCK_CLOEXEC, protocol) as channel:
        channel.settimeout(PATIENCE)
        channel.sendto(record, address)


def encryption(authority_file: str | None) -> ssl.SSLContext:
    """TLS with a server that an authority vouches for, under the name by which it is called
    (RFC 9525). authority_file: the certificates of those that are believed, in place of the
    machine's own. Raises NotDelivered where it can't be used."""
    if authority_file is None:
        return ssl.create_default_context()
    try:
        return ssl.create_default_context(cafile=authority_file)
    except ssl.SSLError:
        raise NotDelivered(f"{authority_file} holds no certificate (PEM)") from None
    except OSError as fault:
        raise NotDelivered(f"{authority_file} can't be read: {fault.strerror}") from None


def secret(path: str) -> str:
    """The first line of a file that only its owner may read. Raises NotDelivered."""
    try:
        with open(os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK), "rb") as file:
            found = os.fstat(file.fileno())
            if not stat.S_ISREG(found.st_mode) or found.st_mode & 0o077:
                raise NotDelivered(f"{path} is to be a plain file with mode 0600")
            line = file.read(MOST_SECRET).split(b"\n")[0].strip().decode("utf-8")
    except OSError as fault:
        raise NotDelivered(f"{path} can't be read: {fault.strerror}") from None
    except UnicodeDecodeError:
        raise NotDelivered(f"{path} is no text") from None
    if not line or not line.isprintable():
        raise NotDelivered(f"{path} holds no secret in its first line")
    return line
