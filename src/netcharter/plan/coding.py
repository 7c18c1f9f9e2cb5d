"""Addresses, hardware addresses and services as integers, so that sets of them are ranges.

An IPv4 address is its number; an IPv6 address is 2**32 plus its number; after those come two
symbols per line, standing for the unknown IPv4 and IPv6 address of a line whose address is
automatic. A service is protocol * 65536 plus a port, an ICMP type * 256 + code, or 0.
"""

from __future__ import annotations

from collections.abc import Iterable
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network

from netcharter.space.ranges import Ranges, intersect, ranges, union

V6 = 1 << 32
SYMBOLS = V6 + (1 << 128)
MAX_LINES = 6
SPARE = MAX_LINES  # stands for the unknown address of any line that is not the plan's own
ADDRESS_SIZE = SYMBOLS + 2 * (MAX_LINES + 1)
HARDWARE_NONE = 1 << 48
HARDWARE_SIZE = HARDWARE_NONE + 1
SERVICE_SIZE = 256 << 16

ICMP, TCP, UDP, DCCP, ICMP6, SCTP, UDPLITE = 1, 6, 17, 33, 58, 132, 136
PROTOCOLS = {
    ICMP: "icmp",
    TCP: "tcp",
    UDP: "udp",
    DCCP: "dccp",
    ICMP6: "icmpv6",
    SCTP: "sctp",
    UDPLITE: "udplite",
}
PORTED = (TCP, UDP, DCCP, SCTP, UDPLITE)

ANY4: Ranges = ranges((0, V6 - 1), *((SYMBOLS + 2 * i, SYMBOLS + 2 * i) for i in range(SPARE + 1)))
ANY6: Ranges = ranges(
    (V6, SYMBOLS - 1), *((SYMBOLS + 2 * i + 1, SYMBOLS + 2 * i + 1) for i in range(SPARE + 1))
)
ANY_HARDWARE: Ranges = ranges((0, HARDWARE_SIZE - 1))
LOCAL_HARDWARE: Ranges = ranges((0, HARDWARE_NONE - 1))
NO_HARDWARE: Ranges = ranges((HARDWARE_NONE, HARDWARE_NONE))
ANY_SERVICE: Ranges = ranges((0, SERVICE_SIZE - 1))
REAL_SERVICES: Ranges = ranges(  # the codes that an attempt can have
    *(
        (p << 16, (p << 16) + (0xFFFF if p in PORTED or p in (ICMP, ICMP6) else 0))
        for p in range(256)
    )
)

WELL_KNOWN = IPv6Network("64:ff9b::/96")  # of translators to IPv4, RFC 6052 section 2.1

NOBODY, GUEST = "", "*guest"  # neither can be a person's name in a charter


def address(value: IPv4Address | IPv6Address) -> int:
    """The code of a numeric address."""
    return int(value) if value.version == 4 else V6 + int(value)


def unknown(line: int, family: int) -> int:
    """The code of the unknown address of line number `line` (from 1) in family 4 or 6."""
    return SYMBOLS + 2 * (line - 1) + (0 if family == 4 else 1)


def network(*networks: IPv4Network | IPv6Network) -> Ranges:
    """All addresses of the given networks."""
    return ranges(*((address(n[0]), address(n[-1])) for n in networks))


def addresses(values: Iterable[IPv4Address | IPv6Address]) -> Ranges:
    return ranges(*((address(v), address(v)) for v in values))


def with_translated(found: Ranges, translators: Iterable[IPv6Network]) -> Ranges:
    """A set, and the IPv6 addresses that stand for its IPv4 addresses: a translator of a provider
    leads from them there, and back. translators: prefixes of /96, where the last 32 bits are the IPv4
    address (RFC 6052 section 2.2)."""
    four = intersect(found, ((0, V6 - 1),))
    bases = (address(one[0]) for one in translators)
    return union(found, *(tuple((base + a, base + b) for a, b in four) for base in bases))


def meant(found: Ranges, translators: Iterable[IPv6Network]) -> Ranges:
    """The IPv4 addresses that IPv6 addresses of a set stand for."""
    bases = ((address(one[0]), intersect(found, network(one))) for one in translators)
    return union(*(tuple((a - base, b - base) for a, b in part) for base, part in bases))


def decode(code: int) -> IPv4Address | IPv6Address | tuple[int, int]:
    """The address of a code, or (line number, family) for an unknown address."""
    if code < V6:
        return IPv4Address(code)
    if code < SYMBOLS:
        return IPv6Address(code - V6)
    return (code - SYMBOLS) // 2 + 1, 4 if (code - SYMBOLS) % 2 == 0 else 6


def hardware_text(number: int) -> str:
    """A hardware address with colons."""
    return ":".join(f"{number:012x}"[i : i + 2] for i in range(0, 12, 2))


def service(protocol: int, first: int = 0, last: int | None = None) -> tuple[int, int]:
    """The code range of one protocol's ports (or type and code numbers) first..last."""
    return (protocol << 16) + first, (protocol << 16) + (first if last is None else last)
