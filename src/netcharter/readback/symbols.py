"""The names that nft lists in place of numbers.

ICMP types and codes, conntrack states and status bits, TCP flags, route types: the names of nft(8)
1.0.6 (`nft describe`) for the numbers of IANA's registries and of the kernel's headers
(nf_conntrack_common.h, rtnetlink.h). Protocols: IANA's protocol numbers under the names of the
usual /etc/protocols, which is what nft looks them up in.
"""

from __future__ import annotations

from collections.abc import Mapping

ICMP_TYPES: Mapping[str, int] = {
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
}
ICMP_CODES: Mapping[str, int] = {
    "net-unreachable": 0,
    "host-unreachable": 1,
    "prot-unreachable": 2,
    "port-unreachable": 3,
    "frag-needed": 4,
    "net-prohibited": 9,
    "host-prohibited": 10,
    "admin-prohibited": 13,
}
ICMPV6_TYPES: Mapping[str, int] = {
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
}
ICMPV6_CODES: Mapping[str, int] = {
    "no-route": 0,
    "admin-prohibited": 1,
    "addr-unreachable": 3,
    "port-unreachable": 4,
    "policy-fail": 5,
    "reject-route": 6,
}
TCP_FLAGS: Mapping[str, int] = {
    "fin": 1,
    "syn": 2,
    "rst": 4,
    "psh": 8,
    "ack": 16,
    "urg": 32,
    "ecn": 64,
    "cwr": 128,
}
CT_STATES: Mapping[str, int] = {
    "invalid": 1,
    "established": 2,
    "related": 4,
    "new": 8,
    "untracked": 64,
}
CT_STATUS: Mapping[str, int] = {
    "expected": 1,
    "seen-reply": 2,
    "assured": 4,
    "confirmed": 8,
    "snat": 16,
    "dnat": 32,
    "dying": 512,
}
CT_DIRECTIONS: Mapping[str, int] = {"original": 0, "reply": 1}
FAMILIES: Mapping[str, int] = {"ipv4": 2, "ip": 2, "ipv6": 10, "ip6": 10}
ETHER_TYPES: Mapping[str, int] = {
    "ip": 0x0800,
    "arp": 0x0806,
    "ip6": 0x86DD,
    "8021q": 0x8100,
    "vlan": 0x8100,
    "8021ad": 0x88A8,
}
ROUTE_TYPES: Mapping[str, int] = {
    "unspec": 0,
    "unicast": 1,
    "local": 2,
    "broadcast": 3,
    "anycast": 4,
    "multicast": 5,
    "blackhole": 6,
    "unreachable": 7,
    "prohibit": 8,
}
DCCP_TYPES: Mapping[str, int] = {
    "request": 0,
    "response": 1,
    "data": 2,
    "ack": 3,
    "dataack": 4,
    "closereq": 5,
    "close": 6,
    "reset": 7,
    "sync": 8,
    "syncack": 9,
}
PROTOCOLS: Mapping[str, int] = {
    name: int(number)
    for name, number in (
        pair.split("=")
        for pair in (
            "ip=0 hopopt=0 icmp=1 igmp=2 ggp=3 ipencap=4 st=5 tcp=6 egp=8 igp=9 pup=12 udp=17 "
            "hmp=20 xns-idp=22 rdp=27 iso-tp4=29 dccp=33 xtp=36 ddp=37 idpr-cmtp=38 ipv6=41 "
            "ipv6-route=43 ipv6-frag=44 idrp=45 rsvp=46 gre=47 esp=50 ah=51 skip=57 ipv6-icmp=58 "
            "icmpv6=58 ipv6-nonxt=59 ipv6-opts=60 rspf=73 vmtp=81 eigrp=88 ospf=89 ospfigp=89 "
            "ax.25=93 ipip=94 etherip=97 encap=98 pim=103 ipcomp=108 comp=108 vrrp=112 l2tp=115 "
            "isis=124 sctp=132 fc=133 mobility-header=135 mh=135 udplite=136 mpls-in-ip=137 "
            "manet=138 hip=139 shim6=140 wesp=141 rohc=142 ethernet=143"
        ).split()
    )
}
PACKET_TYPES: Mapping[str, int] = {  # linux/if_packet.h
    "host": 0,
    "unicast": 0,
    "broadcast": 1,
    "multicast": 2,
    "other": 3,
}
NAMES: Mapping[str, Mapping[str, int]] = {
    "icmp type": ICMP_TYPES,
    "icmp code": ICMP_CODES,
    "icmpv6 type": ICMPV6_TYPES,
    "icmpv6 code": ICMPV6_CODES,
    "flags": TCP_FLAGS,
    "state": CT_STATES,
    "status": CT_STATUS,
    "direction": CT_DIRECTIONS,
    "family": FAMILIES,
    "ether type": ETHER_TYPES,
    "route type": ROUTE_TYPES,
    "dccp type": DCCP_TYPES,
    "protocol": PROTOCOLS,
    "packet type": PACKET_TYPES,
}
"""By the kind of value (see `values`)."""

PRIORITIES: Mapping[str, int] = {
    "raw": -300,
    "mangle": -150,
    "dstnat": -100,
    "filter": 0,
    "security": 50,
    "srcnat": 100,
}
"""Names of priorities in nft(8), should a listing bear them."""
