"""Random first packets: mostly of the values that a ruleset speaks of, now and then of others."""

from __future__ import annotations

from collections.abc import Sequence
from ipaddress import ip_address
from random import Random
from typing import TypeVar

from tests.readback import ground
from tests.readback.frames import GRE, ICMP, ICMP6, LITE, SCTP, TCP, UDP, Sent
from tests.readback.values import PORTS, TYPES4, TYPES6, Pool

T = TypeVar("T")
ODD_SOURCES = ("0.0.0.0", "169.254.3.4", "255.255.255.255", "10.9.9.9", "::", "fe80::77", "fd99::1")


def packets(source: Pool, rng: Random, count: int) -> list[Sent]:
    """Packets for one ruleset."""
    return [_packet(source, rng) for _ in range(count)]


def _packet(source: Pool, rng: Random) -> Sent:
    version = rng.choice((4, 4, 6))
    own = rng.random() < 0.2
    entrance = ground.OWN if own else _mostly(rng, source.devices, ground.NAMES)
    if entrance == "lo":
        entrance = "lan0"
    start, end = (_own_ends if own else _ends)(source, rng, version, entrance)
    icmp = ICMP if version == 4 else ICMP6
    protocol = rng.choice((TCP, TCP, TCP, TCP, UDP, UDP, UDP, icmp, icmp, SCTP, GRE, LITE))
    number = port = 0
    if protocol == icmp:
        types = tuple((TYPES4 if icmp == ICMP else TYPES6).values())
        number = rng.choice((types[0], *types)) * 256 + rng.choice((0, 0, 0, 1, 3))
        port = rng.randrange(1, 65536)
    elif protocol != GRE:
        number = _mostly(rng, source.ports, PORTS)
        number = min(65535, max(0, number + rng.choice((0, 0, 0, 0, 0, 1, -1))))
        port = rng.choice(source.ports) if rng.random() < 0.2 else rng.randrange(1025, 65536)
    hardware = "" if own else rng.choice(ground.HARDWARE)
    return Sent(entrance, start, end, protocol, number, port, hardware)


def _mostly(rng: Random, first: Sequence[T], second: Sequence[T]) -> T:
    return rng.choice(first if rng.random() < 0.85 else second)


def _of(version: int, names: Sequence[str]) -> tuple[str, ...]:
    return tuple(name for name in names if ip_address(name).version == version)


def _ends(source: Pool, rng: Random, version: int, entrance: str) -> tuple[str, str]:
    """Source and destination of a packet that comes in by a device."""
    device = next(each for each in ground.DEVICES if each.name == entrance)
    turn = rng.random()
    if turn < 0.7:
        start = rng.choice(_of(version, device.hosts))
    elif turn < 0.95:
        own = (*ground.own_addresses(version), *ground.GROUPS, *ground.BROADCAST)
        start = rng.choice([each for each in source.addresses[version] if each not in own])
    else:
        start = rng.choice(_of(version, ODD_SOURCES))
    turn = rng.random()
    if turn < 0.75:
        end = rng.choice(source.addresses[version])
    elif turn < 0.85:
        end = rng.choice(_of(version, [each.split("/")[0] for each in device.own]))
    else:
        others = (*ground.FAR, *ground.NOWHERE, *ground.BROADCAST, *ground.GROUPS)
        hosts = [host for each in ground.DEVICES for host in each.hosts]
        end = rng.choice(_of(version, (*others, *hosts)))
    # Of link-local addresses, the host's on that link and the one somebody has.
    if end.startswith("fe80") and f"{end}/64" not in device.own:
        end = rng.choice((ground.NEAR, device.own[-1].split("/")[0]))
    return start, end


def _own_ends(source: Pool, rng: Random, version: int, entrance: str) -> tuple[str, str]:
    """Source and destination of a packet of the host's own."""
    hosts = [host for each in ground.DEVICES for host in each.hosts]
    usual = [
        each
        for each in source.addresses[version]
        if each not in (*ground.GROUPS, *ground.BROADCAST) and not each.startswith("fe80")
    ]
    end = rng.choice(usual if rng.random() < 0.8 else _of(version, (*hosts, *ground.FAR)))
    own = [each for each in ground.own_addresses(version) if not each.startswith("fe80")]
    near = [each for each in own if ground.device_of(each) == ground.device_of(end)]
    return rng.choice(near if near and rng.random() < 0.8 else own), end
