"""The names that nft lists in place of numbers, with the numbers of the published registries.

ICMP and ICMPv6 types and codes: IANA's parameter registries (RFC 792, RFC 4443, RFC 4861, RFC 2710,
RFC 3810, RFC 3122, RFC 2894) under the names of nft(8); protocols: IANA's protocol numbers under the
names of /etc/protocols; TCP flags: RFC 9293 section 3.1.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

SYMBOLS: dict[str, dict[str, int]] = {
    "icmp type": {
        "echo-reply": 0,
        "destination-unreachable": 3,
        "source-quench": 4,
        "redirect": 5,
        "echo-request": 8,
        "router-advertisement": 9,
        "router-solicitation": 10,
        "time-exceeded": 11,
        "parameter-problem": 12,
        "timestamp-request": 13,
        "timestamp-reply": 14,
        "info-request": 15,
        "info-reply": 16,
        "address-mask-request": 17,
        "address-mask-reply": 18,
    },
    "icmp code": {
        "net-unreachable": 0,
        "host-unreachable": 1,
        "prot-unreachable": 2,
        "port-unreachable": 3,
        "frag-needed": 4,
        "net-prohibited": 9,
        "host-prohibited": 10,
        "admin-prohibited": 13,
    },
    "icmpv6 type": {
        "destination-unreachable": 1,
        "packet-too-big": 2,
        "time-exceeded": 3,
        "parameter-problem": 4,
        "echo-request": 128,
        "echo-reply": 129,
        "mld-listener-query": 130,
        "mld-listener-report": 131,
        "mld-listener-done": 132,
        "mld-listener-reduction": 132,
        "nd-router-solicit": 133,
        "nd-router-advert": 134,
        "nd-neighbor-solicit": 135,
        "nd-neighbor-advert": 136,
        "nd-redirect": 137,
        "router-renumbering": 138,
        "ind-neighbor-solicit": 141,
        "ind-neighbor-advert": 142,
        "mld2-listener-report": 143,
    },
    "icmpv6 code": {
        "no-route": 0,
        "admin-prohibited": 1,
        "addr-unreachable": 3,
        "port-unreachable": 4,
        "policy-fail": 5,
        "reject-route": 6,
    },
    "tcpflags": {"fin": 1, "syn": 2, "rst": 4, "psh": 8, "ack": 16, "urg": 32},
    "state": {"invalid": 1, "established": 2, "related": 4, "new": 8, "untracked": 64},
    "status": {
        "expected": 1,
        "seen-reply": 2,
        "assured": 4,
        "confirmed": 8,
        "snat": 16,
        "dnat": 32,
    },
    "nfproto": {"ipv4": 2, "ipv6": 10},
    "fib type": {"unicast": 1, "local": 2, "broadcast": 3, "anycast": 4, "multicast": 5},
}


def _protocols() -> dict[str, int]:
    """What the C library calls protocols, which is what nft asks."""
    out = {}
    for line in Path("/etc/protocols").read_text(encoding="utf-8").splitlines():
        words = line.partition("#")[0].split()
        if len(words) >= 2:
            out[words[0]] = int(words[1])
    return out


SYMBOLS["proto"] = _protocols()


def number_of(kind: str, said: Any) -> int:
    """The number of a listed value. Raises LookupError for a name nobody knows."""
    if isinstance(said, int):
        return said
    if isinstance(said, list):  # flags, one of which is enough
        return sum(SYMBOLS[kind][one] for one in said)
    return SYMBOLS[kind][said]
