"""What a service manager is told: the unit for boot, how units come and go, an undo timer's start.

Written after the manual pages systemd.unit(5), systemd.service(5), systemctl(1) and systemd-run(1).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from netcharter.render import placing
from netcharter.render.escape import unit_command, unit_word
from netcharter.rollout.shapes import Folder, Remove, Run, Step, Write
from netcharter.rollout.trouble import RolloutRefused

BOOT_UNIT = "netcharter-boot.service"
GIVEN_UP = 3  # exit of a timer that tried in vain: starting it again would not help
REFUSED = 2  # exit of a command whose input can't be used: neither would it there

OURS = placing.OURS.encode("ascii")  # how every unit of ours begins
PATIENCE = 100.0  # seconds: more than a service manager gives a service to come or go
PUBLIC = 0o644  # units hold no secrets, and people read them


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
RequiresMountsFor={unit_word(state, command=False)}

[Service]
Type=oneshot
RemainAfterExit=yes
ExecStart={unit_command(command)}
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


def brings_up(unit: bytes, state: str) -> bool:
    """Whether a unit is ours and about this state folder."""
    told = f"\nRequiresMountsFor={unit_word(state, command=False)}\n".encode()
    return unit.startswith(OURS) and told in unit


@dataclass(frozen=True, slots=True)
class Place:
    """Where a unit is, or is to be. folder: of units; there: what the file of its name holds, None
    for no file; runs: whether systemd runs; starts: whether it is to run at once, too."""

    folder: str
    name: str
    there: bytes | None
    runs: bool
    starts: bool = False

    @property
    def path(self) -> str:
        return f"{self.folder.rstrip('/')}/{self.name}"


def installing(place: Place, text: str) -> tuple[Step, ...]:
    """What installs a unit, or puts it in the place of an earlier one of ours. Raises
    RolloutRefused where the file of its name is not ours."""
    _ours(place)
    data = text.encode("utf-8")
    steps = []
    if place.there != data:
        written = (Folder(place.folder, 0o755), Write(place.path, data, PUBLIC))
        steps.append(Step("the unit is written", written))
    if place.runs:
        runs = [manager("daemon-reload"), manager("enable", place.name)]
        runs += [manager("restart", place.name)] if place.starts else []
        steps.append(Step("the service manager is told", tuple(runs)))
    return tuple(steps)


def removing(place: Place) -> tuple[Step, ...]:
    """What takes a unit of ours away again; nothing where it is not there. Raises RolloutRefused
    where the file of its name is not ours."""
    if place.there is None:
        return ()
    _ours(place)
    gone = Step("the unit is removed", (Remove(place.path),))
    if not place.runs:
        return (gone,)
    now = ("--now",) if place.starts else ()
    before = Step("the service manager forgets it", (manager("disable", *now, place.name),))
    return before, gone, Step("the service manager is told", (manager("daemon-reload"),))


def manager(*words: str) -> Run:
    """The service manager is told something."""
    return Run(("systemctl", "--no-ask-password", *words), seconds=PATIENCE)


def _ours(place: Place) -> None:
    if place.there is not None and not place.there.startswith(OURS):
        raise RolloutRefused(
            f"{place.path} is there, and it is not netcharter's",
            "look at it, and move it away if nobody needs it; nothing was changed",
        )


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
        *_as_it_is(command),
    )


def beside(command: Sequence[str]) -> tuple[str, ...]:
    """The command by which a service manager runs another as a unit of its own, to its end, and hands
    on what it prints."""
    how = ("--quiet", "--wait", "--pipe", "--collect", "--no-ask-password")
    return ("systemd-run", *how, "--", *_as_it_is(command))


def _as_it_is(command: Sequence[str]) -> Iterator[str]:
    """Variables are filled in as in a unit; here nothing is one."""
    return (part.replace("$", "$$") for part in command)
