"""Lists are fetched on the gateway, put to use, and not followed where they are odd: of addresses as a
version of the charter, of names as stores for look-ups."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from subprocess import PIPE, Popen, run

import pytest

from netcharter.lab.tools import path_of
from tests.cli.gateway import CHARTER, HURRY, Gateway, Ran, gateway
from tests.docs.shapes import breaches, shapes
from tests.steward.vouched import Server, authority

pytestmark = pytest.mark.kernel

CDB = path_of("cdb") or "cdb"
ROOT = Path(__file__).parents[2]
SHAPES = shapes((ROOT / "docs/reference/json.md").read_text(encoding="utf-8"))
SERVED = 8443
HOSTILE = f"""\
lists:
  seen: {{of: addresses, from: "https://127.0.0.1:{SERVED}/seen"}}
hostile: {{lists: [seen]}}
"""
SERVER = f"""\
import http.server, ssl
from pathlib import Path
class Handler(http.server.BaseHTTPRequestHandler):
    def do_GET(self):
        text = Path("served" if self.path == "/seen" else "names").read_bytes()
        self.send_response(200)
        self.send_header("Content-Length", str(len(text)))
        self.end_headers()
        self.wfile.write(text)
    def log_message(self, *said):
        pass
there = http.server.HTTPServer(("127.0.0.1", {SERVED}), Handler)
context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
context.load_cert_chain("server.pem")
there.socket = context.wrap_socket(there.socket, server_side=True)
print("ready", flush=True)
there.serve_forever()
"""
NAMES = f"""\
lists:
  games: {{from: "https://127.0.0.1:{SERVED}/games", topic: play}}
names:
  - {{withhold: play, for: barn, because: quiet}}
"""
MANY = "".join(f"9.{number}.0.0/24\n" for number in range(60))


@contextmanager
def publisher(place: Gateway) -> Iterator[str]:
    """A server on the gateway itself, that an authority of its own vouches for; the file to believe it by."""
    Server().encryption(place.folder)
    place.bench.shell("ip link set lo up")
    command = [*place.bench.way, sys.executable, "-c", SERVER]
    process = Popen(command, cwd=place.folder, stdout=PIPE)
    try:
        assert process.stdout is not None and process.stdout.readline() == b"ready\n"
        yield authority(place.folder)
    finally:
        process.kill()
        process.wait(30)
        if process.stdout is not None:
            process.stdout.close()


def refused_addresses(place: Gateway) -> str:
    return place.bench.shell("nft list set inet netcharter nc_hostile4")


def test_a_list_is_fetched_kept_and_put_in_place_and_what_is_odd_is_not(tmp_path: Path) -> None:
    with gateway(tmp_path) as place, publisher(place) as believed:
        place.kept(CHARTER + HOSTILE)
        place.write("served", f"# first\n{MANY}198.51.100.64/28\n203.0.113.0/24\nnonsense\n")
        first = place.run("refresh", SSL_CERT_FILE=believed)
        assert first.code == 0, first.told
        said = first.json()
        assert not list(breaches(said, "refresh", SHAPES))
        assert (said["state"], said["version"]) == ("refreshed", 2)
        assert said["lists"][0] | {"fetched": ""} == {
            "name": "seen", "fate": "fetched", "why": "", "entries": 62, "fetched": "", "old": False,
            "refused": [{"reason": "is no address, prefix or range", "count": 1, "first": 64}],
        }  # fmt: skip
        held = refused_addresses(place)
        assert "198.51.100.64/28" in held and "9.7.0.0/24" in held
        assert "203.0.113" not in held  # the line's own network
        now = place.run("holds").json()
        assert now["state"] == "as planned" and now["notes"] == []
        history = place.run("undo", "--history").json()["events"]
        assert any("the lists seen were refreshed" in event["why"] for event in history)

        again = place.run("refresh", SSL_CERT_FILE=believed).json()
        assert (again["state"], again["lists"][0]["fate"]) == ("as before", "not due")

        place.write("served", "9.0.0.0/24\n")
        shrunk = place.run("refresh", "seen", SSL_CERT_FILE=believed)
        told = shrunk.json()
        assert shrunk.code == 1 and told["lists"][0]["fate"] == "kept as it was"
        assert "98 % fewer than the 62 before" in told["lists"][0]["why"]
        assert refused_addresses(place) == held

        place.write(
            "served", f"# another order and remark\n203.0.113.0/24\n198.51.100.64/28\n{MANY}"
        )
        other = place.run("refresh", "seen", SSL_CERT_FILE=believed).json()
        assert (other["state"], other["lists"][0]["fate"]) == ("as before", "fetched")

        unknown = place.run("refresh", "seen").json()  # nobody vouches for the server
        assert "certificate is not believed" in unknown["lists"][0]["why"]

        place.write("served", "9.0.0.0/24\n")
        taken = place.run("refresh", "--accept", "seen", SSL_CERT_FILE=believed).json()
        assert (taken["state"], taken["version"]) == ("refreshed", 3)
        assert "198.51.100" not in refused_addresses(place)
        back = place.run("undo")
        assert back.code == 0 and place.run("keep").code == 0, back.told
        assert refused_addresses(place) == held


def with_tinycdb(place: Gateway) -> str:
    """Shell lines after which the gateway has the program cdb, as where its package is installed."""
    (place.folder / "programs").mkdir()
    place.write("programs/cdb", f'#!/bin/sh\nexec {CDB} "$@"\n')
    (place.folder / "programs/cdb").chmod(0o755)
    return "mount --bind programs /usr/local/bin"


def looked_up(place: Gateway, name: str) -> str:
    """The line of the list that names it, as tinycdb tells all records (cdb(1)); the key is as on the
    wire (RFC 1035 section 3.1)."""
    key = b"".join(bytes([len(one)]) + one.encode() for one in name.split(".")) + b"\0"
    store = place.folder / "state/names/fetched/games/below.cdb"
    found = run([CDB, "-d", store], stdout=PIPE, timeout=20, check=True).stdout
    return found.partition(key + b"->")[2].partition(b"\n")[0].decode()


def test_a_list_of_names_is_fetched_and_looked_up_without_another_version(tmp_path: Path) -> None:
    with gateway(tmp_path) as place, publisher(place) as believed:
        tinycdb = with_tinycdb(place)
        place.write("good.yaml", CHARTER + NAMES)
        done = place.run("enact", "good.yaml", *HURRY, before=tinycdb)
        assert done.code == 0 and place.run("keep").code == 0, done.told
        assert looked_up(place, "g7.example") == ""

        def refresh(*words: str, before: str = tinycdb) -> Ran:
            return place.run("refresh", *words, before=before, SSL_CERT_FILE=believed)

        lines = [f"g{number}.example" for number in range(40)]
        place.write("names", "\n".join(["# first", *lines, "<b>no</b>"]))
        first = refresh()
        assert first.code == 0, first.told
        said = first.json()
        assert not list(breaches(said, "refresh", SHAPES))
        assert (said["state"], said["version"]) == ("refreshed", 1)
        assert said["lists"][0]["entries"] == 40
        assert said["lists"][0]["refused"] == [
            {"reason": "is a piece of a web page", "count": 1, "first": 42}
        ]
        assert looked_up(place, "g7.example") == "9" and looked_up(place, "h7.example") == ""

        again = refresh().json()
        assert (again["state"], again["text"]) == ("as before", "what the lists say is in place")

        place.write("names", "<!doctype html><p>Sorry")
        odd = refresh("games")
        assert odd.code == 1 and "a web page" in odd.json()["lists"][0]["why"]
        assert looked_up(place, "g7.example") == "9"

        place.write("names", "\n".join(["h7.example", *lines]))
        other = refresh("games").json()
        assert (other["state"], other["version"]) == ("refreshed", 1)
        assert looked_up(place, "h7.example") == "1" and looked_up(place, "g7.example") == "9"
        assert not (place.folder / "state/versions/0001/included").exists()

        shutil.rmtree(place.folder / "state/names")
        lost = refresh(before="")
        assert lost.code == 1 and lost.json()["state"] == "undone"
        assert refresh().json()["state"] == "refreshed"
        assert looked_up(place, "h7.example") == "1"
