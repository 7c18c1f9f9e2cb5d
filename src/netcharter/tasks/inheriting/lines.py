"""Foreign text, line by line: what can't be read is told and counted, and never stops the rest.

The files of an old gateway are hostile input: any of them may be another file than it is said to
be, cut short, in another encoding, or written by whoever could choose the name of a computer.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from ipaddress import ip_address

from netcharter.charter import values
from netcharter.charter.model import Address
from netcharter.charter.values import Wrong, quoted
from netcharter.diagnostics import Diagnostic, Severity, Span
from netcharter.diagnostics.escape import HIDDEN

MOST_BYTES = 32_000_000  # of one file
LONGEST_LINE = 4_000  # characters
FEW = 3  # entries that are told one by one, for each reason
BREAK = re.compile(r"\r\n|\r|\n")  # as findings count lines
BREAK_BYTES = re.compile(rb"\r\n|\r|\n")
UTF16 = (b"\xff\xfe", b"\xfe\xff")
OCTETS = re.compile(r"[0-9A-Fa-f]{1,2}(?:([:-])[0-9A-Fa-f]{1,2})(?:\1[0-9A-Fa-f]{1,2}){4}")


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a file; number counts from 1."""

    number: int
    text: str


@dataclass(slots=True)
class Told:
    """What there is to say about one file: the first few entries of each reason, then a count."""

    name: str
    found: list[Diagnostic] = field(default_factory=list)
    counts: dict[tuple[str, str], int] = field(default_factory=dict)
    last: dict[tuple[str, str], Diagnostic] = field(default_factory=dict)

    def span(self, line: Line, start: int = 0, end: int | None = None) -> Span:
        """A stretch of a line, in characters from 0; the whole of it unless said."""
        stop = min(len(line.text), LONGEST_LINE) if end is None else end
        return Span(self.name, line.number, start + 1, line.number, max(stop, start + 1) + 1)

    def say(
        self,
        id: str,
        reason: str,
        span: Span,
        *,
        detail: str = "",
        help: str | None = None,
        severity: Severity = "warning",
    ) -> None:
        """One thing to say. reason: one of a few, so that there is an end to what is told."""
        key = (id, reason)
        self.counts[key] = self.counts.get(key, 0) + 1
        message = f"{reason}: {detail}" if detail else reason
        found = Diagnostic(id, severity, message, span, help=help)
        if self.counts[key] <= FEW:
            self.found.append(found)
        self.last[key] = found

    def unread(self, reason: str, span: Span, detail: str = "", help: str | None = None) -> None:
        """An entry that is not as its format says."""
        self.say("entry-not-read", reason, span, detail=detail, help=help)

    def left_out(self, reason: str, span: Span, detail: str = "", help: str | None = None) -> None:
        """An entry that is understood, but has no place in a charter."""
        self.say("entry-left-out", reason, span, detail=detail, help=help, severity="note")

    def unfollowed(self, other: str, span: Span) -> None:
        """A file that this one names."""
        self.say("file-not-followed", "another file belongs to this one", span,
                 detail=quoted(other), help="name it as well", severity="note")  # fmt: skip

    def all(self) -> tuple[Diagnostic, ...]:
        """Everything, in order of place, with a count where there was more of one kind."""
        more = [
            Diagnostic(
                "and-more", "note",
                f"{count - FEW} more entries of this file, up to here: {reason}",
                self.last[id, reason].span,
            )
            for (id, reason), count in self.counts.items()
            if count > FEW
        ]  # fmt: skip
        return tuple(sorted([*self.found, *more], key=lambda d: (d.span.line, d.span.column)))


def good_lines(data: str | bytes, told: Told, every: bool = False) -> list[Line]:
    """The lines that can be read: of bounded length, in UTF-8, without unseen characters.

    The others are told. Columns count in characters, tabs as one. every: those that hold what is not
    seen, or is no UTF-8, are told and come all the same.
    """
    if len(data) > MOST_BYTES:
        told.say("too-much-to-read", "this file has more than 32 million bytes", whole(told.name),
                 severity="error", help="give the part of it that is in use")  # fmt: skip
        return []
    return list(_lines(data, told, every))


def whole(name: str) -> Span:
    """A file as such."""
    return Span(name, 1, 1, 1, 2)


def shown(data: str | bytes) -> str:
    """The text to underline in, line for line as `good_lines` counts them."""
    if isinstance(data, str):
        return data.removeprefix("\ufeff")
    head = data[:MOST_BYTES]
    if head.startswith(UTF16):
        return head.decode("utf-16", errors="replace")
    return head.decode("utf-8", errors="replace").removeprefix("\ufeff")


def _lines(data: str | bytes, told: Told, every: bool) -> Iterator[Line]:
    for number, raw in enumerate(_split(data), 1):
        line = _decoded(number, raw, told, every)
        if line is None:
            continue
        if len(line.text) > LONGEST_LINE:
            told.unread(f"a line of more than {LONGEST_LINE} characters", told.span(line, 0, 40))
            continue
        bad = HIDDEN.search(line.text.replace("\t", " "))
        if bad is not None:
            told.unread("a character that is not seen", told.span(line, bad.start(), bad.end()),
                        f"U+{ord(bad.group()):04X}", None if every else "delete it")  # fmt: skip
            if not every:
                continue
        yield line


def _split(data: str | bytes) -> Sequence[str | bytes]:
    if isinstance(data, bytes) and not data.startswith(UTF16):
        return BREAK_BYTES.split(data.removeprefix(b"\xef\xbb\xbf"))
    text = data if isinstance(data, str) else data.decode("utf-16", errors="replace")
    return BREAK.split(text.removeprefix("\ufeff"))


def _decoded(number: int, raw: str | bytes, told: Told, every: bool) -> Line | None:
    if isinstance(raw, str):
        return Line(number, raw)
    try:
        return Line(number, raw.decode("utf-8"))
    except UnicodeDecodeError as error:
        before = raw[: error.start].decode("utf-8", errors="replace")
        place = Line(number, before[:LONGEST_LINE])
        told.unread("a line that is not UTF-8", told.span(place, len(place.text)),
                    help=None if every else "save the file as UTF-8")  # fmt: skip
        return Line(number, raw.decode("utf-8", errors="replace")) if every else None


# Values that several formats share


def hardware_of(text: str) -> int | None:
    """A 48-bit hardware address; octets may have one digit. None where it is no single host's."""
    if OCTETS.fullmatch(text):
        text = ":".join(octet.zfill(2) for octet in re.split("[:-]", text))
    try:
        return values.hardware(text)
    except Wrong:
        return None


def address_of(text: str) -> Address | None:
    """An address of a host."""
    try:
        found = ip_address(text if len(text) < 64 and "%" not in text else "")
    except ValueError:
        return None
    usable = not (found.is_multicast or found.is_unspecified or found.is_loopback)
    return found if usable else None
