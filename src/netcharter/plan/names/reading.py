"""Lists of domain names as others publish them: read line by line, and believed in nothing.

    reading = read(pieces)                      # the form is recognised
    reading = read(pieces, form="hosts")        # the form is told
    reading.unusable                            # None, or why the whole can't be used
    reading.entries                             # what it holds (`entries.Entries`)
    reading.refused, reading.noted              # lines that hold nothing; lines taken otherwise
    over_wide(reading.entries)                  # entries that take in a public suffix

`pieces` is the list's file in pieces of bytes, cut anywhere: an open binary file will do (it gives
lines), or blocks as they come from a server. Memory is bounded by the entries, the largest piece and
the limits, however long the file or a line of it is; to give up, stop giving pieces, or raise: nothing
is held elsewhere. Speed: about a million lines in two seconds (benchmarks/FIGURES-names.md).

Forms, and what a line means (`forms`, `zones`):

    plain            the name and everything below it
    hosts            the name alone
    response-policy  what its records say: `name` alone, `*.name` below; listed or spared

A list of addresses is no list of names: `plan.listed` reads those. Here such lines are refused, and
so is everything else that is not exactly of the form, counted by its reason with the numbers of the
first lines and a quotation that is fit to be shown.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import chain
from typing import Literal, get_args

from netcharter.plan.names.domains import is_public_suffix
from netcharter.plan.names.entries import Entries, Entry, Gathering
from netcharter.plan.names.forms import Reader, Sink, hosts, is_front, plain
from netcharter.plan.names.nesting import too_deep, without
from netcharter.plan.names.tally import Told
from netcharter.plan.names.zones import Zone

Form = Literal["plain", "hosts", "response-policy"]
FORMS: tuple[Form, ...] = get_args(Form)

TOO_LONG = "is too long a line"
TOO_DEEP = "is an exception within exceptions, beyond what a gateway tells apart"
EMPTY = "it holds no name"
UTF16 = "it is text in UTF-16, and lists are UTF-8"
PAGE = "it is a web page and no list"
PACKED = "it is compressed"
BINARY = "it is no text"
TOO_LARGE = "it is larger than {} bytes"
TOO_MANY_LINES = "it has more than {} lines"
TOO_MANY_NAMES = "it holds more than {} names"

PIECE = 1 << 20  # bytes
SAMPLE, SAMPLE_LINES = 50, 5_000  # lines that say something, and lines, by which a form is known

_PAGE = re.compile(rb"<(?:!doctype|html|\?xml|head|body|!--)", re.IGNORECASE)
_RECORD = re.compile(rb"(?:^|\s)(?:IN\s+)?(?:CNAME|SOA|NS)\s", re.IGNORECASE)
_BEGINNINGS = {
    b"\xff\xfe": UTF16,
    b"\xfe\xff": UTF16,
    b"\x1f\x8b": PACKED,
    b"BZh": PACKED,
    b"\xfd7zXZ": PACKED,
    b"PK\x03\x04": PACKED,
    b"\x28\xb5\x2f\xfd": PACKED,
}
_MARK = b"\xef\xbb\xbf"


@dataclass(frozen=True, slots=True)
class Limits:
    """What is read of a list at most. size: bytes; line: bytes of one line, a longer one is refused
    by itself; beyond any other limit the whole list can't be used."""

    size: int = 1 << 30
    lines: int = 20_000_000
    line: int = 4_096
    names: int = 10_000_000


@dataclass(frozen=True, slots=True)
class Reading:
    """A list, read. digest: SHA-256 of the bytes that were read, in hexadecimal; size: how many;
    lines: how many of all kinds, and ignored: how many of them are blank, comment or the list's own
    affairs; unusable: completes "the list can't be used: ...", and then there are no entries."""

    form: Form
    digest: str
    size: int
    lines: int
    ignored: int
    entries: Entries
    refused: tuple[Told, ...]
    noted: tuple[Told, ...]
    unusable: str | None

    @property
    def refused_lines(self) -> int:
        """How many refusals there are (a line of a hosts file can hold several)."""
        return sum(told.count for told in self.refused)


def in_pieces(text: bytes) -> Iterator[bytes]:
    """A text that is there as a whole, as `read` takes it: its lines are never all there at once."""
    return (text[at : at + PIECE] for at in range(0, len(text), PIECE))


class _Unusable(Exception):
    """The whole list can't be used."""


@dataclass(slots=True)
class _Source:
    """The pieces as lines, none longer than the limit and a byte, with what passed by."""

    pieces: Iterable[bytes]
    limits: Limits
    size: int = 0
    lines: int = 0
    digest: hashlib._Hash = field(default_factory=hashlib.sha256)

    def read(self) -> Iterator[bytes]:
        rest, first, most = b"", True, self.limits.line + 1
        for piece in self.pieces:
            self._pass(piece)
            whole = rest + piece
            if first:
                if len(whole) < 8:
                    rest = whole
                    continue
                whole, first = _begun(whole), False
            *lines, rest = whole.split(b"\n")
            rest = rest[:most]
            yield from self._counted(lines)
        if first:
            *lines, rest = _begun(rest).split(b"\n")
            yield from self._counted(lines)
        if rest:
            yield from self._counted([rest])

    def _pass(self, piece: bytes) -> None:
        self.size += len(piece)
        self.digest.update(piece)
        if self.size > self.limits.size:
            raise _Unusable(TOO_LARGE.format(self.limits.size))

    def _counted(self, lines: list[bytes]) -> list[bytes]:
        self.lines += len(lines)
        if self.lines > self.limits.lines:
            raise _Unusable(TOO_MANY_LINES.format(self.limits.lines))
        return lines


def _begun(first: bytes) -> bytes:
    """The beginning of a file without the mark that UTF-8 files may have."""
    for beginning, reason in _BEGINNINGS.items():
        if first.startswith(beginning):
            raise _Unusable(reason)
    return first.removeprefix(_MARK)


def read(pieces: Iterable[bytes], form: Form | None = None, limits: Limits = Limits()) -> Reading:
    """A list of names. form: what it is written in, where that is known. Raises only what `pieces`
    raises."""
    source, sink = _Source(pieces, limits), Sink()
    unusable: str | None = None
    try:
        form = _take_in(source, sink, form)
        if not len(sink.found):
            unusable = EMPTY
    except _Unusable as reason:
        unusable = str(reason)
    found = _shallow(sink) if unusable is None else Gathering().done()
    return Reading(
        form or "plain",
        source.digest.hexdigest(),
        source.size,
        source.lines,
        sink.ignored,
        found,
        sink.refused.told(),
        sink.noted.told(),
        unusable,
    )


def _shallow(sink: Sink) -> Entries:
    """What is found but for exceptions that stand too deeply within others."""
    found = sink.found.done()
    deep = too_deep(found)
    for at in deep:
        entry = found.at(at)
        sink.refused.add(TOO_DEEP, entry.line, entry.name.encode())
    return without(found, deep) if deep else found


def _take_in(source: _Source, sink: Sink, form: Form | None) -> Form:
    lines = source.read()
    sample = _sample(lines)
    form = form or recognised(sample)
    zone = Zone()
    readers: dict[Form, Reader] = {"plain": plain, "hosts": hosts, "response-policy": zone}
    reader = readers[form]
    longest, most = source.limits.line, source.limits.names
    for number, line in enumerate(chain(sample, lines), 1):
        if len(line) > longest:
            sink.refused.add(TOO_LONG, number, line)
            continue
        reader(sink, number, line)
        if len(sink.found) > most:
            raise _Unusable(TOO_MANY_NAMES.format(most))
    zone.finish(sink)
    return form


def _sample(lines: Iterator[bytes]) -> list[bytes]:
    """The first lines, by which the whole is judged."""
    sample: list[bytes] = []
    telling = 0
    for line in lines:
        sample.append(line)
        if _says_something(line):
            if not telling and _PAGE.match(line.lstrip()):
                raise _Unusable(PAGE)
            telling += 1
        if telling >= SAMPLE or len(sample) >= SAMPLE_LINES:
            break
    if sample and sum(line.count(b"\0") for line in sample) > len(sample):
        raise _Unusable(BINARY)
    return sample


def _says_something(line: bytes) -> bool:
    said = line.lstrip()
    return bool(said) and said[0] not in b"#!;"


def recognised(lines: Iterable[bytes]) -> Form:
    """The form in which most of these lines are written; plain where nothing tells."""
    votes: dict[Form, int] = dict.fromkeys(FORMS, 0)
    for line in lines:
        if _says_something(line):
            votes[_vote(line)] += 1
            if line.startswith((b"$TTL", b"$ORIGIN")) or re.search(rb"\sSOA\s", line):
                return "response-policy"
    return max(FORMS, key=lambda form: votes[form])


def _vote(line: bytes) -> Form:
    words = line.partition(b"#")[0].split()
    if len(words) > 1 and is_front(words[0]):
        return "hosts"
    return "response-policy" if len(words) > 1 and _RECORD.search(line) else "plain"


def over_wide(entries: Entries) -> Iterator[Entry]:
    """Entries that take in all that is below a public suffix, and so the names of many who have
    nothing to do with each other. A second or more for a million names."""
    for entry in entries:
        if entry.below and not entry.spared and is_public_suffix(entry.name):
            yield entry
