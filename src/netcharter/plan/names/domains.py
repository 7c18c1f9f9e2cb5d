"""Domain names: as people and lists write them, and the one form in which Netcharter compares them.

`normal` makes the normal form: lower-case ASCII labels joined by dots, no dot at the end, names of
other scripts as A-labels (UTS 46, non-transitional, then IDNA 2008: RFC 5891). What can't be a name
is told by a `Fault`, whose value completes "the line ...". A label may hold letters, digits, hyphens
and underscores, at any place: the DNS itself sets no narrower rule (RFC 2181 section 11), names such
as `_dns.resolver.arpa` are asked for, and a list that withholds them must be able to say so. A label
that begins with `xn--` is kept as it stands, valid or not, for the same reason.

`wire` and `suffixes` are what look-ups need; `public_suffix` and `registrable` ask the public suffix
list that the package `publicsuffixlist` ships (nothing is fetched), both its parts: a registry's own
suffixes and those that companies have put there.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from enum import Enum
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from publicsuffixlist import PublicSuffixList

LONGEST_LABEL = 63  # bytes, RFC 1035 section 2.3.4
LONGEST_NAME = 253  # bytes as written: 255 on the wire, less the first length and the root
MOST_TYPED = 1_000  # characters of what may still come out as a name of 253 bytes

_PLAIN = re.compile(rb"[a-z0-9_-]{1,63}(?:\.[a-z0-9_-]{1,63})*")
_FOREIGN = re.compile(rb"[^a-z0-9_.-]")
_NUMBER = re.compile(rb"[0-9]+|0x[0-9a-f]*")


class Fault(Enum):
    """Why a text is no domain name."""

    EMPTY = "holds no name"
    ROOT = "is the root of all names"
    EMPTY_LABEL = "has two dots in a row, or a dot in front"
    LONG_LABEL = "has a label of more than 63 bytes"
    LONG_NAME = "is longer than 253 bytes"
    LETTER = "holds a character that no name has"
    NUMBER = "ends in a number, as addresses do"
    SCRIPT = "is not allowed as an international name"


def normal(text: str) -> str | Fault:
    """The normal form of a name, or why it is none. Blanks around it are the caller's to take off."""
    if text.isascii():
        found = normal_bytes(text.encode("ascii").lower())
        return found if isinstance(found, Fault) else found.decode("ascii")
    if len(text) > MOST_TYPED:
        return Fault.LONG_NAME
    return _international(text)


def normal_bytes(raw: bytes) -> bytes | Fault:
    """`normal` for bytes that are ASCII and lower-case already."""
    name = raw[:-1] if raw.endswith(b".") else raw
    if len(name) <= LONGEST_NAME and _PLAIN.fullmatch(name) and not ends_in_number(name):
        return name
    return _fault(raw, name)


def ends_in_number(name: bytes) -> bool:
    """Whether the last label is a number: then programs take the whole for an IPv4 address, and no
    top-level domain is one (RFC 3696 section 2)."""
    last = name[name.rfind(b".") + 1 :]
    return last[:1].isdigit() and _NUMBER.fullmatch(last) is not None


def _fault(raw: bytes, name: bytes) -> Fault:
    if not name:
        return Fault.ROOT if raw else Fault.EMPTY
    if _FOREIGN.search(name):
        return Fault.LETTER
    labels = name.split(b".")
    if b"" in labels:
        return Fault.EMPTY_LABEL
    if max(map(len, labels)) > LONGEST_LABEL:
        return Fault.LONG_LABEL
    return Fault.LONG_NAME if len(name) > LONGEST_NAME else Fault.NUMBER


def _international(text: str) -> str | Fault:
    import idna  # its tables are large, and most charters and lists need none of them

    try:
        labels = idna.uts46_remap(text, std3_rules=False).split(".")
        encoded = [label.encode() if label.isascii() else idna.alabel(label) for label in labels]
    except UnicodeError as fault:
        too_long = getattr(fault, "code", "") == "label_too_long"
        return Fault.LONG_LABEL if too_long else Fault.SCRIPT
    found = normal_bytes(b".".join(encoded).lower())
    return found if isinstance(found, Fault) else found.decode("ascii")


def readable(name: str) -> str:
    """A normal name in its own script, where it has one that comes back the same; to be shown beside
    the normal form, never instead of it: letters of other scripts can look alike."""
    if "xn--" not in name:
        return name
    import idna

    labels = (
        idna.decode(label, display=True) if "xn--" in label else label for label in name.split(".")
    )
    return ".".join(labels)


def wire(name: str) -> bytes:
    """A normal name as DNS messages carry it: each label behind its length, and the root at the end
    (RFC 1035 section 3.1)."""
    return (
        b"".join(bytes((len(label),)) + label.encode("ascii") for label in name.split(".")) + b"\0"
    )


def suffixes(name: str) -> Iterator[str]:
    """A normal name, then what it is below of, the longest first; without the root."""
    yield name
    place = name.find(".")
    while place >= 0:
        yield name[place + 1 :]
        place = name.find(".", place + 1)


def is_below(name: str, above: str) -> bool:
    """Whether a normal name is the other, or below it."""
    return name == above or name.endswith("." + above)


@cache
def _published() -> PublicSuffixList:
    from publicsuffixlist import PublicSuffixList

    return PublicSuffixList()


@cache
def _delegated() -> PublicSuffixList:
    from publicsuffixlist import PublicSuffixList

    return PublicSuffixList(accept_unknown=False, only_icann=True)


def is_delegated_suffix(name: str) -> bool:
    """Whether registries let others register names right below a normal name."""
    return _delegated().is_public(name)


def public_suffix(name: str) -> str:
    """The part of a normal name under which anybody may register names; perhaps all of it. Below a
    top-level domain that the list does not know that is the top-level domain (its rule `*`)."""
    return _published().publicsuffix(name) or name


def registrable(name: str) -> str | None:
    """The name that its holder registered, or None for a public suffix."""
    return _published().privatesuffix(name)


def is_public_suffix(name: str) -> bool:
    return _published().is_public(name)
