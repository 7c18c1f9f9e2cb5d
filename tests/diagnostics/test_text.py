"""Diagnostics as a person sees them in a terminal."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from netcharter.diagnostics import Diagnostic, Span
from netcharter.diagnostics.escape import HIDDEN
from netcharter.diagnostics.text import render

TEXT = """rules:
  - {let: office, reach: tills}
\t- {let: tills}
"""


def told(line: int = 2, column: int = 12, end: int = 18, **more: object) -> Diagnostic:
    span = Span("charter.yaml", line, column, line, end)
    return Diagnostic("an-id", "error", "something is wrong", span, **more)  # type: ignore[arg-type]


def shown(diagnostic: Diagnostic, text: str = TEXT, width: int = 80) -> list[str]:
    return render([diagnostic], {"charter.yaml": text}, width=width, colour=False).splitlines()


def underlined(lines: list[str]) -> str:
    """The part of the source line that stands above the underlining, by columns of a terminal."""
    at = next(i for i, line in enumerate(lines) if re.fullmatch(r" +: *=+", line))
    marks = lines[at]
    start, end = marks.index("="), len(marks)
    found, column = "", 0
    for character in lines[at - 1]:
        width = cell_len(character)
        if start <= column < end or (width == 0 and start < column <= end):
            found += character
        column += width
    return found


def test_everything_there_is_to_say_is_said() -> None:
    other = Span("charter.yaml", 3, 2, 3, 3)
    lines = shown(told(witness="a phone calls", help="write so", related=((other, "first here"),)))
    assert lines == [
        "error at charter.yaml:2:12 (an-id)",
        "  something is wrong",
        "    2 :   - {let: office, reach: tills}",
        "      :            ======",
        "  witness: a phone calls",
        "  instead: write so",
        "  see: first here: charter.yaml:3:2",
        "    3 :     - {let: tills}",
        "      :     =",
    ]


def test_nothing_to_say_is_nothing() -> None:
    assert render([], {}, width=80, colour=True) == ""


def test_one_blank_line_stands_between_two() -> None:
    text = render([told(), told()], {"charter.yaml": TEXT}, width=80, colour=False)
    assert text.count("\n\n") == 1 and text.endswith("=\n")


def test_a_file_without_its_text_is_told_without_a_line() -> None:
    lines = render([told()], {}, width=80, colour=False).splitlines()
    assert lines == ["error at charter.yaml:2:12 (an-id)", "  something is wrong"]


@pytest.mark.parametrize(
    ("source", "word"),
    [
        ("\t\tlet: [office, x]", "office"),
        ("a\tb: office", "office"),
        ("büro: [日本語, office]", "office"),
        ("büro: [日本語, office]", "日本語"),
        ("e\u0301te\u0301: office", "office"),
        ("🏔 🏔: office", "office"),
        ("🏔 🏔: office", "🏔: "),
        ("שלום: office", "office"),
        ("\u202ecilbup\u202c: office", "office"),
        ("a\x1b[2J: office", "office"),
    ],
)
def test_the_underlining_stands_below_its_word(source: str, word: str) -> None:
    column = source.index(word) + 1
    lines = shown(told(1, column, column + len(word)), source)
    assert underlined(lines).strip() == word.strip()


def test_a_long_line_is_shown_around_its_place() -> None:
    source = "a, " * 100 + "office" + ", b" * 100
    lines = shown(told(1, 301, 307), source, width=60)
    assert underlined(lines) == "office"
    assert all(len(line) <= 60 for line in lines)
    assert lines[2].count("...") == 2


@pytest.mark.parametrize("column", [1, 2, 500, 599, 600, 601])
def test_the_ends_of_a_long_line_are_shown_too(column: int) -> None:
    lines = shown(told(1, column, column + 1), "x" * 600, width=50)
    assert all(len(line) <= 50 for line in lines) and "=" in lines[3]


def test_a_stretch_of_several_lines_is_underlined_line_by_line() -> None:
    text = "rules:\n  - let: a\n    reach: b\n    with: c\n"
    several = Diagnostic("an-id", "note", "m", Span("charter.yaml", 2, 5, 4, 12))
    assert shown(several, text)[2:] == [
        "    2 :   - let: a",
        "      :     ======",
        "    3 :     reach: b",
        "      :     ========",
        "    4 :     with: c",
        "      :     =======",
    ]


def test_a_very_long_stretch_is_shown_by_its_ends() -> None:
    text = "".join(f"line {n}\n" for n in range(1, 100))
    long = Diagnostic("an-id", "note", "m", Span("charter.yaml", 1, 1, 99, 8))
    lines = shown(long, text)
    assert lines[2] == "    1 : line 1" and "line 99" in lines[-2]
    assert "      : ..." in lines and len(lines) < 16


def test_colours_are_only_added_when_asked_for() -> None:
    plain = render([told()], {"charter.yaml": TEXT}, width=80, colour=False)
    coloured = render([told()], {"charter.yaml": TEXT}, width=80, colour=True)
    assert "\x1b" not in plain and "\x1b[1;31m" in coloured
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == plain


def test_long_messages_are_wrapped_below_their_label() -> None:
    lines = shown(told(help="word " * 40), width=50)
    assert all(len(line) <= 50 for line in lines)
    assert lines[-1].startswith("           word")


NASTY = st.text(
    st.characters(exclude_categories=["Cs"])
    | st.sampled_from("\x00\x07\x1b\r\u202e\u2066\u200b\u0301🏔日"),
    max_size=40,
)


@given(NASTY, NASTY, st.integers(1, 45), st.integers(0, 45), st.integers(1, 90))
def test_nothing_unseen_ever_comes_out(
    source: str, words: str, column: int, length: int, width: int
) -> None:
    span = Span(words, 1, column, 1, column + length)
    all_over = Diagnostic("an-id", "error", words, span, words, words, ((span, words),))
    text = render([all_over], {words: source}, width=width, colour=False)
    assert not HIDDEN.search(text.replace("\n", ""))


@pytest.mark.parametrize(
    "text",
    [
        "x: {as: a, password: hunter22, more: hunter22}\n",
        "x: {as: a, password: 'hunter22 hunter22'}\n",
        "  x:\n    password: hunter22\n    as: a\n",
        "  x:\n    password:\n      hunter22\n    as: a\n",
        "  x:\n    password: |\n      hunter22\n\n      hunter22\n    as: a\n",
        "x: {password:\nhunter22}\n",
        "x: {password: 'begun\n  hunter22'}\n",
        "x: {password",
    ],
)
def test_a_password_that_somebody_typed_is_not_printed(text: str) -> None:
    """Neither by its own finding nor by another one about the same lines."""
    lines = text.split("\n")
    at = next(n for n, line in enumerate(lines, 1) if "password" in line)
    column = lines[at - 1].index("password") + 1
    span = Span("charter.yaml", at, column, at, column + len("password"))
    own = Diagnostic("password-in-charter", "error", "it is", span)
    others = [
        Diagnostic("an-id", "error", "wrong", Span("charter.yaml", n, 1, n, 5))
        for n in range(1, len(lines) + 1)
    ]
    seen = render([others[0], own, *others], {"charter.yaml": text}, width=80, colour=False)
    assert "hunter22" not in seen and "password" in seen
    assert "as: a" in seen or "as: a" not in text  # what is not covered is shown as ever
