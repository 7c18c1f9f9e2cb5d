"""Special-purpose addresses: a table of our own after the IANA registries, and what it means.

The registries are those of RFC 6890 with the changes of RFC 8190 (which renamed the column
"global" to "globally reachable") and the blocks that later documents added. Rows of tables 9, 13
and 14 of RFC 6890 and its other IPv4 rows are as printed there; the rest is from memory, checked
against the tables of packaged libraries in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from ipaddress import IPv4Network, IPv6Network, ip_network

from netcharter.charter.model import Charter
from netcharter.plan import coding
from netcharter.space.ranges import Ranges, subset, subtract, union


@dataclass(frozen=True, slots=True)
class Block:
    """One row of the registry; None where it says "not applicable"."""

    network: IPv4Network | IPv6Network
    name: str
    rfc: str
    source: bool | None
    destination: bool | None
    forwardable: bool | None
    reachable: bool | None  # globally
    reserved: bool  # by protocol
    printed: bool  # as printed in RFC 6890; otherwise from memory


_FLAGS: dict[str, bool | None] = {"T": True, "F": False, "-": None}

# network, name, RFC, then source, destination, forwardable, globally reachable, reserved;
# "printed" for the rows that stand in RFC 6890 as they are here.
_TABLE = """
0.0.0.0/8          | this host on this network           | RFC 1122 | TFFFT | printed
10.0.0.0/8         | private use                         | RFC 1918 | TTTFF | printed
100.64.0.0/10      | shared address space                | RFC 6598 | TTTFF | printed
127.0.0.0/8        | loopback                            | RFC 1122 | FFFFT | printed
169.254.0.0/16     | link local                          | RFC 3927 | TTFFT | printed
172.16.0.0/12      | private use                         | RFC 1918 | TTTFF | printed
192.0.0.0/24       | IETF protocol assignments           | RFC 6890 | FFFFF | printed
192.0.0.0/29       | IPv4 service continuity (DS-Lite)   | RFC 6333 | TTTFF | printed
192.0.0.8/32       | IPv4 dummy address                  | RFC 7600 | TFFFF |
192.0.0.9/32       | port control protocol anycast       | RFC 7723 | TTTTF |
192.0.0.10/32      | relays around NAT anycast           | RFC 8155 | TTTTF |
192.0.0.170/32     | NAT64 discovery                     | RFC 8880 | FFFFT |
192.0.0.171/32     | NAT64 discovery                     | RFC 8880 | FFFFT |
192.0.2.0/24       | documentation (TEST-NET-1)          | RFC 5737 | FFFFF | printed
192.31.196.0/24    | AS112 in IPv4                       | RFC 7535 | TTTTF |
192.52.193.0/24    | automatic multicast tunnelling      | RFC 7450 | TTTTF |
192.88.99.0/24     | 6to4 relay anycast, deprecated      | RFC 7526 | ----F |
192.88.99.2/32     | 6a44 relay anycast                  | RFC 6751 | TTTFF |
192.168.0.0/16     | private use                         | RFC 1918 | TTTFF | printed
192.175.48.0/24    | AS112 by direct delegation          | RFC 7534 | TTTTF |
198.18.0.0/15      | benchmarking                        | RFC 2544 | TTTFF | printed
198.51.100.0/24    | documentation (TEST-NET-2)          | RFC 5737 | FFFFF | printed
203.0.113.0/24     | documentation (TEST-NET-3)          | RFC 5737 | FFFFF | printed
240.0.0.0/4        | reserved                            | RFC 1112 | FFFFT |
255.255.255.255/32 | limited broadcast                   | RFC 919  | FTFFT |
::1/128            | loopback                            | RFC 4291 | FFFFT |
::/128             | unspecified address                 | RFC 4291 | TFFFT |
::ffff:0:0/96      | IPv4-mapped addresses               | RFC 4291 | FFFFT |
64:ff9b::/96       | translation between IPv4 and IPv6   | RFC 6052 | TTTTF |
64:ff9b:1::/48     | local translation                   | RFC 8215 | TTTFF |
100::/64           | discard only                        | RFC 6666 | TTTFF |
100:0:0:1::/64     | dummy prefix                        | RFC 9780 | TFFFF |
2001::/23          | IETF protocol assignments           | RFC 2928 | FFFFF |
2001::/32          | Teredo                              | RFC 4380 | TTT-F |
2001:1::1/128      | port control protocol anycast       | RFC 7723 | TTTTF |
2001:1::2/128      | relays around NAT anycast           | RFC 8155 | TTTTF |
2001:1::3/128      | service registration anycast        | RFC 9665 | TTTTF |
2001:2::/48        | benchmarking                        | RFC 5180 | TTTFF |
2001:3::/32        | automatic multicast tunnelling      | RFC 7450 | TTTTF |
2001:4:112::/48    | AS112 in IPv6                       | RFC 7535 | TTTTF |
2001:10::/28       | ORCHID, deprecated                  | RFC 4843 | ----F |
2001:20::/28       | ORCHID, version 2                   | RFC 7343 | TTTTF |
2001:30::/28       | drone remote identification         | RFC 9374 | TTTTF |
2001:db8::/32      | documentation                       | RFC 3849 | FFFFF |
2002::/16          | 6to4                                | RFC 3056 | TTT-F |
2620:4f:8000::/48  | AS112 by direct delegation          | RFC 7534 | TTTTF |
3fff::/20          | documentation                       | RFC 9637 | FFFFF |
5f00::/16          | segment identifiers                 | RFC 9602 | TTTFF |
fc00::/7           | unique local unicast                | RFC 4193 | TTTFF |
fe80::/10          | link-local unicast                  | RFC 4291 | TTFFT |
"""


def _block(line: str) -> Block:
    network, name, rfc, flags, printed = (cell.strip() for cell in line.split("|"))
    source, destination, forwardable, reachable, reserved = (_FLAGS[flag] for flag in flags)
    return Block(
        ip_network(network), name, rfc, source, destination, forwardable, reachable,
        bool(reserved), printed == "printed",
    )  # fmt: skip


BLOCKS: tuple[Block, ...] = tuple(map(_block, _TABLE.strip().splitlines()))
MULTICAST = (  # RFC 5771, RFC 919, RFC 4291 section 2.7
    IPv4Network("224.0.0.0/4"),
    IPv4Network("255.255.255.255/32"),
    IPv6Network("ff00::/8"),
)
_NEVER_FORWARDED = frozenset(
    "0.0.0.0/8 127.0.0.0/8 169.254.0.0/16 240.0.0.0/4 ::/128 ::1/128 ::ffff:0:0/96 fe80::/10".split()
)
_HANDED_OUT = coding.network(IPv4Network("0.0.0.0/0"), IPv6Network("2000::/3"))


def special() -> Ranges:
    """The coded addresses that are not globally reachable, and multicast.

    A more specific row decides within a wider one, as the registry's own notes to 192.0.0.0/24
    and 2001::/23 say. "Not applicable" is no promise that an address is reachable: it counts as
    not.
    """
    out: Ranges = ()
    for block in sorted(BLOCKS, key=lambda b: b.network.prefixlen):
        change = subtract if block.reachable else union
        out = change(out, coding.network(block.network))
    return union(out, coding.network(*MULTICAST))


NEVER_FORWARDED = coding.network(
    *(b.network for b in BLOCKS if str(b.network) in _NEVER_FORWARDED), *MULTICAST
)


def ordinary(charter: Charter) -> Ranges:
    """What the charter says is real: networks and next hops of lines, prefixes of places.

    A place's prefix counts only where it lies within one block: a wide one that happens to hold
    special blocks says nothing about them.
    """
    lines = charter.lines.values()
    prefixes = (p for place in charter.places.values() for p in place.prefixes)
    real = union(
        coding.network(*(i.network for line in lines for i in line.addresses)),
        coding.addresses(hop for line in lines for hop in line.next_hops),
        coding.network(*(p for p in prefixes if _within_one_block(p))),
    )
    return subtract(real, NEVER_FORWARDED)


def _within_one_block(prefix: IPv4Network | IPv6Network) -> bool:
    inside = coding.network(prefix)
    return any(subset(inside, coding.network(block.network)) for block in BLOCKS)


def internet(charter: Charter, own: Ranges) -> Ranges:
    """Every address that is neither the site's own nor special, with what the charter calls real.

    In IPv6 only 2000::/3 is handed out to anyone (RFC 4291 section 2.4, IANA). What stands for an
    IPv4 address, where a line leads to a translator, is internet where that is, whatever else is said
    of it: nothing else is translated (RFC 6052 section 3.1). Without a translator the prefix that all
    share leads nowhere.
    """
    outer = union(subtract(_HANDED_OUT, special()), ordinary(charter))
    stand_ins = coding.network(coding.WELL_KNOWN, *charter.translators)
    real = subtract(outer, union(own, stand_ins))
    return subtract(coding.with_translated(real, charter.translators), own)
