"""docs/reference/commands.md tells every command and option that --help tells, and no other."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from netcharter.cli import BEHIND, FRONT
from tests.cli.running import run

PAGE = (Path(__file__).parents[2] / "docs" / "reference" / "commands.md").read_text("utf-8")
COMMANDS = (*FRONT, *BEHIND)


def told(command: str) -> set[str]:
    """The options of a command in the page's table."""
    table = re.search(rf"<!-- options of {command} -->\n(.*?)<!-- end -->", PAGE, re.DOTALL)
    assert table is not None, f"no table of the options of {command}"
    cells = [line.split(" | ")[0] for line in table[1].splitlines()[2:]]
    return {flag for cell in cells for flag in re.findall(r"`(--?[\w-]+)", cell)}


def offered(command: str) -> set[str]:
    """The options of a command in its own help, but for the help itself."""
    text = run(command, "--help").out.partition("Options:\n")[2]
    rows = re.findall(r"^  (-[^ ,]+)(?:, (-[^ ]+))?", text, re.MULTILINE)
    return {flag for row in rows for flag in row if flag} - {"-h", "--help"}


def test_the_page_has_a_section_for_each_command_and_no_other() -> None:
    assert set(re.findall(r"^## (\w+)$", PAGE, re.MULTILINE)) == set(COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_the_page_tells_the_options_of_the_help(command: str) -> None:
    assert told(command) == offered(command)


@pytest.mark.parametrize("command", COMMANDS)
def test_the_page_shows_the_arguments_that_the_command_takes(command: str) -> None:
    usage = run(command, "--help").out.splitlines()[0]
    arguments = re.findall(r"[A-Z]+", usage.partition("[OPTIONS]")[2])
    section = PAGE.partition(f"\n## {command}\n")[2]
    shown = re.search(rf"`netcharter {command}([^`]*)`", section)
    assert shown is not None
    assert re.findall(r"[A-Z]+", shown[1])[: len(arguments)] == arguments


def test_help_is_really_read() -> None:
    assert offered("check") == {"--page", "--keep", "--learnt", "--json", "--as-of"}
    assert offered("render") == {"-o", "--output", "--keep", "--learnt", "--json"}


def test_the_page_tells_the_exit_codes_that_the_tests_hold() -> None:
    for code in ("0: all well", "1: the command worked and found something",
                 "2: the input can't be used", "130: ended by Ctrl-C", "141: nobody reads"):  # fmt: skip
        assert code in PAGE
