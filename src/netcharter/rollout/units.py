"""What a service manager is told: the unit for boot, and the command that starts an undo timer.

Written after the manual pages systemd.unit(5), systemd.service(5) and systemd-run(1).
"""

from __future__ import annotations

import re
from collections.abc import Sequence

BOOT_UNIT = "netcharter-boot.service"
GIVEN_UP = 3  # exit of a timer that tried in vain: starting it again would not help
REFUSED = 2  # exit of a command whose input can't be used: neither would it there

_PLAIN = re.compile(r"[\w@%+=:,./$\-]+", re.ASCII)


def word(text: str, command: bool = True) -> str:
    """One word of a command, or of another setting, in a unit. Raises ValueError for what no unit
    can hold.

    Percent signs are doubled, or they would be filled in (systemd.unit(5), "Specifiers"), and in
    commands dollar signs, too (systemd.service(5), "Command lines").
    """
    if not text or not text.isprintable():
        raise ValueError(f"{text!r} can't stand in a unit")
    safe = text.replace("%", "%%")
    safe = safe.replace("$", "$$") if command else safe
    if _PLAIN.fullmatch(safe):
        return safe
    quoted = safe.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{quoted}"'


def boot_unit(command: Sequence[str], state: str) -> str:
    """The unit that brings up what is kept, before anybody waits for the network.

    command: that does it, its program with its whole path. The rules of others are loaded before,
    so that theirs do not empty ours; settings of others are set before for the same reason. That
    no packet is forwarded before rules stand is seen to by the order of the steps themselves.
    """
    return f"""\
# Netcharter: the network that is kept is brought up.

[Unit]
Description=Bring up the network that netcharter keeps
After=local-fs.target systemd-sysctl.service network-pre.target
After=nftables.service networking.service systemd-networkd.service
Before=network-online.target
RequiresMountsFor={word(state, command=False)}

[Service]
Type=oneshot
RemainAfterExit=yes
ExecStart={" ".join(map(word, command))}
TimeoutStartSec=300
Restart=on-failure
RestartSec=5
RestartPreventExitStatus={REFUSED}
UMask=0027
NoNewPrivileges=yes
OOMScoreAdjust=-900

[Install]
WantedBy=multi-user.target
"""


def timer_started(command: Sequence[str], version: int, unique: str) -> tuple[str, ...]:
    """The command by which a service manager starts an undo timer.

    The timer is started at once and waits by itself: so it can say that it is ready, and its clock
    counts while the machine sleeps. It is started again if it is killed. unique: so that no two
    units have one name.
    """
    return (
        "systemd-run",
        "--quiet",
        "--collect",
        "--no-ask-password",
        f"--unit=netcharter-undo-{version:04}-{unique}",
        "--property=Restart=on-failure",
        "--property=RestartSec=1",
        f"--property=RestartPreventExitStatus={GIVEN_UP}",
        "--property=OOMScoreAdjust=-900",
        "--",
        *(part.replace("$", "$$") for part in command),  # filled in as in a unit
    )
