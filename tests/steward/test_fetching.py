"""Texts fetched from servers of the tests' own, which an authority of the tests' own vouches for: good
ones, and each way in which what comes must not be believed.

How an answer is told to be whole stands in RFC 9112 section 8, redirects in RFC 9110 section 15.4.
"""

from __future__ import annotations

import ssl
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Event

import pytest

from netcharter.steward.loop.fetching import Bounds, NotFetched, fetch, host_of
from tests.steward.test_delivery import served
from tests.steward.vouched import DAY, Server, authority

TEXT = b"192.0.2.0/24\n2001:db8::/32\n"
SECRET = "s3cret-in-the-query"
SECONDS = 1.5
Answer = Callable[[BaseHTTPRequestHandler], None]


def said(
    status: int = 200, body: bytes = TEXT, claims: int | None = None, **headers: str
) -> Answer:
    def answer(to: BaseHTTPRequestHandler) -> None:
        to.send_response(status)
        to.send_header("Content-Length", str(len(body) if claims is None else claims))
        for name, value in headers.items():
            to.send_header(name.replace("_", "-"), value)
        to.end_headers()
        to.wfile.write(body)

    return answer


def chunked(*parts: bytes) -> Answer:
    def answer(to: BaseHTTPRequestHandler) -> None:
        to.send_response(200)
        to.send_header("Transfer-Encoding", "chunked")
        to.end_headers()
        for part in parts:
            to.wfile.write(b"%x\r\n%s\r\n" % (len(part), part))

    return answer


def cut_off(to: BaseHTTPRequestHandler) -> None:
    """The connection goes, and no word of TLS says that this is the end (RFC 9112 section 9.8)."""
    to.send_response(200)
    to.end_headers()
    to.wfile.write(TEXT)


def till_it_ends(to: BaseHTTPRequestHandler) -> None:
    cut_off(to)
    to.wfile.flush()
    assert isinstance(to.connection, ssl.SSLSocket)
    to.connection.unwrap()


def endless(to: BaseHTTPRequestHandler) -> None:
    to.send_response(200)
    to.end_headers()
    while True:
        to.wfile.write(b"192.0.2.1\n" * 4096)


def _slowly(text: bytes, to: BaseHTTPRequestHandler) -> None:
    for octet in text:
        to.wfile.write(bytes((octet,)))
        to.wfile.flush()
        if let_go.wait(0.05):
            return


def slow_text(to: BaseHTTPRequestHandler) -> None:
    to.send_response(200)
    to.send_header("Content-Length", "4000")
    to.end_headers()
    _slowly(b"1" * 4000, to)


def no_http(to: BaseHTTPRequestHandler) -> None:
    to.wfile.write(b"\0\xff\r\n\r\n")


def slow_headers(to: BaseHTTPRequestHandler) -> None:
    _slowly(b"HTTP/1.1 200 OK\r\n" + b"X: y\r\n" * 10_000, to)


let_go = Event()


@contextmanager
def server(folder: Path, answers: dict[str, Answer], shows: Server | None = None) -> Iterator[str]:
    """An HTTPS server that answers by path; its address, without the last slash."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            self.close_connection = True
            with suppress(OSError):
                answers[self.path.partition("?")[0]](self)

        def log_message(self, format: str, *args: object) -> None:
            pass

    class Quiet(ThreadingHTTPServer):
        daemon_threads = True

        def handle_error(self, request: object, client_address: object) -> None:
            pass  # a client that does not believe the certificate, for one

    let_go.clear()
    there = Quiet(("127.0.0.1", 0), Handler)
    there.socket = (
        (shows or Server()).encryption(folder).wrap_socket(there.socket, server_side=True)
    )
    with served(there):
        try:
            yield f"https://127.0.0.1:{there.server_address[1]}"
        finally:
            let_go.set()


ODD: dict[str, tuple[Answer, str]] = {
    "an error page": (said(404, b"<html>no</html>"), "answered 404"),
    "nothing new": (said(304, b""), "answered 304"),
    "a claim of a gigabyte": (said(claims=10**9), "it claims 1000000000 bytes; 4096 are the most"),
    "no end": (endless, "it has more than 4096 bytes|the server says too much"),
    "cut short": (said(claims=100), "cut short"),
    "cut off": (cut_off, "cut short"),
    "two lengths": (said(Content_length="100"), "says in two ways how long it is"),
    "a length below nothing": (said(claims=-3), "does not say how long it is"),
    "a length that is none": (said(Content_Length=" 1_0"), "how long it is"),
    "chunks cut short": (chunked(TEXT), "it was cut short"),
    "packed": (said(Content_Encoding="gzip"), "packed"),
    "an octet now and then": (slow_text, "takes too long"),
    "headers now and then": (slow_headers, "takes too long"),
    "no HTTP": (no_http, "no answer of HTTP"),
    "to plain HTTP": (said(302, Location="http://127.0.0.1/list"), "away from HTTPS"),
    "to a file": (said(302, Location="file:///etc/passwd"), "away from HTTPS"),
    "nowhere": (said(302), "led on more than 5 times"),
    "in a circle": (said(301, Location="/list"), "led on more than 5 times"),
    "with a user": (said(307, Location="https://a:b@127.0.0.1/"), "no secret is sent"),
    "to no port": (said(302, Location="https://127.0.0.1:99999/"), "no answer of HTTP"),
}


def _bounds(folder: Path) -> Bounds:
    return Bounds(most=4096, seconds=SECONDS, authority_file=authority(folder))


@pytest.mark.parametrize("name", ODD)
def test_what_is_not_good_is_not_taken_and_tells_no_secret(name: str, tmp_path: Path) -> None:
    answer, why = ODD[name]
    with server(tmp_path, {"/list": answer}) as url:
        began = time.monotonic()
        with pytest.raises(NotFetched, match=why) as caught:
            fetch(f"{url}/list?key={SECRET}", _bounds(tmp_path))
        assert time.monotonic() - began < 30  # a bound, far from what it takes
        assert SECRET not in str(caught.value)


def test_a_good_text_is_taken_also_where_it_is_led_to_and_in_chunks(tmp_path: Path) -> None:
    answers = {
        "/list": said(),
        "/moved": said(308, b"", Location="/further"),
        "/further": said(302, b"", Location="list"),
        "/parts": chunked(TEXT[:5], TEXT[5:], b""),
        "/till-it-ends": till_it_ends,
    }
    with server(tmp_path, answers) as url:
        for path in ("/list", "/moved", "/parts", "/till-it-ends"):
            assert fetch(url + path, _bounds(tmp_path)) == TEXT


@pytest.mark.parametrize(
    "shows", [Server(left=-DAY), Server(names=("other.example",)), Server(by="Somebody else")]
)
def test_a_server_that_is_not_vouched_for_is_not_believed(shows: Server, tmp_path: Path) -> None:
    refused = pytest.raises(NotFetched, match="certificate is not believed")
    with server(tmp_path, {"/list": said()}, shows) as url, refused:
        fetch(url + "/list", _bounds(tmp_path))


def test_a_redirect_to_a_server_that_is_not_vouched_for_is_not_believed(tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    refused = pytest.raises(NotFetched, match="certificate is not believed")
    with server(tmp_path / "other", {"/list": said()}, Server(by="Somebody else")) as other:
        answers = {"/list": said(302, b"", Location=f"{other}/list")}
        with server(tmp_path, answers) as url, refused:
            fetch(url + "/list", _bounds(tmp_path))


@pytest.mark.parametrize(
    ("url", "host"),
    [
        ("https://lists.example/a?key=s", "lists.example"),
        ("https://u:p@lists.example:8443/", "lists.example"),
        ("https://[::1", ""),
        ("nonsense", ""),
    ],
)
def test_only_the_name_of_a_server_is_told(url: str, host: str) -> None:
    assert host_of(url) == host


def test_addresses_that_lead_nowhere_are_faults_in_words(tmp_path: Path) -> None:
    for url in ("http://127.0.0.1/", "https://", "https://[::1", "https://127.0.0.1:1/"):
        with pytest.raises(NotFetched):
            fetch(url, Bounds(seconds=SECONDS))
