"""`boot --install` and `--remove` where units really are, with a pretended systemctl in the program
path, in mounts of their own."""

from __future__ import annotations

import json
import os
import shlex
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.cli.running import run
from tests.cli.test_enact import CHARTER, DEVICES, SHAPES
from tests.docs.shapes import breaches
from tests.kernel import namespace
from tests.tasks.test_fitting_units import MANAGER, WANTS

FOLDER = "/etc/systemd/system"
UNIT = f"{FOLDER}/netcharter-boot.service"
MOUNTS = """\
mount -t tmpfs tmpfs /etc/systemd
mount -t tmpfs tmpfs /run
mount -t tmpfs tmpfs /usr/local/sbin
"""


def played(folder: Path, *lines: str) -> dict[str, Any]:
    """Run lines of shell; what each `ask NAME WORDS...` answered, and its exit code."""
    (folder / "charter.yaml").write_text(CHARTER, encoding="utf-8")
    manager = MANAGER.format(log=folder / "log", folder=FOLDER, wants=WANTS, exit=0)
    (folder / "systemctl").write_text(manager, encoding="utf-8")
    (folder / "systemctl").chmod(0o755)
    command = shlex.join([sys.executable, "-m", "netcharter"])
    ask = f'ask() {{ name=$1; shift; {command} "$@" --state "$PWD/state" --json > $name.json; }}'
    namespace.run(
        "\n".join([MOUNTS + DEVICES, "set +e", ask, *lines, "true"]), folder, private=True
    )
    found = {}
    for path in folder.glob("*.json"):
        found[path.stem] = json.loads(path.read_text("utf-8"))
    return found


def fits(found: dict[str, Any], *names: str, shape: str = "unit") -> None:
    for name in names:
        assert list(breaches(found[name], shape, SHAPES)) == []


@pytest.mark.kernel
@pytest.mark.skipif(not os.path.isdir(FOLDER), reason="NO UNITS WERE INSTALLED: no systemd here")
def test_a_reboot_brings_it_up_once_the_unit_is_there(tmp_path: Path) -> None:
    found = played(
        tmp_path,
        "mkdir -p /run/systemd/system; cp systemctl /usr/local/sbin/",
        "ask first enact charter.yaml --yes --waive rehearsal --because haste",
        "ask installed boot --install",
        f"cat {UNIT} > unit.txt",
        "ask kept keep",
        "ask prepared enact charter.yaml --prepare",
        f"sh -c \"$(sed -n 's/^ExecStart=//p' {UNIT})\" > booted.txt",
        "ask removed boot --remove",
        "ask again boot --remove",
        f"ls {UNIT} {FOLDER}/{WANTS} > left.txt 2>/dev/null",
    )
    fits(found, "installed", "removed", "again")
    assert (found["installed"]["state"], found["installed"]["enabled"]) == ("installed", True)
    assert found["installed"]["unit"] == UNIT
    assert found["kept"]["boots"] is True
    assert "boot-unit-missing" not in {one["id"] for one in found["prepared"]["findings"]}
    assert "version 1 is in place" in (tmp_path / "booted.txt").read_text("utf-8")
    assert [found[one]["state"] for one in ("removed", "again")] == ["removed", "not there"]
    assert (tmp_path / "left.txt").read_text("utf-8").strip() == f"{FOLDER}/{WANTS}:"
    log = (tmp_path / "log").read_text("utf-8").replace("--no-ask-password ", "").splitlines()
    log.remove("list-unit-files --type=service --no-legend --no-pager --plain")  # by --prepare
    assert log == ["daemon-reload", "enable netcharter-boot.service",
                   "disable netcharter-boot.service", "daemon-reload"]  # fmt: skip


@pytest.mark.kernel
@pytest.mark.skipif(not os.path.isdir(FOLDER), reason="NO UNITS WERE INSTALLED: no systemd here")
def test_a_file_of_others_and_a_machine_without_systemd(tmp_path: Path) -> None:
    found = played(
        tmp_path,
        f"mkdir -p {FOLDER}; echo '[Unit]' > {UNIT}",
        "ask refused boot --install; echo $? > code",
        f"cat {UNIT} > theirs.txt; rm {UNIT}",
        "ask bare boot --install",
    )
    assert (tmp_path / "code").read_text().strip() == "2"
    assert (
        found["refused"]["state"] == "refused" and "not netcharter's" in found["refused"]["reason"]
    )
    assert (tmp_path / "theirs.txt").read_text("utf-8") == "[Unit]\n"
    fits(found, "bare")
    assert (found["bare"]["state"], found["bare"]["enabled"]) == ("installed", False)


@pytest.mark.kernel
@pytest.mark.skipif(not os.path.isdir(FOLDER), reason="NO UNITS WERE INSTALLED: no systemd here")
def test_the_steward_is_started_and_ended(tmp_path: Path) -> None:
    found = played(
        tmp_path,
        "mkdir -p /run/systemd/system state; cp systemctl /usr/local/sbin/",
        "ask installed steward --install",
        f"cp {FOLDER}/netcharter-steward.service unit.txt",
        "ask removed steward --remove",
        f"ls {FOLDER}/*.service > left.txt 2>/dev/null",
    )
    fits(found, "installed", "removed")
    assert found["installed"]["enabled"] and found["removed"]["state"] == "removed"
    assert (tmp_path / "unit.txt").read_text("utf-8").startswith("# Netcharter: ")
    assert (tmp_path / "left.txt").read_text("utf-8") == ""
    log = (tmp_path / "log").read_text("utf-8").replace("--no-ask-password ", "").splitlines()
    assert log == [
        "daemon-reload", "enable netcharter-steward.service", "restart netcharter-steward.service",
        "disable --now netcharter-steward.service", "daemon-reload",
    ]  # fmt: skip
    assert run("steward", "--install", "--wake").code == 2


def test_one_thing_at_a_time_and_no_state_folder_that_no_unit_can_name() -> None:
    assert run("boot", "--install", "--remove").code == 2
    found = run("boot", "--unit", "--state", "/srv/a\nb")
    assert found.code == 2 and "can't stand in a unit" in found.err
