"""What the pages show at a prompt is what happens."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from tests.docs.console import Step, agrees, blocks, run

ROOT = Path(__file__).resolve().parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").rglob("*.md"))]


def _marks(steps: list[Step]) -> list[pytest.MarkDecorator]:
    """What real packets are sent by belongs to the kernel tests."""
    return (
        [pytest.mark.kernel] if any(re.search("rehearse|inherit", s.command) for s in steps) else []
    )


BLOCKS = [
    pytest.param(steps, id=f"{page.relative_to(ROOT)}:{steps[0].line}", marks=_marks(steps))
    for page in PAGES
    for steps in blocks(page.read_text("utf-8"))
]


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    shutil.copytree(ROOT / "examples", tmp_path / "examples")
    return tmp_path


@pytest.mark.parametrize("steps", BLOCKS)
def test_every_console_block_prints_what_it_shows(steps: list[Step], copy: Path) -> None:
    for step, printed in zip(steps, run(steps, copy), strict=True):
        assert agrees(step.shown, printed), (
            f"line {step.line}: $ {step.command}\nshown:\n{step.shown}\nprinted:\n{printed}"
        )


def test_the_readme_begins_with_the_job_in_one_paragraph_and_two_commands() -> None:
    paragraphs = (ROOT / "README.md").read_text("utf-8").split("\n\n")
    assert paragraphs[0] == "# Netcharter"
    assert len(paragraphs[1].split()) > 60
    assert re.findall(r"^make \w+", "\n".join(paragraphs[2:4]), re.MULTILINE) == [
        "make demo",
        "make test",
    ]


def test_the_walk_uses_every_command_in_front() -> None:
    commands = [
        s.command for steps in blocks((ROOT / "README.md").read_text("utf-8")) for s in steps
    ]
    used = {found for c in commands for found in re.findall(r"\bnetcharter (\w+)", c)}
    assert {"check", "ask", "why", "compare", "render", "rehearse", "inherit", "new"} <= used
