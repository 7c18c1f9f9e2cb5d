"""What the kernel must be able to do for a kit, and whether it can, as far as that can be known.

Names of options and modules are those of the kernel's own Kconfig and Makefiles (from memory, and
checked against a running Linux 6.18).
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

_MOST = 8 * 2**20  # bytes of a kernel's configuration
_OPTION = re.compile(r"CONFIG_(\w+)=([ym])|# CONFIG_(\w+) is not set")


@dataclass(frozen=True, slots=True)
class Feature:
    """words: what it is for; option: of the kernel's configuration; module: that brings it, "" if
    it is part of another; asked_by: what in a ruleset needs it, None if every kit does."""

    words: str
    option: str
    module: str = ""
    asked_by: str | None = None


VLAN = Feature("VLAN tags", "VLAN_8021Q", "8021q")
PPPOE = Feature("PPPoE sessions", "PPPOE", "pppoe")
FEATURES: tuple[Feature, ...] = (
    Feature("nftables", "NF_TABLES", "nf_tables"),
    Feature("nftables for both families at once", "NF_TABLES_INET"),
    Feature("tracking of conversations", "NF_CONNTRACK", "nf_conntrack"),
    Feature("marks of conversations", "NF_CONNTRACK_MARK"),
    Feature("rules by state of a conversation", "NFT_CT", "nft_ct"),
    Feature("rules by kind of address", "NFT_FIB_INET", "nft_fib_inet", r"\bfib\b"),
    Feature("answers to what is refused", "NFT_REJECT_INET", "nft_reject_inet", r"\breject\b"),
    Feature("limits per second", "NFT_LIMIT", "nft_limit", r"\blimit\b"),
    Feature("logging by rules", "NFT_LOG", "nft_log", r"\blog\b"),
    Feature("translation of addresses", "NFT_NAT", "nft_chain_nat", r"\btype nat\b"),
    Feature("masquerading", "NFT_MASQ", "nft_masq", r"\bmasquerade\b"),
    Feature("counting of conversations", "NFT_CONNLIMIT", "nft_connlimit", r"\bct count\b"),
    Feature("a table of routes per line", "IP_MULTIPLE_TABLES"),
    Feature("the same for IPv6", "IPV6_MULTIPLE_TABLES"),
)


def needed(ruleset: str, vlans: bool, sessions: bool = False) -> tuple[Feature, ...]:
    """What this kit asks of the kernel. sessions: of PPPoE."""
    found = [f for f in FEATURES if f.asked_by is None or re.search(f.asked_by, ruleset)]
    return (*found, *([VLAN] if vlans else []), *([PPPOE] if sessions else []))


@dataclass(frozen=True, slots=True)
class Kernel:
    """What is known of the running kernel; None: nothing. options: y, m or n by name; loaded,
    built_in, loadable: names of modules, with underscores."""

    release: str
    options: Mapping[str, str] | None
    loaded: frozenset[str] | None
    built_in: frozenset[str] | None
    loadable: frozenset[str] | None
    others: tuple[str, ...] = ()  # releases of which there are modules

    def can(self, feature: Feature) -> bool | None:
        """Whether it can do this; None: that can't be known."""
        module, option = feature.module, (self.options or {}).get(feature.option)
        there = (self.loaded or frozenset()) | (self.built_in or frozenset())
        if option == "y" or (module and module in there):
            return True
        if option == "n":
            return False
        if module and self.loadable is not None:
            if module in self.loadable:
                return True
            return False if option == "m" else None
        return None


def kernel_of(files: Mapping[str, bytes]) -> Kernel:
    """What files of the kernel and its modules tell; never raises."""
    release = files.get("/proc/sys/kernel/osrelease", b"").decode("ascii", "replace").strip()[:64]
    folder = f"/lib/modules/{release}/"
    others = {
        path.split("/")[3]
        for path in files
        if path.startswith("/lib/modules/") and not path.startswith(folder)
    }
    return Kernel(
        release,
        _options(files, release),
        _modules(files.get("/proc/modules"), lambda line: line.split(" ", 1)[0]),
        _modules(files.get(f"{folder}modules.builtin"), _of_path),
        _modules(files.get(f"{folder}modules.dep"), lambda line: _of_path(line.split(":", 1)[0])),
        tuple(sorted(others)) if release else (),
    )


def _options(files: Mapping[str, bytes], release: str) -> Mapping[str, str] | None:
    data = files.get("/proc/config.gz")
    text = _unzipped(data) if data else files.get(f"/boot/config-{release}")
    if not text:
        return None
    found: dict[str, str] = {}
    for match in _OPTION.finditer(text.decode("utf-8", "replace")):
        found[match[1] or match[3]] = match[2] or "n"
    return found or None


def _unzipped(data: bytes) -> bytes | None:
    try:
        return zlib.decompressobj(16 + zlib.MAX_WBITS).decompress(data, _MOST)
    except zlib.error:
        return None


def _of_path(path: str) -> str:
    return re.sub(r"\.ko(\.\w+)?$", "", path.rpartition("/")[2])


def _modules(data: bytes | None, name: Callable[[str], str]) -> frozenset[str] | None:
    if data is None:
        return None
    lines: Iterable[str] = data.decode("utf-8", "replace").splitlines()
    return frozenset(name(line.strip()).replace("-", "_") for line in lines if line.strip())
