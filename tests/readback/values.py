"""What random rulesets and packets are made of: few values, so that packets meet rules."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address, ip_address, ip_network
from random import Random

from tests.readback import ground

ADDRESS_OF = {4: IPv4Address, 6: IPv6Address}
TYPES4 = {"echo-request": 8, "echo-reply": 0, "destination-unreachable": 3, "timestamp-request": 13}
TYPES4 |= {"router-solicitation": 10, "parameter-problem": 12, "redirect": 5, "42": 42}
TYPES6 = {"echo-request": 128, "echo-reply": 129, "destination-unreachable": 1, "200": 200}
TYPES6 |= {"packet-too-big": 2, "mld-listener-query": 130, "nd-neighbor-solicit": 135}
TYPES6 |= {"nd-router-advert": 134, "mld2-listener-report": 143, "time-exceeded": 3}
PROTOCOLS = {"tcp": 6, "udp": 17, "icmp": 1, "ipv6-icmp": 58, "sctp": 132, "gre": 47}
# Wildcards as intervals of the places in this order.
ORDER = tuple(sorted((*ground.NAMES, "lo")))
WILDCARDS = {
    f"{start}*": (min(places), max(places))
    for start in ("lan", "tap", "up", "l")
    if (places := [ORDER.index(name) for name in ORDER if name.startswith(start)])
}
PORTS = (22, 53, 80, 123, 443, 1024, 5060, 8080, 8443, 40000, 65535)


@dataclass(frozen=True)
class Value:
    """A value, range, prefix or wildcard in nft's words, and the numbers it stands for."""

    text: str
    low: int
    high: int

    @property
    def wide(self) -> bool:
        return self.low != self.high or self.text.endswith('*"')


Draw = Callable[[], Value]


def apart(first: Sequence[Value], second: Sequence[Value]) -> bool:
    """Whether two elements have nothing in common."""
    return any(a.high < b.low or b.high < a.low for a, b in zip(first, second, strict=True))


@dataclass(frozen=True)
class Pool:
    """The values that one ruleset and its packets share."""

    rng: Random
    addresses: dict[int, tuple[str, ...]]
    ports: tuple[int, ...]
    devices: tuple[str, ...]
    marks: tuple[int, ...]

    def address(self, version: int) -> Value:
        text = self.rng.choice(self.addresses[version])
        return Value(text, int(ip_address(text)), int(ip_address(text)))

    def network(self, version: int) -> Value:
        """A prefix or a range around an address of the pool."""
        bits = 32 if version == 4 else 128
        number = self.address(version).low
        if self.rng.random() < 0.3:
            low = max(0, number - self.rng.randrange(9))
            high = min((1 << bits) - 1, number + self.rng.randrange(1, 70))
            if low == high:
                return self.address(version)
            ends = (str(ADDRESS_OF[version](each)) for each in (low, high))
            return Value("-".join(ends), low, high)
        length = self.rng.choice((8, 16, 24, 25, 26, 31) if version == 4 else (16, 48, 64, 65, 127))
        network = ip_network((number, length), strict=False)
        return Value(str(network), int(network[0]), int(network[-1]))

    def port(self) -> Value:
        number = self.rng.choice(self.ports)
        return Value(str(number), number, number)

    def ports_range(self) -> Value:
        low = max(0, self.rng.choice(self.ports) - self.rng.choice((0, 1, 2)))
        high = min(65535, low + self.rng.choice((1, 2, 40, 3000)))
        if low == high:
            return self.port()
        return Value(f"{low}-{high}", low, high)

    def device(self) -> Value:
        name = self.rng.choice(self.devices)
        return Value(f'"{name}"', ORDER.index(name), ORDER.index(name))

    def devices_alike(self) -> Value:
        text = self.rng.choice(tuple(WILDCARDS))
        return Value(f'"{text}"', *WILDCARDS[text])

    def hardware(self) -> Value:
        text = self.rng.choice(ground.HARDWARE)
        number = int(text.replace(":", ""), 16)
        return Value(text, number, number)

    def mark(self) -> Value:
        number = self.rng.choice(self.marks)
        return Value(f"{number:#x}", number, number)

    def marks_range(self) -> Value:
        low = self.rng.choice(self.marks)
        high = min(0xFFFFFFFF, low + self.rng.choice((1, 7, 0x100)))
        if low == high:
            return self.mark()
        return Value(f"{low:#x}-{high:#x}", low, high)

    def named(self, names: dict[str, int]) -> Draw:
        def draw() -> Value:
            text = self.rng.choice(tuple(names))
            return Value(text, names[text], names[text])

        return draw

    def numbers(self, names: dict[str, int]) -> Draw:
        def draw() -> Value:
            low = self.rng.choice(tuple(names.values()))
            high = min(255, low + self.rng.choice((1, 3, 9)))
            return Value(f"{low}-{high}", low, high)

        return draw


def pool(rng: Random) -> Pool:
    """Values for one ruleset."""
    hosts = [host for device in ground.DEVICES for host in device.hosts]
    found = {}
    for version in (4, 6):
        lists = (
            (hosts, 4),
            (ground.own_addresses(version), 2),
            (ground.FAR, 1),
            (ground.NOWHERE, rng.random() < 0.3),
            (ground.BROADCAST if version == 4 else (), rng.random() < 0.5),
            (ground.GROUPS, rng.random() < 0.5),
        )
        chosen: list[str] = []
        for names, count in lists:
            fitting = [name for name in names if ip_address(name).version == version]
            chosen += rng.sample(fitting, min(int(count), len(fitting)))
        found[version] = tuple(chosen)
    marks = (0, *rng.sample((1, 2, 3, 0x10, 0x11, 0xFF, 0x100, 0x1F0, 0x80000000, 0xFFFFFFFF), 4))
    devices = (*rng.sample(ground.NAMES, 3), *(["lo"] if rng.random() < 0.1 else []))
    return Pool(rng, found, tuple(rng.sample(PORTS, 5)), devices, marks)
