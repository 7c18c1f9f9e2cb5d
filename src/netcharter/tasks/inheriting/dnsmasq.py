"""The settings and the lease file of dnsmasq, as far as they tell who has which address.

Written after dnsmasq(8): the options dhcp-host, dhcp-range, dhcp-option (3, `router`), interface,
listen-address, domain, conf-file, conf-dir, dhcp-hostsfile. The lease file has no page of its own;
its form is that which the server writes (time, hardware address, address, name, client
identifier; after a line `duid` the same for IPv6 with an identity association's number).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from ipaddress import (
    IPv4Address,
    IPv4Network,
    IPv6Address,
    IPv6Network,
    ip_address,
    ip_interface,
)

from netcharter.charter.model import Address
from netcharter.charter.values import quoted
from netcharter.diagnostics import Span
from netcharter.diagnostics.escape import HIDDEN
from netcharter.tasks.inheriting.lines import Line, Told, address_of, good_lines, hardware_of
from netcharter.tasks.inheriting.shapes import Held, Lease, Pool, Reservation

SETTING = re.compile(r"\s*(?:--)?([a-z][a-z0-9-]*)\s*(?:=\s*(.*?)\s*)?$")
COMMENT = re.compile(r"(?:^|\s)#\s*(.*)$")
LENT_FOR = re.compile(r"infinite|deprecated|[0-9]{1,9}[smhdw]?", re.IGNORECASE)
WILD = re.compile(
    r"(?:[0-9A-Fa-f]{1,2}-)?(?:[0-9A-Fa-f]{1,2}|\*)(?::(?:[0-9A-Fa-f]{1,2}|\*)){2,19}"
)
TYPED = re.compile(r"([0-9A-Fa-f]{1,2})-([0-9A-Fa-f:]+)")
ETHERNET = 1  # RFC 1700, "Hardware Type"
HOSTNAME = re.compile(r"[A-Za-z0-9_](?:[A-Za-z0-9._-]{0,252})")
MODES = frozenset("static proxy ra-only ra-names ra-stateless ra-advrouter slaac off-link".split())
OTHER_FILES = frozenset("conf-file conf-dir dhcp-hostsfile dhcp-hostsdir dhcp-optsfile".split())
LAST_SECOND = 253_402_300_799  # of the year 9999
MOST_DIGITS = 12


@dataclass(slots=True)
class _Found:
    """What the settings say so far."""

    told: Told
    reservations: list[Reservation] = field(default_factory=list)
    pools: list[tuple[Pool, frozenset[str]]] = field(default_factory=list)  # and their tags
    routers: list[tuple[frozenset[str], tuple[Address, ...]]] = field(default_factory=list)
    devices: list[str] = field(default_factory=list)
    domains: list[str] = field(default_factory=list)
    addresses: list[Address] = field(default_factory=list)


def read_settings(data: str | bytes, name: str) -> Held:
    """The settings: one `option` or `option=value` a line, comments from `#` on."""
    found = _Found(Told(name))
    for line in good_lines(data, found.told):
        _setting(found, line)
    pools = (_finished(found, pool, tags) for pool, tags in found.pools)
    return Held(
        reservations=tuple(found.reservations),
        pools=tuple(pools),
        devices=tuple(dict.fromkeys(found.devices)),
        domains=tuple(dict.fromkeys(found.domains)),
        addresses=tuple(dict.fromkeys(found.addresses)),
        problems=found.told.all(),
    )


def _setting(found: _Found, line: Line) -> None:
    note = COMMENT.search(line.text)
    text = line.text[: note.start()] if note else line.text
    if not text.strip():
        return
    match = SETTING.fullmatch(text)
    if match is None:
        found.told.unread("no setting of dnsmasq", found.told.span(line), quoted(line.text),
                          "an option, perhaps with `=` and its value")  # fmt: skip
        return
    key, value = match[1], (match[2] or "").strip().strip('"')
    span = found.told.span(line, match.start(1), len(text.rstrip()))
    if key in OTHER_FILES and value:
        found.told.unfollowed(value.split(",")[0], span)
    take = _TAKES.get(key)
    if take is not None and value:
        parts = [part.strip().strip('"') for part in value.split(",")]
        take(found, parts, span, note[1].strip() if note else "")


# dhcp-host


def _host(found: _Found, parts: Sequence[str], span: Span, note: str) -> None:
    """`[hardware][,id:...|*][,set:tag][,tag:tag][,address][,name][,lease time][,ignore]`."""
    hardware: list[int] = []
    addresses: list[Address] = []
    name, area, ignored, known_otherwise = "", "", False, False
    for part in filter(None, parts):
        tag = part.partition(":")[2]
        if part.startswith("tag:"):
            area = area or tag
        elif part.startswith(("set:", "net:")):
            continue
        elif part == "*" or part.startswith("id:"):
            known_otherwise = part not in ("*", "id:*")  # a star: whatever identifier it sends
        elif part.lower() == "ignore":
            ignored = True
        elif part.startswith("["):
            addresses += _bracketed(found, part, span)
        elif (address := _any4(part)) is not None:
            addresses += [address] if address_of(part) else []
        elif WILD.fullmatch(part):
            hardware += _hardware(found, part, span)
        elif LENT_FOR.fullmatch(part):
            continue
        elif HOSTNAME.fullmatch(part) and not name:
            name = part
        else:
            found.told.unread("a part of a reservation", span, quoted(part))
    if known_otherwise and not hardware:
        found.told.left_out("a device known by its client identifier only", span,
                            quoted(name or ", ".join(map(str, addresses))),
                            "find out its hardware address")  # fmt: skip
    if hardware or addresses:
        found.reservations.append(
            Reservation(name, tuple(hardware), tuple(addresses), span, area, note, ignored)
        )


def _hardware(found: _Found, part: str, span: Span) -> Iterator[int]:
    typed = TYPED.fullmatch(part)
    plain = typed[2] if typed and int(typed[1], 16) == ETHERNET else part
    number = hardware_of(plain)
    if number is not None:
        yield number
    elif "*" in part:
        found.told.left_out("a hardware address with gaps", span, quoted(part),
                            "name each device with its own")  # fmt: skip
    else:
        found.told.left_out("a hardware address that is not Ethernet's", span, quoted(part))


def _bracketed(found: _Found, part: str, span: Span) -> Iterator[Address]:
    """`[2001:db8::10]`, or only a host part as in `[::10]`, or several with a length."""
    inside = part.strip("[]")
    address = address_of(inside)
    if address is not None and not _host_part(address):
        yield address
        return
    try:
        ip_interface(inside)
    except ValueError:
        found.told.unread("an address in brackets", span, quoted(part))
        return
    found.told.left_out("an IPv6 address without its prefix, or more than one", span, quoted(part),
                        "the plan numbers devices in IPv6 by itself")  # fmt: skip


def _host_part(address: Address) -> bool:
    return address.version == 6 and int(address) >> 64 == 0


# dhcp-range and the options that go with it


def _range(found: _Found, parts: Sequence[str], span: Span, note: str) -> None:
    """`[tag:..,][set:..,]first[,last|mode[,netmask[,broadcast]]][,lease time]`, or IPv6."""
    rest = [part for part in parts if part]
    tags = []
    while rest and not _is_address(rest[0]):
        tags.append(rest.pop(0))
    if not rest or any(":" in tag and not re.match("(tag|set|net):", tag) for tag in tags):
        found.told.unread("a range without its first address", span, quoted(",".join(parts)))
        return
    names = [tag.partition(":")[2] if ":" in tag else tag for tag in tags]
    called = [n for n, tag in zip(names, tags, strict=True) if not tag.startswith("tag:")]
    device = next((n for n, tag in zip(names, tags, strict=True) if tag.startswith("tag:")), "")
    pool = (_pool6 if ":" in rest[0] else _pool4)(rest, span)
    if pool is None:
        found.told.unread("a range that is none", span, quoted(",".join(parts)))
        return
    pool = replace(pool, device=pool.device or device, tag=called[0] if called else "")
    found.pools.append((pool, frozenset(names)))


def _is_address(text: str) -> bool:
    try:
        ip_address(text)
    except ValueError:
        return False
    return True


def _pool4(rest: Sequence[str], span: Span) -> Pool | None:
    first, *more = rest
    numbers = [a for a in map(_any4, more) if a is not None]
    if any(word in MODES for word in more):
        mask = next(iter(numbers), None)
        network = _network4(first, mask)
        return Pool(None, None, span, network)
    if not numbers:
        return None
    last, mask = numbers[0], numbers[1] if len(numbers) > 1 else None
    low = IPv4Address(first)
    return Pool(low, last, span, _network4(first, mask)) if low <= last else None


def _any4(text: str) -> IPv4Address | None:
    try:
        return IPv4Address(text)
    except ValueError:
        return None


def _network4(first: str, mask: IPv4Address | None) -> IPv4Network | None:
    try:
        return IPv4Network(f"{first}/{mask}", strict=False) if mask is not None else None
    except ValueError:
        return None


def _pool6(rest: Sequence[str], span: Span) -> Pool | None:
    """Without its upper half a first address is only the host part of one, in any prefix."""
    device, length = "", 64
    first, last = IPv6Address(rest[0]), None
    for word in rest[1:]:
        if word.startswith("constructor:"):
            device = word.partition(":")[2]
        elif re.fullmatch(r"[0-9]{1,3}", word):
            length = int(word)
        elif ":" in word and _is_address(word):
            last = IPv6Address(word)
    if not 1 <= length <= 128 or (last is not None and first > last):
        return None
    if _host_part(first):
        return Pool(None, None, span, None, device)
    network = IPv6Network((int(first), length), strict=False)
    return Pool(first if last else None, last, span, network, device)


def _option(found: _Found, parts: Sequence[str], span: Span, note: str) -> None:
    tags = frozenset(p.partition(":")[2] for p in parts if re.match("(tag|net):", p))
    words = [p for p in parts if not re.match("(tag|net|encap|vi-encap|vendor):", p)]
    if words and words[0].lower() in ("3", "option:router", "option:3"):
        routers = tuple(a for a in map(address_of, words[1:]) if a is not None)
        found.routers.append((tags, routers))


def _finished(found: _Found, pool: Pool, tags: frozenset[str]) -> Pool:
    """A range with what is said elsewhere: its routers, and whether its tag is a device."""
    routers = next((r for wanted, r in found.routers if wanted and wanted <= tags), ())
    if not routers and pool.first is not None and isinstance(pool.first, IPv4Address):
        near = (r for wanted, r in found.routers if not wanted)
        routers = next((r for r in near if pool.network and r and r[0] in pool.network), ())
    return replace(pool, routers=routers)


# The rest


def _interface(found: _Found, parts: Sequence[str], span: Span, note: str) -> None:
    found.devices += [part for part in parts if re.fullmatch(r"[^\s/]{1,15}", part)]


def _listen(found: _Found, parts: Sequence[str], span: Span, note: str) -> None:
    found.addresses += [a for a in map(address_of, parts) if a is not None]


def _domain(found: _Found, parts: Sequence[str], span: Span, note: str) -> None:
    if HOSTNAME.fullmatch(parts[0]):
        found.domains.append(parts[0])


_Take = Callable[[_Found, Sequence[str], Span, str], None]
_TAKES: dict[str, _Take] = {
    "dhcp-host": _host,
    "dhcp-range": _range,
    "dhcp-option": _option,
    "dhcp-option-force": _option,
    "interface": _interface,
    "listen-address": _listen,
    "domain": _domain,
}


# The lease file

ENDS = re.compile(rf"[0-9]{{1,{MOST_DIGITS}}}")
_WORD = re.compile(r"[^ \t]+")
_UNREAD = re.compile(f"{HIDDEN.pattern}|\ufffd")
ASSOCIATION = re.compile(r"T?-?[0-9]{1,10}")


def read_leases(data: str | bytes, name: str) -> Held:
    """`ends hardware address name client`; behind a line `duid ...` the leases of IPv6.

    Whoever calls itself by what is not seen is there all the same: its name alone is left out."""
    told = Told(name)
    leases = []
    for line in good_lines(data, told, every=True):
        words = _WORD.findall(line.text)
        if not words or words[0] == "duid":
            continue
        lease = _lease(words, told.span(line))
        if lease is None:
            told.unread("no lease of dnsmasq", told.span(line), quoted(line.text),
                        "time, hardware address, address, name, client identifier")  # fmt: skip
        else:
            leases.append(lease)
    return Held(leases=tuple(leases), problems=told.all())


def _lease(words: Sequence[str], span: Span) -> Lease | None:
    if not 4 <= len(words) <= 5 or not ENDS.fullmatch(words[0]):
        return None
    address = address_of(words[2])
    six = isinstance(address, IPv6Address)
    if address is None or not (ASSOCIATION if six else WILD).fullmatch(words[1]):
        return None
    ends = int(words[0])
    until = datetime.fromtimestamp(min(ends, LAST_SECOND), UTC) if ends else None
    called = "" if words[3] == "*" or _UNREAD.search(words[3]) else words[3]
    client = words[4] if len(words) > 4 and words[4] != "*" else ""
    hardware = None if six else hardware_of(words[1])
    return Lease(address, hardware, called, span, client, until)
