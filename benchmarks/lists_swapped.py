"""A set of 200 000 prefixes is exchanged under load: packets lost, the longest silence, how long it takes.

Run it as root, since a transaction of this size needs a send buffer that nobody else may have:

    python benchmarks/lists_swapped.py [PREFIXES]

In a network namespace of its own, packets with numbers go from one namespace to the other, 2 000 a
second, and every one asks the set. Three ways are tried: all elements flushed and added again in one
transaction; a hundredth more added; and a set of another name, filled first, to which the rule is then
turned. The first line shows the same without any exchange. (Taking single elements out of such a set
takes nft 1.0.6 minutes, so it is not tried.)
"""

from __future__ import annotations

import os
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from ipaddress import IPv4Address
from itertools import pairwise
from pathlib import Path
from random import Random

PACE, PORT = 0.0005, 9999
TABLE = "inet lists"


def prefixes(count: int, seed: int) -> list[str]:
    """So many different /24, in order, none of which is adjacent to the next."""
    found = sorted(Random(seed).sample(range(1 << 15, 0xDF0000 >> 1), count))
    return [f"{IPv4Address(number << 9)}/24" for number in found]


def load(text: str) -> float:
    """Seconds that it takes."""
    began = time.monotonic()
    subprocess.run(["nft", "-f", "-"], input=text.encode(), check=True, stderr=subprocess.DEVNULL)
    return time.monotonic() - began


def elements(word: str, name: str, found: list[str]) -> str:
    return f"{word} element {TABLE} {name} {{ {', '.join(found)} }}\n" if found else ""


def listening(channel: socket.socket, got: list[tuple[int, float]], done: threading.Event) -> None:
    channel.settimeout(0.2)
    while not done.is_set():
        try:
            data = channel.recv(64)
        except TimeoutError:
            continue
        got.append((struct.unpack("!Q", data)[0], time.monotonic()))


SENDER = """
import socket, struct, sys, time
channel = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
port, pace = int(sys.argv[1]), float(sys.argv[2])
number, due = 0, time.monotonic()
while True:
    channel.sendto(struct.pack("!Q", number), ("10.255.0.1", port))
    number += 1
    due += pace
    time.sleep(max(0, due - time.monotonic()))
"""


def measured(what: str, work: Callable[[], float]) -> None:
    """Packets during some work: how many, how many are missing, the longest time without any."""
    got: list[tuple[int, float]] = []
    done = threading.Event()
    channel = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    channel.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 22)
    channel.bind(("10.255.0.1", PORT))
    listener = threading.Thread(target=listening, args=(channel, got, done))
    listener.start()
    time.sleep(1)
    seconds = work()
    time.sleep(1)
    done.set()
    listener.join()
    channel.close()
    numbers = [number for number, _ in got]
    lost = numbers[-1] - numbers[0] + 1 - len(set(numbers))
    gap = max(later - earlier for (_, earlier), (_, later) in pairwise(got))
    print(
        f"{what:44} {seconds:6.2f} s  {len(got):7} packets  {lost:4} lost  {gap * 1000:7.1f} ms",
        flush=True,
    )


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    if os.environ.get("APART") is None:
        command = ["unshare", "-nm", sys.executable, str(Path(__file__).resolve()), str(count)]
        raise SystemExit(
            subprocess.run(command, env={**os.environ, "APART": "1"}, check=False).returncode
        )
    for line in ("link set lo up", "link add name near0 type veth peer name far0"):
        subprocess.run(["ip", *line.split()], check=True)
    other = subprocess.Popen(["unshare", "-n", "sleep", "600"])
    time.sleep(0.5)
    inside = ["nsenter", "-t", str(other.pid), "-n"]
    sender = None
    try:
        subprocess.run(["ip", "link", "set", "dev", "far0", "netns", str(other.pid)], check=True)
        for line in ("address add 10.255.0.1/24 dev near0", "link set dev near0 up"):
            subprocess.run(["ip", *line.split()], check=True)
        for line in ("address add 10.255.0.2/24 dev far0", "link set dev far0 up"):
            subprocess.run([*inside, "ip", *line.split()], check=True)
        sender = subprocess.Popen([*inside, sys.executable, "-c", SENDER, str(PORT), str(PACE)])
        tried(count)
    finally:
        for process in (sender, other):
            if process is not None:
                process.kill()
                process.wait()


def waited() -> float:
    time.sleep(2)
    return 2.0


def tried(count: int) -> None:
    first, second = prefixes(count, 1), prefixes(count, 2)
    moved = sorted(set(second) - set(first))[: count // 100]
    base = f"table {TABLE} {{ set h {{\ntype ipv4_addr; flags interval;\n}}\n"
    chain = "chain in { type filter hook input priority 0; policy accept;\nip saddr @h drop\n}\n}\n"
    print(f"first load: {load(base + chain + elements('add', 'h', first)):.2f} s", flush=True)
    measured("nothing is exchanged", waited)
    flushed = f"flush set {TABLE} h\n" + elements("add", "h", second)
    measured("flushed and added, one transaction", lambda: load(flushed))
    load(f"flush set {TABLE} h\n" + elements("add", "h", first))
    added = elements("add", "h", moved)
    measured("one in a hundred added, one transaction", lambda: load(added))
    fresh = f"table {TABLE} {{ set g {{\ntype ipv4_addr; flags interval;\n}}\n}}\n"
    fresh += elements("add", "g", second)
    measured("another set beside it", lambda: load(fresh))
    turned = f"flush chain {TABLE} in\nadd rule {TABLE} in ip saddr @g drop\ndelete set {TABLE} h\n"
    measured("then the rule, and the old set goes", lambda: load(turned))


if __name__ == "__main__":
    main()
