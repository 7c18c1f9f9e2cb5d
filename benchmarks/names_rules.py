"""What many names rules cost: dnsdist as a kit tells it to, with an unbound behind it, asked on loopback.

    unshare -n python -m benchmarks.names_rules        as root, in a network of its own

Each line: rules of the charter, areas, seconds until the first answer, dnsdist's memory, and how long
a question takes that is answered by unbound, by the last rule, and by none.
"""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from netcharter.charter.read import read
from netcharter.lab.messages import question
from netcharter.lab.tools import path_of
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.render import resolver, withholding

ASKED = 400
LIMIT = 60.0  # seconds to begin


def planned(rules: int, areas: int) -> Plan:
    names = "".join(f"  - {{withhold: n{one}.example, for: anyone}}\n" for one in range(rules))
    text = f"""
charter: 1
site: {{name: Hut, timezone: UTC, managed-from: desk, domain: hut.example}}
lines: {{copper: {{device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}}}}
areas: {{{", ".join(f"a{n}: {{device: eth{n + 2}, prefix: 10.40.{n}.0/28}}" for n in range(areas))}}}
devices: {{desk: {{area: a0, hardware: '02:00:00:aa:00:01', address: lasting}}}}
names:
{names}"""
    charter = read(text, "bench.yaml").charter
    assert charter is not None
    return make_plan(charter)


@contextmanager
def begun(plan: Plan, folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    names = resolver.settings(plan).replace(f'trust-anchor-file: "{resolver.ROOT_KEY}"', "")
    (folder / "hints").write_text(". 3600000 NS a.root-servers.net.\n")
    (folder / "names.conf").write_text(names.replace(resolver.ROOT_SERVERS, str(folder / "hints")))
    (folder / "front.conf").write_text(withholding.settings(plan))
    commands = (
        [path_of("unbound") or "unbound", "-d", "-p", "-c", str(folder / "names.conf")],
        [path_of("dnsdist") or "dnsdist", "--supervised", "--disable-syslog", "-C",
         str(folder / "front.conf")],
    )  # fmt: skip
    quiet = subprocess.DEVNULL
    running = [subprocess.Popen(one, stdin=quiet, stdout=quiet, stderr=quiet) for one in commands]
    try:
        yield running[-1]
    finally:
        for process in running:
            process.kill()
            process.wait()


def asked(one: socket.socket, name: str, number: int) -> bool:
    try:
        one.send(question(number, name, 1))
        one.recv(4096)
    except OSError:
        return False
    return True


def measured(rules: int, areas: int) -> str:
    with TemporaryDirectory() as folder, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.bind(("10.40.0.14", 0))
        one.connect(("10.40.0.1", 53))
        one.settimeout(0.2)
        begin = time.monotonic()
        with begun(planned(rules, areas), Path(folder)) as front:
            while not asked(one, "desk.hut.example", 0):
                if time.monotonic() - begin > LIMIT:
                    raise SystemExit("no answer")
                time.sleep(0.02)
            took = time.monotonic() - begin
            said = Path(f"/proc/{front.pid}/status").read_text()
            memory = int(said.partition("VmRSS:")[2].split()[0]) // 1024
            times = []
            for name in ("desk.hut.example", f"n{rules - 1}.example", "x.localhost"):
                start = time.monotonic()
                good = sum(asked(one, name, number) for number in range(ASKED))
                times.append(f"{(time.monotonic() - start) / ASKED * 1e6:5.0f}")
                assert good == ASKED
    return f"{rules:5} rules {areas:3} areas  {took:5.2f} s  {memory:3} MB  {' '.join(times)} us"


def main() -> None:
    for words in ("link set dev lo up", "address add 10.40.0.1/28 dev lo",
                  "address add 10.40.0.14/28 dev lo"):  # fmt: skip
        subprocess.run(["ip", *words.split()], check=True)
    for rules, areas in ((10, 3), (100, 10), (500, 20)):
        print(measured(rules, areas))
        sys.stdout.flush()


if __name__ == "__main__":
    main()
