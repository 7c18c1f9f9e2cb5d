"""A pretended Debian 12 gateway, as the answers that it gives when it is asked.

What the programs print is taken from iproute2 6.1, nft 1.0.6, dpkg 1.21 and systemd 252 (Debian
12), shortened; units and settings are in the form of their manual pages.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from netcharter.rollout.observe import Said
from netcharter.rollout.prepare import Answers, Use, Wanted
from netcharter.rollout.preparing.asking import ADDRESS, CLOCK, LINK, NFT, TABLES, UNITS
from netcharter.rollout.preparing.kernel import FEATURES

RELEASE = "6.1.0-27-amd64"
RULESET = (
    "table inet netcharter {\n fib daddr type local accept\n masquerade\n limit rate 1/second\n}"
)
USES = (
    Use("line", "copper", "eth0", rate=40_000_000),
    Use("area", "office", "eth2"),
    Use("area", "phones", "eth3", 40),
    Use("area", "cameras", "eth3", 50),
)


def wanted(*uses: Use, **more: Any) -> Wanted:
    return Wanted(uses or USES, ruleset=RULESET, kit_bytes=300_000, **more)


def link(name: str, **more: Any) -> dict[str, Any]:
    flags = more.pop("flags", ["BROADCAST", "MULTICAST", "UP", "LOWER_UP"])
    return {"ifname": name, "flags": flags, "link_type": "ether", "address": "02:00:00:aa:00:99",
            "parentbus": "pci", "parentdev": "0000:01:00.0", **more}  # fmt: skip


def vlan(name: str, parent: str, tag: int) -> dict[str, Any]:
    info = {"info_kind": "vlan", "info_data": {"protocol": "802.1Q", "id": tag, "flags": []}}
    return link(name, link=parent, linkinfo=info)


LO = {"ifname": "lo", "flags": ["LOOPBACK", "UP", "LOWER_UP"], "link_type": "loopback"}
LINKS = (LO, *(link(name) for name in ("eth0", "eth2", "eth3")))
CONFIG = "\n".join(f"CONFIG_{one.option}=y" for one in FEATURES) + "\nCONFIG_VLAN_8021Q=m\n"
CONFIG += "CONFIG_PPPOE=m\n"
FILES = {
    "/proc/sys/kernel/osrelease": f"{RELEASE}\n".encode(),
    "/proc/meminfo": b"MemTotal:  2000000 kB\nMemAvailable:    900000 kB\n",
    "/proc/modules": b"nf_tables 303104 0 - Live 0x0000000000000000\n",
    f"/boot/config-{RELEASE}": CONFIG.encode(),
    f"/lib/modules/{RELEASE}/modules.builtin": b"kernel/fs/ext4/ext4.ko\n",
    f"/lib/modules/{RELEASE}/modules.dep": b"kernel/net/8021q/8021q.ko: kernel/net/802/mrp.ko\n"
    b"kernel/drivers/net/ppp/pppoe.ko: kernel/drivers/net/ppp/pppox.ko\n",
    "/etc/network/interfaces": b"source /etc/network/interfaces.d/*\nauto lo\niface lo inet loopback\n",
}
DPKG = b"".join(
    f"{name}\t1\tinstalled\n".encode() for name in ("conntrack", "iproute2", "nftables", "procps")
)
DF = (b"Filesystem 1024-blocks Used Available Capacity Mounted on\n"
      b"/dev/sda1 10000000 5000000 4000000 56% /\n")  # fmt: skip


def said(out: object, code: int = 0) -> Said:
    return Said(code, out if isinstance(out, bytes) else json.dumps(out).encode())


SAID: Mapping[tuple[str, ...], Said] = {
    LINK: said(LINKS),
    ADDRESS: said([]),
    TABLES: said({"nftables": [{"metainfo": {"version": "1.0.6"}}]}),
    NFT: said(b"nftables v1.0.6 (Lester Gooch #5)\n"),
    UNITS: said(b"nftables.service disabled enabled\n"),
    CLOCK: said(b"NTPSynchronized=yes\n"),
    ("df", "-P", "-k", "/var/lib"): said(DF),
    ("dpkg-query", "-W"): said(DPKG),
}


def answers(
    *links: dict[str, Any],
    files: Mapping[str, bytes | None] | None = None,
    said: Mapping[tuple[str, ...], Said | None] | None = None,
) -> Answers:
    """The answers of the machine, with some changed; None: it does not answer."""
    told: dict[tuple[str, ...], Said | None] = dict(SAID)
    if links:
        told[LINK] = Said(0, json.dumps(links).encode())
    told |= said or {}
    held: dict[str, bytes | None] = {**FILES, **(files or {})}
    return Answers(
        {argv: one for argv, one in told.items() if one is not None},
        {path: data for path, data in held.items() if data is not None},
        {"/sys/class/net/eth0/device/driver": "../../../bus/pci/drivers/igb"},
    )
