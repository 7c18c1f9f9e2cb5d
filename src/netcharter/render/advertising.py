"""What dnsmasq is told of router advertisements (RFC 4861), after dnsmasq(8).

One instance of our own, which lends addresses, too (`render.lending`), and answers no names. It
advertises what the gateway's device in an area has addresses of: the local prefix, and one of each line that has one.
So a prefix comes, is deprecated and goes with the gateway's address, and nobody writes a file or
begins the program anew for it. An address whose preferred time is over is announced as such within
a second, which is how hosts are led away from a line that failed (RFC 6724 rule 3).
"""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.plan.leases import lending
from netcharter.plan.shapes import AreaPlan, LinePlan, Plan
from netcharter.render import lending as lent
from netcharter.render.escape import bare_device, remark
from netcharter.render.placing import OURS, UNITS, Placed, Service

CONF, UNIT_FILE = "advertising.conf", "advertising.service"
UNIT = "netcharter-advertising.service"
AT = "/etc/netcharter/advertising.conf"
ROUTER_TIME = 1800  # seconds; three times dnsmasq's interval of 600 s (RFC 4861 section 6.2.1)


def advertising(plan: Plan) -> dict[str, str]:
    """The files by name; none where there is no area."""
    return {CONF: _settings(plan), UNIT_FILE: _UNIT} if plan.areas else {}


def placed(plan: Plan) -> tuple[Placed, ...]:
    """Where each of them is to lie."""
    if not plan.areas:
        return ()
    return (Placed(CONF, AT), Placed(UNIT_FILE, f"{UNITS}/{UNIT}"))


def services(plan: Plan) -> tuple[Service, ...]:
    """The one service."""
    return (Service(UNIT, (CONF, UNIT_FILE)),) if plan.areas else ()


def leads_out(plan: Plan) -> bool:
    """Whether the gateway is a way to everywhere in IPv6: with a local prefix alone it says that it
    is none (RFC 7084 G-4), so that nobody sends there what can only be refused.

    A prefix that a provider delegates counts before he has done so, so that nothing of this changes
    when he does.
    """
    return any(map(_carries, plan.lines))


def _carries(line: LinePlan) -> bool:
    """Whether hosts get addresses of a line, and a route leads there."""
    given = line.prefix is not None or line.delegated
    return given and (line.automatic or line.next_hop6 is not None)


def _settings(plan: Plan) -> str:
    each = lending(plan.charter, plan.areas, plan.devices)
    out = [f"{OURS}router advertisements and addresses of the areas", *_COMMON]
    out += lent.everywhere(plan, each)
    for area, one in zip(plan.areas, each, strict=True):
        out += _area(area, ROUTER_TIME if leads_out(plan) else 0)
        out += lent.in_area(plan, area, one)
    return "\n".join(out) + "\n"


def _area(area: AreaPlan, router: int) -> Iterator[str]:
    """No size of packets: Ethernet's is well known (RFC 4861 section 4.6.4, RFC 2464), and what a
    line takes less is told by `render/sizes.py`, and by who meets it (RFC 8201)."""
    device = bare_device(area.device)
    yield remark(f"area {area.name}")
    yield f"interface={device}"
    yield f"ra-param={device},mtu:off,0,{router}"


_COMMON = (
    "# no names, nothing of this machine's own files, and only the devices below, whenever they come",
    "port=0",
    "no-resolv",
    "no-hosts",
    "bind-dynamic",
    "enable-ra",
)

# The powers are for the port, the raw socket and the groups of its devices; the user comes with the
# package. What is lent outlives a kit: it lies in a folder of its own.
_UNIT = f"""\
{OURS}router advertisements are sent and addresses lent.

[Unit]
Description=Advertise the gateway and lend addresses in the areas
After=local-fs.target network-pre.target netcharter-boot.service

[Service]
Type=exec
ExecStart=/usr/sbin/dnsmasq --keep-in-foreground --log-facility=- --pid-file= --conf-file={AT}
User=dnsmasq
StateDirectory={lent.FOLDER}
StateDirectoryMode=0750
UMask=0027
AmbientCapabilities=CAP_NET_BIND_SERVICE CAP_NET_RAW CAP_NET_ADMIN
CapabilityBoundingSet=CAP_NET_BIND_SERVICE CAP_NET_RAW CAP_NET_ADMIN
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
