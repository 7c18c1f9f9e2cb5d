"""The one place where what a host or a kit said becomes text for `ip -batch`, `sysctl` and `nft`.

A device name may hold quotes, `#` or `$`; a comment of an nftables table may hold whatever another
program put there. Nothing is quoted here: what is not plainly a word of its format is refused
(`Unsayable`), so that the caller leaves it alone and says so.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from netcharter.diagnostics.escape import terminal

FAMILIES = frozenset({"ip", "ip6", "inet", "arp", "bridge", "netdev"})

_WORD = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.:/@+%=,-]*\Z|\+\Z", re.ASCII)
_KEY = re.compile(r"-?[A-Za-z0-9][A-Za-z0-9_.@+-]*(/[A-Za-z0-9][A-Za-z0-9_.@+-]*)+\Z", re.ASCII)
_VALUE = re.compile(r"-?[A-Za-z0-9][A-Za-z0-9_.-]*([ \t]-?[A-Za-z0-9][A-Za-z0-9_.-]*)*\Z", re.ASCII)
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_./-]{0,126}\Z", re.ASCII)
_QUOTED = r'"[A-Za-z0-9 _.,:/()+=@%<>*-]*"'
_ELEMENT = re.compile(rf"(?:{_QUOTED}|[A-Za-z0-9_./:-]+)(?: (?:{_QUOTED}|[A-Za-z0-9_./:-]+))*\Z")


class Unsayable(ValueError):
    """Text that its format cannot carry without being taken for something else."""

    def __init__(self, text: str) -> None:
        super().__init__(f"cannot be written safely: {terminal(text)}")


def ip_line(words: Iterable[str]) -> str:
    """A line of an `ip -batch` file. Raises Unsayable."""
    found = tuple(words)
    for word in found:
        if not _WORD.match(word):
            raise Unsayable(" ".join(found))
    return " ".join(found) + "\n"


def sayable(words: Iterable[str]) -> bool:
    """Whether all are words that `ip_line` takes."""
    return all(_WORD.match(word) for word in words)


def setting_line(name: str, value: str) -> str:
    """A line for `sysctl -p`; name with slashes, value of one line. Raises Unsayable."""
    if not _KEY.match(name) or not _VALUE.match(value):
        raise Unsayable(f"{name} = {value}")
    return f"{name} = {value}\n"


def setting_name(name: str) -> bool:
    """Whether a name is one that `setting_line` takes."""
    return bool(_KEY.match(name))


def table_name(family: str, name: str) -> str:
    """Family and name of a table as nft takes them. Raises Unsayable."""
    if family not in FAMILIES or not _NAME.match(name):
        raise Unsayable(f"{family} {name}")
    return f"{family} {name}"


def set_name(name: str) -> str:
    """The name of a set or map of nftables. Raises Unsayable."""
    if not _NAME.match(name):
        raise Unsayable(name)
    return name


def element(text: str) -> str:
    """An element of a set as nft wrote it, or what a map leads to. Raises Unsayable."""
    if not _ELEMENT.match(text):
        raise Unsayable(text)
    return text
