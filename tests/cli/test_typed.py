"""Lines from a terminal and a pipe: whole ones only, never waited for longer than is wanted."""

from __future__ import annotations

import os
import pty

import pytest

from netcharter.cli.typed import MOST, Typed


def test_lines_come_one_by_one_and_then_none() -> None:
    out, into = os.pipe()
    typed = Typed(out)
    assert typed.line(0) is None
    os.write(into, b"keep\nun")
    assert typed.line(0) == "keep"
    assert typed.line(0) is None
    os.write(into, b"do\n\n\xff\n")
    assert [typed.line(0), typed.line(0), typed.line(0), typed.line(0)] == [
        "undo",
        "",
        "\ufffd",
        None,
    ]
    os.close(into)
    with pytest.raises(EOFError):
        typed.line(0)
    os.close(out)


def test_a_line_without_end_takes_no_memory() -> None:
    out, into = os.pipe()
    typed = Typed(out)
    for _ in range(20):
        os.write(into, b"x" * MOST)
        assert typed.line(0) is None
    os.write(into, b"\n")
    line = typed.line(0)
    assert line is not None and len(line) <= 2 * MOST
    os.close(out)
    os.close(into)


def test_a_terminal_that_is_gone_is_an_end() -> None:
    keeper, terminal = pty.openpty()
    typed = Typed(terminal)
    os.write(keeper, b"keep\n")
    assert typed.line(10) == "keep"
    os.close(keeper)
    with pytest.raises(EOFError):
        typed.line(10)
    os.close(terminal)
