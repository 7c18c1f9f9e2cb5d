"""What is installed is whole, and the two commands of the README lead where they say."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

SCRIPTS = ("setup", "demo", "test", "bench", "lock")


@pytest.fixture(scope="module")
def wheel(root: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    shutil.copytree(root / "src", folder / "src", ignore=shutil.ignore_patterns("*.egg-info"))
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(root / name, folder)
    command = "-m pip wheel --quiet --no-deps --no-build-isolation --no-index --wheel-dir out ."
    subprocess.run([sys.executable, *command.split()], cwd=folder, check=True)
    (built,) = (folder / "out").iterdir()
    return built


def test_the_wheel_holds_every_file_of_the_package(root: Path, wheel: Path) -> None:
    source = root / "src"
    ours = {
        str(path.relative_to(source))
        for path in (source / "netcharter").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    held = set(zipfile.ZipFile(wheel).namelist())
    assert any(name.endswith(".j2") for name in ours)
    assert ours - held == set()


def test_the_test_command_of_the_readme_is_what_a_clean_clone_runs(root: Path) -> None:
    ci = (root / ".ci" / "run").read_text("utf-8")
    assert "make test" in (root / "README.md").read_text("utf-8")
    assert re.search(r"^make test$", ci, re.MULTILINE)


def test_every_target_of_the_makefile_is_explained(root: Path) -> None:
    makefile = (root / "Makefile").read_text("utf-8")
    targets = set(re.findall(r"^([a-z]+):", makefile, re.MULTILINE)) - {"help"}
    explained = set(re.findall(r"echo 'make (\w+) ", makefile))
    assert targets == explained
    assert targets >= {"demo", "test", "venv", "lint", "bench"}


@pytest.mark.parametrize("name", [".ci/run", *(f"tools/{name}" for name in SCRIPTS)])
def test_scripts_are_executable_and_their_shell_reads_them(root: Path, name: str) -> None:
    script = root / name
    assert script.stat().st_mode & 0o111
    shell = script.read_text("utf-8").splitlines()[0].removeprefix("#!").split()[-1]
    subprocess.run([shell, "-n", str(script)], check=True)
