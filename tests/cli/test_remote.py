"""`--on HOST`, with a pretended ssh that runs here what it is asked to run there."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

# It keeps what it was told, drops its options, and runs the command by a shell, as sshd(8) does.
PRETENDED = """\
#!/bin/sh
printf '%s\\n' "$*" >> {log}
while [ "$1" != -- ]; do shift; done
shift 2
exec sh -c "$*"
"""
NETCHARTER = f"""\
#!/bin/sh
exec {sys.executable} -m netcharter "$@"
"""


@pytest.fixture
def away(tmp_path: Path) -> Path:
    """A folder of programs that stand before the real ones."""
    folder = tmp_path / "bin"
    folder.mkdir()
    for name, text in (
        ("ssh", PRETENDED.format(log=tmp_path / "log")),
        ("netcharter", NETCHARTER),
        ("sudo", '#!/bin/sh\nshift\nexec "$@"\n'),
    ):
        (folder / name).write_text(text, encoding="utf-8")
        (folder / name).chmod(0o755)
    return folder


def asked(away: Path, *words: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PATH": f"{away}:{os.environ['PATH']}"}
    return subprocess.run(
        [sys.executable, "-m", "netcharter", *words],
        cwd=away.parent, env=environment, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip


def test_a_command_runs_there_with_all_that_was_said(away: Path) -> None:
    state = away.parent / "it's a state"
    found = asked(away, "undo", "--history", "--state", str(state), "--json", "--on", "root@gw")
    assert found.returncode == 0, found.stderr
    assert json.loads(found.stdout) == {"ok": True, "events": [], "unread": []}
    told = (away.parent / "log").read_text(encoding="utf-8")
    assert "StrictHostKeyChecking=yes" in told and "-- root@gw" in told


def test_a_charter_and_what_it_includes_lie_there_only_while_the_command_runs(away: Path) -> None:
    folder = away.parent
    shows = '#!/bin/sh\nfor last; do :; done\necho "$PWD/$last"\ncat */rules.yaml\n'
    (away / "netcharter").write_text(shows, encoding="utf-8")
    (folder / "more").mkdir()
    rule = "rules: [{let: office, reach: internet, with: https, because: work}]\n"
    (folder / "more" / "rules.yaml").write_text(rule, encoding="utf-8")
    (folder / "my charter.yaml").write_text(
        "charter: 1\nsite: {name: Hut, timezone: Europe/London}\n"
        "lines: {copper: {device: eth0}}\nareas: {office: {device: eth1, hosts: 3}}\n"
        "include: [more/rules.yaml]\n",
        encoding="utf-8",
    )
    found = asked(away, "enact", "my charter.yaml", "--only-judge", "--on", "gw")
    assert found.returncode == 0, found.stdout + found.stderr
    place, text = found.stdout.split("\n", 1)
    assert text == rule and place.endswith("/my charter.yaml")
    assert not Path(place).parent.exists()
    told = (away.parent / "log").read_text(encoding="utf-8")
    assert "enact --clocks '20" in told  # when the clocks change here, for the gateway to compare


def test_a_charter_that_is_none_is_told_here(away: Path) -> None:
    (away.parent / "charter.yaml").write_text("charter: 1\n", encoding="utf-8")
    found = asked(away, "enact", "charter.yaml", "--json", "--on", "gw")
    assert found.returncode == 2 and json.loads(found.stdout)["diagnostics"]
    assert not (away.parent / "log").exists()


def test_a_host_that_is_an_option_is_no_host(away: Path) -> None:
    found = asked(away, "keep", "--on", "-oProxyCommand=true")
    assert found.returncode == 2 and "name a host" in found.stderr
    assert not (away.parent / "log").exists()


def test_a_host_that_can_not_be_reached_is_said_so(away: Path) -> None:
    (away / "ssh").write_text("#!/bin/sh\nexit 255\n", encoding="utf-8")
    found = asked(away, "keep", "--on", "gw")
    assert found.returncode == 2 and "log in once by hand" in found.stderr


def test_without_ssh_it_is_said_that_the_host_can_not_be_reached(away: Path) -> None:
    (away / "ssh").unlink()
    found = subprocess.run(
        [sys.executable, "-m", "netcharter", "keep", "--json", "--on", "gw"],
        cwd=away.parent, env={**os.environ, "PATH": str(away)}, capture_output=True, text=True,
        timeout=120, check=False,
    )  # fmt: skip
    assert found.returncode == 2 and "Traceback" not in found.stderr
    assert "gw can't be reached" in json.loads(found.stdout)["reason"]


def test_a_copy_that_can_not_be_removed_changes_nothing_of_what_came_of_the_command(
    away: Path,
) -> None:
    """The way there breaks after the command: what it said, and its exit, count all the same."""
    (away / "netcharter").write_text("#!/bin/sh\necho on trial\n", encoding="utf-8")
    ssh = (away / "ssh").read_text(encoding="utf-8")
    broken = 'case "$*" in "rm -rf"*) echo lost >&2; exit 255;; esac\nexec sh'
    (away / "ssh").write_text(ssh.replace("exec sh", broken), encoding="utf-8")
    (away.parent / "charter.yaml").write_text(
        "charter: 1\nsite: {name: Hut, timezone: Europe/London}\n"
        "lines: {copper: {device: eth0}}\nareas: {office: {device: eth1, hosts: 3}}\n",
        encoding="utf-8",
    )
    found = asked(away, "enact", "charter.yaml", "--yes", "--on", "gw")
    assert (found.returncode, found.stdout) == (0, "on trial\n"), found.stderr
    assert "is left on gw: lost" in found.stderr
    for line in (away.parent / "log").read_text(encoding="utf-8").splitlines():
        if " rm -rf -- " in line:
            shutil.rmtree(line.rpartition(" ")[2])
