"""Conversations as the kernel writes them in text: a second reading beside netlink's.

`/proc/net/nf_conntrack` and `conntrack -L` write one conversation a line in the same words (from
the kernel's nf_conntrack_standalone.c and conntrack(8), from memory; tried on both families).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from ipaddress import ip_address

from netcharter.plan.coding import ICMP, ICMP6
from netcharter.plan.shapes import Address
from netcharter.proofs.conversations import Conversation, Ends

_FAMILIES = ("ipv4", "ipv6")


@dataclass(frozen=True, slots=True)
class Tracked:
    """The conversations that a text tells of, and the lines that tell of none."""

    conversations: tuple[Conversation, ...]
    unread: tuple[str, ...]


def conversations_of(text: str) -> Tracked:
    """Read `/proc/net/nf_conntrack` or what `conntrack -L` prints. Never raises."""
    found, unread = [], []
    for line in text.splitlines():
        if not line.strip():
            continue
        one = _conversation(line)
        if one is None:
            unread.append(line)
        else:
            found.append(one)
    return Tracked(tuple(found), tuple(unread))


def _conversation(line: str) -> Conversation | None:
    words = line.split()
    if words and words[0] in _FAMILIES:
        words = words[2:]
    if len(words) < 2:
        return None
    groups: list[dict[str, str]] = []
    for word in words[2:]:
        key, equals, value = word.partition("=")
        if not equals:
            continue
        if key == "src":
            groups.append({})
        if groups:
            groups[-1].setdefault(key, value)
    protocol = _number(words[1], 255)
    if protocol is None or len(groups) != 2:
        return None
    sent, answered = (_ends(protocol, group) for group in groups)
    if sent is None or answered is None:
        return None
    rest = groups[1]
    number = None if protocol in (ICMP, ICMP6) else _number(rest.get("id", ""), (1 << 32) - 1)
    mark = _number(rest.get("mark", "0"), (1 << 32) - 1)
    zone = _number(rest.get("zone", "0"), 0xFFFF)
    if mark is None or zone is None:
        return None
    return Conversation(protocol, sent, answered, mark, zone, number)


def _ends(protocol: int, said: Mapping[str, str]) -> Ends | None:
    source, destination = _address(said.get("src", "")), _address(said.get("dst", ""))
    if source is None or destination is None or source.version != destination.version:
        return None
    names = ("id", "type", "code") if protocol in (ICMP, ICMP6) else ("sport", "dport")
    if not any(name in said for name in names):
        return Ends(source, destination, None)
    numbers = [_number(said.get(name, ""), 0xFFFF) for name in names]
    if any(number is None for number in numbers):
        return None
    first, *others = (number for number in numbers if number is not None)
    second = others[0] if len(others) == 1 else (others[0] << 8) + others[1]
    return Ends(source, destination, (first, second)) if second <= 0xFFFF else None


def _address(text: str) -> Address | None:
    try:
        return ip_address(text)
    except ValueError:
        return None


def _number(text: str, most: int) -> int | None:
    if not (text.isascii() and text.isdigit()) or len(text) > 10:
        return None
    return int(text) if int(text) <= most else None
