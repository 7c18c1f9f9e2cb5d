"""Protocols and ports as the services of a charter: by name where they have one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache

from netcharter.charter.services import PORTED, TRADE, TYPED, Part, builtin, protocol_part
from netcharter.plan import coding
from netcharter.space.ranges import ranges, subset

_WORD = {number: word for word, number in (PORTED | TYPED).items()}
ANYTHING = ("anything",)
SHORT = 4  # ports
SIP = ((coding.TCP, 5060), (coding.UDP, 5060), (coding.TCP, 5061))
FEW = 40_000  # a rule about more ports than that is not about telephones


def service_names(parts: Sequence[Part]) -> tuple[str, ...]:
    """The names that together mean exactly these parts; no parts at all mean anything."""
    codes = ranges(*(coding.service(*part) for part in parts))
    if not parts or subset(coding.REAL_SERVICES, codes):
        return ANYTHING
    pieces = [piece for low, high in codes for piece in _by_protocol(low, high)]
    left = [single for piece in pieces for single in _singles(piece)]
    found: list[tuple[int, str]] = []
    for name, meant in _known():
        if all(part in left for part in meant):
            found.append((coding.service(*meant[0])[0], name))
            left = [part for part in left if part not in meant]
    again = ranges(*(coding.service(*part) for part in left))
    for low, high in again:
        for part in _by_protocol(low, high):
            found += [(low, text) for text in _written(part)]
    return tuple(name for _, name in sorted(found, key=lambda one: one[0]))


def calling(parts: Sequence[Part]) -> bool:
    """Is this about telephones: SIP (RFC 3261 section 18), and not about everything?"""
    ports = sum(last - first + 1 for _, first, last in parts)
    sip = any(p == q and a <= port <= b for p, a, b in parts for q, port in SIP)
    return sip and ports < FEW


def _singles(part: Part) -> Iterator[Part]:
    """A short stretch of ports one by one, so that neighbours with names get them."""
    number, low, high = part
    if number in PORTED.values() and high - low < SHORT:
        yield from ((number, port, port) for port in range(low, high + 1))
    else:
        yield part


def _by_protocol(low: int, high: int) -> Iterator[Part]:
    """A range of service codes as one part for each protocol that it touches."""
    for number in range(low >> 16, (high >> 16) + 1):
        whole = protocol_part(number)
        first = max(low - (number << 16), 0)
        last = min(high - (number << 16), whole[2])
        if first <= last:
            yield number, first, last


@cache
def _known() -> Sequence[tuple[str, tuple[Part, ...]]]:
    """Services by name, those of more parts first, and of two alike the trade's own name."""
    trade = {line.split()[0] for line in TRADE.split("\n") if line}
    order = sorted(builtin().items(), key=lambda item: (-len(item[1]), item[0] not in trade))
    return tuple({meant: (name, meant) for name, meant in reversed(order)}.values())[::-1]


def _written(part: Part) -> Iterator[str]:
    number, low, high = part
    if part == protocol_part(number):
        yield f"protocol/{number}"
    elif number in PORTED.values():
        yield f"{_WORD[number]}/{low}" if low == high else f"{_WORD[number]}/{low}-{high}"
    elif number in TYPED.values():
        for kind in range(low >> 8, (high >> 8) + 1):
            first, last = max(low, kind << 8) & 255, min(high, kind << 8 | 255) & 255
            codes = [""] if (first, last) == (0, 255) else [f"/{c}" for c in range(first, last + 1)]
            yield from (f"{_WORD[number]}/{kind}{code}" for code in codes)
