"""What a rule looks at: every field of nft's language, as cases of where its value comes from.

The comments name the kernel's file where its behaviour is not plain from nft(8); all of that is
from memory and was tried on a kernel (tests/readback). `docs/explanation/readback.md` says more.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from netcharter.readback.devices import DEVICE_NAMES, Devices
from netcharter.readback.fib import fib_term
from netcharter.readback.ground import EVERYBODY4, Ground
from netcharter.readback.shapes import (
    DESTINATION,
    ENTRANCE,
    EXIT,
    HARDWARE,
    HARDWARE_NONE,
    PORT,
    SERVICE,
    SOURCE,
)
from netcharter.readback.sources import (
    ABSENT,
    OPEN,
    BitSource,
    Case,
    Fixed,
    FromField,
    Open,
    Source,
    fixed,
    masked,
    operated,
)
from netcharter.readback.state import ALL_BITS, Course, Moved
from netcharter.readback.symbols import CT_STATES
from netcharter.readback.values import DEVICE_KINDS, NotUnderstood, number
from netcharter.space.ranges import Ranges, intersect, ranges, subtract, union

ICMP, TCP, UDP, DCCP, ICMP6, SCTP, UDPLITE = 1, 6, 17, 33, 58, 132, 136
PORTED = (TCP, UDP, DCCP, SCTP, UDPLITE)
# Whose ports conntrack knows and translates on every kernel. DCCP's are known to older ones only:
# the kernel this was tried on (6.18) tracks it as a protocol without ports.
TRACKED = (TCP, UDP, SCTP, UDPLITE)
TRANSPORT: Mapping[str, tuple[int, ...]] = {
    "tcp": (TCP,),
    "udp": (UDP,),
    "dccp": (DCCP,),
    "sctp": (SCTP,),
    "udplite": (UDPLITE,),
}
TYPE_OF_FRAME = ("ll", 96, 16)  # in bits: behind two hardware addresses (IEEE 802.3)
OTHERS: Mapping[str, int] = {"ah": 51, "esp": 50, "comp": 108, "igmp": 2, "gre": 47}
# Fields that exist and that a first packet alone does not settle; any other is not known here.
META = frozenset(
    "length priority random rtclassid iifgroup oifgroup iifkind oifkind oiftype cpu ipsec secpath "
    "nftrace secmark sdif sdifname time hour day broute ibrname obrname ibrpvid ibrvproto".split()
)
CONNTRACK = frozenset(
    "helper expiration bytes packets avgpkt label zone id secmark l3proto eventmask".split()
)
HEADERS: Mapping[str, frozenset[str]] = {
    name: frozenset(fields.split())
    for name, fields in {
        "ip": "hdrlength dscp ecn length id ttl checksum",
        "ip6": "dscp ecn flowlabel length hoplimit priority",
        "icmp": "checksum id sequence gateway mtu",
        "icmpv6": "checksum parameter-problem packet-too-big id sequence max-delay mtu taddr daddr",
        "tcp": "sequence ackseq doff reserved window checksum urgptr",
        "udp": "length checksum",
        "udplite": "checksum csumcov",
        "sctp": "vtag checksum",
        "dccp": "",
    }.items()
}
SYN = 2
HARDWARES: Ranges = ((0, HARDWARE_NONE - 1),)
LATE = ("forward", "output", "postrouting")  # hooks that come after a device to leave by is known


@dataclass(frozen=True, slots=True, eq=False)
class Term:
    """One field: what kind of values it has and where they come from on a course."""

    kind: str
    read: Callable[[Course], tuple[Case, ...]]
    words: str
    field: str = ""  # what a statement that writes to it would name
    known: bool = True  # whether it is a field of nft's language as known here
    exit: bool = False  # whether it is the device a packet leaves by


@dataclass(frozen=True, slots=True)
class Around:
    """What fields are read against."""

    devices: Devices
    ground: Ground
    zoned: bool = False  # some rule sets a conntrack zone
    helped: bool = False  # some rule sets a conntrack helper


def services(protocols: tuple[int, ...]) -> Ranges:
    """All services of some protocols."""
    return ranges(*((p << 16, (p << 16) + 0xFFFF) for p in protocols))


def of_protocols(found: Ranges) -> Ranges:
    """The services of wanted protocol numbers."""
    inside = intersect(found, ((0, 255),))
    return tuple((low << 16, (high << 16) + 0xFFFF) for low, high in inside)


@lru_cache(maxsize=64)
def of_ports(protocols: tuple[int, ...]) -> Callable[[Ranges], Ranges]:
    """The services of wanted port numbers (or ICMP types and codes in one number)."""

    def turned(found: Ranges) -> Ranges:
        inside = intersect(found, ((0, 0xFFFF),))
        return ranges(*(((p << 16) + a, (p << 16) + b) for p in protocols for a, b in inside))

    return turned


@lru_cache(maxsize=4)
def of_types(protocol: int) -> Callable[[Ranges], Ranges]:
    """The services of wanted ICMP types."""

    def turned(found: Ranges) -> Ranges:
        start, inside = protocol << 16, intersect(found, ((0, 255),))
        return tuple((start + a * 256, start + b * 256 + 255) for a, b in inside)

    return turned


@lru_cache(maxsize=4)
def of_codes(protocol: int) -> Callable[[Ranges], Ranges]:
    """The services of wanted ICMP codes, of whatever type."""

    def turned(found: Ranges) -> Ranges:
        start, inside = protocol << 16, intersect(found, ((0, 255),))
        every = range(start, start + 0x10000, 256)
        return ranges(*((one + a, one + b) for one in every for a, b in inside))

    return turned


@lru_cache(maxsize=256)
def shifted(by: int) -> Callable[[Ranges], Ranges]:
    """The addresses as sent of wanted addresses that were moved by a distance."""

    def turned(found: Ranges) -> Ranges:
        pairs = ((max(low - by, 0), high - by) for low, high in found)
        return ranges(*((low, high) for low, high in pairs if high >= low))

    return turned


def address(course: Course, source: bool) -> Source:
    """Where the source or destination address comes from, as it stands now."""
    moved = course.source if source else course.destination
    return sent(source) if moved is None else of_moved(moved, source)


def sent(source: bool) -> Source:
    return FromField(SOURCE if source else DESTINATION)


def of_moved(moved: Moved, source: bool) -> Source:
    if moved.values:
        return Fixed(moved.values)
    return FromField(SOURCE if source else DESTINATION, (shifted(moved.by),))


def term(said: Any, around: Around, words: str) -> Term:
    """The field that an expression stands for; one that is not understood is open."""
    unknown = Term("number", lambda course: OPEN, words, known=False)
    if not isinstance(said, dict) or len(said) != 1:
        return unknown
    ((what, where),) = said.items()
    if what == "&" and isinstance(where, list) and len(where) == 2:
        return _masked(term(where[0], around, words), where[1], around, words)
    if what in ("|", "^", "<<", ">>") and isinstance(where, list) and len(where) == 2:
        return _operated(term(where[0], around, words), what, where[1], around, words)
    maker = _MAKERS.get(what)
    if maker is None or not isinstance(where, dict) or where.keys() - _SAID.get(what, where.keys()):
        return unknown
    return maker(where, around, words) or unknown


def _operated(inner: Term, operation: str, said: Any, around: Around, words: str) -> Term:
    try:
        constant = number(said, inner.kind, around.devices)
    except NotUnderstood:
        return Term("number", lambda course: OPEN, words, known=inner.known)
    usable = inner.kind not in ("ip", "ip6", "hardware", *DEVICE_KINDS)

    def read(course: Course) -> tuple[Case, ...]:
        return tuple(
            Case(case.limits, operated(case.source, operation, constant) if usable else Open())
            for case in inner.read(course)
        )

    return Term(inner.kind, read, words, inner.field, inner.known, inner.exit)


def _masked(inner: Term, said: Any, around: Around, words: str) -> Term:
    try:
        mask = number(said, inner.kind, around.devices)
    except NotUnderstood:
        return Term("number", lambda course: OPEN, words)
    mask -= 1 << 32 if inner.kind == "ip6" else 0
    if inner.kind in ("ip", "ip6", *DEVICE_KINDS):
        return _masked_address(inner, mask, words)

    def read(course: Course) -> tuple[Case, ...]:
        return tuple(
            Case(case.limits, masked(case.source, mask, inner.kind)) for case in inner.read(course)
        )

    return Term(inner.kind, read, words, inner.field, inner.known, inner.exit)


def _masked_address(inner: Term, mask: int, words: str) -> Term:
    """Addresses are coded, so a mask can only be undone where they come from the box."""

    def read(course: Course) -> tuple[Case, ...]:
        found = []
        for case in inner.read(course):
            source = case.source
            usable = isinstance(source, FromField) and inner.kind not in DEVICE_KINDS
            found.append(Case(case.limits, masked(source, mask, inner.kind) if usable else Open()))
        return tuple(found)

    return Term(inner.kind, read, words, inner.field, inner.known, inner.exit)


# --- meta ---------------------------------------------------------------------------------------


def _meta(where: dict[str, Any], around: Around, words: str) -> Term | None:
    key = where.get("key")
    devices = "device name" if key in DEVICE_NAMES else "device"
    if key in ("iif", "iifname"):
        return Term(devices, lambda course: _entrance(course, around), words)
    if key in ("oif", "oifname"):
        return Term(devices, _exit, words, exit=True)
    if key == "mark":
        return Term("number", lambda c: (Case((), BitSource(*c.packet_mark)),), words, "meta mark")
    if key == "l4proto":
        return Term("protocol", lambda course: _service(of_protocols), words)
    if key == "nfproto":
        return Term("family", lambda course: fixed(2 if course.family == 4 else 10), words)
    if key == "protocol":
        return Term("ether type", _ether_type, words)
    if key in ("skuid", "skgid", "cgroup"):
        return Term("number", _socket, words)
    if key == "pkttype":
        return Term("packet type", lambda course: _packet_type(course, around), words)
    if key == "iiftype":
        return Term("number", lambda c: ABSENT if c.own and not c.looped else OPEN, words)
    return Term("number", lambda c: OPEN, words, f"meta {key}", known=str(key) in META)


def _entrance(course: Course, around: Around) -> tuple[Case, ...]:
    if course.looped:
        return fixed(around.devices.loopback)
    if course.own:
        return fixed(0)  # nft_meta.c: an empty name, index 0, where there is no device
    return (Case((), FromField(ENTRANCE)),)


def _exit(course: Course) -> tuple[Case, ...]:
    return (Case((), FromField(EXIT)),) if course.hook in LATE else fixed(0)


def _service(how: Callable[[Ranges], Ranges | None]) -> tuple[Case, ...]:
    return (Case((), FromField(SERVICE, (how,))),)


def _ether_type(course: Course) -> tuple[Case, ...]:
    return fixed(0x0800 if course.family == 4 else 0x86DD)


def _socket(course: Course) -> tuple[Case, ...]:
    """Only what the host sends or receives has a socket."""
    return OPEN if course.own or course.hook == "input" else ABSENT


def _packet_type(course: Course, around: Around) -> tuple[Case, ...]:
    """0 for the host, 1 broadcast, 2 multicast: taken to agree with the destination address."""
    if course.own:
        return fixed(0) if course.hook in ("output", "postrouting") else OPEN
    if not around.ground.known and course.family == 4 and course.destination is None:
        many = subtract(around.ground.whole(4), around.ground.multicast(4))
        unsure = Case(((DESTINATION, subtract(many, EVERYBODY4)),), Open())
    else:
        unsure = None
    groups = around.ground.multicast(course.family)
    everybody = around.ground.broadcast(course.family)
    rest = subtract(around.ground.whole(course.family), union(groups, everybody))
    cases = [Case(((DESTINATION, groups),), Fixed(((2, 2),)))]
    if everybody:
        cases.append(Case(((DESTINATION, everybody),), Fixed(((1, 1),))))
    return (*cases, unsure or Case(((DESTINATION, rest),), Fixed(((0, 0),))))


# --- conntrack ----------------------------------------------------------------------------------


def _ct(where: dict[str, Any], around: Around, words: str) -> Term | None:
    key, way = where.get("key"), where.get("dir")
    if key == "state":
        return Term("state", _tracking, words)
    if key == "mark":
        return Term("number", _tracked(lambda c: BitSource(*c.mark)), words, "ct mark")
    if key == "status":
        return Term("status", _tracked(lambda c: BitSource(*c.status)), words)
    if key == "direction":
        return Term("direction", _tracked(lambda c: Fixed(((0, 0),))), words)
    if key == "zone" and not around.zoned:
        return Term("number", _tracked(lambda c: Fixed(((0, 0),))), words)
    if key == "protocol":
        return Term("protocol", _tracked(lambda c: FromField(SERVICE, (of_protocols,))), words)
    if key == "l3proto":
        family = _tracked(lambda c: Fixed(((2, 2),) if c.family == 4 else ((10, 10),)))
        return Term("family", family, words)
    if key == "helper" and not around.helped:
        return Term("number", lambda course: ABSENT, words)
    if isinstance(key, str) and key.split(" ")[-1] in ("saddr", "daddr") and way:
        return _ct_address(key, way == "reply", words)
    if key in ("proto-src", "proto-dst") and way:
        return _ct_port(key == "proto-src", way == "reply", words)
    known = str(key) in CONNTRACK
    return Term("number", _tracked(lambda c: Open()), words, f"ct {key}", known)


def _tracking(course: Course) -> tuple[Case, ...]:
    """nft_ct.c: what conntrack did not see (yet) is invalid to `ct state`."""
    names = {"none": "invalid", "new": "new", "untracked": "untracked", "invalid": "invalid"}
    return fixed(CT_STATES[names[course.track]])


def _tracked(reader: Callable[[Course], Source]) -> Callable[[Course], tuple[Case, ...]]:
    """Only what conntrack has an entry for has such a field."""

    def read(course: Course) -> tuple[Case, ...]:
        return (Case((), reader(course)),) if course.track == "new" else ABSENT

    return read


def _ct_address(key: str, reply: bool, words: str) -> Term:
    family = 6 if key.startswith("ip6") else 4 if key.startswith("ip") else None
    source = key.endswith("saddr")

    def read(course: Course) -> tuple[Case, ...]:
        if course.track != "new" or (family is not None and family != course.family):
            return ABSENT
        # An answer comes from where the packet went, and goes to where it came from.
        return (Case((), address(course, not source) if reply else sent(source)),)

    return Term("ip6" if family == 6 else "ip", read, words)


def _ct_port(source: bool, reply: bool, words: str) -> Term:
    def read(course: Course) -> tuple[Case, ...]:
        if course.track != "new":
            return ABSENT
        if source != reply:  # the sender's port; answers go to it as it was translated
            moved = course.source_port if reply else None
            now: Source = FromField(PORT) if moved is None else Fixed(moved)
            ported = Case(((SERVICE, services(TRACKED)),), now)
            return (ported, Case(((SERVICE, _untold()),), Open()))
        if reply and course.port is not None:
            ported = Case(((SERVICE, services(TRACKED)),), Fixed(course.port))
        else:
            ported = Case(((SERVICE, services(TRACKED)),), FromField(SERVICE, (of_ports(TRACKED),)))
        return (ported, Case(((SERVICE, _untold()),), Open()))

    return Term("port", read, words)


@lru_cache(maxsize=1)
def _untold() -> Ranges:
    return subtract(((0, (256 << 16) - 1),), services(TRACKED))


@lru_cache(maxsize=1)
def _unported() -> Ranges:
    return subtract(((0, (256 << 16) - 1),), services(PORTED))


# --- headers ------------------------------------------------------------------------------------


def _payload(where: dict[str, Any], around: Around, words: str) -> Term | None:
    protocol, field = str(where.get("protocol", "")), where.get("field")
    if protocol in ("ip", "ip6"):
        return _network(protocol, str(field), words)
    if protocol in ("icmp", "icmpv6"):
        return _icmp(protocol, str(field), words)
    if protocol == "th" or protocol in TRANSPORT:
        return _transport(protocol, str(field), words)
    if protocol in OTHERS:
        limits = ((SERVICE, services((OTHERS[protocol],))),)
        return Term("number", lambda course: (Case(limits, Open()),), words, words)
    if protocol == "ether":
        return _ether(str(field), words)
    if (where.get("base"), where.get("offset"), where.get("len")) == TYPE_OF_FRAME:
        return _ether("type", words)  # nft merges it with what stands beside, and lists it so
    if protocol == "arp":
        return Term("number", lambda course: ABSENT, words)
    return Term("number", lambda course: OPEN, words, words, "base" in where or protocol == "vlan")


def _network(protocol: str, field: str, words: str) -> Term:
    family = 4 if protocol == "ip" else 6

    def only(reader: Callable[[Course], Source]) -> Callable[[Course], tuple[Case, ...]]:
        return lambda c: (Case((), reader(c)),) if c.family == family else ABSENT

    name = f"{protocol} {field}"
    if field in ("saddr", "daddr"):
        return Term(protocol, only(lambda c: address(c, field == "saddr")), words, name)
    if field in ("protocol", "nexthdr"):  # the packet has no extension headers
        return Term("protocol", only(lambda c: FromField(SERVICE, (of_protocols,))), words)
    if field == "version":
        return Term("number", only(lambda c: Fixed(((family, family),))), words)
    if field == "frag-off":  # reassembled; whether it may be fragmented (RFC 791) is not known
        return Term("number", only(lambda c: BitSource(ALL_BITS & ~0x4000, 0)), words)
    return Term("number", only(lambda c: Open()), words, name, field in HEADERS[protocol])


def _icmp(protocol: str, field: str, words: str) -> Term:
    family, code = (4, ICMP) if protocol == "icmp" else (6, ICMP6)
    limits = ((SERVICE, services((code,))),)

    def only(source: Source) -> Callable[[Course], tuple[Case, ...]]:
        return lambda c: (Case(limits, source),) if c.family == family else ABSENT

    kind = f"{protocol} {field}"
    if field == "type":
        return Term(kind, only(FromField(SERVICE, (of_types(code),))), words)
    if field == "code":
        return Term(kind, only(FromField(SERVICE, (of_codes(code),))), words)
    return Term("number", only(Open()), words, kind, field in HEADERS[protocol])


def _transport(protocol: str, field: str, words: str) -> Term:
    protocols = TRANSPORT.get(protocol, PORTED)
    limits = ((SERVICE, services(protocols)),)
    name = f"{protocol} {field}"
    if field in ("dport", "sport"):
        reader = _source_port if field == "sport" else _port
        return Term("port", lambda c: reader(c, protocols, protocol == "th"), words, name)
    if protocol == "tcp" and field == "flags":
        return Term("flags", lambda c: (Case(limits, Fixed(((SYN, SYN),))),), words, name)
    if protocol == "dccp" and field == "type":
        return Term("dccp type", lambda c: (Case(limits, Fixed(((0, 0),))),), words)
    if protocol == "th":
        return Term("number", lambda c: OPEN, words, name, False)
    known = field in HEADERS[protocol]
    return Term("number", lambda c: (Case(limits, Open()),), words, name, known)


def _port(course: Course, protocols: tuple[int, ...], bare: bool) -> tuple[Case, ...]:
    source = FromField(SERVICE, (of_ports(protocols),))
    now = source if course.port is None else Fixed(course.port)
    found = (Case(((SERVICE, services(protocols)),), now),)
    # The third and fourth byte of other headers: nobody knows.
    return (*found, Case(((SERVICE, _unported()),), Open())) if bare else found


def _source_port(course: Course, protocols: tuple[int, ...], bare: bool) -> tuple[Case, ...]:
    now: Source = FromField(PORT) if course.source_port is None else Fixed(course.source_port)
    found = (Case(((SERVICE, services(protocols)),), now),)
    if not bare:
        return found
    icmp = ICMP if course.family == 4 else ICMP6  # type and code stand in the first two bytes
    both = Case(((SERVICE, services((icmp,))),), FromField(SERVICE, (of_ports((icmp,)),)))
    rest = subtract(_unported(), services((icmp,)))
    return (*found, both, Case(((SERVICE, rest),), Open()))


def _ether(field: str, words: str) -> Term:
    """nft asks for an Ethernet device of entrance first, which the host's own packets lack."""
    limits = ((HARDWARE, HARDWARES),)

    def only(reader: Callable[[Course], Source]) -> Callable[[Course], tuple[Case, ...]]:
        return lambda c: ABSENT if c.own else (Case(limits, reader(c)),)

    if field == "saddr":
        return Term("hardware", only(lambda c: FromField(HARDWARE)), words, "ether saddr")
    if field == "type":
        kind = only(lambda c: Fixed(((0x0800, 0x0800),) if c.family == 4 else ((0x86DD, 0x86DD),)))
        return Term("ether type", kind, words)
    return Term("hardware" if field == "daddr" else "number", only(lambda c: Open()), words)


def _extension(where: dict[str, Any], around: Around, words: str) -> Term | None:
    """A first packet has no extension headers, but for mobility, which stands in their place."""
    mobility = where.get("name") == "mh"
    limits = ((SERVICE, services((135,))),)
    rest = ((SERVICE, subtract(((0, (256 << 16) - 1),), services((135,)))),)
    there = Case(limits, Open() if "field" in where else Fixed(((1, 1),)))
    missing = () if "field" in where else (Case(rest if mobility else (), Fixed(((0, 0),))),)

    def read(course: Course) -> tuple[Case, ...]:
        if course.family != 6:
            return ABSENT
        return (there, *missing) if mobility else missing

    return Term("number" if "field" in where else "presence", read, words)


def _option(where: dict[str, Any], around: Around, words: str) -> Term | None:
    """IPv4 options: a first packet has none."""
    missing = () if "field" in where else fixed(0)
    kind = "number" if "field" in where else "presence"
    return Term(kind, lambda c: missing if c.family == 4 else ABSENT, words)


def _within(protocol: int) -> Callable[[dict[str, Any], Around, str], Term]:
    """Something in a transport header that a first packet alone does not settle. Where the header
    is another one it is missing, as far as that is asked (nft_exthdr.c)."""
    limits = ((SERVICE, services((protocol,))),)
    others = ((SERVICE, subtract(((0, (256 << 16) - 1),), services((protocol,)))),)

    def made(where: dict[str, Any], around: Around, words: str) -> Term:
        if "field" in where or "base" in where:
            return Term("number", lambda course: (Case(limits, Open()),), words)
        cases = (Case(limits, Open()), Case(others, Fixed(((0, 0),))))
        return Term("presence", lambda course: cases, words)

    return made


def _fib(where: dict[str, Any], around: Around, words: str) -> Term | None:
    found = fib_term(where, around.ground, address)
    return Term(found[0], found[1], words) if found else None


# What an expression may say; one that says more is about something else, such as an inner header.
_SAID: Mapping[str, frozenset[str]] = {
    "meta": frozenset({"key"}),
    "ct": frozenset({"key", "dir", "family"}),
    "payload": frozenset({"protocol", "field", "base", "offset", "len"}),
    "exthdr": frozenset({"name", "field", "offset"}),
}
_MAKERS: Mapping[str, Callable[[dict[str, Any], Around, str], Term | None]] = {
    "meta": _meta,
    "ct": _ct,
    "payload": _payload,
    "exthdr": _extension,
    "ip option": _option,
    "tcp option": _within(TCP),
    "osf": _within(TCP),
    "sctp chunk": _within(SCTP),
    "dccp option": _within(DCCP),
    "fib": _fib,
}
