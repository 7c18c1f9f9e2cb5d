"""What a machine is asked: programs to run, files and links to read, all of it without effect."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from netcharter.rollout.observe import Said
from netcharter.rollout.preparing import accounts
from netcharter.rollout.preparing.accounts import Accounts
from netcharter.rollout.shapes import Run

MOST_FILES = 6_000  # by all patterns together
MOST_BYTES = 2 * 2**20  # of a file; what is longer is cut
LINK = ("ip", "-j", "-d", "link", "show")
ADDRESS = ("ip", "-j", "addr", "show")
TABLES = ("nft", "-j", "list", "tables")
NFT = ("nft", "--version")
UNITS = ("systemctl", "list-unit-files", "--type=service", "--no-legend", "--no-pager", "--plain")
CLOCK = ("timedatectl", "show", "--property=NTPSynchronized")
WAITING = ("ss", "-Hlnup")  # for datagrams, with the programs where root asks
DISK = ("df", "-P", "-k")
PACKAGES: Mapping[str, str] = {
    "nftables": "loads the packet filter",
    "iproute2": "sets devices, addresses and routes up",
    "procps": "sets kernel settings",
}
HELPFUL: Mapping[str, str] = {"conntrack": "shows the conversations that the kernel knows"}

INTERFACES = ("/etc/network/interfaces", "/etc/network/interfaces.d/*")
NETWORKD = tuple(
    f"{place}/systemd/network/*.network" for place in ("/etc", "/run", "/usr/lib", "/lib")
)
NETWORKD_CONF = ("/etc/systemd/networkd.conf", "/etc/systemd/networkd.conf.d/*.conf")
NETWORK_MANAGER = (
    "/etc/NetworkManager/NetworkManager.conf",
    "/etc/NetworkManager/conf.d/*.conf",
    "/etc/NetworkManager/system-connections/*",
)
SERVICES = ("/etc/systemd/system/*.service", "/lib/systemd/system/*.service")
# Who takes what comes, proc(5).
LISTENING = tuple(f"/proc/net/{kind}" for kind in ("udp", "udp6", "tcp", "tcp6"))
PPP = "/etc/ppp/"  # where pppd looks for its files
FILES = (
    *INTERFACES,
    *NETWORKD,
    *NETWORKD_CONF,
    *NETWORK_MANAGER,
    *SERVICES,
    "/etc/nftables.conf",
    "/proc/[0-9]*/cgroup",
    "/proc/[0-9]*/cmdline",
    *LISTENING,
    "/proc/meminfo",
    "/proc/modules",
    "/proc/config.gz",
    "/proc/sys/kernel/osrelease",
    "/boot/config-*",
    "/lib/modules/*/modules.builtin",
    "/lib/modules/*/modules.dep",
    "/sys/class/net/*/carrier",
    "/sys/class/net/*/speed",
)
# Which network a process is in, network_namespaces(7): a container's is not this machine's.
OWN_NETWORK = "/proc/self/ns/net"
LINKS = ("/sys/class/net/*/device/driver", OWN_NETWORK, "/proc/[0-9]*/ns/net")


@dataclass(frozen=True, slots=True)
class Asked:
    """runs: whose exit may be any; files, links: patterns as the shell has them (`*`, `[0-9]`);
    accounts: files of secrets, of which only the names are told. What is not there, or can't be
    read, is just not answered."""

    runs: tuple[Run, ...]
    files: tuple[str, ...] = FILES
    links: tuple[str, ...] = LINKS
    accounts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Answers:
    """said: by command; files: contents by path; links: where they lead to; accounts: by path."""

    said: Mapping[tuple[str, ...], Said] = field(default_factory=dict)
    files: Mapping[str, bytes] = field(default_factory=dict)
    links: Mapping[str, str] = field(default_factory=dict)
    accounts: Mapping[str, Accounts] = field(default_factory=dict)


def packages_command(packages: Collection[str]) -> tuple[str, ...]:
    form = "${Package}\\t${Version}\\t${db:Status-Status}\\n"
    return ("dpkg-query", "-W", f"-f={form}", *sorted(packages))


def asked(
    packages: Collection[str] = (), state: str = "/var/lib", placed: Collection[str] = ()
) -> Asked:
    """All that `facts_of` understands.

    packages: that the kit needs besides; state: a folder that is there, on the disk on which the
    versions will lie; placed: where files of the kit are to lie. Where some are pppd's, it is asked
    for the names to which it has passwords.
    """
    wanted = {*PACKAGES, *HELPFUL, *packages}
    commands: tuple[tuple[str, ...], ...] = (LINK, ADDRESS, TABLES, NFT, UNITS, CLOCK, WAITING)
    commands = (*commands, (*DISK, state), packages_command(wanted))
    runs = tuple(Run(argv, fails=False, seconds=15.0) for argv in commands)
    if not placed:
        return Asked(runs)
    dialled = any(path.startswith(PPP) for path in placed)
    return Asked(runs, (*FILES, *sorted(placed)), accounts=accounts.FILES if dialled else ())
