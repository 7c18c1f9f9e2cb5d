"""What a service manager is told: the whole text, and its own opinion of it where it is at hand."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from netcharter.render.escape import unit_word
from netcharter.rollout.units import BOOT_UNIT, beside, boot_unit, timer_started

COMMAND = ("/usr/bin/netcharter", "boot", "--state", "/var/lib/netcharter")

GOLDEN = """\
# Netcharter: the network that is kept is brought up.

[Unit]
Description=Bring up the network that netcharter keeps
After=local-fs.target systemd-sysctl.service network-pre.target
After=nftables.service networking.service systemd-networkd.service
Before=network-online.target
RequiresMountsFor=/var/lib/netcharter

[Service]
Type=oneshot
RemainAfterExit=yes
ExecStart=/usr/bin/netcharter boot --state /var/lib/netcharter
TimeoutStartSec=300
Restart=on-failure
RestartSec=5
RestartPreventExitStatus=2
UMask=0027
NoNewPrivileges=yes
OOMScoreAdjust=-900

[Install]
WantedBy=multi-user.target
"""


def test_the_unit_for_boot_is_just_this() -> None:
    assert boot_unit(COMMAND, "/var/lib/netcharter") == GOLDEN


@pytest.mark.parametrize("state", ["/var/lib/netcharter", '/srv/100% ours/$HOME/a "b"/c\'d'])
def test_systemd_finds_nothing_wrong_with_it(tmp_path: Path, state: str) -> None:
    """systemd-analyze(1), `verify`; the program of the unit has to be there."""
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        pytest.skip("NOBODY READ THE UNIT: systemd-analyze is not here")
    unit = tmp_path / BOOT_UNIT
    unit.write_text(boot_unit(("/bin/true", "boot", "--state", state), state), encoding="utf-8")
    found = subprocess.run(
        [analyze, "verify", "--man=no", "--recursive-errors=no", str(unit)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (found.returncode, found.stderr) == (0, "")
    unit.write_text(unit.read_text(encoding="utf-8").replace("oneshot", "twoshot"), "utf-8")
    again = subprocess.run(
        [analyze, "verify", "--man=no", "--recursive-errors=no", str(unit)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert "twoshot" in again.stderr, "it would not notice"


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("/usr/bin/a-b_c.d", "/usr/bin/a-b_c.d"),
        ("100%", "100%%"),
        ("$HOME", "$$HOME"),
        ("a b", '"a b"'),
        ('a"b', '"a\\"b"'),
        ("a\\b", '"a\\\\b"'),
        ("a;b", '"a;b"'),
        ("é", '"\\xc3\\xa9"'),
    ],
)
def test_a_word_stays_one_word(text: str, written: str) -> None:
    assert unit_word(text) == written


def test_dollars_mean_something_in_commands_only() -> None:
    assert unit_word("/srv/$HOME/100%", command=False) == "/srv/$HOME/100%%"
    assert timer_started(("/bin/x", "/srv/$HOME"), 7, "99")[-1] == "/srv/$$HOME"
    assert beside(("/bin/x", "--state", "/srv/$HOME"))[-4:] == (
        "--", "/bin/x", "--state", "/srv/$$HOME",
    )  # fmt: skip


@pytest.mark.parametrize("text", ["", "a\nExecStart=/bin/x", "a\0", "a\x1b", "a\u2028b"])
def test_what_no_unit_can_hold_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="can't stand in a unit"):
        unit_word(text)


def test_a_timer_is_started_at_once_and_again_if_it_is_killed() -> None:
    assert timer_started(("/usr/bin/python3", "-m", "x"), 7, "99") == (
        "systemd-run",
        "--quiet",
        "--collect",
        "--no-ask-password",
        "--unit=netcharter-undo-0007-99",
        "--property=Restart=on-failure",
        "--property=RestartSec=1",
        "--property=RestartPreventExitStatus=3",
        "--property=OOMScoreAdjust=-900",
        "--",
        "/usr/bin/python3",
        "-m",
        "x",
    )
