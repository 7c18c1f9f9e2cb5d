"""Files that are none: pipes, devices, sockets, links and loops are neither waited for nor replaced."""

from __future__ import annotations

import os
import socket
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.running import CHARTER, DEMO, DRAFT, WHEN, process, run


def pipe(path: Path) -> None:
    os.mkfifo(path)


def listening(path: Path) -> None:
    socket.socket(socket.AF_UNIX).bind(os.path.relpath(path))


def null(path: Path) -> None:
    """A node of our own for the null device, Linux's character device 1,3."""
    try:
        os.mknod(path, 0o666 | stat.S_IFCHR, os.makedev(1, 3))
    except PermissionError:
        pytest.skip("only the superuser makes device nodes")


def loop(path: Path) -> None:
    path.symlink_to(path.name)


MAKERS = [pipe, listening, null, loop]
Maker = Callable[[Path], None]


@pytest.fixture(autouse=True)
def _within(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize("make", MAKERS)
def test_a_charter_that_is_no_regular_file_is_told_at_once(make: Maker, tmp_path: Path) -> None:
    make(tmp_path / "node")
    for command in (("check", "node"), ("show", "node"), ("compare", CHARTER, "node")):
        ran = process(*command, folder=tmp_path)
        assert (ran.code, ran.out) == (2, "")
        assert "cannot-read" in ran.err and "Traceback" not in ran.err


@pytest.mark.parametrize("make", MAKERS)
def test_an_included_file_that_is_no_regular_one_is_told_at_once(
    make: Maker, tmp_path: Path
) -> None:
    make(tmp_path / "node")
    (tmp_path / "charter.yaml").write_text("charter: 1\ninclude: node\n")
    ran = process("check", "charter.yaml", folder=tmp_path)
    assert (ran.code, ran.out) == (2, "")
    assert "include-unreadable" in ran.err and "Traceback" not in ran.err


def test_an_included_file_beyond_all_measure_is_told_as_such(tmp_path: Path) -> None:
    with (tmp_path / "big.yaml").open("wb") as file:
        file.write("é".encode() * 8_000_000)
    (tmp_path / "charter.yaml").write_text("charter: 1\ninclude: big.yaml\n")
    ran = run("check", "charter.yaml")
    assert ran.code == 2 and "too-large" in ran.err and "more than 4 million" in ran.err


def test_a_list_is_read_to_its_end_or_refused_and_never_taken_in_part(tmp_path: Path) -> None:
    lines = b"198.51.100.64\n"
    list_ = tmp_path / "list.txt"
    list_.write_bytes(lines + b"#" * 9_000_000 + b"\n8.8.8.0/24\n")
    charter = CHARTER.read_text("utf-8")
    charter = charter.replace("\nlists:\n", "\nlists:\n  bad: {of: addresses, file: list.txt}\n")
    (tmp_path / "charter.yaml").write_text(charter + "\nhostile: {lists: bad}\n", "utf-8")
    why = ("why", "charter.yaml", "--from", "office", "--to", "8.8.8.8", "--with", "https")
    assert "hostile" in run(*why, "--as-of", WHEN).out  # from the end of the file
    list_.write_bytes(lines + b"#" * 2**25)
    ran = run(*why, "--as-of", WHEN)
    assert (ran.code, ran.out) == (2, "")
    assert "list-unreadable" in ran.err and "longer than a list may be" in ran.err


@pytest.mark.parametrize("make", MAKERS)
@pytest.mark.parametrize("linked", [False, True])
def test_what_is_no_regular_file_is_never_written_over(
    make: Maker, linked: bool, tmp_path: Path
) -> None:
    make(tmp_path / "node")
    (tmp_path / "link").symlink_to("node")
    before = os.lstat("node")
    name = "link" if linked else "node"
    for command in (
        ("check", CHARTER, "--page", name, "--as-of", WHEN),
        ("render", CHARTER, "-o", name),
        ("new", name),
    ):
        ran = run(*command, answers="\n" * 90)
        assert ran.code == 2, command
        assert ran.out == ""
    assert sorted(os.listdir()) == ["link", "node"]
    after = os.lstat("node")
    assert (after.st_ino, after.st_mode, after.st_rdev) == (
        before.st_ino, before.st_mode, before.st_rdev,
    )  # fmt: skip


def test_a_page_goes_to_where_a_link_leads(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    (tmp_path / "link.html").symlink_to("there/page.html")
    for _ in range(2):  # where nothing is yet, and over what is there
        assert run("check", DRAFT, "--page", "link.html", "--as-of", WHEN).code == 1
        assert (tmp_path / "link.html").is_symlink()
        assert os.listdir("there") == ["page.html"]
        assert stat.S_ISREG(os.lstat("there/page.html").st_mode)


def test_a_page_is_not_written_over_any_file_of_the_charter(tmp_path: Path) -> None:
    text = CHARTER.read_text("utf-8")
    head, _, tail = text.partition("\nrules:\n")
    (tmp_path / "rules.yaml").write_text("rules:\n" + tail, "utf-8")
    (tmp_path / "charter.yaml").write_text(
        head.replace("charter: 1", "charter: 1\ninclude: rules.yaml"), "utf-8"
    )
    for name in ("rules.yaml", "charter.yaml"):
        before = Path(name).read_bytes()
        ran = run("check", "charter.yaml", "--page", name, "--as-of", WHEN)
        assert (ran.code, ran.out) == (2, "") and "files that are read" in ran.err
        assert Path(name).read_bytes() == before


def test_a_kit_goes_to_where_a_link_leads(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to("kit")
    for charter in (DRAFT, CHARTER):  # where nothing is yet, and in the place of an earlier kit
        assert run("render", charter, "-o", "link").code == 0
        assert (tmp_path / "link").is_symlink()
        assert sorted(os.listdir()) == ["kit", "link"]


def test_a_file_that_appears_during_a_conversation_is_left_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from netcharter.cli import new_command

    whole = new_command.timezone_guess

    def meanwhile() -> str:
        (tmp_path / "mine.yaml").write_text("mine")
        return whole()

    monkeypatch.setattr(new_command, "timezone_guess", meanwhile)
    ran = run("new", "mine.yaml", answers="Bracken Hut\n" + "\n" * 80)
    assert ran.code == 2 and "left as it is" in ran.err
    assert os.listdir() == ["mine.yaml"] and (tmp_path / "mine.yaml").read_text() == "mine"


@pytest.mark.kernel
@pytest.mark.parametrize("target", ["old.json", "addresses.json", "routes.json", "first.yaml"])
def test_a_run_sheet_takes_the_place_of_nothing_that_is_read(target: str, tmp_path: Path) -> None:
    """Kernel: the first charter's kit is loaded apart to be compared."""
    for name in ("addresses.json", "routes.json"):
        (tmp_path / name).write_bytes((DEMO / "old-gateway" / name).read_bytes())
    (tmp_path / "old.json").write_text(
        '{"nftables": [{"metainfo": {"json_schema_version": 1}},'
        ' {"table": {"family": "inet", "name": "old", "handle": 1}}]}'
    )
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    call = ("inherit", "old.json", "--addresses", "addresses.json", "--routes", "routes.json")
    wish = ("--charter", "first.yaml", "--run-sheet", target)
    ran = process(*call, *wish, folder=tmp_path)
    assert ran.code == 2 and "cannot-write" in ran.err and "files that are read" in ran.err
    assert {path: path.read_bytes() for path in before} == before
    assert (tmp_path / "first.yaml").read_text("utf-8").startswith("#")
