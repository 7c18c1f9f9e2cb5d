"""The server on loopback: real connections, slow ones, large ones, too many, and the port of https."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from http.client import HTTPConnection
from ipaddress import ip_address
from pathlib import Path
from urllib.parse import urlencode

import pytest

from netcharter.gate.server.bounded import MOST_OF_ONE, Places
from netcharter.gate.server.serving import LARGEST_HEAD, listening
from netcharter.gate.visits import FORM, LARGEST_FORM
from netcharter.render import gate as rendered
from tests.cli.running import run
from tests.gate.site import plan

PATIENCE = 60.0  # seconds: more than anything here takes on a busy machine
HOST = "videos.example"
LISTENS = "0A"  # proc(5): TCP_LISTEN


def settings_at_loopback(path: Path) -> None:
    """What the kit tells the pages, but that bunkrooms are at loopback."""
    first, _, rest = rendered.settings(plan()).partition("\n")
    told = json.loads(rest)
    [area] = [one for one in told["areas"] if one["name"] == "bunkrooms"]
    area["networks"], area["listens"] = ["127.0.0.0/8", "::1/128"], ["127.0.0.1", "::1"]
    told["areas"] = [area]
    path.write_text(f"{first}\n{json.dumps(told)}\n")


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


class Server:
    def __init__(self, folder: Path) -> None:
        self.folder = folder / "requests"
        self.folder.mkdir()
        self._settings = folder / "gate.json"
        settings_at_loopback(self._settings)
        for _ in range(5):  # somebody else may take a port that was free a moment ago
            self.port = free_port()
            self.process = self._begun()
            if self._is_there():
                return
        raise TimeoutError

    def _begun(self) -> subprocess.Popen[str]:
        options = ["--settings", str(self._settings), "--requests", str(self.folder)]
        command = [sys.executable, "-m", "netcharter", "gate", *options, "--port", str(self.port)]
        return subprocess.Popen(command, stderr=subprocess.PIPE, text=True)

    def _is_there(self) -> bool:
        for _ in range(1_200):
            if self.process.poll() is not None:
                return False
            try:
                socket.create_connection(("127.0.0.1", self.port), PATIENCE).close()
                return True
            except ConnectionRefusedError:
                signal.sigtimedwait([], 0.05)
        self.end()
        return False

    def asked(
        self, method: str = "GET", host: str = HOST, body: str | bytes | None = None,
        address: str = "127.0.0.1", kind: str = FORM,
    ) -> tuple[int, str, str]:  # fmt: skip
        """Status, the page, and all header names."""
        connection = HTTPConnection(address, self.port, timeout=PATIENCE)
        headers = {"Host": host, **({"Content-Type": kind} if body is not None else {})}
        connection.request(method, "/", body, headers)
        reply = connection.getresponse()
        text = reply.read().decode("utf-8")
        connection.close()
        return reply.status, text, " ".join(name.lower() for name, _ in reply.getheaders())

    def raw(self, data: bytes) -> bytes:
        with socket.create_connection(("127.0.0.1", self.port), PATIENCE) as one:
            one.sendall(data)
            found = b""
            while piece := _received(one):
                found += piece
            return found

    def end(self) -> str:
        self.process.send_signal(signal.SIGTERM)
        return self.process.communicate(timeout=PATIENCE)[1]


def _received(one: socket.socket) -> bytes:
    try:
        return one.recv(65_536)
    except ConnectionResetError:
        return b""


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    found = Server(tmp_path_factory.mktemp("gate"))
    yield found
    said = found.end()
    assert found.process.returncode in (0, -signal.SIGTERM)
    assert said == ""  # nothing is noted about anybody's visit


def mark_of(page: str) -> str:
    return page.partition('name="mark" value="')[2].partition('"')[0]


def test_a_request_goes_all_the_way_in_both_families(server: Server) -> None:
    status, page, headers = server.asked()
    assert status == 403 and f"{HOST}</bdi> <span>is withheld here" in page
    assert "server" not in headers.split() and "set-cookie" not in headers
    sent = urlencode({"mark": mark_of(page), "why": "a\nb", "reach": "7b"})
    status, page, _ = server.asked("POST", body=sent, address="::1")
    assert status == 200 and "Your request is noted" in page
    file = server.folder / "1.json"
    kept = json.loads(file.read_text("utf-8"))
    assert (kept["name"], kept["area"], kept["why"]) == (HOST, "bunkrooms", "a\nb")
    assert "127.0.0.1" not in file.read_text("utf-8")
    assert "had been noted already" in server.asked("POST", body=sent)[1]
    assert {one.name for one in server.folder.iterdir()} == {"1.json", "last-number"}


def test_what_is_not_http_or_too_large_is_turned_away(server: Server) -> None:
    for data in (
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\r\n\r\n",  # much like a TLS hello, RFC 8446
        b"GET / HTTP/1.1\r\n\r\n",  # no Host: RFC 9112 section 3.2
        b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nX: " + b"y" * (LARGEST_HEAD + 100) + b"\r\n\r\n",
        b"GET / HTTP/9.9\r\nHost: a\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: x\r\n\r\n",
        b"GET /\x00 HTTP/1.1\r\nHost: videos.example\r\n\r\n",
    ):
        said = server.raw(data)
        assert not said or said.startswith((b"HTTP/1.1 4", b"HTTP/1.0 4")), (data[:60], said[:200])
        assert b"alert" not in said and b"Traceback" not in said
    large = "why=" + "x" * LARGEST_FORM
    status, page, _ = server.asked("POST", body=large)
    assert status == 413 and "too long" in page


def test_one_who_holds_many_connections_keeps_nobody_else_out(server: Server) -> None:
    with ExitStack() as held:
        mine = []
        for _ in range(MOST_OF_ONE + 4):
            one = held.enter_context(socket.create_connection(("127.0.0.1", server.port), PATIENCE))
            one.settimeout(PATIENCE)
            mine.append(one)
        assert all(_received(one) == b"" for one in mine[MOST_OF_ONE:])
        connection = HTTPConnection("127.0.0.1", server.port, timeout=PATIENCE,
                                    source_address=("127.0.0.9", 0))  # fmt: skip
        connection.request("GET", "/", headers={"Host": HOST})
        assert connection.getresponse().status == 403
        connection.close()


SLOW = """
import asyncio, sys
from netcharter.gate import settings
from netcharter.gate.server import serving
from netcharter.gate.server.bounded import Places
from netcharter.gate.server.folder import RequestFolder
told = settings.read(open(sys.argv[1], "rb").read())
sockets = serving.listening(told.listens[:1], 0)
sockets[0].listen(9)
print(sockets[0].getsockname()[1], flush=True)
pages = serving.Pages(told, RequestFolder(sys.argv[2]), print)
asyncio.run(serving._run(pages, sockets, Places(life=0.3)))
"""


HALF = b"POST / HTTP/1.1\r\nHost: videos.example\r\nContent-Length: 100\r\n\r\nwhy="


@pytest.mark.parametrize("begun", [b"", b"GET / HTTP/1.1\r\nHost: vid", HALF])
def test_who_never_finishes_is_ended(tmp_path: Path, begun: bytes) -> None:
    settings_at_loopback(tmp_path / "gate.json")
    command = [sys.executable, "-c", SLOW, str(tmp_path / "gate.json"), str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            port = int(process.stdout.readline())
            with socket.create_connection(("127.0.0.1", port), PATIENCE) as one:
                one.sendall(begun)
                assert _received(one) == b""  # it is ended, or this waits for PATIENCE and fails
        finally:
            process.terminate()
        assert process.stdout.read() == ""


def test_places_are_counted_and_given_back() -> None:
    places = Places(most=3, most_of_one=2)
    assert [places.enter(who) for who in ("a", "a", "a", "b", "c")] == [
        True,
        True,
        False,
        True,
        False,
    ]
    places.leave("a")
    assert places.enter("c") and not places.enter("a")


def test_it_listens_at_one_port_alone_and_only_where_it_was_told(server: Server) -> None:
    """Nobody listens where https would be. What the kernel tells of the process' sockets: proc(5)."""
    own = Path(f"/proc/{server.process.pid}")
    inodes = {os.readlink(one)[8:-1] for one in (own / "fd").iterdir() if is_socket(one)}
    found = set()
    for kind in ("tcp", "tcp6", "udp", "udp6"):
        for line in (own / "net" / kind).read_text().splitlines()[1:]:
            words = line.split()
            if words[9] in inodes and words[3] == LISTENS:
                found.add((kind, words[1]))
    port = f"{server.port:04X}"
    assert found == {("tcp", f"0100007F:{port}"), ("tcp6", f"{'0' * 24}01000000:{port}")}


def is_socket(one: Path) -> bool:
    return os.readlink(one).startswith("socket:[")


def test_addresses_that_are_not_there_yet_can_be_listened_at() -> None:
    """IP_FREEBIND, ip(7): documentation addresses (RFC 5737, RFC 3849), which no machine has."""
    sockets = listening([ip_address("192.0.2.77"), ip_address("2001:db8::77")], 0)
    for one in sockets:
        one.listen(1)
        one.close()
    with pytest.raises(OSError, match="[Pp]ermission|[Ii]nvalid|[Aa]ssign"):
        listening([ip_address("224.0.0.1"), ip_address("ff02::1")], 0)


def test_settings_that_are_none_are_told(tmp_path: Path) -> None:
    path = tmp_path / "gate.json"
    zone = {"format": 1, "site": "x", "timezone": "../etc/passwd", "areas": [], "rows": [], "lists": {},
            "hours": {}, "terms": {}}  # fmt: skip
    for text in ("", "# x\n{}", "# x\n{", '# x\n{"format": 2}', f"# x\n{json.dumps(zone)}"):
        path.write_text(text)
        found = run("gate", "--settings", str(path), "--requests", str(tmp_path), "--port", "1")
        assert found.code == 2 and "refused: " in found.err and "Traceback" not in found.err
    assert run("gate", "--settings", str(tmp_path / "none")).code == 2
