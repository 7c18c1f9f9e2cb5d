"""Negations of neighbouring header fields, which nft may have loaded as one.

nft 1.0.6 loads `tcp sport != 1 tcp dport != 2` as one comparison of four bytes, which matches
where either field differs, and lists it as two comparisons all the same (payload_do_merge in its
src/payload.c, tried on a kernel). Loaded by another nft it matches where both differ. So where
only one of them differs nobody can tell.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

MOST_BYTES = 4  # that are compared at once
MOST_OF = {"ether": 16}  # at the link layer, tried on a kernel
_PORTS = {"sport": (0, 2), "dport": (2, 2)}
_ICMP = {"type": (0, 1), "code": (1, 1), "checksum": (2, 2), "id": (4, 2), "sequence": (6, 2)}
# Fields by their first byte and their length: RFC 791, RFC 8200, RFC 792, RFC 4443, RFC 9293,
# RFC 768, RFC 3828, RFC 9260.
LAYOUT: Mapping[str, Mapping[str, tuple[int, int]]] = {
    "ip": {
        "length": (2, 2),
        "id": (4, 2),
        "frag-off": (6, 2),
        "ttl": (8, 1),
        "protocol": (9, 1),
        "checksum": (10, 2),
    },
    "ether": {"daddr": (0, 6), "saddr": (6, 6), "type": (12, 2)},  # IEEE 802.3
    "ip6": {"length": (4, 2), "nexthdr": (6, 1), "hoplimit": (7, 1)},
    "icmp": {**_ICMP, "mtu": (6, 2)},
    "icmpv6": {**_ICMP, "max-delay": (4, 2)},
    "tcp": {**_PORTS, "flags": (13, 1), "window": (14, 2), "checksum": (16, 2), "urgptr": (18, 2)},
    "udp": {**_PORTS, "length": (4, 2), "checksum": (6, 2)},
    "udplite": {**_PORTS, "csumcov": (4, 2), "checksum": (6, 2)},
    "sctp": _PORTS,
    "dccp": _PORTS,
    "th": _PORTS,
}


def together(statements: Sequence[Any]) -> list[list[int]]:
    """The places of matches in a row that may have been loaded as one comparison, by groups."""
    placed: dict[str, list[tuple[int, int, int]]] = {}
    for at, statement in enumerate(statements):
        found = _place(statement)
        if found is not None:
            protocol, start, length = found
            placed.setdefault(protocol, []).append((start, length, at))
    groups: list[list[int]] = []
    for protocol, fields in placed.items():
        groups += _adjacent(sorted(fields), MOST_OF.get(protocol, MOST_BYTES))
    return groups


def _place(statement: Any) -> tuple[str, int, int] | None:
    said = statement.get("match") if isinstance(statement, dict) else None
    if not isinstance(said, dict) or said.get("op") != "!=":
        return None
    left, right = said.get("left"), said.get("right")
    if isinstance(right, dict) and isinstance(right.get("set"), list) and len(right["set"]) == 1:
        right = right["set"][0]
    where = left.get("payload") if isinstance(left, dict) else None
    if not isinstance(where, dict) or not isinstance(right, str | int) or str(right)[:1] == "@":
        return None
    protocol = str(where.get("protocol"))
    place = LAYOUT.get(protocol, {}).get(str(where.get("field")))
    return None if place is None else (protocol, *place)


def _adjacent(fields: Sequence[tuple[int, int, int]], most: int) -> list[list[int]]:
    groups: list[list[int]] = []
    run: list[tuple[int, int, int]] = []
    for start, length, at in fields:
        joins = run and run[-1][0] + run[-1][1] == start
        if joins and sum(one[1] for one in run) + length <= most:
            run.append((start, length, at))
        else:
            groups.append([one[2] for one in run])
            run = [(start, length, at)]
    groups.append([one[2] for one in run])
    return [group for group in groups if len(group) > 1]
