"""`netcharter refresh` with a list of 200 000 prefixes, on a gateway that is in use meanwhile.

Run it as root (a user namespace refuses so large a transaction):

    python -m benchmarks.lists_refreshed [PREFIXES]

A gateway in namespaces has a charter with one hostile list. The list comes for the first time, then
another day's (a hundredth of it gone, one more), over HTTPS; each time a version is planned, proven, put
in place, read back from the kernel, proven to be the plan, and kept. Meanwhile a desk asks the far host
for a word over TCP, 50 new conversations a second, each decided anew by the sets. Last, `holds` asks
whether what the kernel has is the plan. Told: seconds of each, how many conversations failed, the longest
time without one that succeeded.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from random import Random

import tests.cli.gateway
from tests.cli.gateway import CHARTER, FAR, Gateway, gateway
from tests.cli.test_refresh import HOSTILE, publisher

LIMIT = 1800.0  # seconds for one command
PORT = 80
PACE = 0.02
# Answers with one byte; and asks for it, as often as PACE says, and writes what came of it.
FAR_SIDE = """
import socket, sys
server = socket.create_server(("", int(sys.argv[1])), backlog=512)
print("ready", flush=True)
while True:
    found, peer = server.accept()
    found.sendall(b"x")
    found.close()
"""
DESK_SIDE = """
import socket, sys, time
place, pace = (sys.argv[1], int(sys.argv[2])), float(sys.argv[3])
failed = count = 0
last, longest, due = time.monotonic(), 0.0, time.monotonic()
print("ready", flush=True)
while True:
    try:
        with socket.create_connection(place, 5) as found:
            came = found.recv(1) == b"x"
    except OSError:
        came = False
    now = time.monotonic()
    count, failed = count + 1, failed + (not came)
    if came:
        longest, last = max(longest, now - last), now
    print(count, failed, longest, flush=True)
    due = max(due + pace, now)
    time.sleep(due - now)
"""
UNUSUAL = {0, 10, 100, 127, 169, 172, 192, 198, 203}  # where special networks are, and ours


def networks(count: int) -> list[str]:
    chance = Random(3)
    found: set[int] = set()
    while len(found) < count:
        number = chance.randrange(223 << 16)
        if number >> 16 not in UNUSUAL:
            found.add(number)
    return [f"{n >> 16}.{n >> 8 & 255}.{n & 255}.0/24" for n in sorted(found)]


def measured(what: str, place: Gateway, work: Callable[[], str]) -> None:
    """Some work, with conversations beside it."""
    with (place.folder / "told").open("wb") as told:
        desk = subprocess.Popen(
            [*place.desk.way, sys.executable, "-c", DESK_SIDE, FAR, str(PORT), str(PACE)],
            stdout=told,
        )
        try:
            time.sleep(1)
            began = time.monotonic()
            state = work()
            seconds = time.monotonic() - began
            time.sleep(1)
        finally:
            desk.kill()
            desk.wait()
    count, failed, longest = (place.folder / "told").read_text("ascii").split("\n")[-2].split()
    print(
        f"{what:28} {seconds:6.1f} s  {state:12} {count:>6} conversations, {failed} failed,"
        f" longest gap {float(longest) * 1000:.0f} ms",
        flush=True,
    )


def waited() -> str:
    time.sleep(5)
    return ""


def refreshed(place: Gateway, believed: str) -> str:
    found = place.run("refresh", "seen", SSL_CERT_FILE=believed)
    return str(found.json()["state"]) if found.out else found.told


def tried(place: Gateway, believed: str, count: int) -> None:
    today = networks(count + count // 100)
    step = count // 100
    measured("nothing", place, waited)
    place.write("served", "\n".join(today[step:]) + "\n")
    measured("the first list", place, lambda: refreshed(place, believed))
    place.write("served", "\n".join(today[: 50 * step] + today[51 * step :]) + "\n")
    measured("the next day's", place, lambda: refreshed(place, believed))
    measured("holds", place, lambda: str(place.run("holds").json()["state"]))


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    tests.cli.gateway.LIMIT = LIMIT
    with tempfile.TemporaryDirectory() as folder, gateway(Path(folder)) as place:
        place.kept(CHARTER + HOSTILE)
        server = subprocess.Popen(
            [*place.far.way, sys.executable, "-c", FAR_SIDE, str(PORT)], stdout=subprocess.PIPE
        )
        try:
            assert server.stdout is not None and server.stdout.readline() == b"ready\n"
            with publisher(place) as believed:
                tried(place, believed, count)
        finally:
            server.kill()
            server.wait()


if __name__ == "__main__":
    main()
