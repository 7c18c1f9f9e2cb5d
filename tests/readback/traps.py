"""Small rulesets, each about one thing that is easily misread. The kernel judges, as always.

Where a meaning is written down it is in nft(8); where not, in the kernel's nf_tables, nf_nat and
nf_conntrack (6.18, from memory): here every one is tried.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import product

from tests.readback.frames import GRE, ICMP, ICMP6, LITE, SCTP, TCP, UDP, Sent
from tests.readback.ground import DEVICES, NEAR, OWN

HARDWARE = ("02:00:00:00:02:01", "06:11:22:33:44:55")


def _table(*chains: str, family: str = "inet", first: str = "") -> str:
    body = "\n".join(chains)
    return f"table {family} t {{\n{first}\n{body}\n}}\n"


def _chain(hook: str, *rules: str, kind: str = "filter", priority: int = 0, end: str = "") -> str:
    name = f"{kind}_{hook}_{abs(priority)}"
    lines = "\n".join(rules)
    policy = f"policy {end};" if end else ""
    return f"chain {name} {{ type {kind} hook {hook} priority {priority}; {policy}\n{lines}\n}}"


def _inner(name: str, *rules: str) -> str:
    lines = "\n".join(rules)
    return f"chain {name} {{\n{lines}\n}}"


NAMED = "counter a { }\ncounter b { }\ncounter c { }\ncounter d { }"

TRAPS: dict[str, str] = {
    "the other family's ICMP fits no conversation": _table(
        _chain("forward", "ct state invalid counter name a drop", "ct state new counter name b"),
        first=NAMED,
    ),
    "translation to where nobody is on the link": _table(
        _chain(
            "prerouting",
            "tcp dport 80 dnat ip6 to ::1",
            "tcp dport 443 dnat ip6 to ::",
            "udp dport 53 dnat ip6 to fe80:1::99",
            kind="nat",
            priority=-100,
        ),
        _chain("forward", "counter name a"),
        _chain("input", "counter name b"),
        first=NAMED,
    ),
    "translation to another machine on the link": _table(
        _chain("prerouting", f"dnat ip6 to {NEAR}", kind="nat", priority=-100),
        _chain("forward", "tcp dport 80 drop", "counter name a"),
        _chain("input", "counter name b"),
        first=NAMED,
    ),
    "the host's own packets, sent to where nobody is": _table(
        _chain("output", "tcp dport 80 dnat ip to 10.66.0.9", kind="nat", priority=-100),
        _chain("output", "udp dport 53 dnat ip6 to fd66::9", kind="nat", priority=-90),
    ),
    "a missing option is missing in other headers, too": _table(
        _chain("forward", "meta l4proto != tcp tcp option maxseg missing drop"),
        _chain("input", "meta l4proto != tcp tcp option maxseg exists drop"),
    ),
    "what a statement reads must be there: elements that are added": _table(
        _chain(
            "forward",
            "tcp dport 22 update @who4 { ip saddr } accept",
            "tcp dport 80 update @who6 { ip6 saddr } counter name a accept",
            "add @ports { tcp dport } accept",
            "iifname . ip saddr . udp dport @seen4 drop",
            end="drop",
        ),
        _chain("input", "udp dport 53 add @pairs { ip saddr . udp dport } drop"),
        first=NAMED
        + """
        set who4 { type ipv4_addr; size 999; flags dynamic,timeout; timeout 1m; }
        set who6 { type ipv6_addr; size 999; flags dynamic,timeout; timeout 1m; }
        set ports { type inet_service; size 999; flags dynamic,timeout; timeout 1m; }
        set pairs { type ipv4_addr . inet_service; size 999; flags dynamic,timeout; timeout 1m; }
        set seen4 { type ifname . ipv4_addr . inet_service; }""",
    ),
    "what a statement reads must be there: headers that are written": _table(
        _chain(
            "forward",
            "tcp dport 22 ip dscp set cs1 accept",
            "tcp dport 80 ip6 hoplimit set 33 accept",
            "ip ttl set 44 udp dport 53 accept",
            "tcp dport 443 ip6 dscp set cs1 counter name a",
            end="drop",
        ),
        _chain(
            "output", "tcp dport 80 ip ttl set 9 drop", "meta priority set 1:1 udp dport 53 drop"
        ),
        first=NAMED,
    ),
    "a key that a map lacks ends the rule: counters, limits, priorities": _table(
        _chain(
            "forward",
            'counter name ip saddr map { 192.0.2.10 : "a", 192.0.2.70 : "b" } accept',
            'tcp dport 443 counter name tcp dport map { 443 : "c" } accept',
            "meta priority set ip6 saddr map { 2001:db8:0:1::10 : 1:10 } accept",
            "udp dport 53 meta priority set udp dport map { 53 : 1:10 } accept",
            'ip protocol gre limit name ip daddr map { 203.0.113.77 : "wide" } accept',
            end="drop",
        ),
        first=NAMED + "\nlimit wide { rate 100000/second; }",
    ),
    "before tracking, every packet is invalid": _table(
        _chain(
            "prerouting",
            "ct state invalid counter name a",
            "ct state new counter name b drop",
            "ct state untracked counter name c drop",
            "ct mark 0 counter name d drop",
            priority=-300,
        ),
        _chain("forward", "ct state new tcp dport 80 drop"),
        first=NAMED,
    ),
    "a connection mark set before tracking is lost, the rule goes on": _table(
        _chain("prerouting", "ct mark set 1 counter name a", priority=-300),
        _chain("forward", "ct mark 1 drop", "ct mark 0 tcp dport 80 drop"),
        _chain("input", "ct mark != 1 udp dport 53 drop"),
        first=NAMED,
    ),
    "marks last from hook to hook": _table(
        _chain("prerouting", "meta mark set 0x15 ct mark set meta mark", priority=-150),
        _chain("forward", "meta mark and 0xf == 5 ct mark 0x15 tcp dport 80 drop"),
        _chain("forward", "ct mark set ct mark or 0x100 meta mark set 0", priority=-10),
        _chain("postrouting", "ct mark 0x115 udp dport 53 drop", "meta mark != 0 drop"),
        _chain("input", "meta mark 0x15 ct mark 0x15 tcp dport 443 reject"),
    ),
    "arithmetic of marks": _table(
        _chain(
            "prerouting",
            "meta mark set 0xff",
            "meta mark set meta mark << 28",
            "ct mark set meta mark >> 4",
            "ct mark set ct mark xor 0xf0f0f0f0",
            "ct mark set ct mark and 0xffffff0f or 0x3",
            priority=-150,
        ),
        _chain(
            "forward",
            "ct mark 0xfff0f003 tcp dport 80 drop",
            "ct mark and 0xff != 0x3 drop",
            "ct mark 0xfff0f0f3 drop",
            "meta mark 0xf0000000 udp dport 53 drop",
            "ct mark xor 0x3 == 0xfff0f000 tcp dport 443 reject",
            "ct mark 0xff000000-0xffffffff ip protocol gre drop",
        ),
    ),
    "where a map has no answer the rule ends": _table(
        _chain(
            "forward",
            "meta mark set tcp dport map { 80 : 1, 443 : 2 } counter name a",
            "meta mark 0 tcp dport 22 drop",
            "meta mark 2 drop",
            'ct mark set iifname map { "lan0" : 3, "tap0" : 4 } counter name b',
            "ct mark 3 udp dport 53 reject",
            "ct mark vmap { 0 : drop, 3 : accept }",
        ),
        first=NAMED,
    ),
    "nat chains keep to their places whatever their priority": _table(
        _chain("prerouting", "tcp dport 443 dnat ip to 198.51.100.5:80", kind="nat", priority=200),
        _chain("prerouting", "tcp dport 443 counter name a", priority=-101),
        _chain("prerouting", "tcp dport 443 counter name b drop", priority=-99),
        _chain("prerouting", "tcp dport 80 counter name c", priority=-98),
        _chain("postrouting", "ip saddr 192.0.2.10 counter name d", priority=99),
        _chain("postrouting", "masquerade", kind="nat", priority=-150),
        first=NAMED,
    ),
    "the first translation counts": _table(
        _chain("prerouting", "tcp dport 80 dnat ip to 198.51.100.5", kind="nat", priority=-90),
        _chain("prerouting", "tcp dport { 80, 443 } accept", kind="nat", priority=-110),
        _chain("prerouting", "meta l4proto tcp redirect to :22", kind="nat", priority=-80),
    ),
    "no translation without tracking": _table(
        _chain("prerouting", "udp dport 53 notrack", priority=-300),
        _chain("output", "udp dport 53 notrack", priority=-300),
        _chain("prerouting", "meta l4proto udp dnat ip to 198.51.100.5", kind="nat", priority=-100),
        _chain("output", "meta l4proto udp dnat ip to 198.51.100.5", kind="nat", priority=-100),
        _chain("postrouting", "masquerade", kind="nat", priority=100),
        _chain("forward", "ct state untracked udp dport 53 ip daddr 203.0.113.77 drop"),
        _chain("input", "ct state { invalid, untracked } reject"),
    ),
    "translation of another family goes on to the next rule": _table(
        _chain(
            "prerouting",
            "tcp dport 80 dnat ip6 to 2001:db8:0:3::5",
            "tcp dport 80 counter name a dnat ip to 198.51.100.5",
            "tcp dport 443 dnat ip to 192.0.2.1",
            "counter name b",
            kind="nat",
            priority=-100,
        ),
        first=NAMED,
    ),
    "redirect goes to the entrance's own address": _table(
        _chain(
            "prerouting",
            "tcp dport 80 redirect to :8080",
            "udp dport 53 redirect",
            kind="nat",
            priority=-100,
        ),
        _chain("output", "tcp dport 80 redirect to :8080", kind="nat", priority=-100),
        _chain("input", "tcp dport 8080 fib daddr type local counter name a"),
        _chain("forward", "tcp dport 80 drop", "ct status dnat drop"),
        first=NAMED,
    ),
    "as sent and as delivered": _table(
        _chain("prerouting", "tcp dport 443 dnat ip to 192.0.2.70:80", kind="nat", priority=-100),
        _chain(
            "forward",
            "meta l4proto tcp ct original ip daddr 203.0.113.2 ct original proto-dst 443 accept",
            "ct status dnat ip saddr 198.51.100.5 reject",
            "ip daddr 192.0.2.70 tcp dport 80 ct status ! dnat drop",
            "ct original ip saddr 192.0.2.0/24 tcp dport 80 reject with icmpx host-unreachable",
        ),
    ),
    "sources are hidden last": _table(
        _chain("postrouting", 'oifname "up0" masquerade', kind="nat", priority=100),
        _chain("postrouting", "ip saddr 192.0.2.10 counter name a", priority=0),
        _chain("postrouting", "ip saddr 192.0.2.10 counter name b", priority=101),
        _chain("postrouting", "ct status snat tcp dport 80 drop", priority=110),
        first=NAMED,
    ),
    "a source of one's own choice": _table(
        _chain(
            "postrouting",
            'oifname "up0" snat ip to 203.0.113.3',
            'oifname "up0" snat ip6 to 2001:db8:0:ff::2',
            'oifname "tap*" masquerade',
            kind="nat",
            priority=100,
        ),
        _chain("input", "tcp dport 80 snat ip to 192.0.2.99", kind="nat", priority=100),
    ),
    "return and the end of a chain lead to the policy": _table(
        _inner("inner", "tcp dport 80 return", "tcp dport 443 accept", "counter name a"),
        _chain(
            "forward",
            "udp dport 53 return",
            "tcp dport { 80, 443, 22 } jump inner",
            "tcp dport 80 counter name b accept",
            end="drop",
        ),
        _chain("input", "tcp dport 80 return", "accept", end="drop"),
        first=NAMED,
    ),
    "goto does not come back to where it was": _table(
        _inner("deep", "tcp dport 80 return", "udp dport 53 drop"),
        _inner("middle", "goto deep", "counter name a drop"),
        _inner(
            "outer", "jump middle", "counter name b", "tcp dport 443 return", "ip protocol 47 drop"
        ),
        _chain("forward", "jump outer", "tcp dport 443 counter name c reject with tcp reset"),
        _chain("input", "goto outer", "counter name d drop", end="drop"),
        first=NAMED,
    ),
    "accept ends one base chain only": _table(
        _chain("forward", "accept", priority=-10),
        _chain("forward", "tcp dport 80 drop", priority=11),
        _chain("prerouting", "udp dport 53 accept", "udp dport 53 drop", priority=-5),
    ),
    "chains of several tables by priority": _table(
        _chain("forward", "meta mark set 1 tcp dport 80 accept", priority=5), family="ip"
    )
    + "table inet u {\nchain x { type filter hook forward priority 4;\n"
    + "meta mark 1 drop\nudp dport 53 meta mark set 2\n}\n"
    + "chain y { type filter hook forward priority 6;\nmeta mark 1 reject\nmeta mark 2 drop\n}\n}\n"
    + "table ip6 v {\nchain z { type filter hook forward priority 0; policy drop;\n"
    + "tcp dport 80 accept\n}\n}\n",
    "at one priority the newer chain comes first": _table(
        _chain("forward", "tcp dport 80 meta mark set 1", "tcp dport 443 meta mark 1 drop"),
        _inner("empty"),
    )
    + "table ip u {\nchain x { type filter hook forward priority 0;\n"
    + "tcp dport 80 meta mark 1 drop\ntcp dport 443 meta mark set 1\n}\n}\n",
    "a device that is none has an empty name": _table(
        _chain(
            "output",
            'iifname "lan0" drop',
            'iifname != "lan0" tcp dport 80 drop',
            'iifname "lan*" drop',
            'iifname != "lan*" counter name a',
        ),
        _chain("input", 'oifname != "lan0" tcp dport 443 drop', 'oifname "up0" drop'),
        _chain("prerouting", 'oifname != "lan0" udp dport 53 drop'),
        first=NAMED,
    ),
    "devices by number": _table(
        _chain("forward", "iif lan0 oif up0 drop", "iif { lan1, tap0 } oif != lan1 reject"),
        _chain("input", "iif != lan0 tcp dport 80 drop", "iif lo accept"),
        _chain("output", "oif lo accept", "oif up0 tcp dport 80 counter reject with tcp reset"),
    ),
    "wildcards": _table(
        _chain(
            "forward",
            'iifname "lan*" oifname != "lan*" tcp dport 80 drop',
            'iifname != "l*" tcp dport 443 drop',
            'iifname { "tap*", "lan0" } udp dport 53 drop',
            "iifname @s ip protocol 47 drop",
            'iifname . oifname { "tap*" . "lan0", "lan*" . "up0" } meta l4proto sctp drop',
        ),
        first='set s { type ifname; flags interval; elements = { "tap*", "up0" } }',
    ),
    "an empty set": _table(
        _chain("forward", "ip saddr @s drop", "ip saddr != @s tcp dport 80 drop"),
        _chain("input", "tcp dport != @p drop", "udp dport @p drop"),
        first="set s { type ipv4_addr; }\nset p { type inet_service; flags interval; }",
    ),
    "intervals in concatenations": _table(
        _chain(
            "forward",
            "ip saddr . ip daddr . tcp dport @s drop",
            "ip saddr . meta l4proto . th dport vmap @m",
            "ip6 saddr . udp dport { 2001:db8:0:1::/64 . 50-60, ::/0 . 443 } reject",
            "ip daddr . tcp dport != { 192.0.2.0-192.0.2.127 . 0-443 } tcp dport 443 drop",
        ),
        first="""set s { type ipv4_addr . ipv4_addr . inet_service; flags interval
        elements = { 192.0.2.0/26 . 203.0.113.0/24 . 80-90, 192.0.2.10 . 192.0.2.64/26 . 443 } }
        map m { type ipv4_addr . inet_proto . inet_service : verdict; flags interval
        elements = { 198.51.100.0/24 . udp . 53 : drop, 192.0.2.0/24 . tcp . 22-80 : accept } }""",
    ),
    "elements with counters and comments": _table(
        _chain(
            "forward", "ip saddr @s tcp dport 80 drop", "tcp dport @p counter reject with tcp reset"
        ),
        first="""set s { type ipv4_addr; flags interval; counter
        elements = { 192.0.2.0/26 comment "near", 198.51.100.5 } }
        set p { type inet_service; elements = { 443 comment "a", 22 comment "b" } }""",
    ),
    "maps of verdicts": _table(
        _inner("web", "ip saddr 192.0.2.10 accept", "counter name a"),
        _inner("rest", "counter name b", "meta l4proto udp drop"),
        _chain(
            "forward",
            "tcp dport vmap { 80 : jump web, 443 : goto web, 22 : drop, 8000-9000 : continue }",
            "iifname vmap @m",
            "counter name c reject with icmpx admin-prohibited",
        ),
        first=NAMED + '\nmap m { type ifname : verdict; elements = { "lan0" : goto rest,'
        ' "tap0" : return, "up0" : accept } }',
    ),
    "jump into a map's chain before it stands": _table(
        _chain(
            "forward", "ip protocol vmap { tcp : jump one, udp : goto two, gre : drop }", "drop"
        ),
        _inner("one", "tcp dport vmap { 80 : accept, 443 : return }"),
        _inner("two", "udp dport 53 accept"),
    ),
    "states and their negations": _table(
        _chain(
            "input",
            "ct state != new counter name a",
            "ct state ! new counter name b",
            "ct state != { new, invalid } counter name c",
            "ct state { established, untracked } icmpv6 type 135 drop",
            "ct state invalid,untracked counter name d",
            "ct state != new,untracked drop",
        ),
        _chain("forward", "ct state vmap { new : continue, invalid : drop }", "tcp dport 80 drop"),
        first=NAMED,
    ),
    "status and its negations": _table(
        _chain("prerouting", "tcp dport 443 dnat ip to 192.0.2.1:80", kind="nat", priority=-100),
        _chain("prerouting", "ct status dnat counter name a", priority=-110),
        _chain("input", "ct status dnat counter name b", "ct status ! dnat counter name c drop"),
        _chain("forward", "ct status ! snat,dnat counter name d", "ct status snat,dnat reject"),
        first=NAMED,
    ),
    "types of messages": _table(
        _chain(
            "forward",
            "icmp type echo-request icmp code 0 drop",
            "icmp type { 3, 13-18 } reject",
            "icmpv6 type echo-request accept",
            "icmpv6 type != { echo-request, 1-4 } drop",
            "icmp type vmap { 10 : drop, 42 : accept }",
        ),
        _chain("input", "icmpv6 code 1 drop", "icmp code != 0 drop", "ct state invalid reject"),
    ),
    "protocols": _table(
        _chain(
            "forward",
            "ip protocol tcp tcp dport 80 drop",
            "ip6 nexthdr udp reject",
            "meta l4proto { 47, sctp } drop",
            "meta l4proto != { tcp, udp, icmp } counter name a",
            "meta nfproto ipv6 tcp dport 22-80 counter reject with tcp reset",
            "meta protocol ip udp dport 53 drop",
        ),
        _chain("input", "meta l4proto { tcp, udp } th dport { 53, 80 } drop", "sctp dport 80 drop"),
        first=NAMED,
    ),
    "what a refusal says": _table(
        _chain(
            "forward",
            "tcp dport 80 counter reject with tcp reset",
            "tcp dport 443 reject",
            "udp dport 53 reject with icmpx admin-prohibited",
            "meta l4proto sctp reject with icmpx no-route",
            "meta l4proto gre reject with icmpx host-unreachable",
            "ip saddr 192.0.2.70 reject with icmp host-prohibited",
            "ip saddr 192.0.2.10 reject with icmp net-unreachable",
            "ip6 saddr 2001:db8:0:1::10 reject with icmpv6 policy-fail",
            "ip6 saddr 2001:db8:0:2::10 reject with icmpv6 addr-unreachable",
            "meta nfproto ipv4 reject with icmp admin-prohibited",
        ),
        _chain("input", "meta l4proto tcp counter reject with tcp reset", "reject"),
    ),
    "refusals before routing and of one's own": _table(
        _chain(
            "prerouting",
            "tcp dport 80 counter reject with tcp reset",
            "udp dport 53 reject with icmpx admin-prohibited",
            priority=-150,
        ),
        _chain("output", "tcp dport 80 counter reject with tcp reset", "udp dport 53 reject"),
    ),
    "types of addresses": _table(
        _chain(
            "prerouting",
            "fib daddr type local counter name a",
            "fib daddr . iif type local counter name b",
            "fib daddr type { broadcast, multicast, anycast } counter name c",
            "fib saddr type != unicast counter name d drop",
            "fib daddr type unreachable drop",
            "fib daddr . iif type != { local, unicast } tcp dport 80 drop",
            priority=-150,
        ),
        _chain("output", "fib daddr type local drop", "fib saddr type != local drop"),
        first=NAMED,
    ),
    "the way back": _table(
        _chain(
            "prerouting",
            "fib saddr . iif oif missing counter name a drop",
            "fib saddr . iif oif exists counter name b",
            'fib saddr oifname "up0" counter name c',
            'fib daddr oif "lan1" counter name d',
            'fib daddr oifname != "lan1" tcp dport 443 drop',
            priority=-150,
        ),
        first=NAMED,
    ),
    "hardware addresses": _table(
        _chain(
            "forward",
            f"ether saddr {HARDWARE[0]} tcp dport 80 drop",
            f"ether saddr . ip saddr {{ {HARDWARE[1]} . 192.0.2.10 }} udp dport 53 drop",
            f"ether saddr != {HARDWARE[0]} tcp dport 443 drop",
        ),
        _chain("input", f"ether saddr vmap {{ {HARDWARE[0]} : drop }}"),
        _chain("postrouting", f"ether saddr != {HARDWARE[0]} meta l4proto gre drop"),
    ),
    "parts of addresses and of ports": _table(
        _chain(
            "forward",
            "ip saddr & 255.255.255.192 == 192.0.2.64 tcp dport 80 drop",
            "ip daddr & 255.0.0.0 != 203.0.0.0 udp dport 53 drop",
            "ip6 daddr & ffff:ffff:ffff:ffff:: == 2001:db8:0:2:: tcp dport 443 drop",
            "tcp dport & 0x3 == 0x2 drop",
            "tcp sport 1024-40000 tcp dport 22 drop",
        ),
    ),
    "flags of the first segment": _table(
        _chain(
            "forward",
            "tcp flags & (fin|syn|rst|ack) == syn tcp dport 80 drop",
            "tcp flags & (fin|syn|rst|ack) != syn drop",
            "tcp flags ack drop",
            "tcp flags syn tcp dport 443 drop",
            "tcp flags ! syn drop",
        ),
    ),
    "one policy for each hook": _table(
        _chain("prerouting", "meta l4proto != gre accept", end="drop", priority=-150),
        _chain("postrouting", "meta l4proto tcp accept", "meta l4proto udp accept", end="drop"),
        _chain("output", "udp dport 53 drop"),
    ),
    "route chains are chains of output": _table(
        _chain("output", "udp dport 53 meta mark set 1", kind="route", priority=-150),
        _chain("output", "tcp dport 80 dnat ip to 192.0.2.70:443", kind="nat", priority=-100),
        _chain("output", 'oifname "lan1" tcp dport 443 counter name a', priority=10),
        _chain("postrouting", 'oifname "lan1" tcp dport 443 counter name b', "meta mark 1 drop"),
        first=NAMED,
    ),
    "translation by maps": _table(
        _chain(
            "prerouting",
            "dnat ip to tcp dport map { 80 : 192.0.2.70, 443 : 198.51.100.5 }",
            "meta l4proto udp dnat ip to ip daddr map { 203.0.113.2 : 192.0.2.10 }",
            "counter name a",
            kind="nat",
            priority=-100,
        ),
        first=NAMED,
    ),
    "translation by maps with ports": _table(
        _chain(
            "prerouting",
            "meta l4proto tcp dnat ip addr . port to tcp dport map"
            " { 80 : 192.0.2.70 . 8080, 443 : 198.51.100.5 . 22 }",
            "meta l4proto udp redirect to udp dport map { 53 : 5353 }",
            "counter name a",
            kind="nat",
            priority=-100,
        ),
        first=NAMED,
    ),
    "translated to what it was anyway": _table(
        _chain(
            "prerouting",
            "tcp dport 80 dnat ip to 192.0.2.70",
            "udp dport 53 dnat ip to 203.0.113.2:53",
            "meta l4proto tcp dnat ip to 203.0.113.2",
            kind="nat",
            priority=-100,
        ),
        _chain("output", "tcp dport 22 dnat to :22", kind="nat", priority=-100),
        _chain("postrouting", "snat ip to 192.0.2.1", kind="nat", priority=100),
        _chain("forward", "ct status dnat counter name a drop"),
        _chain("input", "ct status dnat counter name b drop"),
        _chain("output", "ct status dnat counter name c drop"),
        _chain("postrouting", "ct status snat counter name d drop", priority=110),
        first=NAMED,
    ),
    "what no element holds": _table(
        _chain(
            "forward",
            "tcp dport vmap { 80 : accept, 20-30 : continue, * : drop }",
            "ip saddr vmap @m",
            "ip daddr @s counter name a reject",
            "udp dport != @p drop",
        ),
        first=NAMED
        + """
        map m { type ipv4_addr : verdict; flags interval
        elements = { 192.0.2.0/26 : accept, * : continue } }
        set s { type ipv4_addr; flags interval; elements = { * , 198.51.100.0/25 } }
        set p { type inet_service; elements = { 53 } }""",
    ),
    "only the port changes": _table(
        _chain(
            "prerouting",
            "tcp dport 80 dnat to :443",
            "udp dport 53 dnat to :5353",
            kind="nat",
            priority=-100,
        ),
        _chain("forward", "tcp dport 443 counter name a", "udp dport 5353 counter name b"),
        first=NAMED,
    ),
    "a drop among translations": _table(
        _chain("prerouting", "tcp dport 80 drop", "udp dport 53 return", "redirect", kind="nat")
    ),
    "nothing at all": "",
    "an empty table": "table inet t { }\n",
}


# A redirect by the device with two addresses (or two of a family) may lead to either.
SEVERAL = frozenset(
    {
        "the first translation counts",
        "redirect goes to the entrance's own address",
        "translation by maps with ports",
        "a drop among translations",
    }
)

# What a first packet alone does not settle: "may" is right, as long as what happens is among it.
DOUBTS: dict[str, str] = {
    "a family that nft does not list before a reset": _table(
        _chain("forward", "counter name a meta nfproto ipv6 tcp dport 80 reject with tcp reset"),
        _chain("input", "meta nfproto ipv4 tcp dport { 80, 443 } reject with tcp reset"),
        first=NAMED,
    ),
    "which of many addresses over several ways": _table(
        _chain("prerouting", "dnat ip to 192.0.2.64-192.0.2.127", kind="nat", priority=-100),
        _chain("forward", "counter name a", end="drop"),
        _chain("input", "counter name b"),
        first=NAMED,
    ),
    "whether the identifier of an echo is a port": _table(
        _chain(
            "prerouting",
            "meta l4proto { tcp, icmp, udp } dnat ip to 192.0.2.70:80",
            "meta l4proto { tcp, ipv6-icmp } dnat to :80",
            kind="nat",
            priority=-100,
        ),
        _chain("forward", "ct status ! dnat counter name a drop", "counter name b"),
        _chain("input", "ct status dnat counter name c drop"),
        first=NAMED,
    ),
    "a port that is among those to choose from stays": _table(
        _chain(
            "prerouting", "meta l4proto tcp dnat ip to 192.0.2.70:1-100", kind="nat", priority=-100
        ),
        _chain("forward", "tcp dport 80 drop", "tcp dport 22 counter name a"),
        first=NAMED,
    ),
    "a family that nft does not list beside ct protocol": _table(
        _chain("forward", "meta nfproto ipv4 ct protocol 6 drop"),
        _chain("input", "meta protocol ip ct original protocol 17 drop"),
    ),
    "a status that is another after translation": _table(
        _chain("prerouting", "ct status . meta l4proto @d meta mark set 1", priority=-150),
        _chain("prerouting", "tcp dport 80 dnat ip to 192.0.2.70", kind="nat", priority=-100),
        _chain("forward", "meta mark != 1 ct status . meta l4proto @d drop"),
        first="""set d { type ct_status . inet_proto; flags timeout; timeout 1h;
        elements = { 0x120 . tcp } }""",
    ),
    "an expectation": _table(
        _chain("input", 'udp dport 53 ct expectation set "e" drop'),
        first="ct expectation e { protocol udp; dport 5432; timeout 1h; size 12; l3proto ip; }",
    ),
    "a set that is filled before it is asked": _table(
        _chain(
            "forward",
            "ip saddr . ip daddr != @d meta mark set 1",
            "update @d { ip saddr . ip daddr }",
            "meta mark 1 ip saddr . ip daddr @d drop",
        ),
        first="set d { type ipv4_addr . ipv4_addr; size 999; flags dynamic,timeout; timeout 1m; }",
    ),
    "the map of a label is not listed": _table(
        _chain("input", "ct state new ct label set tcp dport map { 80 : 3, 22 : 4 } drop"),
    ),
    "an element with a limit of its own": _table(
        _chain("forward", "ip saddr @slow accept", end="drop"),
        first="""set slow { type ipv4_addr; size 99; limit rate 1/minute burst 1 packets;
        elements = { 192.0.2.10, 192.0.2.70 } }""",
    ),
    "sets of one name in two tables": _table(
        _chain("forward", "ip dscp @s accept", end="drop"),
        first="set s { type dscp; elements = { cs0, ef } }",
    ).replace("table inet t", "table inet a")
    + _table(
        _chain("forward", "ip dscp @s drop", priority=1),
        first="set s { type dscp; elements = { cs1, cs2 } }",
    ),
    "each asking draws anew": _table(
        _chain(
            "forward",
            "numgen random mod 2 0 meta mark set 1",
            "meta mark 1 numgen random mod 2 != 0 drop",
            "meta mark 0 numgen random mod 2 0 drop",
        ),
    ),
    "a field is written twice": _table(
        _chain(
            "forward",
            "ip dscp set cs1",
            "ip dscp cs1 meta mark set 1",
            "ip dscp set ef",
            "meta mark 1 ip dscp != cs1 tcp dport 80 drop",
            "meta mark 1 @nh,8,6 46 udp dport 53 drop",
        ),
    ),
    "limits alike in two tables": _table(
        _chain("forward", "limit rate 1/minute burst 1 packets accept", end="drop"),
    ).replace("table inet t", "table inet a")
    + _table(
        _chain("forward", "limit rate 1/minute burst 1 packets drop", priority=1),
    ),
    "limits": _table(
        _chain(
            "forward",
            "tcp dport 80 limit rate 5/minute accept",
            "tcp dport 443 limit rate over 1/second drop",
            "udp dport 53 quota over 10 kbytes drop",
            "ip protocol 47 quota 1 bytes accept",
            "limit name l counter name a accept",
            "quota name q counter name b reject",
            end="drop",
        ),
        first=NAMED + "\nlimit l { rate 3/second; }\nquota q { over 5 bytes; }",
    ),
    "sets that change": _table(
        _chain(
            "forward",
            "ip saddr @s tcp dport 80 drop",
            "iifname . ip saddr . tcp dport @j accept",
            "ip saddr != @s udp dport 53 reject",
            "update @d { ip daddr }",
            "ip daddr @d tcp dport 443 reject with tcp reset",
        ),
        first="""set s { type ipv4_addr; flags timeout; elements = { 192.0.2.10 timeout 1h } }
        set d { type ipv4_addr; size 99; flags dynamic,timeout; timeout 1m; }
        set j { type ifname . ipv4_addr . inet_service; flags timeout; timeout 1h
        elements = { "lan0" . 192.0.2.10 . 443 } }""",
    ),
    "a map that changes": _table(
        _inner("known", "tcp dport 80 accept", "counter name a drop"),
        _chain("forward", "iifname . tcp dport vmap @m", "ip6 saddr 2001:db8:0:1::10 drop"),
        first=NAMED
        + """
        map m { type ifname . inet_service : verdict; flags timeout; timeout 1h
        elements = { "lan0" . 80 : drop, "lan0" . 443 : jump known, "tap0" . 22 : accept } }""",
    ),
    "one of several destinations": _table(
        _chain(
            "prerouting",
            "tcp dport 80 dnat ip to 192.0.2.10-192.0.2.11",
            "udp dport 53 dnat ip to 192.0.2.10-192.0.2.11",
            "tcp dport 443 redirect to :8080-8081",
            kind="nat",
            priority=-100,
        ),
        _chain("postrouting", "snat ip to 203.0.113.2-203.0.113.3", kind="nat", priority=100),
    ),
    "what lies outside a first packet's addresses and ports": _table(
        _chain(
            "forward",
            "meta length 60-100 tcp dport 80 drop",
            "ip ttl < 64 drop",
            "numgen inc mod 2 vmap { 0 : continue, 1 : continue }",
            "ip dscp cs1 reject",
            "ip daddr & 0.0.0.1 == 0.0.0.1 udp dport 53 drop",
            "ip6 daddr & ::ffff == ::10 tcp dport 443 drop",
            "ct status != snat tcp dport 22 accept",
            "meta pkttype broadcast drop",
            "meta priority 1:1 drop",
            "@th,16,16 443 drop",
            "frag more-fragments 1 drop",
            "ip6 hoplimit 63 reject",
            "meta cpu 0 ip protocol 47 drop",
        ),
        _chain("output", "meta skuid 0 udp dport 53 drop", "meta cgroup 1 drop"),
    ),
    # nft 1.0.6 loads one comparison of both (accepts unless both are equal) and lists two.
    "two negations that nft takes for one": _table(
        _chain(
            "forward",
            "tcp sport != 40000 tcp dport != 22 drop",
            "icmp type != echo-request icmp code != 1 drop",
        )
    ),
    # Which of the two comes first depends on what was loaded before (nf_hook_grow, measured).
    "a filter chain at the place of the translation": _table(
        _chain("prerouting", "ip daddr 203.0.113.2 meta l4proto tcp drop", priority=-100),
        _chain("prerouting", "tcp dport 80 dnat ip to 192.0.2.10", kind="nat", priority=-110),
        _chain("postrouting", "ip saddr 203.0.113.2 udp dport 53 drop", priority=100),
        _chain("postrouting", "masquerade", kind="nat", priority=100),
    ),
    "a dormant table, listed unreadably": "table inet t {\nflags dormant\n"
    + _chain("forward", "drop")
    + "\n}\ntable ip u {\nchain x { type filter hook forward priority 0;\ntcp dport 80 drop\n}\n}\n",
}


# What changes, as it is while a packet passes: see `LIVING_TRUE` and `IN_TIME_FALSE`.
LIVING = _table(
    _inner("known", "tcp dport 80 accept", "counter name a"),
    _chain(
        "forward",
        "ip saddr @s tcp dport 80 drop",
        "iifname . ip saddr . tcp dport @j counter name b reject with tcp reset",
        "ip saddr != @s udp dport 53 reject",
        "ip6 saddr @six jump known",
    ),
    first=NAMED
    + """
    set s { type ipv4_addr; flags interval,timeout; elements = { 192.0.2.0/27 timeout 1h } }
    set six { type ipv6_addr; flags timeout; timeout 2h; elements = { 2001:db8:0:1::10 } }
    set j { type ifname . ipv4_addr . inet_service; flags timeout; timeout 1h
    elements = { "tap0" . 198.51.100.5 . 443, "lan0" . 192.0.2.10 . 443 } }""",
)
LIVING_TRUE: dict[str, Callable[[Sent], bool]] = {
    "s": lambda sent: sent.source in ("192.0.2.1", "192.0.2.10", "192.0.2.11"),
    "six": lambda sent: sent.source == "2001:db8:0:1::10",
    "j": lambda sent: (
        (sent.entrance, sent.source, sent.protocol, sent.number)
        in (("tap0", "198.51.100.5", TCP, 443), ("lan0", "192.0.2.10", TCP, 443))
    ),
}
IN_TIME = _table(
    _chain(
        "forward",
        "tcp dport 80 limit rate 50000/second accept",
        "tcp dport 443 limit rate over 50000/second drop",
        "udp dport 53 quota over 10 mbytes drop",
        "ip protocol 47 quota 10 mbytes accept",
        "limit name l counter name a accept",
        end="drop",
    ),
    _chain("input", "quota name q counter name b reject", "quota name r counter name c drop"),
    first=NAMED
    + "\nlimit l { rate 50000/second; }\nquota q { over 9 mbytes; }\nquota r { 9 mbytes; }",
)
IN_TIME_FALSE = ("over", '"q"')  # in the names of what has not come to pass


def crossed() -> list[Sent]:
    """Packets that meet what the traps speak of: from every device and the host itself."""
    kinds = [(TCP, 80), (TCP, 443), (TCP, 22), (UDP, 53), (SCTP, 80), (GRE, 0), (LITE, 53)]
    kinds4 = [*kinds, (ICMP, 8 << 8), (ICMP, 3 << 8 | 1), (ICMP, 13 << 8), (ICMP, 10 << 8)]
    kinds6 = [*kinds, (ICMP6, 128 << 8), (ICMP6, 1 << 8 | 1), (ICMP6, 135 << 8), (ICMP6, 200 << 8)]
    out: list[Sent] = []
    for version, there, entrance in product((4, 6), (0, 1), (*DEVICES, None)):
        own = [entry.split("/")[0] for entry in (entrance or DEVICES[there]).own]
        hosts = entrance.hosts if entrance else own
        start = next(each for each in hosts if (":" in each) == (version == 6))
        ends = ENDS[version][there::2]
        for number, (protocol, service) in enumerate(kinds4 if version == 4 else kinds6):
            end = ends[(number + (entrance.number if entrance else 0)) % len(ends)]
            name = entrance.name if entrance else OWN
            if not entrance and end in NOT_BY_THE_HOST:
                continue
            port = 0 if protocol == GRE else 40000 + number
            hardware = HARDWARE[number % 2] if entrance else ""
            out.append(Sent(name, start, end, protocol, service, port, hardware))
    return out


NOT_BY_THE_HOST = frozenset({"255.255.255.255", "239.1.2.3", "ff02::fb", "192.0.2.63"})
ENDS = {
    4: (
        *("203.0.113.2", "192.0.2.70", "203.0.113.77", "10.1.2.3", "198.51.100.5", "192.0.2.1"),
        *("192.0.2.63", "239.1.2.3", "10.66.0.9", "192.0.2.11"),
    ),
    6: (
        *("2001:db8:0:ff::2", "2001:db8:0:2::10", "2600::1:2", "2001:db8:0:3::5", "ff02::fb"),
        *("2001:db8:0:1::1", "fd66::9", "2001:db8:0:ff::77"),
    ),
}


LINKED: dict[str, str] = {
    "no rule": _table(_chain("forward", "counter name a"), _chain("input"), first=NAMED),
    "refused": _table(
        _chain("forward", f"ip6 daddr {NEAR} counter name a reject", "ip6 daddr :: drop"),
        _chain("input", "ip6 daddr fe80::/64 counter name b drop"),
        first=NAMED,
    ),
    "fib": _table(
        _chain(
            "prerouting",
            "fib daddr type unicast counter name a",
            "fib daddr type unreachable counter name b",
            "fib daddr . iif oif exists counter name c",
            "fib daddr oif lan0 counter name d drop",
        ),
        first=NAMED,
    ),
    "types": _table(
        _chain(
            "prerouting",
            "fib daddr type local counter name a drop",
            "fib daddr type anycast counter name b",
            "fib daddr . iif type unicast counter name c",
            "fib saddr . iif oif exists counter name d",
        ),
        first=NAMED,
    ),
}
"""What is sought on one link alone, and what no route holds."""


def nearby() -> list[Sent]:
    """To link-local addresses, and to the unspecified one, from every device."""
    own = {device.name: device.own[-1].split("/")[0] for device in DEVICES}
    out: list[Sent] = []
    for device, kind in product(DEVICES, ((TCP, 80), (ICMP6, 128 << 8))):
        sources = [next(each for each in device.hosts if ":" in each), "fe80::77"]
        ends = [NEAR, own[device.name], "fe80::", "fe80:1::99", "::"]
        for start, end in product(sources, ends):
            out.append(Sent(device.name, start, end, *kind, 40000 + len(out), HARDWARE[0]))
    return out
