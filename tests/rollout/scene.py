"""A gateway in a namespace, its manager's machine outside, and two charters for it.

Runs as root of a namespace of its own (`tests.kernel.namespace`), which is the manager's machine,
with mounts of its own (`managed`).
Whatever is started here is ended by `Scene.gone`.
"""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.render import render
from tests.rollout import managed

ROOT = Path(__file__).parents[2]
PATIENCE = 10.0  # seconds for a command that takes a tenth of one
PORT = 22
DEVICES = 4
DESK = "02:00:00:aa:00:01"

OLD = """
charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: desk}
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
areas:
  office: {device: eth1, prefix: 10.7.0.0/26}
devices:
  desk: {area: office, hardware: '02:00:00:aa:00:01', address: lasting}
rules:
  - {let: office, reach: internet, with: [http, https], because: daily work}
"""
NEW = """
charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: desk}
lines:
  copper: {device: eth0, address: 203.0.113.11/29, next-hop: 203.0.113.14}
areas:
  office: {device: eth1, prefix: 10.7.0.0/26}
  yard: {device: eth2, prefix: 10.7.1.0/26}
devices:
  desk: {area: office, hardware: '02:00:00:aa:00:01', address: lasting}
  booking: {area: yard, hardware: '02:00:00:aa:00:02', address: lasting}
people:
  rowan: {}
rules:
  - {let: rowan, reach: internet, with: smtp, because: mail}
  - {let: [office, yard], reach: internet, with: [http, https, ntp], because: daily work}
  - {let: office, reach: yard, with: ssh, because: repairs}
"""
STOCK = """
link set dev lo up
link set dev eth0 address 02:00:00:bb:00:00 up
link set dev eth1 address 02:00:00:bb:00:01 up
link set dev eth2 address 02:00:00:bb:00:02
address add 10.7.0.1/26 dev eth1
route add 198.18.0.0/15 via 10.7.0.20 dev eth1
"""
# Addresses need not be checked for others who have them (RFC 4862, section 5.4): that takes seconds.
UNCHECKED = ("net.ipv6.conf.all.accept_dad=0", "net.ipv6.conf.default.accept_dad=0")
SOMEBODY = (
    "table ip somebody { chain c { type filter hook forward priority 10; counter accept; }; }"
)
# All that a person would look at, by other programs and options than the code under test reads.
LOOKS = (
    "ip -o address show scope global | sed 's/^[0-9]*: //'",
    "ip -br link | sed 's/@[^ ]*//' | awk '{print $1, $2}'",
    "ip -4 route show table all; ip -6 route show table all | sed '/proto kernel/d'",
    "ip rule | sort; ip -6 rule | sort",  # no packet fits two of one preference
    "sysctl -a 2>/dev/null | grep -E '^net.(ipv4|ipv6|netfilter)' | grep -vE 'secret|count|_mem'",
)
SERVER = f"""
import socket
with socket.create_server(("0.0.0.0", {PORT})) as server:
    print("ready", flush=True)
    while True:
        server.accept()[0].close()
"""


def planned(text: str) -> Plan:
    charter = read(text, "charter.yaml").charter
    assert charter is not None
    return make_plan(charter)


def written_kit(text: str, folder: Path) -> Path:
    """The kit of a charter, in a folder."""
    folder.mkdir()
    for name, data in render(planned(text)).files.items():
        (folder / name).write_bytes(data)
    return folder


class Scene:
    """The manager's machine and a gateway, which can be started anew."""

    def __init__(self) -> None:
        self._server: subprocess.Popen[bytes] | None = None
        plan = planned(OLD)
        (desk,) = (device for device in plan.devices if device.name == "desk")
        self.desk = str(desk.addresses4[0])
        (office,) = (area for area in plan.areas if area.name == "office")
        self.gateway = str(office.gateway4)
        assert self.gateway == "10.7.0.1", "the stock address is the charter's"

    def started(self) -> None:
        """A gateway in the state in which its distribution leaves it, and files as they lay."""
        self.gone()
        managed.switched_off()
        command = ["unshare", "-n", sys.executable, "-c", SERVER]
        self._server = subprocess.Popen(command, stdout=subprocess.PIPE)
        assert self._server.stdout is not None
        assert self._server.stdout.readline() == b"ready\n"
        said(self.inside("sysctl", "-q", *UNCHECKED))
        for number in range(DEVICES):
            said(["ip", "link", "add", f"host{number}", "type", "veth", "peer", "name",
                  f"eth{number}", "netns", str(self._server.pid)])  # fmt: skip
        said(["ip", "link", "set", "dev", "host1", "address", DESK])
        said(["ip", "address", "add", f"{self.desk}/26", "dev", "host1"])
        for number in range(DEVICES):
            said(["ip", "link", "set", "dev", f"host{number}", "up"])
        said(self.inside("ip", "-batch", "-"), STOCK.strip() + "\n")
        said(self.inside("nft", "-f", "-"), SOMEBODY)

    def inside(self, *command: str) -> list[str]:
        """A command, as it is run on the gateway."""
        assert self._server is not None
        return ["nsenter", f"--net=/proc/{self._server.pid}/ns/net", *command]

    def installer(self, *arguments: str) -> list[str]:
        return self.inside(sys.executable, "-m", "tests.rollout.installer", *arguments)

    def looks(self) -> str:
        """What the gateway is like, for comparison; addresses that are being checked settle first."""
        end = time.monotonic() + PATIENCE
        while "tentative" in said(self.inside("ip", "address")) and time.monotonic() < end:
            time.sleep(0.05)
        looks = [said(self.inside("sh", "-c", look)) for look in (*LOOKS, *managed.LOOKS)]
        return "\n".join([*looks, *blocks(said(self.inside("nft", "-s", "list", "ruleset")))])

    def answers(self) -> bool:
        """Whether the manager reaches the gateway."""
        end = time.monotonic() + PATIENCE
        while time.monotonic() < end:
            with suppress(OSError), socket.create_connection((self.gateway, PORT), 2.0):
                return True
            time.sleep(0.05)
        return False

    def gone(self) -> None:
        """The gateway is switched off."""
        if self._server is None:
            return
        for number in range(DEVICES):
            subprocess.run(["ip", "link", "del", f"host{number}"], capture_output=True, check=False)
        self._server.kill()
        self._server.wait()
        assert self._server.stdout is not None
        self._server.stdout.close()
        self._server = None


def blocks(listing: str) -> list[str]:
    """The chains, sets and maps of a ruleset, each with its table, sorted: they stand in the order
    in which they were made, which means nothing; what stands within one does."""
    found: list[str] = []
    table = ""
    for line in listing.splitlines():
        if line.startswith("table "):
            table = line
        elif line.startswith("\t") and not line.startswith("\t\t") and line.endswith("{"):
            found.append(f"{table}\n{line}")
        elif found and line.strip("}"):
            found[-1] += f"\n{line}"
    return sorted(found)


def said(command: Sequence[str], text: str = "") -> str:
    """What a command prints. Raises AssertionError if it fails."""
    found = subprocess.run(
        command, input=text, capture_output=True, text=True, timeout=60, check=False, cwd=ROOT
    )
    assert found.returncode == 0, f"{command}: {found.stderr}"
    return found.stdout
