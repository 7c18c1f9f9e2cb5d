"""Charters of a given number of rules, for benchmarks: invented, deterministic, all valid.

Run as a script it prints one: ``python benchmarks/charters.py 300 > big.yaml``.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator

SERVICES = ("https", "http", "ssh", "ntp", "dns", "imaps", "smtp", "sip", "rtsp", "ipp", "ping")


def charter(rules: int, seed: int = 1) -> str:
    """A charter text with `rules` rules over areas, devices, places and hours in proportion."""
    draw = random.Random(f"{rules}/{seed}")
    areas = [f"area-{n}" for n in range(max(4, min(40, rules // 20)))]
    devices = [f"device-{n}" for n in range(max(6, rules // 5))]
    places = [f"place-{n}" for n in range(max(4, rules // 10))]
    lines = [*_head(areas), *_devices(devices, areas, draw), *_places(places, draw)]
    lines += ["rules:"]
    lines += [_rule(n, areas, devices, places, draw) for n in range(rules)]
    lines += ["offers:", f"  - {{offer: https, on: copper, to: {devices[0]}, because: shop}}"]
    lines += ["promises:", f"  - {{always: {devices[1]}, reach: gateway, with: ssh}}"]
    lines += [f"  - {{never: {name}, reach: {areas[1]}, with: telnet}}" for name in areas[2:8]]
    return "\n".join(lines) + "\n"


def _head(areas: list[str]) -> Iterator[str]:
    yield "charter: 1"
    yield "site: {name: Bench, timezone: Europe/London, managed-from: device-1}"
    yield "lines:"
    yield "  copper: {device: eth0, rate: {down: 40 Mbit/s, up: 8 Mbit/s},"
    yield "           address: 203.0.113.10/29, next-hop: 203.0.113.9, prefix: '2001:db8:1::/48'}"
    yield "  mast: {device: eth1, address: automatic, role: standby}"
    yield "hours:"
    yield "  lessons: {weekly: {mon-fri: '08:00-16:00'}}"
    yield "  nights: {weekly: {daily: '22:00-06:00'}}"
    yield "areas:"
    for number, name in enumerate(areas):
        extra = ", sign-in: required" if number % 7 == 3 else ""
        yield f"  {name}: {{device: lan{number}, hosts: {20 + 5 * (number % 9)}{extra}}}"


def _devices(devices: list[str], areas: list[str], draw: random.Random) -> Iterator[str]:
    yield "devices:"
    for number, name in enumerate(devices):
        area = areas[number % len(areas)] if number > 1 else areas[number]
        low, high = number & 0xFF, number >> 8
        hardware = f"02:00:00:00:{high:02x}:{low:02x}"
        yield f"  {name}: {{area: {area}, hardware: '{hardware}', address: lasting}}"


def _places(places: list[str], draw: random.Random) -> Iterator[str]:
    yield "places:"
    for number, name in enumerate(places):
        first = f"{20 + number % 180}.{draw.randrange(256)}.{draw.randrange(256)}.0"
        second = f"2400:{number:x}:{draw.randrange(65536):x}::"
        yield f"  {name}: {{prefixes: [{first}/24, '{second}/48']}}"


def _rule(
    number: int, areas: list[str], devices: list[str], places: list[str], draw: random.Random
) -> str:
    verb = "refuse" if draw.random() < 0.25 else "let"
    who = draw.sample(areas, draw.choice((1, 1, 2))) if draw.random() < 0.7 else [
        draw.choice(devices)
    ]  # fmt: skip
    where = draw.random()
    if where < 0.45:
        reach = draw.sample(places, draw.choice((1, 1, 2)))
    elif where < 0.8:
        reach = [draw.choice(devices)]
    else:
        reach = [draw.choice(("internet", *areas))]
    services: list[str] = draw.sample(SERVICES, draw.choice((1, 2, 3)))
    if draw.random() < 0.4:
        services = [f"tcp/{draw.randrange(1024, 60000)}"]
    during = draw.random()
    extra = ", during: lessons" if during < 0.08 else ", during: nights" if during < 0.12 else ""
    return (
        f"  - {{{verb}: [{', '.join(who)}], reach: [{', '.join(reach)}],"
        f" with: [{', '.join(services)}]{extra}, because: reason {number}}}"
    )


if __name__ == "__main__":
    sys.stdout.write(charter(int(sys.argv[1])))
