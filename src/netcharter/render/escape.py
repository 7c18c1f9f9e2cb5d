"""The one place where text of a charter becomes text of a file of nftables, `ip`, pppd and others.

A quoted string of nftables knows no escapes, so nothing may reach it that could end it or fool a
reader: what is not a plain ASCII letter, digit or one of ``SAFE`` is percent-encoded as in RFC
3986 section 2.1 (UTF-8 bytes, two upper-case hexadecimal digits), the percent sign included.
`plain_again` undoes it.
"""

from __future__ import annotations

import re
import string
from collections.abc import Sequence
from urllib.parse import unquote

COMMENT_LIMIT = 128  # bytes nftables keeps of a comment
DOMAIN_LIMIT = 253  # characters of a domain name, RFC 1035 section 2.3.4
DEVICE_LIMIT = 15  # bytes of a Linux device name
SAFE = " _.,:/()+=-"

_KEPT = frozenset(string.ascii_letters + string.digits + SAFE)
_DEVICE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.@+-]*\Z")
_DOMAIN = re.compile(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?(\.[a-z0-9]([a-z0-9-]*[a-z0-9])?)*\Z")
_ASKED = re.compile(r"[a-z0-9_-]+(\.[a-z0-9_-]+)*\Z")
_SCOPES = frozenset({"all", "default"})  # taken by the kernel's own settings for all devices
_UNIT_PLAIN = re.compile(r"[\w@%+=:,./$\-]+", re.ASCII)
_MORE = "..."
_COMMENTS = re.compile(rb'(?m)^[ \t]*#(?!!).*(?:\n|\Z)| comment "[^"\n]*"')


def encoded(text: str) -> list[str]:
    """One item per character of `text`: itself, or its percent-encoded bytes."""
    return [
        c if c in _KEPT else "".join(f"%{b:02X}" for b in c.encode("utf-8", "surrogatepass"))
        for c in text
    ]


def plain_again(text: str) -> str:
    """The text that was escaped (where it was not cut)."""
    return unquote(text, errors="replace")


def shortened(text: str, limit: int, keep_end: bool = False) -> str:
    """`text` escaped, at most `limit` long, cut between characters and marked by ``...``."""
    parts = encoded(text)
    whole = "".join(parts)
    if len(whole) <= limit:
        return whole
    room, kept = limit - len(_MORE), ""
    for part in reversed(parts) if keep_end else parts:
        if len(kept) + len(part) > room:
            break
        kept = part + kept if keep_end else kept + part
    return _MORE + kept if keep_end else kept + _MORE


def comment(name: str, place: str = "") -> str:
    """A quoted comment of nftables: a name of the charter and its place, the place always whole."""
    if not place:
        return f'"{shortened(name, COMMENT_LIMIT)}"'
    where = " at " + shortened(place, COMMENT_LIMIT // 2, keep_end=True)
    return f'"{shortened(name, COMMENT_LIMIT - len(where))}{where}"'


def remark(text: str) -> str:
    """A whole comment line of an `ip -batch` or sysctl file."""
    return "# " + shortened(text, 200)


def uncommented(data: bytes) -> bytes:
    """A file of a kit without what `comment` and `remark` told in it, and other lines of comment."""
    return _COMMENTS.sub(b"", data)


def device(name: str) -> str:
    """A quoted device name for nftables, where ``*`` would be a wildcard.

    Raises ValueError for a name that is no ordinary device name.
    """
    return f'"{bare_device(name)}"'


def bare_device(name: str) -> str:
    """A device name that may stand in an `ip` or sysctl line as it is; raises ValueError."""
    if len(name) > DEVICE_LIMIT or name in _SCOPES or not _DEVICE.match(name):
        raise ValueError(f"not a device name that a kit can carry: {name!r}")
    return name


def domain_name(name: str) -> str:
    """A domain name that may stand in a line of dnsmasq or chrony as it is; raises ValueError."""
    if len(name) > DOMAIN_LIMIT or not _DOMAIN.match(name):
        raise ValueError(f"not a domain name that a kit can carry: {name!r}")
    return name


def asked_for(name: str) -> str:
    """A name that somebody may ask for, as it may stand in a quoted string of unbound: labels of such
    may begin or end with anything that names hold (RFC 2181 section 11). Raises ValueError."""
    if len(name) > DOMAIN_LIMIT or not _ASKED.match(name):
        raise ValueError(f"not a name that a kit can carry: {name!r}")
    return name


def ppp_word(text: str) -> str:
    """One word of an options file of pppd, quoted: there a backslash quotes what follows it, and
    nothing else but the quote ends the word (pppd(8), "OPTIONS FILES").

    Raises ValueError for an empty text, and for all but visible ASCII: a word ends with its line.
    """
    if not text or not all("!" <= letter <= "~" for letter in text):
        raise ValueError(f"not a word that pppd takes: {text!r}")
    quoted = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{quoted}"'


def lua_string(text: str) -> str:
    """A quoted string of Lua (as in settings of dnsdist): all but plain characters as the numbers of
    their UTF-8 bytes, three digits each, so that no digit behind can join them (Lua 5.1 manual,
    section 2.1)."""
    letters = (chr(byte) for byte in text.encode("utf-8", "surrogatepass"))
    return '"' + "".join(c if c in _KEPT else f"\\{ord(c):03d}" for c in letters) + '"'


def unit_word(text: str, command: bool = True) -> str:
    """One word of a command, or of another setting, in a unit of systemd. Raises ValueError for what
    no unit can hold.

    Percent signs are doubled, or they would be filled in (systemd.unit(5), "Specifiers"), and in
    commands dollar signs, too (systemd.service(5), "Command lines"). Commands are of plain ASCII, as
    all of a kit is: other letters stand there as the numbers of their UTF-8 bytes (systemd.syntax(7),
    "Quoting").
    """
    if not text or not text.isprintable():
        raise ValueError(f"{text!r} can't stand in a unit")
    safe = text.replace("%", "%%")
    safe = safe.replace("$", "$$") if command else safe
    if _UNIT_PLAIN.fullmatch(safe):
        return safe
    quoted = safe.replace("\\", "\\\\").replace('"', '\\"')
    if command:
        quoted = "".join(c if c.isascii() else _in_bytes(c) for c in quoted)
    return f'"{quoted}"'


def unit_command(words: Sequence[str]) -> str:
    """A command in a unit, its program first, with its whole path. Raises ValueError.

    A program's path takes no quotes and no backslashes, and dollars are plain in it: systemd refuses
    the ones, and leaves the others as they are (seen with systemd 252).
    """
    program = words[0]
    if any(letter in program for letter in "\"'\\"):
        raise ValueError(f"{program!r} can't stand in a unit as a program")
    return " ".join((unit_word(program).replace("$$", "$"), *map(unit_word, words[1:])))


def _in_bytes(letter: str) -> str:
    return "".join(f"\\x{byte:02x}" for byte in letter.encode("utf-8"))
