"""dnsdist with lists, in a namespace of its own, in front of a resolver that knows every name.

    python -m tests.kernel.answering FOLDER < questions.json > answers.json

Started within the namespace. FOLDER holds `dnsdist.conf`; questions are [[name, type], ...], and the
answers come in their order: "NXDOMAIN", "NOERROR" ... or "nothing".
"""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import dns.flags
import dns.message
import dns.rcode
import dns.rdataclass
import dns.rdatatype

from netcharter.plan.names.entries import Entries
from netcharter.render.cdb import LISTED, STORES, laid_out, listed

FRONT, BEHIND = ("127.0.0.1", 5300), ("127.0.0.1", 5301)
PATIENCE = 60.0  # seconds until dnsdist answers
OWN = Path(sys.executable).parent  # where tools/setup puts programs that it unpacked

SETTINGS = f"""\
setLocal("{FRONT[0]}:{FRONT[1]}")
setACL("127.0.0.0/8")
setSecurityPollSuffix("")
newServer({{address="{BEHIND[0]}:{BEHIND[1]}"}})
{LISTED}
"""


def program(name: str) -> str | None:
    """Where a program is that tools/setup unpacked, or that is installed."""
    return shutil.which(name, path=f"{OWN}:/usr/sbin:/usr/bin:/sbin:/bin")


def settings(folders: list[Path]) -> str:
    """What dnsdist reads to answer that no name of these lists exists."""
    rules = (f"addAction({listed(str(one))}, RCodeAction(DNSRCode.NXDOMAIN))" for one in folders)
    return SETTINGS + "\n".join(rules) + "\n"


def build(entries: Entries, folder: Path, cdb: str) -> None:
    """The files of a list, each moved into place whole."""
    folder.mkdir(parents=True, exist_ok=True)
    layout = laid_out(entries)
    for store in STORES:
        new = folder / f"{store}.new"
        with subprocess.Popen([cdb, "-c", str(new), "-"], stdin=subprocess.PIPE) as process:
            assert process.stdin is not None
            for block in layout.records(store):
                process.stdin.write(block)
        assert process.returncode == 0
        new.rename(folder / f"{store}.cdb")


def _resolve(server: socket.socket) -> None:
    """Answers every question as if its name were there, until the socket is closed."""
    while True:
        try:
            wire, peer = server.recvfrom(4_096)
        except OSError:
            return
        # The header of a response without records (RFC 1035 section 4.1.1), and the question.
        server.sendto(wire[:2] + b"\x81\x80" + wire[4:6] + bytes(6) + _question(wire), peer)


def _question(wire: bytes) -> bytes:
    end = 12
    while wire[end]:
        end += wire[end] + 1
    return wire[12 : end + 5]


@contextmanager
def serving(folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    """dnsdist with `dnsdist.conf` of a folder, once it answers."""
    subprocess.run(["ip", "link", "set", "dev", "lo", "up"], check=True, timeout=20)
    behind = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    behind.bind(BEHIND)
    threading.Thread(target=_resolve, args=(behind,), daemon=True).start()
    command = [program("dnsdist") or "dnsdist", "--supervised", "--disable-syslog", "-C"]
    with (
        (folder / "dnsdist.log").open("wb") as log,
        subprocess.Popen(
            [*command, str(folder / "dnsdist.conf")],
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
        ) as process,
    ):
        try:
            _wait(process)
            yield process
        finally:
            process.terminate()
            process.wait(20)
            behind.close()


def _wait(process: subprocess.Popen[bytes]) -> None:
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end and process.poll() is None:
        if ask("up.invalid", "A", 0.5) == "NOERROR":
            return
    raise RuntimeError(f"dnsdist does not answer: {process.poll()}")


def ask(name: str, type: str, patience: float = 20.0) -> str:
    """One question, and the code of its answer, or "nothing"."""
    query = dns.message.make_query(name, type)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as client:
        client.settimeout(patience)
        client.connect(FRONT)
        try:
            client.send(query.to_wire())
            answer = dns.message.from_wire(client.recv(4_096))
        except OSError:
            return "nothing"
    return dns.rcode.to_text(answer.rcode()) if answer.id == query.id else "nothing"


def main(folder: Path) -> None:
    questions = json.load(sys.stdin)
    with serving(folder):
        json.dump([ask(name, type) for name, type in questions], sys.stdout)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
