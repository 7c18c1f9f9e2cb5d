"""Devices, addresses and services of a listing in words, with the names that the user gave."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from ipaddress import IPv4Address, IPv6Address, summarize_address_range

from netcharter.readback.shapes import (
    HARDWARE_NONE,
    OTHER,
    OWN,
    SERVICE_SIZE,
    SYMBOLS,
    V6,
    Verdict,
)
from netcharter.space.ranges import Ranges, intersect, size, subset, subtract, union

ICMP, TCP, UDP, DCCP, ICMP6, SCTP, UDPLITE = 1, 6, 17, 33, 58, 132, 136
PROTOCOLS = {ICMP: "icmp", TCP: "tcp", UDP: "udp", DCCP: "dccp", ICMP6: "icmpv6"} | {
    SCTP: "sctp",
    UDPLITE: "udplite",
}
PORTED = (TCP, UDP, DCCP, SCTP, UDPLITE)
ANY4: Ranges = ((0, V6 - 1),)
ANY6: Ranges = ((V6, SYMBOLS - 1),)
SERVICES: Ranges = tuple(  # the codes that an attempt can have
    (p << 16, (p << 16) + (0xFFFF if p in (*PORTED, ICMP, ICMP6) else 0)) for p in range(256)
)
NARROW = 1024  # services in a set beyond which names no longer tell it
FEW = 4  # numbers or ranges that are spelled out

Named = tuple[tuple[Ranges, str], ...]


def listed(names: Iterable[str], word: str = "and") -> str:
    """``a, b and c``."""
    found = list(names)
    if len(found) < 2:
        return "".join(found)
    return ", ".join(found[:-1]) + f" {word} {found[-1]}"


def address_text(code: int) -> str:
    """One address."""
    if code < V6:
        return str(IPv4Address(code))
    if code < SYMBOLS:
        return str(IPv6Address(code - V6))
    return "an address nobody knows yet"


def hardware_text(number: int) -> str:
    """A hardware address with colons."""
    if number >= HARDWARE_NONE:
        return "none"
    return ":".join(f"{number:012x}"[i : i + 2] for i in range(0, 12, 2))


def service_text(code: int) -> str:
    """One service as a question would name it: ``tcp/443``, ``icmpv6/128``."""
    protocol, number = code >> 16, code & 0xFFFF
    if protocol in (ICMP, ICMP6):
        kind, detail = number >> 8, number & 0xFF
        return f"{PROTOCOLS[protocol]}/{kind}" + (f"/{detail}" if detail else "")
    if protocol in PORTED:
        return f"{PROTOCOLS[protocol]}/{number}"
    return f"protocol/{protocol}"


@dataclass(frozen=True)
class Words:
    """The words for one gateway.

    names: the area or line of a network device; services: sets of services that have a name;
    places: sets of addresses that have one, the narrowest first; hosts: the addresses that belong
    behind a network device (OWN: the gateway's), which need not be told where all of them are
    meant; lines: devices behind which the internet lies.
    """

    names: Mapping[str, str] = field(default_factory=dict)
    services: Named = ()
    places: Named = ()
    hosts: Mapping[str, Ranges] = field(default_factory=dict)
    lines: frozenset[str] = frozenset()

    def proper(self, names: Iterable[str]) -> Ranges:
        """The addresses that belong behind some network devices, as far as they are known."""
        return union(*(self.hosts.get(name, ()) for name in names))

    def beyond(self, names: Sequence[str]) -> str:
        """What lies behind network devices."""
        lines = [name for name in names if name in self.lines]
        others = [self.device(name) for name in names if name not in self.lines]
        internet = [f"the internet by {self.devices(lines)}"] if lines else []
        return listed([*others, *internet], "or")

    def device(self, name: str) -> str:
        """A network device, with the user's name for it."""
        if name in (OWN, OTHER):
            return "the gateway itself" if name == OWN else "any other device"
        return f"{self.names[name]} ({name})" if name in self.names else name

    def devices(self, names: Iterable[str]) -> str:
        return listed((self.device(name) for name in names), "or")

    def address(self, code: int) -> str:
        """An address with the place it belongs to."""
        name = next((name for found, name in self.places if _has(found, code)), None)
        return f"{address_text(code)} ({name})" if name else address_text(code)

    def addresses(self, found: Ranges) -> str:
        """A set of addresses: by name where it has one, else in prefixes."""
        numeric = intersect(found, ((0, SYMBOLS - 1),))
        if subset(((0, SYMBOLS - 1),), found):
            return "anywhere"
        for family, title in ((ANY4, "anywhere in IPv4"), (ANY6, "anywhere in IPv6")):
            if subset(family, found) and subset(numeric, family):
                return title
        for family, title in ((ANY4, "IPv4"), (ANY6, "IPv6")):
            missing = subtract(family, numeric)
            if subset(numeric, family) and size(missing) < size(numeric) and len(missing) <= FEW:
                spelled = _covered(missing, self.places, _range_text)
                return f"anywhere in {title} but {spelled}"
        return _covered(numeric or found, self.places, _range_text)

    def service(self, code: int) -> str:
        """A service by name and number: ``https (tcp/443)``."""
        text = service_text(code)
        name = next((n for found, n in self.services if _has(found, code)), None)
        return text if name in (None, text) else f"{name} ({text})"

    def some_services(self, found: Ranges) -> str:
        """A set of services."""
        found = intersect(found, SERVICES)
        missing = subtract(SERVICES, found)
        if not missing:
            return "anything"
        if size(missing) <= NARROW and len(missing) <= FEW:
            return f"anything but {_covered(missing, self.services, _service_range_text)}"
        known = self.services if size(found) <= NARROW else ()
        return _covered(found, known, _service_range_text)

    def outcome(self, verdict: Verdict, service: int | None = None) -> str:
        """What becomes of a packet."""
        if not verdict.let:
            told = {"reset": "refused with a reset", "prohibited": "refused as prohibited"}
            told |= {"unreachable": "refused as unreachable"}
            return told.get(verdict.manner or "", "dropped in silence")
        text = "let"
        if verdict.destination is not None or verdict.port is not None:
            to = "" if verdict.destination is None else " " + self.address(verdict.destination)
            port = "" if verdict.port is None else f" port {verdict.port}"
            text += f", delivered to{to}{port}"
        if verdict.source is not None:
            text += f", with {address_text(verdict.source)} as its source"
        elif verdict.hidden:
            text += ", with an address of the gateway as its source"
        return text


def _has(found: Ranges, value: int) -> bool:
    return any(low <= value <= high for low, high in found)


def _covered(found: Ranges, named: Named, spell: Callable[[int, int], str]) -> str:
    """Names of the sets that lie inside `found`, the widest first, then what is left in numbers."""
    words: list[str] = []
    rest = found
    for candidate, name in sorted(named, key=lambda pair: -size(pair[0])):
        if candidate and subset(candidate, found) and intersect(candidate, rest):
            words.append(name)
            rest = subtract(rest, candidate)
    spelled = [spell(low, high) for low, high in rest[:FEW]]
    more = [f"{len(rest) - FEW} more ranges"] if len(rest) > FEW else []
    return listed([*words, *spelled, *more])


def _range_text(low: int, high: int) -> str:
    if low == high or low >= SYMBOLS:
        return address_text(low)
    first, last = _address(low), _address(min(high, SYMBOLS - 1))
    if first.version != last.version:
        return f"{first} to {last}"
    blocks = list(summarize_address_range(first, last))
    return str(blocks[0]) if len(blocks) == 1 else f"{first} to {last}"


def _address(code: int) -> IPv4Address | IPv6Address:
    return IPv4Address(code) if code < V6 else IPv6Address(code - V6)


def _service_range_text(low: int, high: int) -> str:
    if low == high:
        return service_text(low)
    protocol, last = low >> 16, high >> 16
    name = PROTOCOLS.get(protocol, f"protocol/{protocol}")
    if protocol != last:
        return f"{service_text(low)} to {service_text(min(high, SERVICE_SIZE - 1))}"
    first, end = low & 0xFFFF, high & 0xFFFF
    if (first, end) == (0, 0xFFFF):
        return name
    if protocol in (ICMP, ICMP6) and first & 0xFF == 0 and end & 0xFF == 0xFF:
        kinds = first >> 8, end >> 8
        return f"{name}/{kinds[0]}" + (f"-{kinds[1]}" if kinds[0] != kinds[1] else "")
    return f"{name}/{first}-{end}"
