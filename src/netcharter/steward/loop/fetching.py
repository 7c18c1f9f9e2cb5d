"""A text is fetched from a server by HTTPS, and of what that says no more is believed than must be.

The server's certificate is verified, for the name in the address, wherever a redirect leads (RFC 9110
section 15.4), and none leads away from HTTPS. No more than so many bytes are heard, and not for
longer than so many seconds, however the server deals them out. No fault repeats what the server said
or what stands in an address behind the server's name, since that may be a secret.
"""

from __future__ import annotations

import http.client
import io
import socket
import ssl
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import Any
from urllib.parse import SplitResult, urljoin, urlsplit

from netcharter.steward.loop.delivery import NotDelivered, encryption

MOST = 256 * 2**20  # bytes of a list; what is kept can be read up to this size
DEADLINE = 180.0  # seconds for one list
PATIENCE = 20.0  # seconds without a word
HOPS = 5  # redirects that are followed
HEADERS = 1 << 20  # bytes that may come besides the text
PART = 1 << 16
_MOVED = frozenset({301, 302, 303, 307, 308})  # RFC 9110 section 15.4
PORT = 443
_UNEXPECTED_END = "UNEXPECTED_EOF_WHILE_READING"  # OpenSSL's reason
_END_UNSAID = getattr(ssl, "OP_IGNORE_UNEXPECTED_EOF", 0)  # unknown to OpenSSL before 3.0


class NotFetched(Exception):
    """Nothing good came; says why, in words without secrets."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """most: bytes of the text; seconds: in all; authority_file: certificates of those that are believed,
    in place of the machine's own."""

    most: int = MOST
    seconds: float = DEADLINE
    authority_file: str | None = None


@dataclass(slots=True)
class _Left:
    """What is left of the bytes and of the time, for all servers that are asked for one text."""

    octets: int
    end: float  # by CLOCK_MONOTONIC

    def seconds(self) -> float:
        left = self.end - time.monotonic()
        if left <= 0:
            raise NotFetched("the server takes too long")
        return left


class _Heard(io.RawIOBase):
    """What is heard from a server. Raises NotFetched for too much of it, or for too long."""

    def __init__(self, channel: socket.socket, left: _Left) -> None:
        self._channel, self._left = channel, left

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        self._channel.settimeout(min(self._left.seconds(), PATIENCE))
        try:
            count = self._channel.recv_into(buffer)
        except TimeoutError:
            raise NotFetched("the server takes too long") from None
        except ssl.SSLError as fault:
            # Older Pythons, 3.11.2 for one, have no error of its own for it.
            if isinstance(fault, ssl.SSLEOFError) or fault.reason == _UNEXPECTED_END:
                raise NotFetched("it was cut short") from None
            raise
        self._left.octets -= count
        if self._left.octets < 0:
            raise NotFetched("the server says too much")
        return count


class _Channel:
    """A connection as http.client uses one, heard with bounds."""

    def __init__(self, channel: socket.socket, left: _Left) -> None:
        self._channel, self._left = channel, left

    def sendall(self, data: bytes) -> None:
        self._channel.settimeout(min(self._left.seconds(), PATIENCE))
        self._channel.sendall(data)

    def makefile(self, mode: str) -> io.BufferedReader:
        return io.BufferedReader(_Heard(self._channel, self._left), PART)

    def close(self) -> None:
        """Not yet: http.client lets go of it before the text is read."""


def host_of(url: str) -> str:
    """Whom an address names, for people: never what stands around it."""
    with suppress(ValueError):
        return urlsplit(url).hostname or ""
    return ""


def fetch(url: str, bounds: Bounds | None = None) -> bytes:
    """The text at an address. Raises NotFetched."""
    bounds = bounds or Bounds()
    left = _Left(bounds.most + HEADERS, time.monotonic() + bounds.seconds)
    try:
        context = encryption(bounds.authority_file)
        # Contexts of older Pythons, of 3.11.2 for one, take an end without a word of TLS for one that
        # was said.
        context.options &= ~_END_UNSAID
        for _ in range(HOPS + 1):
            found = _asked(_there(url), context, left, bounds.most)
            if isinstance(found, bytes):
                return found
            url = urljoin(url, found)
    except NotDelivered as fault:
        raise NotFetched(str(fault)) from None
    except ssl.SSLCertVerificationError as fault:  # a ValueError and an OSError as well
        said = fault.verify_message.rstrip(".")
        raise NotFetched(f"the server's certificate is not believed: {said}") from None
    except ssl.SSLError as fault:
        said = (fault.reason or type(fault).__name__).lower().replace("_", " ")
        raise NotFetched(f"no encryption could be agreed on: {said}") from None
    except TimeoutError:
        raise NotFetched("the server takes too long") from None
    except socket.gaierror:
        raise NotFetched("the server's name is not known") from None
    except OSError as fault:
        raise NotFetched((fault.strerror or type(fault).__name__).lower()) from None
    except http.client.IncompleteRead:
        raise NotFetched("it was cut short") from None
    except (http.client.HTTPException, ValueError) as fault:
        raise NotFetched(f"it is no answer of HTTP ({type(fault).__name__})") from None
    raise NotFetched(f"it is led on more than {HOPS} times")


def _there(url: str) -> SplitResult:
    parts = urlsplit(url)
    if parts.scheme != "https" or not parts.hostname:
        raise NotFetched("it leads away from HTTPS")
    if parts.username is not None or parts.password is not None:
        raise NotFetched("it names a user, and no secret is sent")
    return parts


def _asked(parts: SplitResult, context: ssl.SSLContext, left: _Left, most: int) -> bytes | str:
    """The text, or the address that is named in its place."""
    server = http.client.HTTPSConnection(
        parts.hostname or "",
        parts.port or PORT,
        timeout=min(left.seconds(), PATIENCE),
        context=context,
    )
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    channel: Any = None
    try:
        server.connect()
        channel = server.sock
        # Without a word of TLS that it is over, whoever is between may have cut it (RFC 9112
        # section 9.8).
        channel.suppress_ragged_eofs = False
        server.sock = _Channel(channel, left)
        server.request(
            "GET", path, headers={"User-Agent": "netcharter", "Accept-Encoding": "identity"}
        )
        answer = server.getresponse()
        if answer.status in _MOVED:
            return answer.getheader("Location") or ""
        return _text(answer, most)
    finally:
        server.close()
        if channel is not None:
            channel.close()


def _text(answer: http.client.HTTPResponse, most: int) -> bytes:
    if answer.status != 200:
        raise NotFetched(f"the server answered {answer.status}")
    if answer.getheader("Content-Encoding", "identity").lower() != "identity":
        raise NotFetched("it is packed, which was not asked for")
    claims = {*answer.headers.get_all("Content-Length", ())}
    if len(claims) > 1:  # RFC 9112 section 6.3
        raise NotFetched("it says in two ways how long it is")
    if not all(one.isascii() and one.isdigit() for one in claims):
        raise NotFetched("it does not say how long it is")
    if answer.length is not None and answer.length > most:
        raise NotFetched(f"it claims {answer.length} bytes; {most} are the most")
    parts: list[bytes] = []
    while part := answer.read(PART):
        parts.append(part)
    text = b"".join(parts)
    if len(text) > most:
        raise NotFetched(f"it has more than {most} bytes")
    if answer.length:  # RFC 9112 section 8: a message shorter than it said is incomplete
        raise NotFetched("it was cut short")
    return text
