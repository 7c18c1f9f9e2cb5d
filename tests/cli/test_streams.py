"""Where the output goes: closed, full, unread, or a terminal that wants no colours."""

from __future__ import annotations

import errno
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.running import CHARTER, DRAFT, MOST_SECONDS, WHEN, run

MAIN = [sys.executable, "-c", "from netcharter.cli import main; main()"]
PRINTING: list[tuple[str, ...]] = [
    ("check", str(DRAFT), "--as-of", WHEN),
    ("check", str(CHARTER), "--as-of", WHEN, "--json"),
    ("show", str(CHARTER)),
    ("--help",),
    ("check", "--help"),
    ("--version",),
]
FULL = Path("/dev/full")  # Linux, full(4): every write fails with ENOSPC


def environment(**more: str) -> dict[str, str]:
    return {"PATH": os.defpath, "LANG": "C.UTF-8", "COLUMNS": "100", **more}


def told(arguments: tuple[str, ...], redirected: str, out: int | None = None) -> tuple[int, str]:
    """Exit code and standard error of a command whose streams a shell has redirected."""
    done = subprocess.run(
        ["sh", "-c", f'exec "$@" {redirected}', "sh", *MAIN, *arguments],
        stdin=subprocess.DEVNULL, stdout=out, stderr=subprocess.PIPE, text=True,
        timeout=MOST_SECONDS, check=False, env=environment(),
    )  # fmt: skip
    return done.returncode, done.stderr


@pytest.mark.parametrize("arguments", PRINTING)
def test_a_closed_output_is_told(arguments: tuple[str, ...]) -> None:
    assert told(arguments, ">&-") == (2, "standard output can't be written to: it is closed\n")


@pytest.mark.skipif(not FULL.exists(), reason="no full device here")
@pytest.mark.parametrize("arguments", PRINTING)
def test_a_full_output_is_told(arguments: tuple[str, ...]) -> None:
    reason = os.strerror(errno.ENOSPC).lower()
    expected = f"standard output can't be written to: {reason}\n"
    assert told(arguments, f">{FULL}") == (2, expected)


@pytest.mark.parametrize("arguments", PRINTING)
def test_a_pipe_that_nobody_reads_ends_a_command_quietly(arguments: tuple[str, ...]) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    try:
        assert told(arguments, "", writer) == (141, "")
    finally:
        os.close(writer)


@pytest.mark.parametrize("streams", [">&- 2>&-", "2>&-", f">{FULL} 2>{FULL}", "<&- >&-"])
def test_nothing_at_all_to_write_to_is_no_traceback(streams: str) -> None:
    code, err = told(("check", str(CHARTER), "--as-of", WHEN), streams, subprocess.DEVNULL)
    assert code == (0 if streams == "2>&-" else 2)
    assert "Traceback" not in err


def test_a_conversation_without_input_ends_as_one_whose_answers_end(tmp_path: Path) -> None:
    code, err = told(("new", str(tmp_path / "c.yaml")), "<&-", subprocess.DEVNULL)
    assert code == 130 and "Traceback" not in err
    assert list(tmp_path.iterdir()) == []


def on_a_terminal(*arguments: str, **environ: str) -> bytes:
    """All that a command writes to a terminal of its own."""
    ours, theirs = pty.openpty()
    child = subprocess.Popen(
        [*MAIN, *arguments], stdin=theirs, stdout=theirs, stderr=theirs,
        env=environment(**environ),
    )  # fmt: skip
    os.close(theirs)
    out = b""
    while True:
        try:
            piece = os.read(ours, 65536)
        except OSError:  # EIO: the other side is closed
            break
        if not piece:
            break
        out += piece
    os.close(ours)
    child.wait(MOST_SECONDS)
    return out


def test_a_terminal_gets_colours_unless_it_wants_none(tmp_path: Path) -> None:
    """NO_COLOR as no-color.org has it: present and not empty, whatever its value."""
    check = ("check", str(DRAFT), "--as-of", WHEN)
    assert b"\x1b[" in on_a_terminal(*check, TERM="xterm")
    assert b"\x1b[" in on_a_terminal(*check, TERM="xterm", NO_COLOR="")
    for plain in ({"NO_COLOR": "1"}, {"NO_COLOR": "0"}, {"TERM": "dumb"}):
        for command in (check, ("show", str(CHARTER)), ("check", str(tmp_path / "none"))):
            assert b"\x1b" not in on_a_terminal(*command, **{"TERM": "xterm", **plain})


def test_ctrl_c_while_a_command_is_loaded_is_told_as_such(monkeypatch: pytest.MonkeyPatch) -> None:
    def pressed(name: str) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("netcharter.cli.import_module", pressed)
    ran = run("check", CHARTER)
    assert (ran.code, ran.out) == (130, "") and "nothing is left half done" in ran.err
