"""What programs printed on a machine with Debian 12 (iproute2 6.1, nft 1.0.6, Linux 6.18), shortened;
devices and addresses are invented. The VLAN devices are from memory: that kernel has none."""

from __future__ import annotations

LINKS = """[
{"ifindex":1,"ifname":"lo","flags":["LOOPBACK","UP","LOWER_UP"],"mtu":65536,"link_type":"loopback",
 "address":"00:00:00:00:00:00"},
{},
{"ifindex":7,"link":"peth2","ifname":"eth2","flags":["BROADCAST","MULTICAST","UP","LOWER_UP"],
 "link_type":"ether","address":"3a:cb:d2:ec:78:d7","linkinfo":{"info_kind":"veth"}},
{"ifindex":8,"link":"eth2","ifname":"eth2.20","flags":["BROADCAST","MULTICAST"],
 "link_type":"ether","address":"3a:cb:d2:ec:78:d7",
 "linkinfo":{"info_kind":"vlan","info_data":{"protocol":"802.1Q","id":20,"flags":["REORDER_HDR"]}}},
{"ifindex":9,"link":"eth2","ifname":"outer","flags":["UP"],
 "linkinfo":{"info_kind":"vlan","info_data":{"protocol":"802.1ad","id":30,"flags":[]}}},
{"ifindex":10,"link":"a=b$(x)","ifname":"we\\"ird,{x","flags":["BROADCAST","MULTICAST","M-DOWN"]}]"""

_LONG = '"valid_life_time":4294967295,"preferred_life_time":4294967295'
ADDRESSES = f"""[
{{"ifindex":1,"ifname":"lo","flags":["LOOPBACK","UP"],"addr_info":[
 {{"family":"inet","local":"127.0.0.1","prefixlen":8,"scope":"host","label":"lo",{_LONG}}}]}},
{{"ifindex":7,"link":"peth2","ifname":"eth2","flags":["BROADCAST","UP"],
 "address":"3a:cb:d2:ec:78:d7","addr_info":[
 {{"family":"inet","local":"10.0.10.1","address":"10.0.10.2","prefixlen":32,"metric":77,
  "scope":"link","label":"eth2",{_LONG}}},
 {{"family":"inet","local":"10.0.0.9","prefixlen":24,"broadcast":"10.0.0.255","scope":"global",
  "label":"eth2",{_LONG}}},
 {{"family":"inet","local":"10.0.0.1","prefixlen":24,"broadcast":"10.0.0.255","scope":"global",
  "secondary":true,"label":"eth2:x",{_LONG}}},
 {{"family":"inet","local":"192.0.2.7","prefixlen":24,"scope":"global","dynamic":true,
  "label":"eth2","valid_life_time":900,"preferred_life_time":600}},
 {{"family":"inet6","local":"2001:db8:a::1","prefixlen":64,"scope":"global","nodad":true,
  "home":true,"noprefixroute":true,{_LONG}}},
 {{"family":"inet6","local":"2001:db8:9::1","prefixlen":64,"scope":"global","tentative":true,
  "dynamic":true,"valid_life_time":500,"preferred_life_time":300}},
 {{"family":"inet6","local":"2001:db8:b::1","prefixlen":64,"scope":"global","deprecated":true,
  "valid_life_time":4294967295,"preferred_life_time":0}},
 {{"family":"inet6","local":"fe80::77","prefixlen":64,"scope":"link",{_LONG}}},
 {{"family":"inet6","local":"fe80::38cb:d2ff:feec:78d7","prefixlen":64,"scope":"link",{_LONG}}},
 {{"family":"inet6","local":"fe80::1234","prefixlen":64,"scope":"link","stable-privacy":true,
  {_LONG}}}]}}]"""

ROUTES4 = """[
{"type":"1","dst":"default","gateway":"9.9.9.9","dev":"eth2","table":"333","protocol":"3",
 "scope":"0","flags":["onlink"]},
{"type":"1","dst":"10.58.0.0/16","tos":"0x10","via":{"family":"inet6","host":"fe80::5"},
 "dev":"eth2","table":"77","protocol":"3","scope":"0","prefsrc":"10.0.0.1","flags":["linkdown"],
 "metrics":[{"mtu":1400,"advmss":1300}]},
{"type":"1","dst":"default","gateway":"203.0.113.9","dev":"eth0","table":"101","protocol":"4",
 "scope":"0","flags":[]},
{"type":"1","dst":"10.55.0.0/16","table":"254","protocol":"3","scope":"0","flags":[],"nexthops":[
 {"gateway":"10.0.0.3","dev":"eth2","weight":1,"flags":[]},
 {"gateway":"10.0.0.2","dev":"eth2","weight":2,"flags":[]}]},
{"type":"6","dst":"10.56.0.0/16","table":"254","protocol":"3","scope":"0","metric":5,"flags":[]},
{"type":"1","dst":"10.57.0.0/16","encap":"ip","id":3,"src":"0.0.0.0","dst":"10.0.0.9","ttl":0,
 "tos":0,"dev":"eth2","table":"254","protocol":"3","scope":"253","flags":[]},
{"type":"1","dst":"10.0.0.0/24","dev":"eth2","table":"254","protocol":"2","scope":"253",
 "prefsrc":"10.0.0.1","flags":[]},
{"type":"1","dst":"default","gateway":"192.0.2.1","dev":"eth2","table":"254","protocol":"16",
 "scope":"0","flags":[]},
{"type":"2","dst":"10.0.0.1","dev":"eth2","table":"255","protocol":"2","scope":"254","flags":[]}]"""

ROUTES6 = """[
{"type":"1","dst":"default","gateway":"2001:db8:7aff::1","dev":"eth0","table":"101",
 "protocol":"4","scope":"0","metric":1024,"flags":[],"pref":"medium"},
{"type":"1","dst":"2001:db8:55::/48","gateway":"fe80::1","dev":"eth2","table":"254",
 "protocol":"3","scope":"0","metric":1024,"flags":[],"expires":59,"pref":"high"},
{"type":"7","dst":"2001:db8:56::/48","dev":"lo","table":"254","protocol":"3","scope":"0",
 "metric":1024,"flags":[],"pref":"medium"},
{"type":"5","dst":"ff00::/8","dev":"eth2","table":"255","protocol":"2","scope":"0","metric":256,
 "flags":[],"pref":"medium"}]"""

RULES4 = """[
{"priority":0,"src":"all","table":"255","protocol":"2"},
{"priority":7,"src":"all","l3mdev":null,"protocol":"0"},
{"priority":9998,"src":"all","uid_start":0,"uid_end":100,"goto":10500,"protocol":"0"},
{"priority":9999,"not":null,"src":"1.2.3.4","dst":"5.6.7.0","dstlen":24,"tos":"0x10",
 "fwmark":"0x5","iif":"eth2","oif":"eth3","ipproto":"ipproto-6","sport_start":4,"sport_end":5,
 "dport":7,"table":"333","protocol":"99"},
{"priority":10000,"src":"all","table":"254","suppress_prefixlen":0,"protocol":"0"},
{"priority":10103,"src":"all","fwmark":"0x1","fwmask":"0xf","action":"8","protocol":"0"},
{"priority":10401,"src":"all","iif":"eth0","iif_detached":null,"action":"6","protocol":"0"},
{"priority":20000,"src":"all","something":"new","table":"254","protocol":"0"},
{"priority":32766,"src":"all","table":"254","protocol":"2"},
{"priority":32767,"src":"all","table":"253","protocol":"2"}]"""

RULES6 = """[
{"priority":0,"src":"all","table":"255","protocol":"2"},
{"priority":10202,"src":"2001:db8:7a00::","srclen":48,"table":"101","protocol":"0"},
{"priority":32766,"src":"all","table":"254","protocol":"2"}]"""

TABLES = """{"nftables": [{"metainfo": {"version": "1.0.6", "json_schema_version": 1}},
 {"table": {"family": "inet", "name": "netcharter", "handle": 2}},
 {"table": {"family": "ip", "name": "x; flush ruleset", "handle": 3}}]}"""

STATELESS = """table inet netcharter {
	comment "x { y; # z"
	counter nc_row_1 {
	}

	set nc_signed4 {
		type ifname . ipv4_addr . ether_addr
		size 65535
		flags timeout
		elements = { "eth2" . 10.73.0.5 . 02:00:00:aa:00:01 timeout 1h,
			     "e,{h" . 10.73.0.6 . 02:00:00:aa:00:02 timeout 2d3h comment "hi, there" }
	}

	map nc_class4 {
		type ifname . ipv4_addr . ether_addr : mark
		flags timeout
		elements = { "eth2" . 10.73.0.5 . 02:00:00:aa:00:01 timeout 1h : 0x00000020 }
	}

	set nc_mixed {
		type ipv4_addr
		flags interval,timeout
		auto-merge
		elements = { 10.0.0.0/8 timeout 1h, 11.0.0.1-11.0.0.9 }
	}

	set nc_default {
		type ipv4_addr
		flags dynamic,timeout
		timeout 5m
		elements = { 1.2.3.4 counter }
	}

	set nc_meter {
		type ipv4_addr
		size 100
		flags dynamic
		elements = { 1.2.3.4 ct count over 20  }
	}

	set nc_pace {
		type ipv4_addr
		size 65535
		flags dynamic,timeout
		timeout 1m
		elements = { 203.0.113.11 limit rate over 30/minute burst 30 packets }
	}

	map nc_fixed {
		type ipv4_addr . inet_service : ipv4_addr . inet_service
		elements = { 1.2.3.4 . 80 : 5.6.7.8 . 8080 }
	}

	chain nc_c {
		type filter hook output priority filter; policy accept;
		ip saddr { 10.0.0.0-10.0.0.7 } counter accept
		ct state vmap { established : accept, invalid : drop }
	}
}
"""
FULL = (
    STATELESS.replace("timeout 1h", "timeout 1h expires 59m59s788ms")
    .replace("timeout 2d3h", "timeout 2d3h expires 1d2h")
    .replace("1.2.3.4 counter ", "1.2.3.4 counter packets 3 bytes 9 expires 4m59s896ms ")
    .replace("burst 30 packets ", "burst 30 packets expires 59s992ms ")
    .replace("nc_row_1 {\n", "nc_row_1 {\n\t\tpackets 5 bytes 7\n")
)
SETTINGS = "/proc/sys/net/ipv4/ip_forward:1\n/proc/sys/net/ipv4/conf/eth2/forwarding:0\n"
QUEUES = (
    "qdisc noqueue 0: dev lo root refcnt 2 \n"
    "qdisc htb 1: dev eth2 root refcnt 3 r2q 10 default 0x10 direct_packets_stat 7 "
    "direct_qlen 1000\n"
)
CLASSES = "class htb 1:10 root prio 0 rate 1Mbit ceil 1Mbit burst 1600b cburst 1600b \n"

ANSWERS: dict[tuple[str, ...], str] = {
    ("ip", "-j", "-d", "link", "show"): LINKS,
    ("ip", "-j", "addr", "show"): ADDRESSES,
    ("ip", "-4", "-j", "-d", "-N", "route", "show", "table", "all"): ROUTES4,
    ("ip", "-6", "-j", "-d", "-N", "route", "show", "table", "all"): ROUTES6,
    ("ip", "-4", "-j", "-d", "-N", "rule", "show"): RULES4,
    ("ip", "-6", "-j", "-d", "-N", "rule", "show"): RULES6,
    ("nft", "-j", "list", "tables"): TABLES,
    ("nft", "-s", "list", "table", "inet", "netcharter"): STATELESS,
    ("nft", "list", "table", "inet", "netcharter"): FULL,
    ("grep",): SETTINGS,
    ("tc", "qdisc", "show"): QUEUES,
    ("tc", "class", "show", "dev", "eth2"): CLASSES,
}
