"""By what means a host gets round the gateway's resolver, or round what the rules mean: one row for
each, with the ports it uses by the document that says so.

The page `docs/explanation/around.md` shows this table, and a test compares them. A row that is
`hidden` looks like something else: where that is let, nobody can tell from outside whether it is
this. Numbers are as in the IANA registries of ports and protocols.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from netcharter.plan import coding
from netcharter.plan.coding import ICMP, ICMP6, TCP, UDP
from netcharter.space.ranges import Ranges, ranges, subtract, union

To = Literal["internet", "neighbours", "another-line", "resolver"]
PRACTICE = "common practice, no source"
PORTS = 2 * 65_536  # of TCP and UDP together


@dataclass(frozen=True, slots=True)
class Channel:
    """One means. services: coded as in `plan.coding`; to: where it leads; hidden: it can't be told
    from what it looks like; counted: what is let of it is told as a share of so many."""

    key: str
    name: str
    services: Ranges
    means: str
    source: str
    hidden: bool = False
    to: To = "internet"
    counted: int = 0


def _of(*parts: tuple[int, int]) -> Ranges:
    return ranges(*(coding.service(*part) for part in parts))


NAMES: Sequence[Channel] = (
    Channel(
        "other-resolvers",
        "other resolvers",
        _of((UDP, 53), (TCP, 53)),
        "look-ups that the gateway's resolver never sees",
        "RFC 1035 section 4.2",
    ),
    Channel(
        "dns-over-tls",
        "DNS over TLS",
        _of((TCP, 853)),
        "the same, and nobody on the way can read them",
        "RFC 7858 section 3.1",
    ),
    Channel(
        "dns-over-quic",
        "DNS over QUIC or DTLS",
        _of((UDP, 853)),
        "the same",
        "RFC 9250 section 4.1.1, RFC 8094 section 3.1",
    ),
    Channel(
        "dns-over-https",
        "DNS over HTTPS",
        _of((TCP, 443), (UDP, 443)),
        "look-ups that look like any other https",
        "RFC 8484",
        hidden=True,
    ),
    Channel(
        "quic",
        "QUIC",
        _of((UDP, 443)),
        "https that hides more of itself than over TCP; where it is refused, programs take TCP",
        "RFC 9000, RFC 9114 section 3.1",
    ),
    Channel(
        "resolver",
        "data in look-ups",
        _of((UDP, 53), (TCP, 53)),
        "the gateway's own resolver asks whom a name belongs to, who may answer with anything",
        PRACTICE,
        hidden=True,
        to="resolver",
    ),
    Channel(
        "literal-addresses",
        "addresses without a name",
        coding.REAL_SERVICES,
        "who knows an address looks up no name, so no list of names is asked",
        "RFC 3986 section 3.2.2",
    ),
)

TUNNELS: Sequence[Channel] = (
    Channel("ip-in-ip", "IPv4 in IP", _of((4, 0)), "a tunnel", "RFC 2003, RFC 2473"),
    Channel("ipv6-in-ip", "IPv6 in IP", _of((41, 0)), "a tunnel", "RFC 4213, RFC 2473"),
    Channel("gre", "GRE", _of((47, 0)), "a tunnel", "RFC 2784"),
    Channel("esp", "ESP", _of((50, 0)), "a tunnel that is encrypted", "RFC 4303"),
    Channel("ah", "AH", _of((51, 0)), "a tunnel", "RFC 4302"),
    Channel(
        "ike",
        "IKE and ESP in UDP",
        _of((UDP, 500), (UDP, 4500)),
        "begins a tunnel, and carries it",
        "RFC 7296 section 2, RFC 3948",
    ),
    Channel("l2tp", "L2TP", _of((UDP, 1701), (115, 0)), "a tunnel", "RFC 2661, RFC 3931"),
    Channel("pptp", "PPTP", _of((TCP, 1723)), "begins a tunnel", "RFC 2637"),
    Channel("teredo", "Teredo", _of((UDP, 3544)), "IPv6 in UDP", "RFC 4380"),
    Channel("wireguard", "WireGuard", _of((UDP, 51820)), "a tunnel that is encrypted", PRACTICE),
    Channel(
        "tunnel-1194",
        "tunnels on port 1194",
        _of((UDP, 1194), (TCP, 1194)),
        "a tunnel that is encrypted",
        "IANA registry of ports",
    ),
    Channel("socks", "SOCKS", _of((TCP, 1080)), "a proxy that passes on anything", "RFC 1928"),
    Channel(
        "proxies",
        "proxies of the web",
        _of((TCP, 3128), (TCP, 8080)),
        "a proxy that passes on anything (CONNECT, RFC 9110 section 9.3.6)",
        PRACTICE,
    ),
    Channel(
        "ssh",
        "SSH",
        _of((TCP, 22)),
        "carries any other connection",
        "RFC 4254 section 7",
    ),
    Channel(
        "inside-https",
        "tunnels inside https",
        _of((TCP, 443), (UDP, 443)),
        "a proxy that looks like any other https",
        "RFC 9110 section 9.3.6, RFC 9298",
        hidden=True,
    ),
    Channel(
        "inside-pings",
        "data in pings",
        _of((ICMP, 8 << 8), (ICMP6, 128 << 8)),
        "an echo request carries any data",
        "RFC 792, RFC 4443 section 4.1",
        hidden=True,
    ),
)


# Those of them together that look like nothing else; no row of the page.
TUNNELLING = Channel(
    "tunnels",
    "tunnels and proxies",
    union(*(one.services for one in TUNNELS if not one.hidden)),
    "carries any other connection",
    PRACTICE,
)


def _named() -> Ranges:
    return union(*(one.services for one in (*NAMES, *TUNNELS) if one.key != "literal-addresses"))


_PORTED = ranges(coding.service(TCP, 0, 65535), coding.service(UDP, 0, 65535))
_OTHERS = subtract(
    coding.REAL_SERVICES,
    union(_PORTED, ranges(*(coding.service(one, 0, 65535) for one in (ICMP, ICMP6)))),
)
OTHER_PORTS = subtract(_PORTED, _named())
OTHER_PROTOCOLS = subtract(_OTHERS, _named())

REST: Sequence[Channel] = (
    Channel(
        "other-ports",
        "any other TCP or UDP port",
        OTHER_PORTS,
        "whatever listens there may be a resolver, a proxy or a tunnel",
        PRACTICE,
        hidden=True,
        counted=sum(high - low + 1 for low, high in OTHER_PORTS),
    ),
    Channel(
        "other-protocols",
        "any other protocol of IP",
        OTHER_PROTOCOLS,
        "the same",
        "IANA registry of protocols",
        hidden=True,
    ),
    Channel(
        "neighbours",
        "neighbours on a line",
        coding.REAL_SERVICES,
        "a provider's box, or whoever shares the line's own network, may pass anything on",
        PRACTICE,
        to="neighbours",
    ),
    Channel(
        "another-line",
        "another line",
        coding.REAL_SERVICES,
        "what one provider withholds another may not; the charter's own rules are the same on all",
        PRACTICE,
        to="another-line",
    ),
)

CHANNELS: Sequence[Channel] = (*NAMES, *TUNNELS, *REST)
