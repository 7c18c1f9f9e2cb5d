"""The small network around the kernel under test: who is where. Both sides of the pipe read it.

Every device is a TAP device: what the tests write into it arrives as if by a cable, what leaves by
it can be read. Addresses are those of documentation (RFC 5737, RFC 3849) and RFC 4193.
"""

from __future__ import annotations

from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address, ip_address, ip_network

Address = IPv4Address | IPv6Address

OWN = ""  # as a packet's entrance: the host itself sends it


@dataclass(frozen=True)
class Device:
    """A device of the host, and who lives behind it (each with a permanent neighbour entry)."""

    name: str
    number: int
    own: tuple[str, ...]  # with prefix lengths
    hosts: tuple[str, ...]

    @property
    def hardware(self) -> str:
        return f"02:00:00:00:01:{self.number:02x}"

    @property
    def broadcast(self) -> tuple[str, ...]:
        """What reaches all of its networks."""
        networks = (ip_network(entry, strict=False) for entry in self.own if "." in entry)
        return tuple(str(network.broadcast_address) for network in networks)


DEVICES = (
    Device(
        "lan0",
        1,
        ("192.0.2.1/26", "2001:db8:0:1::1/64", "fd00:0:0:1::1/64", "fe80::1/64"),
        ("192.0.2.10", "192.0.2.11", "192.0.2.40", "2001:db8:0:1::10", "fd00:0:0:1::44"),
    ),
    Device(
        "lan1",
        2,
        ("192.0.2.65/26", "2001:db8:0:2::1/64", "fe80::2/64"),
        ("192.0.2.70", "192.0.2.100", "192.0.2.126", "2001:db8:0:2::10", "2001:db8:0:2:8000::7"),
    ),
    Device(
        "tap0",
        3,
        ("198.51.100.1/25", "2001:db8:0:3::1/64", "fe80::3/64"),
        ("198.51.100.5", "198.51.100.64", "2001:db8:0:3::5", "2001:db8:0:3::64"),
    ),
    Device(
        "tap1",
        4,
        ("198.51.100.129/25", "2001:db8:0:4::1/64", "fe80::4/64"),
        ("198.51.100.130", "198.51.100.200", "2001:db8:0:4::130", "2001:db8:0:4::200"),
    ),
    Device(
        "up0",
        5,
        ("203.0.113.2/24", "203.0.113.3/24", "2001:db8:0:ff::2/64", "fe80::5/64"),
        ("203.0.113.1", "203.0.113.77", "2001:db8:0:ff::1", "2001:db8:0:ff::77"),
    ),
)
NAMES = tuple(device.name for device in DEVICES)

FAR = ("10.1.2.3", "100.64.9.9", "8.8.8.8", "2600::1:2", "2a00:7::53", "2001:db8:aaaa::1")
NOWHERE = ("10.66.0.9", "fd66::9")  # nobody knows a way there
BROADCAST = ("255.255.255.255", "192.0.2.63", "198.51.100.255", "203.0.113.255")
GROUPS = ("224.0.0.251", "239.1.2.3", "ff02::fb", "ff05::1:3")  # joined on every device
NEAR = "fe80::99"  # some other machine's, on every link
HARDWARE = ("02:00:00:00:02:01", "02:00:00:00:02:02", "02:00:00:aa:00:03", "06:11:22:33:44:55")


def own_addresses(version: int) -> tuple[str, ...]:
    """The host's own addresses of a family, link-local ones too."""
    found = [entry.split("/")[0] for device in DEVICES for entry in device.own]
    return tuple(entry for entry in found if ip_address(entry).version == version)


def device_of(address: str) -> str:
    """The device whose networks hold an address, or the one of the default route."""
    for device in DEVICES:
        for entry in device.own:
            if ip_address(address) in ip_network(entry, strict=False):
                return device.name
    return "up0"


def batch() -> str:
    """For `ip -batch`: everything above, on devices that exist already."""
    lines = ["link set dev lo up"]
    for device in DEVICES:
        lines += [
            f"link set dev {device.name} addrgenmode none address {device.hardware}",
            f"link set dev {device.name} up",
        ]
        for entry in device.own:
            quiet = " nodad" if ":" in entry else ""
            lines.append(f"address add {entry} dev {device.name}{quiet}")
        for number, host in enumerate((*device.hosts, NEAR)):
            there = f"lladdr 02:00:00:00:{device.number + 16:02x}:{number:02x} nud permanent"
            lines.append(f"neighbour add {host} dev {device.name} {there}")
    return "\n".join(
        [
            *lines,
            "route add default via 203.0.113.1",
            "route add unreachable 10.66.0.0/16",
            "route add 2000::/3 via 2001:db8:0:ff::1",
            "",
        ]
    )


# No noise of the kernel's own, no limit on its answers, forwarding. Checksums are not looked at by
# the connection tracking: it takes the right ones of UDP-Lite (RFC 3828) for wrong ones.
SETTINGS = {
    "net/ipv4/ip_forward": "1",
    "net/ipv6/conf/all/forwarding": "1",
    "net/netfilter/nf_conntrack_checksum": "0",
    "net/ipv4/icmp_ratemask": "0",
    "net/ipv4/icmp_ratelimit": "0",
    "net/ipv6/icmp/ratelimit": "0",
    "net/ipv6/icmp/ratemask": "",
    "net/ipv4/icmp_echo_ignore_all": "1",
    "net/ipv6/icmp/echo_ignore_all": "1",
    "net/ipv4/conf/all/send_redirects": "0",
    "net/ipv4/conf/all/rp_filter": "0",
    "net/ipv6/conf/all/accept_dad": "0",
    "net/ipv4/igmp_qrv": "1",
    "net/ipv6/mld_qrv": "1",
}
SETTLED = 0.3  # seconds until the last of what the kernel says of itself at the start is said
PER_DEVICE = {
    # Nobody is looked for. Errors that wait for an answer take room from those of every other
    # namespace: the kernel has one socket a processor for all of them (from memory; tried: some 155
    # that wait silence all others, for the three seconds that the kernel looks).
    "net/ipv4/neigh/{}/mcast_solicit": "0",
    "net/ipv6/neigh/{}/mcast_solicit": "0",
    # Reports of memberships: one each, at once.
    "net/ipv4/conf/{}/igmpv3_unsolicited_report_interval": "1",
    "net/ipv4/conf/{}/igmpv2_unsolicited_report_interval": "1",
    "net/ipv6/conf/{}/mldv1_unsolicited_report_interval": "1",
    "net/ipv4/conf/{}/send_redirects": "0",
    "net/ipv4/conf/{}/rp_filter": "0",
    "net/ipv6/conf/{}/accept_dad": "0",
    "net/ipv6/conf/{}/accept_ra": "0",
    "net/ipv6/conf/{}/router_solicitations": "0",
    "net/ipv6/conf/{}/mldv2_unsolicited_report_interval": "1",
}
