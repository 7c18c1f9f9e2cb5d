"""Names that are never asked for outside, and what no answer from outside may hold.

Each with the document that says so; rows of RFC 6303 and RFC 6761 from memory of their tables.
"""

from __future__ import annotations

from ipaddress import IPv4Network, IPv6Network
from typing import Final

CANARY: Final = "use-application-dns.net"
LOCALHOST: Final = "localhost"
HOME: Final = "home.arpa"

# Zones below which nothing is of the world: name -> the document.
NOWHERE: Final = {
    "invalid": "RFC 6761 section 6.4",
    "test": "RFC 6761 section 6.2",
    "local": "RFC 6762 section 22.1",
    "onion": "RFC 7686 section 2",
    "alt": "RFC 9476 section 2",
    "internal": "ICANN board resolution 2024.07.29.06",
    HOME: "RFC 8375 section 4",
    "resolver.arpa": "RFC 9462 section 6.4",
}

_OCTETS = (
    "0 10 127 254.169 168.192 2.0.192 100.51.198 113.0.203 255.255.255.255"
    " 16.172 17.172 18.172 19.172 20.172 21.172 22.172 23.172 24.172 25.172 26.172 27.172 28.172"
    " 29.172 30.172 31.172"
)
_NIBBLES = (
    "0." * 31 + "0",  # ::
    "1." + "0." * 30 + "0",  # ::1
    "d.f", "8.e.f", "9.e.f", "a.e.f", "b.e.f", "8.b.d.0.1.0.0.2",
)  # fmt: skip
REVERSE: Final = {
    **{f"{octets}.in-addr.arpa": "RFC 6303 section 4" for octets in _OCTETS.split()},
    **{f"{number}.100.in-addr.arpa": "RFC 7793 section 2" for number in range(64, 128)},
    **{f"{nibbles}.ip6.arpa": "RFC 6303 section 4" for nibbles in _NIBBLES},
}

# No name outside leads inside: this host, private, shared, link-local and local addresses (RFC 6890
# tables 1-20), beside the site's own. Common practice against rebinding, no source.
INSIDE: Final[tuple[IPv4Network | IPv6Network, ...]] = (
    *map(IPv4Network, ("0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8",
                       "169.254.0.0/16", "172.16.0.0/12", "192.168.0.0/16")),
    *map(IPv6Network, ("::/128", "::1/128", "::ffff:0:0/96", "fc00::/7", "fe80::/10")),
)  # fmt: skip


def zones_of(network: IPv4Network | IPv6Network) -> list[str]:
    """The names below which the addresses of a network are asked for, as few as say no more."""
    step = 8 if network.version == 4 else 4
    length = -(-max(network.prefixlen, step) // step) * step
    parts = [network] if length == network.prefixlen else network.subnets(new_prefix=length)
    return [_zone(part, length // step) for part in parts]


def _zone(network: IPv4Network | IPv6Network, labels: int) -> str:
    whole = network.network_address.reverse_pointer.split(".")
    total = 4 if network.version == 4 else 32
    return ".".join(whole[total - labels :])
