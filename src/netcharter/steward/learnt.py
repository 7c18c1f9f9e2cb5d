"""What providers have delegated, as the script of `render/delegation.py` writes it down.

One file for each line, one text line for each prefix: `PREFIX PREFERRED VALID STARTS DEVICE`, times
in seconds, the newest last. All of it comes from the provider, so nothing here is trusted: what is
not exactly of this form is left aside, and whether a prefix may be the site's is the plan's to say.

No clock decides. What the newest answer names is what is delegated: the client asks again in good
time, and tells when a time is over; a clock that is set tells nothing about that.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from ipaddress import IPv6Network

LARGEST = 4096  # bytes of a file that are read
MOST = 16  # lines
_LINE = re.compile(
    rb"([0-9a-fA-F:]{2,39}/[0-9]{1,3}) ([0-9]{1,10}) ([0-9]{1,10}) ([0-9]{1,10}) "
    rb"([A-Za-z0-9][A-Za-z0-9_.@+-]{0,14})"
)


@dataclass(frozen=True, slots=True)
class Told:
    """preferred, valid: seconds, counted from `starts`; device: over which it was told."""

    prefix: IPv6Network
    preferred: int
    valid: int
    starts: int
    device: str


def read(data: bytes) -> tuple[Told, ...]:
    """All that is of the right form, in the order of the file."""
    found = (_one(line) for line in data[:LARGEST].split(b"\n")[:MOST])
    return tuple(one for one in found if one is not None)


def _one(line: bytes) -> Told | None:
    match = _LINE.fullmatch(line)
    if match is None:
        return None
    prefix, *numbers, device = (part.decode("ascii") for part in match.groups())
    try:
        network = IPv6Network(prefix)
    except ValueError:  # bits beyond its length, among others
        return None
    preferred, valid, starts = map(int, numbers)
    return Told(network, preferred, valid, starts, device)


def mark(told: Mapping[str, Sequence[Told]]) -> str:
    """What is delegated over each line, in a word that stays the same while only times go on."""
    return " ".join(
        f"{line}={','.join(sorted(f'{one.device}:{one.prefix}:{one.preferred > 0}' for one in newest))}"
        for line, newest in ((line, _newest(found)) for line, found in told.items())
    )


def _newest(told: Sequence[Told]) -> list[Told]:
    """What the last answer named."""
    valid = [one for one in told if one.valid > 0]
    return [one for one in valid if one.starts == valid[-1].starts]


def chosen(told: Sequence[Told], device: str, now: IPv6Network | None) -> IPv6Network | None:
    """The one prefix that a line has; None where none is delegated to it any more.

    now: which it has in the plan that stands: kept as long as the newest answer names it and hosts
    may prefer it (RFC 4862 section 5.5.4), so that of several none comes and goes. Else the one that
    can be preferred for the longest.
    """
    newest = _newest([one for one in told if one.device == device])
    if any(one.prefix == now and one.preferred > 0 for one in newest):
        return now
    best = max(newest, key=lambda one: (one.preferred, one.valid), default=None)
    return None if best is None else best.prefix
