"""State folders in which something else lies than was put there: told in words, never a traceback."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.running import run

FORMAT = "netcharter state 1\n"


def _kept_a_file(state: Path) -> None:
    (state / "kept").write_text("versions/0001")


def _kept_a_folder(state: Path) -> None:
    (state / "kept").mkdir()


def _kept_elsewhere(state: Path) -> None:
    (state / "kept").symlink_to("/etc")


def _format_emptied(state: Path) -> None:
    (state / "format").write_text("")


def _trial_emptied(state: Path) -> None:
    (state / "trial").mkdir()
    (state / "trial" / "trial.json").write_bytes(bytes(512))


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (_kept_a_file, "kept in the state folder can't be used: it is no link to a version"),
        (_kept_a_folder, "kept in the state folder can't be used: it is no link to a version"),
        (_kept_elsewhere, "kept in the state folder can't be used: the link doesn't lead to a"),
        (_format_emptied, "format in the state folder can't be used: it is empty"),
        (_trial_emptied, "trial/trial.json in the state folder can't be used: it is empty"),
    ],
)
def test_what_is_wrong_is_told_by_its_place(
    tmp_path: Path, make: Callable[[Path], None], told: str
) -> None:
    state = tmp_path / "state"
    (state / "versions").mkdir(parents=True, mode=0o750)
    state.chmod(0o750)
    (state / "format").write_text(FORMAT)
    make(state)
    for command in ("keep", "undo", "holds"):
        ran = run(command, "--state", state)
        assert ran.code == 2 and told in ran.everything, ran.everything
        assert "Traceback" not in ran.everything


@pytest.mark.parametrize("text", ["1e3", "0x1", "1_0", "１", "9" * 400, "one", "1.0", "", " 1"])
def test_a_version_is_a_whole_number(tmp_path: Path, text: str) -> None:
    ran = run("undo", text, "--state", tmp_path)
    assert ran.code == 2 and "is no whole number in digits" in ran.everything
