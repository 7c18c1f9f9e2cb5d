"""Whose passwords pppd knows: the names in its files of secrets, and never what stands behind them.

A line is words apart by blanks: who is dialled as, whom, the password, addresses; a word may stand
in quotes, a backslash quotes what follows it, `#` begins a remark (pppd(8), "AUTHENTICATION").
"""

from __future__ import annotations

from dataclasses import dataclass

FILES = ("/etc/ppp/chap-secrets", "/etc/ppp/pap-secrets")
ANYBODY = "*"
_MOST = 10_000  # lines of such a file


@dataclass(frozen=True, slots=True)
class Accounts:
    """Of one file. names: who is in it, None where it can't be read; open: whether others than root
    may read it."""

    names: frozenset[str] | None
    open: bool


def names_in(data: bytes) -> frozenset[str]:
    """The first word of each line. Nothing else of it leaves this function."""
    lines = data.decode("utf-8", "replace").splitlines()[:_MOST]
    return frozenset(word for line in lines if (word := _first(line)))


def _first(line: str) -> str:
    """The first word; "" where there is none."""
    word, quote, place = "", "", 0
    text = line.lstrip(" \t")
    while place < len(text):
        letter = text[place]
        place += 1
        if letter == "\\" and place < len(text):
            word += text[place]
            place += 1
        elif letter == quote:
            quote = ""
        elif quote:
            word += letter
        elif letter in "\"'" and not word:
            quote = letter
        elif letter in " \t" or (letter == "#" and not word):
            break
        else:
            word += letter
    return word
