"""Lists in the form of a response policy zone: DNS records as triggers and what to do about them.

The file is a zone in the master file format (RFC 1035 section 5); what its records mean follows the
published descriptions of response policy zones (draft-vixie-dnsop-dns-rpz, from memory). An owner
`name` means the name alone, `*.name` what is below it and not the name; both together are needed for
all of a domain. Whatever the record says shall be answered instead (no such name, no data, nothing at
all, or records of the list's own), the name is *listed*, and what becomes of a listed name is for the
charter to say: a list may not lead anybody elsewhere. `rpz-passthru.` *spares* a name from the wider
entries of the same list. What judges by addresses or name servers, and `rpz-tcp-only.`, can't be said
of names and is refused, by its own reason. `$INCLUDE` and `$GENERATE` are not followed.

Two triggers that are both about a name: the one that names more of it decides, and of two on the same
name the first. A wildcard reaches below names that are listed themselves, other than in a DNS zone
(RFC 4592 section 2.2.2): who lists `*.games.example` means all of it.
"""

from __future__ import annotations

import re

from netcharter.plan.names.entries import BELOW, ITSELF, SPARED
from netcharter.plan.names.forms import BOMB, CONTROL, HTML, Sink, clean

MOST_CONTINUED = 50  # lines that one record in parentheses may take

BY_ASKER = "judges by who asks, which is the charter's to say"
BY_ANSWER = "judges by the addresses in an answer, which names can't say"
BY_SERVER = "judges by a domain's name servers, which names can't say"
TCP_ONLY = "asks for TCP, which a list of names can't say"
DIRECTIVE = "is a directive that is not followed"
NO_RECORD = "is no DNS record"
OUTSIDE = "has an owner outside the zone"
NO_OWNER = "has no owner, and no line before it has one"
UNCLOSED = "opens a parenthesis that nothing closes"
OWN_RECORDS = "has records of its own to answer with; here the name is only listed"

_TRIGGERS = {
    b"rpz-client-ip": BY_ASKER,
    b"rpz-ip": BY_ANSWER,
    b"rpz-nsdname": BY_SERVER,
    b"rpz-nsip": BY_SERVER,
}
_USUAL = re.compile(
    rb"([^\s;\"()$\\]+)[ \t]+(?:\d+[ \t]+)?(?:IN[ \t]+)?CNAME[ \t]+([^\s;\"()]+)\s*(?:;.*)?"
)
_CONTROL = re.compile(rb"[\x00-\x08\x0b-\x1f\x7f]")
_WORD = re.compile(rb'"(?:[^"\\]|\\.)*"|;.*|[()]|(?:[^\s"();\\]|\\.)+|.', re.DOTALL)
_TIME = re.compile(rb"\d+|(?:\d+[smhdw])+", re.IGNORECASE)
_CLASSES = frozenset({b"IN", b"CH", b"HS"})
_TYPE = re.compile(rb"[A-Z][A-Z0-9-]{0,15}")
# What a zone says of itself, not of names that it lists: RFC 1035, RFC 4034, RFC 5155, RFC 8976.
_OF_THE_ZONE = frozenset(b"SOA NS DNSKEY RRSIG NSEC NSEC3 NSEC3PARAM ZONEMD CDS CDNSKEY".split())


class Zone:
    """A reader with what a zone file carries from line to line: its origin, the owner of the line
    before, an open parenthesis. The origin is empty where the file does not name the zone."""

    def __init__(self) -> None:
        self._origin, self._zone = b"", b""
        self._named = False  # whether the zone's own name is settled
        self._owner: bytes | None = None
        self._open: tuple[int, bytes] | None = None  # a record in parentheses: its line and text
        self._continued = 0

    def __call__(self, sink: Sink, line: int, raw: bytes) -> None:
        said = raw.rstrip(b" \t\r")
        usual = _USUAL.fullmatch(said) if self._open is None else None
        if usual is not None:
            self._owner = usual.group(1)
            self._policy(sink, line, raw, self._owner, usual.group(2))
        elif _CONTROL.search(said):
            sink.refused.add(CONTROL, line, raw)
        elif said.startswith(b"<"):
            sink.refused.add(HTML, line, raw)
        else:
            self._record(sink, line, raw, said)

    def finish(self, sink: Sink) -> None:
        """The file has ended."""
        if self._open is not None:
            sink.refused.add(UNCLOSED, *self._open)

    def _record(self, sink: Sink, line: int, raw: bytes, said: bytes) -> None:
        words = [
            word for word in _WORD.findall(said) if not word.isspace() and not word.startswith(b";")
        ]
        if self._open is not None:
            self._close(sink, words)
            return
        if not words:
            sink.ignored += 1
        elif words[0].startswith(b"$"):
            self._directive(sink, line, raw, words)
        else:
            if words.count(b"(") > words.count(b")"):
                self._open, self._continued = (line, raw), 0
            self._whole(sink, line, raw, words, said[:1].isspace())

    def _close(self, sink: Sink, words: list[bytes]) -> None:
        """A line of a record that began further up: what it holds was never of interest."""
        assert self._open is not None
        sink.ignored += 1
        self._continued += 1
        if b")" in words:
            self._open = None
        elif self._continued > MOST_CONTINUED:
            sink.refused.add(UNCLOSED, *self._open)
            self._open = None

    def _directive(self, sink: Sink, line: int, raw: bytes, words: list[bytes]) -> None:
        name = words[0].upper()
        if name == b"$TTL":
            sink.ignored += 1
        elif name == b"$ORIGIN" and len(words) == 2:
            self._origin = self._absolute(words[1])
            if not self._named:
                self._zone = self._origin
            sink.ignored += 1
        else:
            sink.refused.add(DIRECTIVE, line, raw)

    def _whole(
        self, sink: Sink, line: int, raw: bytes, words: list[bytes], continues: bool
    ) -> None:
        if not continues:
            self._owner, words = words[0], words[1:]
        while words and (_TIME.fullmatch(words[0]) or words[0].upper() in _CLASSES):
            words = words[1:]
        kind = words[0].upper() if words else b""
        if self._owner is None:
            sink.refused.add(NO_OWNER, line, raw)
        elif len(words) < 2 or not _TYPE.fullmatch(kind):
            sink.refused.add(NO_RECORD, line, raw)
        elif kind == b"SOA":
            self._zone, self._named = self._absolute(self._owner), True
            sink.ignored += 1
        elif kind in _OF_THE_ZONE:
            sink.ignored += 1
        else:
            self._policy(sink, line, raw, self._owner, words[1] if kind == b"CNAME" else None)

    def _absolute(self, owner: bytes) -> bytes:
        """An owner with the zone's name behind it, where that is known; no dot at the end."""
        if owner == b"@":
            return self._origin
        if owner.endswith(b"."):
            return owner[:-1].lower()
        return owner.lower() + (b"." + self._origin if self._origin else b"")

    def _policy(
        self, sink: Sink, line: int, raw: bytes, owner: bytes, target: bytes | None
    ) -> None:
        """A record about names. target: where its CNAME points; None for records of other types."""
        trigger = self._trigger(owner)
        if trigger is None:
            sink.refused.add(OUTSIDE, line, raw)
            return
        if not trigger:  # the zone's own name
            sink.ignored += 1
            return
        target = target and target.lower()
        special = _TRIGGERS.get(trigger[trigger.rfind(b".") + 1 :])
        if special is not None or target == b"rpz-tcp-only.":
            sink.refused.add(special or TCP_ONLY, line, raw)
            return
        kind, name = (BELOW, trigger[2:]) if trigger.startswith(b"*.") else (ITSELF, trigger)
        found = clean(name)
        if isinstance(found, str) or trigger == b"*":
            sink.refused.add(BOMB if trigger == b"*" else str(found), line, raw)
            return
        if target is not None and self._spares(trigger, target):
            kind |= SPARED
        elif target not in (b".", b"*.", b"rpz-drop."):
            sink.noted.add(OWN_RECORDS, line, raw)
        sink.found.add(found, line, kind)

    def _trigger(self, owner: bytes) -> bytes | None:
        """What an owner is about: the owner without the zone's name. None: it is of another zone."""
        if owner != b"@" and not owner.endswith(b".") and self._origin == self._zone:
            return owner.lower()
        whole = self._absolute(owner)
        if whole == self._zone:
            return b""
        if not self._zone:
            return None
        return whole[: -len(self._zone) - 1] if whole.endswith(b"." + self._zone) else None

    @staticmethod
    def _spares(trigger: bytes, target: bytes) -> bool:
        """Whether a name is let through: as it is said now, or as of old, by pointing at itself."""
        return target == b"rpz-passthru." or target.rstrip(b".") == trigger
