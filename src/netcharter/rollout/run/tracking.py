"""The conversations that a kernel tracks: listed, and cut one by one, by netlink.

A stock host need not have the text of them: `/proc/net/nf_conntrack` hangs on how the kernel was
built, `conntrack` on a package. The netlink way is in every kernel that can track at all (the
kernel's nfnetlink_conntrack.h; RFC 3549).
"""

from __future__ import annotations

import errno
import socket
import struct
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address

from netcharter.rollout.run.netlink import Netfilter, attribute, attributes

_GET, _DELETE = 1 << 8 | 1, 1 << 8 | 2  # NFNL_SUBSYS_CTNETLINK; IPCTNL_MSG_CT_GET, ..._DELETE
_SENT, _ANSWERED, _MARK, _NUMBER, _ZONE = 1, 2, 8, 12, 18  # CTA_TUPLE_ORIG, ..._REPLY, CTA_*
_STATUS, _HEARD = 3, 1 << 1  # CTA_STATUS; IPS_SEEN_REPLY (nf_conntrack_common.h)
_COUNTS, _PACKETS = (9, 10), 1  # CTA_COUNTERS_ORIG, ..._REPLY; CTA_COUNTERS_PACKETS
_ADDRESSES, _PROTOCOL = 1, 2  # CTA_TUPLE_IP, CTA_TUPLE_PROTO
_FROM_TO = {4: (1, 2), 6: (3, 4)}  # CTA_IP_V4_SRC and so on
_KIND, _PORTS = 1, (2, 3)  # CTA_PROTO_NUM, CTA_PROTO_SRC_PORT, ..._DST_PORT
# CTA_PROTO_ICMP_ID, ..._TYPE, ..._CODE, by the numbers of ICMP and ICMPv6 (IANA, protocol numbers)
_ECHO = {1: (4, 5, 6), 58: (7, 8, 9)}
_NESTED = 0x8000  # NLA_F_NESTED
_HEAD = 4  # bytes of struct nfgenmsg
_FAMILIES = {4: socket.AF_INET, 6: socket.AF_INET6}

Address = IPv4Address | IPv6Address


@dataclass(frozen=True, slots=True)
class Direction:
    """From where to where. ports: source and destination; of ICMP the identifier, and type * 256 +
    code; None where the protocol has none or the kernel does not tell."""

    source: Address
    destination: Address
    ports: tuple[int, int] | None


@dataclass(frozen=True, slots=True)
class Tracked:
    """A conversation as the kernel tracks it. sent: as it began; answered: the direction of the
    answers; mark: its ct mark; number: the kernel's own for it, where it is told; packets: both ways so
    far, where they are counted; heard: whether an answer came, so that it is established."""

    protocol: int
    sent: Direction
    answered: Direction
    mark: int = 0
    zone: int = 0
    number: int | None = None
    packets: int | None = None
    heard: bool = False


def conversations(kernel: Netfilter) -> tuple[Tracked, ...]:
    """Every conversation that is tracked, of both families. Raises OSError if the kernel refuses,
    EffectFailed if they change all the time."""
    listed = kernel.everything(_GET, bytes(_HEAD))
    found = (_conversation(attributes(body[_HEAD:])) for body in listed)
    return tuple(one for one in found if one is not None)


def cut(kernel: Netfilter, one: Tracked) -> bool:
    """No longer track a conversation: what still comes of it must be let anew. False if it was over
    already. Raises OSError if the kernel refuses.
    """
    body = struct.pack(">BBH", _FAMILIES[one.sent.source.version], 0, 0)
    body += attribute(_SENT | _NESTED, _tuple(one.protocol, one.sent))
    if one.zone:
        body += attribute(_ZONE, struct.pack(">H", one.zone))
    if one.number is not None:
        body += attribute(_NUMBER, struct.pack(">I", one.number))
    try:
        kernel.order(_DELETE, body)
    except OSError as fault:
        if fault.errno != errno.ENOENT:
            raise
        return False
    return True


# --- as the kernel writes them -------------------------------------------------------------------


def _conversation(said: dict[int, bytes]) -> Tracked | None:
    """None for what is no conversation of IPv4 or IPv6."""
    sent, answered = (_ends(said.get(side, b"")) for side in (_SENT, _ANSWERED))
    if sent is None or answered is None:
        return None
    return Tracked(
        sent[0],
        sent[1],
        answered[1],
        int.from_bytes(said.get(_MARK, b""), "big"),
        int.from_bytes(said.get(_ZONE, b""), "big"),
        int.from_bytes(said[_NUMBER], "big") if _NUMBER in said else None,
        _packets(said),
        bool(int.from_bytes(said.get(_STATUS, b""), "big") & _HEARD),
    )


def _packets(said: dict[int, bytes]) -> int | None:
    counts = [attributes(said[side]).get(_PACKETS) for side in _COUNTS if side in said]
    return sum(int.from_bytes(one or b"", "big") for one in counts) if counts else None


def _ends(said: bytes) -> tuple[int, Direction] | None:
    parts = attributes(said)
    addresses = attributes(parts.get(_ADDRESSES, b""))
    protocol = attributes(parts.get(_PROTOCOL, b""))
    found = next((pair for pair in _FROM_TO.values() if set(pair) <= set(addresses)), None)
    if found is None or _KIND not in protocol:
        return None
    source, destination = (_address(addresses[place]) for place in found)
    kind = protocol[_KIND][0]
    return kind, Direction(source, destination, _ports(kind, protocol))


def _address(data: bytes) -> Address:
    return IPv4Address(data) if len(data) == 4 else IPv6Address(data)


def _ports(protocol: int, said: dict[int, bytes]) -> tuple[int, int] | None:
    places = _ECHO.get(protocol, _PORTS)
    if any(place not in said for place in places):
        return None
    first, *others = (int.from_bytes(said[place], "big") for place in places)
    return (first, others[0] if len(others) == 1 else (others[0] << 8) + others[1])


def _tuple(protocol: int, ends: Direction) -> bytes:
    source, destination = _FROM_TO[ends.source.version]
    addresses = attribute(source, ends.source.packed)
    addresses += attribute(destination, ends.destination.packed)
    said = attribute(_KIND, bytes((protocol,)))
    if ends.ports is not None and protocol in _ECHO:
        number, kind, code = _ECHO[protocol]
        said += attribute(number, struct.pack(">H", ends.ports[0]))
        said += attribute(kind, bytes((ends.ports[1] >> 8,)))
        said += attribute(code, bytes((ends.ports[1] & 0xFF,)))
    elif ends.ports is not None:
        for place, port in zip(_PORTS, ends.ports, strict=True):
            said += attribute(place, struct.pack(">H", port))
    return attribute(_ADDRESSES | _NESTED, addresses) + attribute(_PROTOCOL | _NESTED, said)
