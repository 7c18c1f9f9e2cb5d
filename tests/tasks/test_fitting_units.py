"""Units come and go: with a pretended service manager, beside files of others, and without systemd."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest

from netcharter.rollout.run import programs
from netcharter.rollout.trouble import EffectFailed, RolloutRefused
from netcharter.tasks.preparing import _boot
from netcharter.tasks.units import (
    BOOT_UNIT,
    Units,
    boot_text,
    brought_up,
    install,
    remove,
    unfitted_words,
)

STATE = "/var/lib/netcharter"
WANTS = "multi-user.target.wants"
# It keeps what it is told, and makes and removes the link, as systemctl(1) says of enable/disable.
MANAGER = """\
#!/bin/sh
echo "$*" >> {log}
test "$1" = --no-ask-password && shift
while [ "$2" = --now ]; do verb=$1; shift 2; set -- "$verb" "$@"; done
case $1 in
enable) mkdir -p {folder}/{wants}; ln -sf ../$2 {folder}/{wants}/$2;;
disable) rm -f {folder}/{wants}/$2;;
esac
exit {exit}
"""


@dataclass(frozen=True)
class Pretended:
    units: Units
    log: Path

    @property
    def told(self) -> list[str]:
        lines = self.log.read_text("utf-8").splitlines() if self.log.exists() else []
        return [line.removeprefix("--no-ask-password ") for line in lines]

    @property
    def unit(self) -> Path:
        return Path(self.units.folder) / BOOT_UNIT


def pretended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int = 0) -> Pretended:
    folder, running, program = tmp_path / "units", tmp_path / "running", tmp_path / "bin"
    running.mkdir(exist_ok=True)
    program.mkdir(exist_ok=True)
    log = tmp_path / "log"
    manager = program / "systemctl"
    text = MANAGER.format(log=log, folder=folder, wants=WANTS, exit=code)
    manager.write_text(text, encoding="utf-8")
    manager.chmod(0o755)
    monkeypatch.setattr(programs, "SEARCHED", f"{program}:{programs.SEARCHED}")
    return Pretended(Units(str(folder), str(running)), log)


def test_the_unit_for_boot_is_installed_once_and_goes_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = pretended(tmp_path, monkeypatch)
    assert not brought_up(STATE, site.units)
    done = install(BOOT_UNIT, boot_text(STATE), site.units)
    assert done.as_json() == {
        "ok": True, "state": "installed", "unit": str(site.unit), "enabled": True,
    }  # fmt: skip
    assert site.unit.read_text("utf-8") == boot_text(STATE)
    assert site.unit.stat().st_mode & 0o777 == 0o644
    assert site.told == ["daemon-reload", f"enable {BOOT_UNIT}"]
    assert brought_up(STATE, site.units) and not brought_up("/other", site.units)
    inode = site.unit.stat().st_ino
    install(BOOT_UNIT, boot_text(STATE), site.units)
    assert site.unit.stat().st_ino == inode, "what is there already is not written again"
    assert not list(site.unit.parent.glob("*.netcharter-new"))

    assert remove(BOOT_UNIT, site.units).state == "removed"
    assert site.told[-2:] == [f"disable {BOOT_UNIT}", "daemon-reload"]
    assert not site.unit.exists() and not brought_up(STATE, site.units)
    assert remove(BOOT_UNIT, site.units).state == "not there"
    assert list(remove(BOOT_UNIT, site.units).lines(200)) == [
        f"{site.unit} is not there: nothing was changed"
    ]


def test_one_that_is_to_run_at_once_is_started_and_ended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = pretended(tmp_path, monkeypatch)
    install("x.service", "# Netcharter: x.\n", site.units, starts=True)
    remove("x.service", site.units, starts=True)
    assert site.told == [
        "daemon-reload", "enable x.service", "restart x.service",
        "disable --now x.service", "daemon-reload",
    ]  # fmt: skip


@pytest.mark.parametrize("text", [b"", b"[Unit]\n", b"#Netcharter: \n", b"\xff\xfe"])
def test_a_file_of_others_is_left_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: bytes
) -> None:
    site = pretended(tmp_path, monkeypatch)
    site.unit.parent.mkdir()
    site.unit.write_bytes(text)
    with pytest.raises(RolloutRefused, match="not netcharter's"):
        install(BOOT_UNIT, boot_text(STATE), site.units)
    with pytest.raises(RolloutRefused, match="not netcharter's"):
        remove(BOOT_UNIT, site.units)
    assert site.unit.read_bytes() == text and site.told == []
    assert not brought_up(STATE, site.units)


def test_one_that_is_masked_stays_masked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """systemctl(1): `mask` makes a link to /dev/null."""
    site = pretended(tmp_path, monkeypatch)
    site.unit.parent.mkdir()
    site.unit.symlink_to("/dev/null")
    with pytest.raises(RolloutRefused, match="is a link"):
        install(BOOT_UNIT, boot_text(STATE), site.units)
    assert site.unit.is_symlink() and site.told == [] and not brought_up(STATE, site.units)


def test_without_systemd_the_file_is_written_and_that_is_said(tmp_path: Path) -> None:
    units = Units(str(tmp_path / "units"), str(tmp_path / "none"))
    done = install(BOOT_UNIT, boot_text(STATE), units)
    assert not done.enabled and "systemd does not run here" in "\n".join(done.lines(200))
    assert "systemctl enable netcharter-boot.service" in "\n".join(done.lines(200))
    assert not brought_up(STATE, units)
    assert remove(BOOT_UNIT, units).state == "removed"
    assert list((tmp_path / "units").iterdir()) == []


def test_a_manager_that_refuses_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = pretended(tmp_path, monkeypatch, code=1)
    with pytest.raises(EffectFailed, match="daemon-reload"):
        install(BOOT_UNIT, boot_text(STATE), site.units)


def test_the_keeper_is_told_while_nothing_brings_it_up() -> None:
    assert unfitted_words(STATE).endswith("netcharter boot --install")
    assert unfitted_words("/srv/a b").endswith("netcharter boot --install --state '/srv/a b'")
    (told,) = _boot("/srv/nowhere")
    assert (told.id, told.severity) == ("boot-unit-missing", "note")
    with pytest.raises(RolloutRefused):
        boot_text("/srv/a\nb")


def test_systemd_finds_nothing_wrong_with_what_is_installed(tmp_path: Path) -> None:
    """systemd-analyze(1), `verify`."""
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        pytest.skip("NOBODY READ THE UNIT: systemd-analyze is not here")
    units = Units(str(tmp_path / "units"), str(tmp_path / "none"))
    path = install(BOOT_UNIT, boot_text(STATE), units).path
    found = subprocess.run(
        [analyze, "verify", "--man=no", "--recursive-errors=no", path],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert (found.returncode, found.stderr) == (0, "")
