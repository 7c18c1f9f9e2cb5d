"""What the service manager is told about the steward.

Written after the manual pages systemd.unit(5), systemd.service(5), systemd.exec(5) and
systemd.resource-control(5).
"""

from __future__ import annotations

from collections.abc import Sequence

from netcharter.render.dialling import PPP
from netcharter.render.escape import unit_command, unit_word
from netcharter.render.placing import UNITS
from netcharter.rollout.placing import FOLDER
from netcharter.rollout.units import BOOT_UNIT

UNIT = "netcharter-steward.service"
GROUP = "netcharter"
ELSEWHERE = (FOLDER, PPP, UNITS)  # where a kit's files lie


def steward_unit(
    command: Sequence[str], group: bool = False, mends: bool = False, folders: Sequence[str] = ()
) -> str:
    """The unit. command: starts the steward, its program with its whole path; group: whether the
    group that may speak with it exists; mends: whether it may put the plan in place again, for which
    kernel settings have to be written, and files of the kit that lie elsewhere; folders: that it
    writes beside those of a service of its name, which have to be there.

    It runs as root without root's powers but two (one is for the echoes by which lines are watched,
    and for the frames by which areas are asked), so that the files of the roll-out stay root's own. It may ask the clock whether it is
    synchronised, which `ProtectClock` would forbid; to set it needs a power it does not have.
    Programs it starts inherit all this: so that the kernel does otherwise is told, and in which
    connections only by `netcharter holds` where more is allowed.
    """
    written = "".join(f"ReadWritePaths={unit_word(one, command=False)}\n" for one in folders)
    written += "".join(f"ReadWritePaths=-{one}\n" for one in ELSEWHERE) if mends else ""
    return f"""\
# Netcharter: what the gateway does by itself.

[Unit]
Description=Keep hours, watch the gateway and tell its keeper (netcharter)
Documentation=man:nft(8)
After=local-fs.target {BOOT_UNIT} network-pre.target
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
ExecStart={unit_command(command)}
WatchdogSec=60
TimeoutStartSec=120
TimeoutStopSec=20
Restart=on-failure
RestartSec=2
RestartPreventExitStatus=2
{"SupplementaryGroups=" + GROUP + chr(10) if group else ""}\
StateDirectory=netcharter
StateDirectoryMode=0750
RuntimeDirectory=netcharter
RuntimeDirectoryMode=0755
{written}\
UMask=0027
MemoryHigh=192M
MemoryMax=512M
TasksMax=64
OOMScoreAdjust=-500
CapabilityBoundingSet=CAP_NET_ADMIN CAP_NET_RAW
AmbientCapabilities=
NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome=yes
PrivateTmp=yes
PrivateDevices=yes
ProtectKernelModules=yes
ProtectKernelTunables={"no" if mends else "yes"}
ProtectKernelLogs=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectProc=invisible
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
RestrictAddressFamilies=AF_UNIX AF_NETLINK AF_INET AF_INET6 AF_PACKET
LockPersonality=yes
MemoryDenyWriteExecute=yes
RemoveIPC=yes
KeyringMode=private
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged @resources
SystemCallFilter=@chown adjtimex clock_adjtime
SystemCallErrorNumber=EPERM

[Install]
WantedBy=multi-user.target
"""
