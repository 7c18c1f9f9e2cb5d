"""What is foreign can neither repaint a terminal nor write into a page."""

from __future__ import annotations

import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from netcharter.diagnostics.escape import terminal

# Unicode Standard Annex 9, table 4: the bidirectional formatting characters.
BIDI = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


def test_bidirectional_controls_are_written_out() -> None:
    for character in BIDI:
        assert terminal(f"a{character}b") == f"a<U+{ord(character):04X}>b"


def test_terminal_controls_are_written_out() -> None:
    assert (
        terminal("\x1b[2J\x07\r\n\t\x9b") == "<U+001B>[2J<U+0007><U+000D><U+000A><U+0009><U+009B>"
    )


def test_letters_of_every_script_and_emoji_stay() -> None:
    for text in (
        "Büro",
        "офис",
        "办公室",
        "مكتب",
        "משרד",
        "कार्यालय",
        "🏔",
        "👩\u200d🏫",
        "e\u0301",
        "a b",
    ):
        assert terminal(text) == text


@given(st.text())
def test_no_control_and_no_line_break_is_left(text: str) -> None:
    shown = terminal(text)
    assert not [
        c for c in shown if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") or c in BIDI
    ]
    shown.encode("utf-8")
