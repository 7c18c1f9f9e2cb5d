"""What the relay is told by which hosts find services in other areas (RFC 6762, RFC 6763).

The program is ours (`render.relay`), and the kit holds its text: what runs is what the kit was
proven with, whatever is installed beside it. It needs nothing but Python.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from importlib.resources import files
from typing import Any

from netcharter.plan.shapes import AreaPlan, DiscoveryPlan, Plan
from netcharter.render.escape import bare_device, remark
from netcharter.render.placing import OURS, UNITS, Placed, Service

PROGRAM_FILE, CONF, UNIT_FILE = "discovery.py", "discovery.conf", "discovery.service"
UNIT = "netcharter-discovery.service"
PROGRAM_AT, AT = "/etc/netcharter/discovery.py", "/etc/netcharter/discovery.conf"
PYTHON = "/usr/bin/python3"


def discovery(plan: Plan) -> dict[str, str]:
    """The files by name; none where nothing is found across areas."""
    if not plan.discovery:
        return {}
    return {PROGRAM_FILE: _program(), CONF: _settings(plan), UNIT_FILE: _unit(plan)}


def placed(plan: Plan) -> tuple[Placed, ...]:
    """Where each of them is to lie."""
    if not plan.discovery:
        return ()
    return (
        Placed(PROGRAM_FILE, PROGRAM_AT),
        Placed(CONF, AT),
        Placed(UNIT_FILE, f"{UNITS}/{UNIT}"),
    )


def services(plan: Plan) -> tuple[Service, ...]:
    """The one service."""
    return (Service(UNIT, (PROGRAM_FILE, CONF, UNIT_FILE)),) if plan.discovery else ()


def involved(plan: Plan) -> tuple[AreaPlan, ...]:
    """The areas in which the relay listens and speaks."""
    names = {area.name for one in plan.discovery for area in (*one.who, *one.where)}
    return tuple(area for area in plan.areas if area.name in names)


def _program() -> str:
    text = files("netcharter.render").joinpath("relay.py").read_text(encoding="ascii")
    return f"{OURS}the program by which hosts find services in other areas.\n{text}"


def _settings(plan: Plan) -> str:
    areas = involved(plan)
    told = {
        "networks": {bare_device(area.device): [*_networks(area)] for area in areas},
        "own": [str(one) for area in areas for one in _own(area)],
        "finds": [each for one in plan.discovery for each in _finds(one)],
    }
    lines = [f"{OURS}which services hosts of an area find in another one"]
    lines += [remark(f"area {area.name}: {area.device}") for area in areas]
    return "\n".join([*lines, json.dumps(told, indent=1, ensure_ascii=True)]) + "\n"


def _networks(area: AreaPlan) -> Iterator[str]:
    yield str(area.v4)
    for subnet in area.subnets6:
        yield str(subnet.network)


def _own(area: AreaPlan) -> Iterator[Any]:
    yield area.gateway4
    for subnet in area.subnets6:
        yield subnet.gateway
        yield subnet.network.network_address


def _finds(one: DiscoveryPlan) -> Iterator[dict[str, Any]]:
    for where in one.where:
        yield {
            "by": [bare_device(area.device) for area in one.who],
            "in": bare_device(where.device),
            "types": [each.name for each in one.types],
        }


def _unit(plan: Plan) -> str:
    """It has no power and no user of the machine; it hears and speaks at its devices alone, which the
    service manager sees to where the kernel can, and only with whom the filter lets it."""
    devices = " ".join(bare_device(area.device) for area in involved(plan))
    return f"""\
{OURS}hosts find services in other areas.

[Unit]
Description=Tell hosts of some areas what services there are in others
After=local-fs.target network-pre.target netcharter-boot.service

[Service]
Type=exec
DynamicUser=yes
ExecStart={PYTHON} -I -B {PROGRAM_AT} {AT}
RestrictNetworkInterfaces={devices}
MemoryMax=96M
TasksMax=8
CPUWeight=20
UMask=0077
CapabilityBoundingSet=
NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome=yes
PrivateTmp=yes
PrivateDevices=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectKernelLogs=yes
ProtectControlGroups=yes
ProtectClock=yes
ProtectHostname=yes
ProtectProc=invisible
ProcSubset=pid
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged @resources
SystemCallErrorNumber=EPERM
Restart=always
RestartSec=2

[Install]
WantedBy=multi-user.target
"""
