"""What dnsmasq (2.90) is told of places that are made of names: it looks where their names lead, and
puts that into the sets that rules ask, before it answers.

It stands between dnsdist and unbound, for these names only (`withholding.pools`), keeps nothing, and
asks unbound for every question. So whoever is told an address is told one that the rules know. No
answer of it is good for longer than `ANSWERED`; what it puts into a set stays there for `LASTING`,
and the steward makes that anew while the name is asked for or somebody is connected there
(`steward/duties/leading.py`, and why that can't come too late: docs/explanation/kit.md).

It puts in whatever it is told. That nothing but the internet counts is the rules' business: they ask
these sets for what goes there, and for nothing else.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.plan import labels
from netcharter.plan.shapes import ByNames, Plan
from netcharter.render.escape import asked_for
from netcharter.render.placing import OURS, UNITS, Placed, Service
from netcharter.render.withholding import BEHIND, LEADING, PLAIN

CONF, UNIT_FILE = "leading.conf", "leading.service"
UNIT = "netcharter-leading.service"
AT = "/etc/netcharter/leading.conf"
ANSWERED = 60  # seconds
LASTING = 1800  # seconds
MOST = 65_535  # addresses of a place in one IP version
TABLE = "inet#netcharter"


def leading(plan: Plan) -> dict[str, str]:
    """The files by name; none where no place is made of names, or nobody is there who asks."""
    return {CONF: settings(plan), UNIT_FILE: _UNIT} if leads(plan) else {}


def leads(plan: Plan) -> bool:
    return bool(plan.areas and plan.by_names)


def placed(plan: Plan) -> tuple[Placed, ...]:
    """Where each of them is to lie."""
    if not leads(plan):
        return ()
    return (Placed(CONF, AT), Placed(UNIT_FILE, f"{UNITS}/{UNIT}"))


def services(plan: Plan) -> tuple[Service, ...]:
    """The one service."""
    return (Service(UNIT, (CONF, UNIT_FILE)),) if leads(plan) else ()


def settings(plan: Plan) -> str:
    """The text of the settings."""
    out = [f"{OURS}where the names of places lead", *_COMMON]
    for place in plan.by_names:
        out += _place(place)
    return "\n".join(out) + "\n"


def _place(place: ByNames) -> Iterator[str]:
    """Names with all below them. What was asked for comes first: what is in no set by then has its
    whole time in the one that rules ask, and what is in both can't go (`steward/nft.py`, dropped)."""
    sets = ",".join(
        f"{family}#{TABLE}#{name}"
        for family in (4, 6)
        for name in (labels.asked_set(place.name, family), labels.led_set(place.name, family))
    )
    for domain in place.domains:
        yield f"nftset=/{asked_for(domain)}/{sets}"


# It answers within this machine alone, from nothing of the machine's own files, and notes nothing.
_COMMON = (
    f"port={LEADING}",
    f"listen-address={BEHIND}",
    f"server={BEHIND}#{PLAIN}",
    "bind-interfaces",
    "no-resolv",
    "no-hosts",
    "no-poll",
    "cache-size=0",
    f"max-ttl={ANSWERED}",
    "dns-forward-max=1000",
    "edns-packet-max=1232",
    "proxy-dnssec",
)

# The power is for the sets; the user comes with the package. It writes nothing.
_UNIT = f"""\
{OURS}where the names of places lead is told the packet filter.

[Unit]
Description=Look where the names of places lead
After=local-fs.target network-pre.target netcharter-boot.service netcharter-names.service

[Service]
Type=exec
ExecStart=/usr/sbin/dnsmasq --keep-in-foreground --log-facility=- --pid-file= --conf-file={AT}
User=dnsmasq
AmbientCapabilities=CAP_NET_ADMIN
CapabilityBoundingSet=CAP_NET_ADMIN
NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome=yes
PrivateTmp=yes
PrivateDevices=yes
ProtectKernelModules=yes
ProtectControlGroups=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK
RestrictNamespaces=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
Restart=always
RestartSec=2

[Install]
WantedBy=multi-user.target
"""
