"""Links, addresses, routes and choices among routing tables as `ip -j -d -N` tells them.

All numbers stay numbers (routing tables, protocols, scopes): the names for them stand in files of
the host, which may say anything. Whatever this does not know in a route or a choice makes it
*unwritten*: it is compared, and never touched, since `ip` could not be told it again.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from ipaddress import IPv4Interface, IPv6Address, ip_address, ip_interface
from typing import Any

from netcharter.rollout.shapes import Choice, Family, Held, Link, Route

UNWRITTEN = "?"  # the first word of what `ip` could not be told again

Record = Mapping[str, Any]

FOREVER = 2**32 - 1  # seconds; what a lifetime without end is listed as
LOCAL, MAIN, DEFAULT = "255", "254", "253"  # tables the kernel begins with (ip-rule(8))
# Protocols (linux/rtnetlink.h): 0 is none named, 3 `ip` itself, 4 an administrator. Left out are those
# of the kernel, of router advertisements, of DHCP and of routing programs, which come and go.
LEARNT = frozenset({"1", "2", *map(str, range(8, 19)), "42", "99", *map(str, range(186, 193))})
UNSAID, STATIC = "0", "4"  # a choice that `ip` adds names none
# Kinds of routes and of what a choice does (linux/rtnetlink.h, RTN_*; fib_rules.h, FR_ACT_*)
KINDS = {"1": "", "2": "local", "3": "broadcast", "4": "anycast", "5": "multicast"}
REFUSALS = {"6": "blackhole", "7": "unreachable", "8": "prohibit", "9": "throw"}
OVER = ("preferred_lft", "0")  # of an address that nobody is to begin anything with
METRIC6 = "1024"  # of an IPv6 route that was given none (linux/ipv6_route.h)

_STATES = frozenset({"linkdown", "dead", "offload", "trap", "offload_failed", "rt_offload"})
_ROUTE = frozenset(
    "type dst from tos gateway via dev table protocol scope prefsrc metric flags metrics nexthops "
    "pref nhid".split()
)
_HOP = frozenset("gateway via dev weight flags".split())
_METRICS = (
    "mtu advmss window cwnd initcwnd ssthresh hoplimit reordering initrwnd quickack "
    "fastopen_no_cookie"
).split()
_LONE = frozenset({"not", "l3mdev", *REFUSALS.values()})
_CHOICE = frozenset(
    "priority not src srclen dst dstlen tos fwmark fwmask iif iif_detached oif oif_detached l3mdev "
    "uid_start uid_end ipproto sport sport_start sport_end dport dport_start dport_end tun_id "
    "table suppress_prefixlen suppress_ifgroup goto action protocol unresolved".split()
)


def link(record: Record) -> Link:
    """A device of `ip -j -d link`."""
    kind = record.get("linkinfo", {})
    up, name = "UP" in record["flags"], str(record["ifname"])
    mtu = int(record["mtu"]) if "mtu" in record else None
    data = kind.get("info_data", {})
    if kind.get("info_kind") != "vlan" or data.get("protocol", "802.1Q") != "802.1Q":
        return Link(name, up, mtu=mtu)
    return Link(name, up, _text(record.get("link")), int(data["id"]), mtu)


def _text(value: object) -> str | None:
    return None if value is None else str(value)


# --- addresses -----------------------------------------------------------------------------------


def addresses(record: Record) -> Iterator[tuple[Held, bool]]:
    """What a device of `ip -j addr` holds, and whether it is lent (has an end).

    Loopback and the link-local addresses that the kernel made are left out.
    """
    name = str(record["ifname"])
    if "LOOPBACK" in record["flags"]:
        return
    for each in record.get("addr_info", ()):
        if each and not _made_by_kernel(each, record):
            yield _held(name, each), _lent(each)


def _lent(each: Record) -> bool:
    preferred, valid = each["preferred_life_time"], each["valid_life_time"]
    return bool(each.get("dynamic")) or valid != FOREVER or preferred not in (0, FOREVER)


def _made_by_kernel(each: Record, device: Record) -> bool:
    """RFC 4291 section 2.5.6 with the interface identifier of its appendix A, or RFC 7217."""
    address = ip_address(each["local"])
    if not isinstance(address, IPv6Address) or not address.is_link_local:
        return False
    if each.get("stable-privacy") or str(each.get("protocol", "")).startswith("kernel"):
        return True
    try:
        octets = bytes.fromhex(str(device.get("address", "")).replace(":", ""))
    except ValueError:
        return False
    made = (
        bytes([octets[0] ^ 2, *octets[1:3], 0xFF, 0xFE, *octets[3:]]) if len(octets) == 6 else b""
    )
    return address.packed[8:] == made


def _held(name: str, each: Record) -> Held:
    interface = ip_interface(f"{each['local']}/{int(each['prefixlen'])}")
    words: list[str] = []
    if "address" in each:
        words += ["peer", f"{ip_address(each['address'])}/{int(each['prefixlen'])}"]
    words += [
        part for key in ("broadcast", "anycast") if key in each for part in (key, str(each[key]))
    ]
    if isinstance(interface, IPv4Interface):
        if each.get("label", name) != name:
            words += ["label", str(each["label"])]
        if each.get("scope", "global") != "global":
            words += ["scope", str(each["scope"])]
    if each.get("metric"):
        words += ["metric", str(int(each["metric"]))]
    if each["preferred_life_time"] == 0:
        words += OVER
    flags = ("home", "nodad", "noprefixroute", "mngtmpaddr", "autojoin")
    words += [flag for flag in flags if each.get(flag)]
    return Held(name, interface, tuple(words))


def deprecated(held: Held) -> bool:
    """Whether the preferred time of an address is over (RFC 4862 section 5.5.4)."""
    return pairs(held.words).get(OVER[0]) == OVER[1]


def with_time(held: Held, over: bool) -> Held:
    """The same address, its preferred time over or not."""
    if deprecated(held) is over:
        return held
    place = held.words.index(OVER[0]) if not over else len(held.words)
    return replace(held, words=(*held.words[:place], *(OVER * over), *held.words[place + 2 :]))


def in_order(held: Iterable[Held]) -> tuple[Held, ...]:
    """Sorted by device, family and network; within one network the order stays."""
    return tuple(
        sorted(held, key=lambda h: (h.device, h.interface.version, h.interface.network.exploded))
    )


# --- routes --------------------------------------------------------------------------------------


def route(family: Family, record: Record) -> Route | None:
    """A route of `ip -j -d -N route show table all`; None for one that somebody looks after."""
    protocol = str(record.get("protocol", "0"))
    if protocol in LEARNT or record.get("table") == LOCAL or "expires" in record:
        return None
    return told(family, record)


def told(family: Family, record: Record) -> Route:
    """The same for any route, whoever looks after it."""
    protocol, kind = str(record.get("protocol", "0")), str(record.get("type", "1"))
    known = _ROUTE.issuperset(record) and (kind in KINDS or kind in REFUSALS)
    words = _route_words(family, record, kind, protocol) if known else None
    if words is None:
        return Route(family, (UNWRITTEN, json.dumps(record, sort_keys=True)))
    return Route(family, tuple(words))


def _route_words(family: Family, said: Record, kind: str, protocol: str) -> list[str] | None:
    words = [word for word in (KINDS.get(kind) or REFUSALS.get(kind),) if word]
    words.append(str(said["dst"]))
    for key, word in (("from", "from"), ("tos", "tos")):
        if key in said:
            words += [word, str(said[key])]
    if "nhid" in said:
        words += ["nhid", str(said["nhid"])]
    else:
        words += _way(said)
    words += ["table", str(said.get("table", MAIN)), "proto", protocol]
    if family == 4:
        words += ["scope", str(said.get("scope", "0"))]
    if "prefsrc" in said:
        words += ["src", str(said["prefsrc"])]
    if said.get("metric"):
        words += ["metric", str(said["metric"])]
    if said.get("pref", "medium") != "medium":
        words += ["pref", str(said["pref"])]
    more = _more(family, said)
    return None if more is None else words + more


def _way(said: Record) -> list[str]:
    words: list[str] = []
    if "gateway" in said:
        words += ["via", str(said["gateway"])]
    elif "via" in said:
        words += ["via", str(said["via"]["family"]), str(said["via"]["host"])]
    if "dev" in said:
        words += ["dev", str(said["dev"])]
    return words


def _more(family: Family, said: Record) -> list[str] | None:
    """Flags, sizes and the hops of a route with several; None if something is not known. In IPv4 the
    order of hops says which senders each of them gets."""
    words = _flags(said)
    for metrics in said.get("metrics", ()):
        if words is None or not set(metrics) <= set(_METRICS):
            return None
        words += [part for key in _METRICS if key in metrics for part in (key, str(metrics[key]))]
    hops = [] if "nhid" in said else [_hop(hop) for hop in said.get("nexthops", ())]
    if words is None or any(hop is None for hop in hops):
        return None
    each = [hop for hop in hops if hop]
    return words + [word for hop in (each if family == 4 else sorted(each)) for word in hop]


def _flags(said: Record) -> list[str] | None:
    found = set(said.get("flags", ())) - _STATES
    return sorted(found) if found <= {"onlink", "pervasive"} else None


def _hop(said: Record) -> list[str] | None:
    flags = _flags(said)
    if not _HOP.issuperset(said) or flags is None:
        return None
    return ["nexthop", *_way(said), "weight", str(said.get("weight", 1)), *flags]


def key(found: Route) -> tuple[Any, ...]:
    """What a table can hold once: family, destination, table, metric, type of service."""
    words = found.words
    first = 1 if words[0] in {*KINDS.values(), *REFUSALS.values()} else 0
    said = pairs(words[first + 1 :])
    chosen = ("table", "metric", "tos", "from")
    return (found.family, words[first], *(said.get(each, "") for each in chosen))


def devices(words: Sequence[str]) -> set[str]:
    """The devices that the words of a route name."""
    return {words[n + 1] for n, word in enumerate(words[:-1]) if word == "dev"}


def pairs(words: Sequence[str]) -> dict[str, str]:
    """Keywords with the word behind each; the first counts."""
    found: dict[str, str] = {}
    for place in range(len(words) - 1):
        found.setdefault(words[place], words[place + 1])
    return found


# --- choices -------------------------------------------------------------------------------------


def choice(family: Family, record: Record) -> Choice | None:
    """A rule of `ip -j -d -N rule`; None for those the kernel makes."""
    if str(record.get("protocol", "")) == "2":
        return None
    action = str(record.get("action", ""))
    known = _CHOICE.issuperset(record) and (not action or action in REFUSALS)
    if not known:
        return Choice(family, (UNWRITTEN, json.dumps(record, sort_keys=True)))
    return Choice(family, tuple(_choice_words(family, record, action)))


def _choice_words(family: Family, said: Record, action: str) -> Iterator[str]:
    yield from ("pref", str(said["priority"]))
    if "not" in said:
        yield "not"
    width = 32 if family == 4 else 128
    for key_, length, word in (("src", "srclen", "from"), ("dst", "dstlen", "to")):
        if said.get(key_, "all") != "all":
            yield from (word, f"{said[key_]}/{said.get(length, width)}")
    if "tos" in said:
        yield from ("tos", str(said["tos"]))
    if "fwmark" in said:
        yield "fwmark"
        yield f"{said['fwmark']}/{said['fwmask']}" if "fwmask" in said else str(said["fwmark"])
    yield from (w for k in ("iif", "oif") if k in said for w in (k, str(said[k])))
    if "l3mdev" in said:
        yield "l3mdev"
    if "uid_start" in said:
        yield from ("uidrange", f"{said['uid_start']}-{said['uid_end']}")
    if "ipproto" in said:
        yield from ("ipproto", str(said["ipproto"]).removeprefix("ipproto-"))
    for port in ("sport", "dport"):
        if port in said:
            yield from (port, str(said[port]))
        elif f"{port}_start" in said:
            yield from (port, f"{said[f'{port}_start']}-{said[f'{port}_end']}")
    if "tun_id" in said:
        yield from ("tun_id", str(said["tun_id"]))
    yield from _answer(said, action)


def _answer(said: Record, action: str) -> Iterator[str]:
    if action:
        yield REFUSALS[action]
    for found, word in (
        ("table", "lookup"),
        ("goto", "goto"),
        ("suppress_prefixlen", "suppress_prefixlength"),
        ("suppress_ifgroup", "suppress_ifgroup"),
    ):
        if found in said:
            yield from (word, str(said[found]))
    if str(said.get("protocol", UNSAID)) != UNSAID:
        yield from ("protocol", str(said["protocol"]))


def asked(found: Choice) -> frozenset[tuple[str, str]]:
    """What a choice asks and does, keyword by keyword."""
    left, said = list(found.words), set()
    while left:
        word = left.pop(0)
        said.add((word, "" if word in _LONE or not left else left.pop(0)))
    return frozenset(said)


def preference(found: Choice) -> int:
    """The place of a choice: lower ones are asked first. -1: not known."""
    said = pairs(found.words)
    text = said.get("pref", "")
    return int(text) if re.fullmatch(r"[0-9]{1,10}", text) else -1
