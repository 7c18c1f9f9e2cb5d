"""What a loaded ruleset does with one packet: an interpreter of nftables' own JSON listing.

Shares nothing with the package. It takes what the kernel says it has loaded and sends the first
packet of a conversation through the hooks. It knows the part of the language that a gateway's
table needs; anything else raises `Unknown`, and so does a packet whose fate depends on bytes it
does not have. Meanings are those of nft(8) and of the kernel's nf_tables and conntrack.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from ipaddress import IPv4Address, IPv6Address, ip_address, ip_network
from typing import Any

from tests.kernel.symbols import SYMBOLS, number_of

Address = IPv4Address | IPv6Address
Interval = tuple[int, int]

TCP, UDP, ICMP, ICMP6 = 6, 17, 1, 58
PORTED = frozenset({6, 17, 33, 132, 136})
# Which ICMP messages conntrack begins a conversation with, and which it leaves untracked: the
# kernel's nf_conntrack_proto_icmp.c and nf_conntrack_proto_icmpv6.c (from memory).
BEGINNING = {ICMP: frozenset({8, 13, 15, 17}), ICMP6: frozenset({128, 139})}
UNTRACKED6 = frozenset({130, 131, 132, 133, 134, 135, 136, 137, 143})


class Unknown(Exception):
    """Something this interpreter does not know, or cannot know of this packet."""


class Missing(Exception):
    """A packet has no such field: the rule does not match (nft: NFT_BREAK)."""


class Unread:
    """A field that exists but whose bytes nobody chose, such as a source port."""


@dataclass(frozen=True)
class Packet:
    """The first packet of a conversation.

    entrance: the device it came in by, "" for the host's own; hardware: 48 bits, or None;
    number: a destination port, an ICMP type * 256 + code, or 0.
    """

    entrance: str
    source: Address
    destination: Address
    protocol: int
    number: int
    hardware: int | None = None

    @property
    def family(self) -> int:
        return self.source.version


@dataclass(frozen=True)
class Host:
    """What the kernel knows beside the ruleset.

    local: addresses by device; broadcast: broadcast addresses; routes: (network, device), the
    longest prefix wins; anycast: not `local` to fib. A link-local destination is the host's own:
    frames to any other are not addressed to it.
    """

    local: Mapping[str, frozenset[Address]]
    broadcast: frozenset[Address]
    routes: tuple[tuple[Any, str], ...]
    anycast: frozenset[Address] = frozenset()

    def type_of(self, address: Address, device: str | None = None) -> str:
        """The route type, as `fib ... type` reports it."""
        held = self.local.values() if device is None else [self.local.get(device, frozenset())]
        if any(address in addresses for addresses in held):
            return "local"
        if device is None and (address.is_loopback or address in ip_network("127.0.0.0/8")):
            return "local"
        if device is None and address in ip_network("fe80::/10"):
            return "local"
        if address.is_multicast:
            return "multicast"
        if address in self.anycast:
            return "anycast"
        broadcast = address == ip_address("255.255.255.255") or address in self.broadcast
        return "broadcast" if broadcast else "unicast"

    def device_to(self, address: Address) -> str:
        """The device a packet to `address` leaves by; "" where there is no way."""
        if self.type_of(address) == "local":
            return "lo"
        fitting = [(n.prefixlen, d) for n, d in self.routes if address in n]
        return max(fitting)[1] if fitting else ""


@dataclass
class Decision:
    """let; manner (where refused): reset, prohibited, silent; counters in the order counted."""

    let: bool
    manner: str | None
    counters: list[str]
    delivered: tuple[Address, int] | None
    hook: str
    mark: int
    hidden: bool = False  # leaves with the host's own address


@dataclass
class State:
    """A packet on its way."""

    packet: Packet
    hook: str
    conntrack: str
    daddr: Address
    number: int
    oif: str = ""
    translated: bool = False
    mark: int = 0
    packet_mark: int = 0
    hidden: bool = False
    manner: str = "silent"
    counters: list[str] = field(default_factory=list)


ACCEPT, DROP, END = "accept", "drop", "end"
Elements = list[tuple[tuple[Any, ...], Any]]


class Kernel:
    """One loaded table. `sets` may be filled: name -> elements as tuples of plain values."""

    def __init__(self, listing: Mapping[str, Any], host: Host) -> None:
        self.host = host
        self.chains: dict[str, dict[str, Any]] = {}
        self.rules: dict[str, list[list[dict[str, Any]]]] = {}
        self.sets: dict[str, Elements] = {}
        self.kinds: dict[str, tuple[str, ...]] = {}
        self.counters: set[str] = set()
        self._anonymous: dict[int, Elements] = {}
        for item in listing["nftables"]:
            self._take(item)

    def _take(self, item: Mapping[str, Any]) -> None:
        ((kind, said),) = item.items()
        if kind in ("metainfo", "table"):
            return
        if said["table"] != "netcharter" or said["family"] != "inet":
            raise Unknown(f"another table: {said}")
        if kind == "chain":
            self.chains[said["name"]] = said
            self.rules.setdefault(said["name"], [])
        elif kind == "rule":
            self.rules.setdefault(said["chain"], []).append(said["expr"])
        elif kind in ("set", "map"):
            kinds = said["type"] if isinstance(said["type"], list) else [said["type"]]
            self.kinds[said["name"]] = tuple(kinds)
            self.sets[said["name"]] = _elements(said.get("elem", []), tuple(kinds))
        elif kind == "counter":
            self.counters.add(said["name"])
        else:
            raise Unknown(f"listing of a {kind}")

    def fill(self, name: str, *elements: tuple[Any, ...], data: Any = None) -> None:
        """Replace a named set's or map's contents by single elements (plain values)."""
        kinds = self.kinds[name]
        self.sets[name] = [
            (tuple(_exactly(v, k) for v, k in zip(e, kinds, strict=True)), data) for e in elements
        ]

    # --- the way of a packet -------------------------------------------------------------------

    def decide(self, packet: Packet) -> Decision:
        state = State(packet, "", _tracking(packet), packet.destination, packet.number)
        if packet.entrance == "":
            state.oif = self.host.device_to(packet.destination)
            verdict = self._hook(state, "output", -300, 0)
        elif packet.destination.is_loopback:  # RFC 1122 section 3.2.1.3, RFC 4291 section 2.5.3
            state.hook, verdict = "before any", DROP
        else:
            verdict = self._hook(state, "prerouting", -300, -100)
            if verdict == ACCEPT:
                verdict = self._routed(state)
        decided_in = state.hook
        if verdict == ACCEPT and decided_in != "input":
            verdict = self._hook(state, "postrouting", -150, 100)
        delivered = (state.daddr, state.number) if state.translated else None
        return Decision(
            let=verdict == ACCEPT,
            manner=None if verdict == ACCEPT else state.manner,
            counters=state.counters,
            delivered=delivered if verdict == ACCEPT else None,
            hook=decided_in,
            mark=state.mark,
            hidden=state.hidden,
        )

    def _routed(self, state: State) -> str:
        if self.host.type_of(state.daddr) != "unicast":
            return self._hook(state, "input", 0, 0)
        state.oif = self.host.device_to(state.daddr)
        return self._hook(state, "forward", -150, 0)

    def _hook(self, state: State, hook: str, first: int, last: int) -> str:
        """All base chains of a hook in order of priority; the first that drops is the last."""
        state.hook = hook
        found = [c for c in self.chains.values() if c.get("hook") == hook]
        for chain in sorted(found, key=lambda c: int(c["prio"])):
            if not first <= chain["prio"] <= last:
                raise Unknown(f"a chain at priority {chain['prio']} in {hook}")
            if chain["type"] == "nat" and state.conntrack != "new":
                continue
            verdict = self._chain(state, chain["name"], 0)
            if verdict == END:
                verdict = chain["policy"]
            if verdict == DROP:
                return DROP
        return ACCEPT

    def _chain(self, state: State, name: str, depth: int) -> str:
        if depth > 16:
            raise Unknown("jumps too deep")
        for expressions in self.rules[name]:
            try:
                verdict = self._rule(state, expressions, depth)
            except Missing:
                continue
            if verdict is not None:
                return verdict
        return END

    def _rule(self, state: State, expressions: list[dict[str, Any]], depth: int) -> str | None:
        for expression in expressions:
            ((kind, said),) = expression.items()
            if kind == "match":
                if not self._match(state, said):
                    return None
            elif kind == "vmap":
                found = self._look_up(state, said["key"], said["data"])
                if found is None:
                    return None
                return self._verdict(state, found, depth)
            elif kind in ("accept", "drop", "goto", "jump", "return", "dnat", "masquerade"):
                return self._verdict(state, expression, depth)
            elif kind == "reject":
                return self._reject(state, said)
            elif not self._statement(state, kind, said):
                return None
        return None

    def _statement(self, state: State, kind: str, said: Any) -> bool:
        """A statement without verdict; false where it ends the rule."""
        if kind == "counter" and isinstance(said, str):
            if said not in self.counters:
                raise Unknown(f"counter {said}")
            state.counters.append(said)
        elif kind == "counter":
            pass  # one without a name
        elif kind == "limit":
            return not said.get("inv", False)  # one packet is never over a limit
        elif kind == "set":
            return self._measured(state, said)
        elif kind == "notrack":
            state.conntrack = "untracked"
        elif kind == "mangle":
            self._set(state, said)
        else:
            raise Unknown(f"statement {kind}: {said}")
        return True

    def _measured(self, state: State, said: Mapping[str, Any]) -> bool:
        """A source put into a set with what it may do; one packet is never over a limit."""
        key, whole = said["elem"], state.packet.family == 4
        if not whole and key["&"][1] != "ffff:ffff:ffff:ffff::":  # RFC 8981: all of a /64
            raise Unknown(f"statement set: {said}")
        family, found = self._read(state, key if whole else key["&"][0])[1], said["set"]
        if family != ("ip" if whole else "ip6") or found.removeprefix("@") not in self.sets:
            raise Unknown(f"statement set: {said}")
        ((kind, limit),) = (pair for one in said["stmt"] for pair in one.items())
        if kind not in ("limit", "ct count"):
            raise Unknown(f"statement set: {said}")
        return not limit["inv"]

    def _verdict(self, state: State, said: Mapping[str, Any], depth: int) -> str | None:
        ((kind, what),) = said.items()
        if kind in ("accept", "drop"):
            return str(kind)
        if kind == "return":
            return END
        if kind == "goto":
            return self._chain(state, what["target"], depth + 1)
        if kind == "jump":
            verdict = self._chain(state, what["target"], depth + 1)
            return None if verdict == END else verdict
        if kind == "masquerade":
            if state.hook != "postrouting":
                raise Unknown("masquerade outside postrouting")
            state.hidden = True
            return ACCEPT
        if kind == "dnat":
            return self._translate(state, what)
        raise Unknown(f"verdict {said}")

    def _translate(self, state: State, what: Mapping[str, Any]) -> str:
        if state.hook != "prerouting" or set(what) - {"family", "addr", "port"}:
            raise Unknown(f"dnat {what} in {state.hook}")
        if what["family"] != "ip" or state.packet.family != 4:
            raise Missing
        state.daddr, state.translated = ip_address(what["addr"]), True
        if "port" in what:
            if state.packet.protocol not in PORTED:
                raise Unknown("a port for a protocol without ports")
            state.number = int(what["port"])
        return ACCEPT

    def _reject(self, state: State, said: Any) -> str:
        if said == {"type": "tcp reset"}:
            if state.packet.protocol != TCP:
                raise Missing
            state.manner = "reset"
        elif said == {"type": "icmpx", "expr": "admin-prohibited"}:
            state.manner = "prohibited"
        else:
            raise Unknown(f"reject {said}")
        return DROP

    def _set(self, state: State, said: Mapping[str, Any]) -> None:
        key, value = said["key"], said["value"]
        if "map" in (value if isinstance(value, dict) else {}):
            new = self._look_up(state, value["map"]["key"], value["map"]["data"])
            if new is None:
                raise Missing
        else:
            new = self._arithmetic(state, value)
        if state.conntrack == "untracked" and key == {"ct": {"key": "mark"}}:
            return
        if key == {"ct": {"key": "mark"}}:
            state.mark = int(new)
        elif key == {"meta": {"key": "mark"}}:
            state.packet_mark = int(new)
        else:
            _written(state, key)

    def _arithmetic(self, state: State, value: Any) -> int:
        if isinstance(value, int):
            return value
        if isinstance(value, dict) and len(value) == 1:
            ((operator, parts),) = value.items()
            if operator in ("&", "|", "^"):
                left, right = (self._arithmetic(state, part) for part in parts)
                return {"&": left & right, "|": left | right, "^": left ^ right}[operator]
            found, kind = self._read(state, value)
            if kind == "mark":
                return int(found)
        raise Unknown(f"value {value}")

    # --- matches -------------------------------------------------------------------------------

    def _match(self, state: State, said: Mapping[str, Any]) -> bool:
        operator, left, right = said["op"], said["left"], said["right"]
        if isinstance(left, dict) and "&" in left:
            return self._masked(state, operator, left["&"], right)
        if operator in ("==", "!="):
            hit = self._contains(state, left, right)
            return hit if operator == "==" else not hit
        if operator in ("in", "!") and isinstance(right, str) and "ct" in left:
            found, kind = self._read(state, left)
            if kind not in ("state", "status"):
                raise Unknown(f"match {said}")
            number_of(kind, right)
            return bool(right in found) is (operator == "in")
        raise Unknown(f"match {said}")

    def _masked(self, state: State, operator: str, parts: list[Any], right: Any) -> bool:
        found, kind = self._read(state, parts[0])
        if kind not in ("mark", "tcpflags") or operator not in ("==", "!="):
            raise Unknown(f"mask of {kind}")
        same = found & number_of(kind, parts[1]) == number_of(kind, right)
        return bool(same if operator == "==" else not same)

    def _contains(self, state: State, left: Any, right: Any) -> bool:
        if isinstance(right, str) and right.startswith("@"):
            return self._find(state, left, self.sets[right[1:]]) is not None
        if isinstance(right, dict) and "set" in right:
            return self._find(state, left, self._inline(state, left, right["set"])) is not None
        kinds = self._kinds(left)
        return self._find(state, left, [(_element(right, kinds), True)]) is not None

    def _look_up(self, state: State, key: Any, data: Any) -> Any:
        if isinstance(data, str) and data.startswith("@"):
            elements = self.sets[data[1:]]
        else:
            elements = self._inline(state, key, data["set"])
        found = self._find(state, key, elements)
        return None if found is None else found[1]

    def _inline(self, state: State, key: Any, said: list[Any]) -> Elements:
        if id(said) not in self._anonymous:
            kinds = self._kinds(key)
            self._anonymous[id(said)] = _elements(said, kinds)
        return self._anonymous[id(said)]

    def _find(self, state: State, key: Any, elements: Elements) -> tuple[Any, Any] | None:
        parts = key["concat"] if isinstance(key, dict) and "concat" in key else [key]
        values = [self._read(state, part)[0] for part in parts]
        for element, data in elements:
            fits = [_fits(value, want) for value, want in zip(values, element, strict=True)]
            if all(fit is True for fit in fits):
                return element, True if data is None else data
            if all(fit is not False for fit in fits):
                raise Unknown(f"the fate of {state.packet} depends on bytes nobody chose")
        return None

    def _kinds(self, key: Any) -> tuple[str, ...]:
        parts = key["concat"] if isinstance(key, dict) and "concat" in key else [key]
        return tuple(_kind(part) for part in parts)

    def _read(self, state: State, said: Mapping[str, Any]) -> tuple[Any, str]:
        """The value of a field and its kind; a number, a name, or names in a set."""
        kind = _kind(said)
        ((what, where),) = said.items()
        if what == "payload":
            return _payload(state, where), kind
        if what == "exthdr":
            raise Missing  # a plain packet has no extension headers
        if what == "fib":
            flags = set(where["flags"])
            device = state.packet.entrance if "iif" in flags else None
            address = state.daddr if "daddr" in flags else state.packet.source
            return self.host.type_of(address, device), kind
        reader: Callable[[], Any] = {
            ("meta", "l4proto"): lambda: state.packet.protocol,
            ("meta", "nfproto"): lambda: f"ipv{state.packet.family}",
            ("meta", "iifname"): lambda: state.packet.entrance,
            ("meta", "oifname"): lambda: state.oif,
            ("meta", "mark"): lambda: state.packet_mark,
            ("ct", "mark"): lambda: _tracked(state, state.mark),
            ("ct", "state"): lambda: {state.conntrack},
            ("ct", "status"): lambda: _tracked(state, {"dnat"} if state.translated else set()),
            ("ct", "ip daddr"): lambda: _original(state, int(state.packet.destination)),
            ("ct", "proto-dst"): lambda: _original(state, _port(state.packet)),
        }[(what, where["key"])]
        return reader(), kind


def _written(state: State, key: Mapping[str, Any]) -> None:
    """What is written into a packet that no decision asks for. An option that is not there ends the
    rule (nft_exthdr.c); the first packet of a TCP conversation may have it or not, so nothing may
    stand behind this that makes a difference, and nothing does in a kit."""
    if key != {"tcp option": {"name": "maxseg", "field": "size"}}:
        raise Unknown(f"set {key}")
    if state.packet.protocol != TCP:
        raise Missing


def _tracking(packet: Packet) -> str:
    """What conntrack makes of a first packet, unless it is told not to look."""
    own = {4: ICMP, 6: ICMP6}[packet.family]
    if packet.protocol != own:
        return "new"
    kind = packet.number >> 8
    if own == ICMP6 and kind in UNTRACKED6:
        return "untracked"
    return "new" if kind in BEGINNING[own] else "invalid"


def _tracked(state: State, value: Any) -> Any:
    if state.conntrack in ("untracked", "invalid"):
        raise Missing
    return value


def _original(state: State, value: Any) -> Any:
    return _tracked(state, value)


def _port(packet: Packet) -> Any:
    return packet.number if packet.protocol in PORTED else Unread()


def _kind(said: Mapping[str, Any]) -> str:
    """What sort of value a field has, and so how the other side is to be read."""
    ((what, where),) = said.items()
    if what == "payload":
        return {
            ("ip", "saddr"): "ip",
            ("ip", "daddr"): "ip",
            ("ip6", "saddr"): "ip6",
            ("ip6", "daddr"): "ip6",
            ("ether", "saddr"): "ether",
            ("th", "dport"): "port",
            ("th", "sport"): "port",
            ("tcp", "flags"): "tcpflags",
            ("icmp", "type"): "icmp type",
            ("icmp", "code"): "icmp code",
            ("icmpv6", "type"): "icmpv6 type",
            ("icmpv6", "code"): "icmpv6 code",
        }[(where["protocol"], where["field"])]
    if what == "fib" and where["result"] == "type":
        if set(where["flags"]) in ({"daddr"}, {"saddr"}, {"daddr", "iif"}):
            return "fib type"
        raise Unknown(f"fib {where}")
    if what == "exthdr" and (where["name"], where["field"]) == ("rt", "type"):
        return "number"
    if what == "ct" and (where["key"], where.get("dir")) == ("ip daddr", "original"):
        return "ip"
    if what == "ct" and (where["key"], where.get("dir")) == ("proto-dst", "original"):
        return "port"
    if what in ("meta", "ct") and "dir" not in where:
        return {
            "l4proto": "proto",
            "nfproto": "nfproto",
            "iifname": "name",
            "oifname": "name",
            "mark": "mark",
            "state": "state",
            "status": "status",
        }[where["key"]]
    raise Unknown(f"field {said}")


def _payload(state: State, where: Mapping[str, Any]) -> Any:
    packet, name = state.packet, (where["protocol"], where["field"])
    if name[0] in ("ip", "ip6"):
        if packet.family != (4 if name[0] == "ip" else 6):
            raise Missing
        return int(packet.source if name[1] == "saddr" else state.daddr)
    if name == ("ether", "saddr"):
        if packet.entrance == "":
            raise Missing
        return Unread() if packet.hardware is None else packet.hardware
    if name == ("th", "dport"):
        return state.number if packet.protocol in PORTED else Unread()
    if name == ("th", "sport"):
        return packet.number if packet.protocol in (ICMP, ICMP6) else Unread()
    if name == ("tcp", "flags"):
        if packet.protocol != TCP:
            raise Missing
        return number_of("tcpflags", "syn")
    # nft puts a match on family and protocol in front of an ICMP field.
    family, protocol = (4, ICMP) if name[0] == "icmp" else (6, ICMP6)
    if (packet.family, packet.protocol) != (family, protocol):
        raise Missing
    return packet.number >> 8 if name[1] == "type" else packet.number & 255


def _fits(value: Any, want: Any) -> bool | None:
    """Whether a value is in an interval, or is a name; None: nobody can know."""
    if isinstance(want, tuple):
        whole = want[0] == 0 and want[1] >= want[2]
        if isinstance(value, Unread):
            return True if whole else None
        return bool(want[0] <= value <= want[1])
    if isinstance(value, Unread):
        return None
    if isinstance(value, set):
        return want in value
    return bool(value == want)


def _elements(said: list[Any], kinds: tuple[str, ...]) -> Elements:
    out: Elements = []
    for item in said:
        if isinstance(item, list):
            out.append((_element(item[0], kinds), item[1]))
        else:
            out.append((_element(item, kinds), None))
    return out


def _element(said: Any, kinds: tuple[str, ...]) -> tuple[Any, ...]:
    if isinstance(said, dict) and "elem" in said:
        said = said["elem"]["val"]
    parts = said["concat"] if isinstance(said, dict) and "concat" in said else [said]
    return tuple(_interval(part, kind) for part, kind in zip(parts, kinds, strict=True))


SIZES = {"ip": 32, "ip6": 128, "ipv4_addr": 32, "ipv6_addr": 128, "ether": 48, "ether_addr": 48}
NAMES = frozenset({"name", "ifname", "nfproto", "state", "status", "fib type"})


def _top(kind: str) -> int:
    """The largest value of a kind."""
    bits = SIZES.get(kind) or {"port": 16, "mark": 32}.get(kind, 8)
    return int((1 << bits) - 1)


def _exactly(value: Any, kind: str) -> Any:
    if kind in NAMES:
        return value
    return (int(value), int(value), _top(kind))


def _interval(said: Any, kind: str) -> Any:
    """(first, last, largest possible), or a name for kinds that are names."""
    if kind in NAMES:
        if not isinstance(said, str):
            raise Unknown(f"{kind} {said}")
        if kind in SYMBOLS:
            number_of(kind, said)
        return said
    if isinstance(said, dict) and "range" in said:
        low, high = (_number(part, kind) for part in said["range"])
        return (low, high, _top(kind))
    if isinstance(said, dict) and "prefix" in said:
        network = ip_network(f"{said['prefix']['addr']}/{said['prefix']['len']}")
        return (int(network[0]), int(network[-1]), _top(kind))
    number = _number(said, kind)
    return (number, number, _top(kind))


def _number(said: Any, kind: str) -> int:
    if kind in ("ip", "ip6", "ipv4_addr", "ipv6_addr"):
        return int(ip_address(said))
    if kind in ("ether", "ether_addr"):
        return int(str(said).replace(":", ""), 16)
    return number_of(kind, said)
