"""The forms of lists of names: what one line of each means.

A reader is called with each line, in order, and puts what the line says into a `Sink`. Nothing that
is not exactly of the form is guessed at. `zones` has the reader of response policy zones.

plain: one name a line, and the line means the name **and everything below it**: that is what people
expect who write "withhold games.example". `*.name`, `.name` and `||name^` mean the same. Behind `#`
anything may stand; a line may begin with `#`, `!` or `;` to be a comment.

hosts: an address, then names. Each name is meant **alone, without what is below it**: a hosts file
says nothing about other names, so its publisher lists every name that is meant, and has tried the
list that way (common practice, no source). The names that every hosts file begins with (`localhost`)
mean nothing here.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from ipaddress import AddressValueError, IPv4Address, IPv6Address

from netcharter.plan.names.domains import Fault, normal, normal_bytes
from netcharter.plan.names.entries import BOTH, ITSELF, Gathering
from netcharter.plan.names.tally import Tally

MOST_NAMES = 64  # names behind one address of a hosts file; what stands behind them is refused

CONTROL = "holds a control character"
HIDDEN = "holds a character that is not seen or turns the text around"
NOT_TEXT = "is not text in UTF-8"
HTML = "is a piece of a web page"
URL = "is a web address, of which only the name could be listed"
RULE = "is a rule for parts of web pages, which names can't say"
ADDRESS = "is an address, and this is a list of names"
WORDS = "holds more than one word"
NO_ADDRESS = "has no address in front, as the lines of a hosts file have"
NO_NAME = "has an address and no name"
CROWDED = f"holds more than {MOST_NAMES} names"
BOMB = "would take in every name"
ELSEWHERE = "leads its name to an address of the list's choice; here the name is only listed"

# The names of the machine itself in the hosts files that systems ship (common practice, no source).
OWN = frozenset(
    b"localhost localhost.localdomain localhost4 localhost6 local broadcasthost ip6-localhost"
    b" ip6-loopback ip6-localnet ip6-mcastprefix ip6-allnodes ip6-allrouters ip6-allhosts".split()
)
# Addresses that lead nowhere else: this host (RFC 1122 section 3.2.1.3), and what it is in IPv6.
_NOWHERE = frozenset({b"0.0.0.0", b"127.0.0.1", b"::", b"::1", b"255.255.255.255", b"0"})

_CONTROL = re.compile(rb"[\x00-\x08\x0b-\x1f\x7f]")
# Unseen and turning characters (as in diagnostics.escape), less the joiners that some scripts need.
_HIDDEN = re.compile("[\u00ad\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff]")
_REMARK = re.compile(rb"[ \t]+#")
_TAG = re.compile(rb"<[a-zA-Z/!?]")
_ADDRESS = re.compile(rb"[0-9A-Fa-f:.]{2,45}")
_READY = re.compile(rb"[a-z0-9_-]{1,63}(?:\.[a-z0-9_-]{1,63})*\.[a-z][a-z0-9-]{0,62}")


class Sink:
    """Where readers put what they find. ignored: lines that say nothing, blank or comment."""

    def __init__(self) -> None:
        self.found, self.refused, self.noted = Gathering(), Tally(), Tally()
        self.ignored = 0

    def name(self, raw: bytes, line: int, kind: int, whole: bytes) -> None:
        """One name as written, into the entries or among the refused."""
        found = clean(raw)
        if isinstance(found, str):
            self.refused.add(found, line, whole)
        else:
            self.found.add(found, line, kind)


Reader = Callable[[Sink, int, bytes], None]


def clean(raw: bytes) -> bytes | str:
    """The normal form of a name as a list writes it, or why it is none."""
    if _READY.fullmatch(raw) and len(raw) <= 253:
        return raw
    if raw.isascii():
        found = normal_bytes(raw.lower())
    else:
        try:
            text = raw.decode("utf-8")
        except UnicodeDecodeError:
            return NOT_TEXT
        if _HIDDEN.search(text):
            return HIDDEN
        international = normal(text)
        if isinstance(international, Fault):
            return international.value
        return international.encode("ascii")
    if not isinstance(found, Fault):
        return found
    return BOMB if found is Fault.ROOT else _better(raw, found)


def _better(raw: bytes, fault: Fault) -> str:
    """A reason that says more, where the text is of a form that people know."""
    if is_address(raw) or fault is Fault.NUMBER:
        return ADDRESS
    if b"://" in raw or (b"/" in raw and not raw.startswith(b"/")):
        return URL
    if b"$" in raw or b"^" in raw or raw.startswith(b"/"):
        return RULE
    return BOMB if not raw.strip(b"*.") else fault.value


def is_address(raw: bytes) -> bool:
    """Whether this is an IP address, perhaps with a zone or a length behind it."""
    address = re.split(rb"[%/]", raw[:100], maxsplit=1)[0]
    if not _ADDRESS.fullmatch(address):
        return False
    text = address.decode("ascii")
    try:
        IPv6Address(text) if ":" in text else IPv4Address(text)
    except AddressValueError:
        return False
    return True


def _broken(said: bytes) -> str | None:
    """What makes a line unfit to be read at all."""
    if _CONTROL.search(said):
        return CONTROL
    return HTML if _TAG.search(said) else None


def plain(sink: Sink, line: int, raw: bytes) -> None:
    """One line of a plain list."""
    said = raw.strip(b" \t\r")
    if _READY.fullmatch(said) and len(said) <= 253:
        sink.found.add(said, line, BOTH)
        return
    if not said or said[0] in b"#!;":
        sink.ignored += 1
        return
    reason = _broken(said)
    if reason is None:
        said = _REMARK.split(said, maxsplit=1)[0] if b"#" in said else said
        reason = RULE if said.startswith(b"@@") or b"##" in said else None
    if reason is None and len(said.split()) > 1:
        reason = WORDS
    if reason is not None:
        sink.refused.add(reason, line, raw)
        return
    sink.name(_unwrapped(said), line, BOTH, raw)


def _unwrapped(said: bytes) -> bytes:
    """The name within `||name^`, `*.name` or `.name`."""
    if said.startswith(b"||") and said.endswith(b"^"):
        said = said[2:-1]
    if said.startswith(b"*."):
        return said[2:] or b"."
    return said[1:] if said.startswith(b".") and len(said) > 1 else said


def hosts(sink: Sink, line: int, raw: bytes) -> None:
    """One line of a hosts file."""
    said = raw.partition(b"#")[0].split()
    if not said:
        sink.ignored += 1
        return
    reason = _broken(raw.strip(b" \t\r"))
    address, names = said[0], said[1:]
    if reason is None and not is_front(address):
        reason = NO_ADDRESS
    elif reason is None and not names:
        reason = NO_NAME
    elif reason is None and len(names) > MOST_NAMES:
        reason = CROWDED
    if reason is not None:
        sink.refused.add(reason, line, raw)
        return
    before = len(sink.found)
    others = [name for name in names if name.lower() not in OWN and name != address]
    for name in others:
        sink.name(name, line, ITSELF, raw)
    if not others:
        sink.ignored += 1
    elif len(sink.found) > before and not _leads_nowhere(address):
        sink.noted.add(ELSEWHERE, line, raw)


def is_front(word: bytes) -> bool:
    """Whether a word is what a line of a hosts file begins with."""
    return word in _NOWHERE or is_address(word)


def _leads_nowhere(address: bytes) -> bool:
    return address in _NOWHERE or address.startswith(b"127.")
