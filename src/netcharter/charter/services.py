"""Services: written out, and those that have a name everywhere.

The names and numbers follow the IANA registries "Service Name and Transport Protocol Port
Number", "Protocol Numbers" and "ICMP Type Numbers" (RFC 6335), written down from memory and
compared in the tests with the machine's own list of services.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache

Part = tuple[int, int, int]  # protocol, first and last port, ICMP type * 256 + code, or 0

PORTED = {"tcp": 6, "udp": 17, "dccp": 33, "sctp": 132, "udplite": 136}
TYPED = {"icmp": 1, "icmpv6": 58}
FORMS = "`tcp/8443`, `udp/5000-5010`, `icmp/8`, `icmpv6/128` or `protocol/47`"
NUMBER = r"(?:0|[1-9][0-9]{0,4})"
WRITTEN = re.compile(
    rf"(?P<ported>tcp|udp|dccp|sctp|udplite)/(?P<first>{NUMBER})(?:-(?P<last>{NUMBER}))?"
    rf"|(?P<typed>icmp|icmpv6)/(?P<type>{NUMBER})(?:/(?P<code>{NUMBER}))?"
    rf"|protocol/(?P<number>{NUMBER})"
)

REGISTERED = """
echo tcp/7 udp/7
discard tcp/9 udp/9
daytime tcp/13 udp/13
chargen tcp/19 udp/19
ftp-data tcp/20
ftp tcp/21
ssh tcp/22
telnet tcp/23
smtp tcp/25
time tcp/37 udp/37
whois tcp/43
tacacs tcp/49 udp/49
domain tcp/53 udp/53
bootps udp/67
bootpc udp/68
tftp udp/69
gopher tcp/70
finger tcp/79
http tcp/80
kerberos tcp/88 udp/88
acr-nema tcp/104
pop3 tcp/110
sunrpc tcp/111 udp/111
nntp tcp/119
ntp udp/123
epmap tcp/135 udp/135
netbios-ns udp/137
netbios-dgm udp/138
netbios-ssn tcp/139
imap tcp/143
snmp udp/161
snmp-trap udp/162
xdmcp udp/177
bgp tcp/179
irc tcp/194
ptp-event udp/319
ptp-general udp/320
rtsps tcp/322
ldap tcp/389
svrloc tcp/427 udp/427
https tcp/443
microsoft-ds tcp/445
kpasswd tcp/464 udp/464
submissions tcp/465
isakmp udp/500
mbap tcp/502
syslog udp/514
printer tcp/515
rip udp/520
ripng udp/521
dhcpv6-client udp/546
dhcpv6-server udp/547
afpovertcp tcp/548
rtsp tcp/554
nntps tcp/563
submission tcp/587
ipp tcp/631
ldaps tcp/636
netconf-ssh tcp/830
domain-s tcp/853 udp/853
rsync tcp/873
ftps-data tcp/989
ftps tcp/990
telnets tcp/992
imaps tcp/993
pop3s tcp/995
socks tcp/1080
ms-sql-s tcp/1433
l2tp udp/1701
h323hostcall tcp/1720
pptp tcp/1723
radius udp/1812
radius-acct udp/1813
mqtt tcp/1883
ssdp udp/1900
nfs tcp/2049 udp/2049
radsec tcp/2083
hl7 tcp/2575
iscsi-target tcp/3260
mysql tcp/3306
ms-wbt-server tcp/3389 udp/3389
stun tcp/3478 udp/3478
turn tcp/3478 udp/3478
svn tcp/3690
ws-discovery udp/3702
radius-dynauth udp/3799
ipsec-nat-t udp/4500
vxlan udp/4789
opcua-tcp tcp/4840
avt-profile-1 udp/5004
avt-profile-2 udp/5005
sip tcp/5060 udp/5060
sips tcp/5061
xmpp-client tcp/5222
capwap-control udp/5246
capwap-data udp/5247
xmpp-server tcp/5269
stuns tcp/5349 udp/5349
turns tcp/5349 udp/5349
pcp udp/5351
mdns udp/5353
llmnr tcp/5355 udp/5355
postgresql tcp/5432
amqps tcp/5671
amqp tcp/5672
coap udp/5683
coaps udp/5684
rfb tcp/5900
wsman tcp/5985
wsmans tcp/5986
syslog-tls tcp/6514
ircs-u tcp/6697
http-alt tcp/8080
secure-mqtt tcp/8883
pdl-datastream tcp/9100
git tcp/9418
dicom tcp/11112
bacnet udp/47808
"""

# Trade names beside the registered ones: common practice, no source.
TRADE = """
dns tcp/53 udp/53
dns-over-tls tcp/853
http3 udp/443
quic udp/443
smb tcp/445
rdp tcp/3389 udp/3389
vnc tcp/5900
lpd tcp/515
printing tcp/9100
wake-on-lan udp/9
wireguard udp/51820
traceroute udp/33434-33534
ping icmp/8 icmpv6/128
gre protocol/47
esp protocol/50
ah protocol/51
igmp protocol/2
ospf protocol/89
"""


def parse_written(text: str) -> Part | None:
    """The part that a written-out service means, or None if it is not one."""
    match = WRITTEN.fullmatch(text)
    if match is None:
        return None
    if match["ported"]:
        first = int(match["first"])
        last = int(match["last"] or first)
        return (PORTED[match["ported"]], first, last) if first <= last <= 65535 else None
    if match["typed"]:
        kind, code = int(match["type"]), match["code"]
        if kind > 255 or int(code or 0) > 255:
            return None
        first = kind << 8 | int(code or 0)
        return TYPED[match["typed"]], first, first if code else first | 255
    number = int(match["number"])
    return protocol_part(number) if number <= 255 else None


def protocol_part(number: int) -> Part:
    """All of one IP protocol: with all its ports or types, where it has them."""
    divided = number in PORTED.values() or number in TYPED.values()
    return number, 0, 65535 if divided else 0


@cache
def builtin() -> Mapping[str, tuple[Part, ...]]:
    """The services that every charter knows, by name."""
    known: dict[str, tuple[Part, ...]] = {}
    for line in (REGISTERED + TRADE).split("\n"):
        name, *written = line.split() or [""]
        parts = tuple(part for part in map(parse_written, written) if part is not None)
        if parts:
            known[name] = parts
    return known
