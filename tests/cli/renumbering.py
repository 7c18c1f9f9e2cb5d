"""A site whose provider delegates a prefix, with everything real but the cables.

    desk -- eth2  gateway  eth0 -- far (provider and internet)
    shop -- eth5

The provider runs dhcpd, the gateway what its kit says: dhcpcd with the kit's scripts, and dnsmasq,
from which the desk learns its addresses as any host does.
"""

from __future__ import annotations

import json
import os
import shlex
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import pytest

from netcharter.render.advertising import CONF
from netcharter.render.delegation import ASKER, AT, FOLDER, SCRIPT
from netcharter.render.lending import LEASES
from tests.cli.gateway import Gateway, Machine, beside, gateway
from tests.rollout.bench import Bench
from tests.steward.running import Running, steward

CHARTER = """\
charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: desk, local-prefix: "fd12:3456:789a::/48"}
lines:
  copper: {device: eth0, address: [203.0.113.10/29, "2001:db8:f::2/64"], prefix: delegated,
           next-hop: [203.0.113.9, "2001:db8:f::1"]}
areas:
  office: {device: eth2, prefix: 10.7.0.0/27}
  barn: {device: eth5, prefix: 10.7.1.0/28}
devices:
  desk: {area: office, hardware: '02:00:00:aa:00:01', address: lasting}
  shop: {area: barn, hardware: '02:00:00:aa:00:03', address: lasting}
places:
  world: {prefixes: ["2001:db8:99::/48"]}
rules:
  - {refuse: office, reach: shop, with: tcp/81, because: not from the office}
  - {let: office, reach: shop, with: tcp/80-90, because: the shop}
  - {let: office, reach: world, with: http, because: daily work}
offers:
  - {offer: http, on: copper, to: shop}
promises:
  - {never: office, reach: shop, with: tcp/81}
  - {never: world, reach: desk}
"""
WORLD = "2001:db8:99::66"
SERVER = """
default-lease-time 9; preferred-lifetime 7; option dhcp-renewal-time 2; option dhcp-rebinding-time 4;
subnet6 2001:db8:f::/64 { prefix6 PREFIX:: PREFIX:: /56; }
"""
FIRST, SECOND = "2001:db8:7a00", "2001:db8:7b00"
UNPACKED = Path(__file__).parents[2] / ".venv"
PATIENCE = 90.0


def program(name: str, unpacked: str) -> str:
    """The whole path of a program, or a skip that nobody can overlook."""
    found = shutil.which(name) or str(UNPACKED / unpacked)
    if not os.access(found, os.X_OK):
        pytest.skip(f"NOTHING WAS RENUMBERED: {name} is not here (tools/setup test)")
    return found


def eventually(what: Callable[[], bool], patience: float = PATIENCE) -> float:
    """Seconds until it is so."""
    began = time.monotonic()
    while not what():
        assert time.monotonic() < began + patience, "it never came"
        time.sleep(0.05)
    return time.monotonic() - began


@dataclass
class Site:
    """place: the gateway with its desk and the far side; shop: the programs on that host."""

    place: Gateway
    shop: Machine
    shop_host: Bench
    desk: Bench
    far: Bench
    stack: ExitStack
    provider: subprocess.Popen[bytes] | None = None

    @property
    def state(self) -> Path:
        return self.place.folder / "state"

    def served(self, prefix: str) -> None:
        """The provider delegates this prefix from now on, "" for none, and has forgotten all others."""
        if self.provider is not None:
            ended(self.provider)
        self.provider = None
        folder = self.place.folder
        if prefix:
            (folder / "provider.conf").write_text(SERVER.replace("PREFIX", prefix))
            (folder / "provider.leases").write_text("")
            server = program("dhcpd", "dhcp/usr/sbin/dhcpd")
            files = ["-cf", "provider.conf", "-lf", "provider.leases", "-pf", "provider.pid"]
            self.provider = self._begun(self.far, [server, "-6", "-f", "-q", *files, "peer0"])

    def services(self) -> None:
        """What systemd would run on a machine: the units' programs, with folders of the test's."""
        kit = self.state / "versions" / "0001" / "kit"
        (self.state / "learnt").mkdir(exist_ok=True)
        unit = (kit / "prefix-1.service").read_text()
        (line,) = [one for one in unit.splitlines() if one.startswith("ExecStart=")]
        _, *words, _ = shlex.split(line.partition("=")[2])
        client = Path(program("dhcpcd", "dhcp/usr/sbin/dhcpcd")).parent
        folder = self.place.folder
        for name in (SCRIPT, ASKER, "prefix-1.conf"):
            text = (kit / name).read_text().replace(FOLDER, str(self.state / "learnt"))
            text = text.replace("PATH=/usr", f"PATH={client}:/usr").replace(
                AT, f"{folder}/{SCRIPT}"
            )
            (folder / name).write_text(text)
            (folder / name).chmod(0o755)
        asks = shlex.join([f"{folder}/{ASKER}", *words, f"{folder}/prefix-1.conf"])
        own = "mount -t tmpfs none /var/lib; mkdir /var/lib/dhcpcd; mount -t tmpfs none /run"
        again = f"{own}; while :; do {asks}; sleep 1; done"
        self._begun(self.place.bench, ["unshare", "--mount", "sh", "-c", again])
        told = program("dnsmasq", "bin/dnsmasq")
        conf = folder / CONF
        conf.write_text((kit / CONF).read_text().replace(LEASES, f"{folder}/leases"))
        settings = [
            "--user=root",
            "--keep-in-foreground",
            "--pid-file",
            f"--conf-file={conf}",
        ]
        self._begun(self.place.bench, [told, *settings])

    def _begun(self, where: Bench, command: list[str]) -> subprocess.Popen[bytes]:
        with open(self.place.folder / "programs.log", "ab") as log:
            process = subprocess.Popen(
                [*where.way, *command], stdout=log, stderr=log, cwd=self.place.folder,
                start_new_session=True,
            )  # fmt: skip
        self.stack.callback(ended, process)
        return process

    def steward(self) -> Running:
        """A real steward, beside the gateway's other programs."""
        return self.stack.enter_context(steward(self.state, before=self.place.bench.way))

    def kept(self, version: int) -> float:
        """Wait until this version is kept."""
        return eventually(lambda: os.readlink(self.state / "kept") == f"versions/{version:04}")

    def learnt(self, prefix: str) -> float:
        """Wait until the gateway's client has been told this prefix, "" for none."""
        path, wanted = self.state / "learnt" / "1", f"{prefix}::/56 " if prefix else ""

        def told() -> bool:
            text = path.read_text() if path.exists() else "nothing yet"
            return text.startswith(wanted) if wanted else text == ""

        return eventually(told)

    def has(self, prefix: str, preferred: bool = True) -> str:
        """The desk's own address inside a prefix, as its kernel has made it; "" where it has none."""
        found = json.loads(self.desk.sure(("ip", "-6", "-j", "address", "show", "dev", "peer2")))
        for one in found[0]["addr_info"]:
            mine = one["local"].startswith(prefix) and not one.get("tentative")
            if mine and (not preferred or not one.get("deprecated")):
                return str(one["local"])
        return ""


def ended(process: subprocess.Popen[bytes]) -> None:
    """It, and what it has started."""
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait(PATIENCE)


@contextmanager
def site(folder: Path) -> Iterator[Site]:
    """The site, with its charter kept and its services at work; nothing is delegated yet."""
    with ExitStack() as stack:
        place = stack.enter_context(gateway(folder))
        shop = stack.enter_context(beside(place.bench))
        pid = shop.way[shop.way.index("-t") + 1]
        place.bench.sure(("ip", "link", "set", "peer3", "netns", pid))
        desk, far = (Bench.__new__(Bench) for _ in range(2))
        desk.way, far.way = place.desk.way, place.far.way
        for host in (desk, far, shop):
            host.shell(
                "for k in default all; do echo 0 > /proc/sys/net/ipv6/conf/$k/accept_dad; done"
            )
        desk.shell(
            "echo 1 > /proc/sys/net/ipv6/conf/peer2/accept_ra; ip link set peer2 down; ip link set peer2 up"
        )
        shop.shell(
            "ip link set dev peer3 address 02:00:00:aa:00:03; ip link set lo up; ip link set peer3 up;"
            "ip -6 route add default via fe80::1 dev peer3"
        )
        far.shell(
            f"ip address add 2001:db8:f::1/64 dev peer0 nodad; ip address add {WORLD}/128 dev lo;"
            f"for p in {FIRST} {SECOND}; do ip route add $p::/56 via 2001:db8:f::2; done"
        )
        machine = Machine(shop.way)
        stack.callback(machine.close)
        machine.do("serve", 80)
        machine.do("serve", 81)
        place.far.do("serve", 80)
        place.kept(CHARTER)
        place.bench.shell("ip address add fe80::1/64 dev eth5 nodad")
        yield Site(place, machine, shop, desk, far, stack)
