"""What chrony is told of the time (RFC 5905), after chrony.conf(5): whom to ask, and whom to tell.

One chronyd of our own, with the charter's servers and nothing of the machine's own settings. Two
would set one clock, so the one that Debian's package begins is set aside while ours runs: masked
until the next start of the machine, by which an upgrade of the package begins it no more either. When
ours ends it comes back.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.plan.shapes import Address, Plan
from netcharter.render.escape import domain_name, remark
from netcharter.render.placing import OURS, UNITS, Placed, Service, aside, back

CONF, UNIT_FILE = "clock.conf", "clock.service"
UNIT = "netcharter-clock.service"
AT = "/etc/netcharter/clock.conf"
THEIRS = "chrony.service"  # that of Debian's package


def clock(plan: Plan) -> dict[str, str]:
    """The files by name; none where the charter names no time server."""
    return {CONF: _settings(plan), UNIT_FILE: _UNIT} if _tells(plan) else {}


def placed(plan: Plan) -> tuple[Placed, ...]:
    """Where each of them is to lie."""
    if not _tells(plan):
        return ()
    return (Placed(CONF, AT), Placed(UNIT_FILE, f"{UNITS}/{UNIT}"))


def services(plan: Plan) -> tuple[Service, ...]:
    """The one service."""
    return (Service(UNIT, (CONF, UNIT_FILE)),) if _tells(plan) else ()


def _tells(plan: Plan) -> bool:
    return bool(plan.charter.site.time_servers)


def _settings(plan: Plan) -> str:
    out = [f"{OURS}whom the gateway asks for the time, and whom it tells"]
    out += [f"server {_server(one)} iburst" for one in plan.charter.site.time_servers]
    out += _COMMON
    for area in plan.areas:
        out.append(remark(f"area {area.name}"))
        out += _told(*area.networks)
    return "\n".join(out) + "\n"


def _server(one: str | Address) -> str:
    return domain_name(one) if isinstance(one, str) else str(one)


def _told(*networks: object) -> Iterator[str]:
    for network in networks:
        yield f"allow {network}"


# It steps the clock while the program is young, and slews it ever after: what is recorded then, and
# what has its hours, sees no leap. Without anybody to ask it tells nobody the time: it would be
# believed. Only this machine may ask how it does (chronyc).
_COMMON = (
    "driftfile /var/lib/chrony/chrony.drift",
    "makestep 1 3",
    "maxupdateskew 100",
    "rtcsync",
    "cmdport 0",
)

# It begins as root and goes on as the user of the package, who owns its folders. That below /run is
# both programs': it stays when ours ends, since theirs begins before the service manager clears up.
_UNIT = f"""\
{OURS}the gateway's clock is set, and the time told.

[Unit]
Description=Set the gateway's clock and tell the areas the time
After=local-fs.target network-pre.target nss-lookup.target netcharter-boot.service

[Service]
Type=exec
User=_chrony
{aside(THEIRS)}
ExecStart=!/usr/sbin/chronyd -n -F 1 -f {AT}
{back(THEIRS)}
StateDirectory=chrony
StateDirectoryMode=0750
RuntimeDirectory=chrony
RuntimeDirectoryMode=0700
RuntimeDirectoryPreserve=yes
CapabilityBoundingSet=CAP_SYS_TIME CAP_NET_BIND_SERVICE CAP_SETUID CAP_SETGID CAP_CHOWN CAP_DAC_OVERRIDE
NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome=yes
PrivateTmp=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectControlGroups=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK
RestrictNamespaces=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
Restart=always
RestartSec=5

[Install]
WantedBy=multi-user.target
"""
