"""Random attempts on a site, bent towards the edges of everything its charter speaks of."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address
from random import Random

from tests.oracle.naive import (
    WELL_KNOWN,
    Attempt,
    Environment,
    family,
    first_usable,
    is_gateway,
    is_internet,
)
from tests.oracle.site import GUEST, NOBODY, Address, Area, Line, Network, Sentence, Site

MISCELLANEOUS = (
    "0.0.0.0",
    "0.0.0.1",
    "127.0.0.1",
    "127.255.255.255",
    "169.254.1.1",
    "192.0.0.8",
    "192.0.0.9",
    "192.88.99.1",
    "198.17.255.255",
    "198.18.0.0",
    "198.20.0.0",
    "223.255.255.255",
    "224.0.0.1",
    "239.255.255.255",
    "240.0.0.0",
    "255.255.255.254",
    "255.255.255.255",
    "23.45.67.89",
    "11.22.33.44",
    "8.8.9.0",
    "9.255.255.255",
    "11.0.0.0",
    "10.77.0.1",
    "100.64.0.1",
    "100.128.0.0",
    "172.32.0.0",
    "93.184.216.4",
    "203.0.114.0",
    "::",
    "::1",
    "::2",
    "::ffff:192.0.2.1",
    "64:ff9b::808:808",
    "64:ff9b:1::1",
    "100::1",
    "2001::1",
    "2001:1::1",
    "2001:1::4",
    "2001:20::1",
    "2001:200::1",
    "2001:db8:ffff::1",
    "2002:808:808::1",
    "2606:2800::1",
    "2a00:1450::1",
    "3fff::1",
    "3fff:1000::",
    "4000::1",
    "5f00::1",
    "fc00::1",
    "fd00::1",
    "fdff:ffff::1",
    "fe7f::1",
    "fe80::1",
    "fe80::1234",
    "febf:ffff::1",
    "fec0::1",
    "ff01::1",
    "ff02::1",
    "ff02::2",
    "ff02::1:2",
    "ff02::1:ff00:1",
    "ff05::2",
    "ff0e::1",
)
SERVICES = (
    *((6, port) for port in (21, 22, 23, 25, 53, 80, 81, 443, 444, 853, 993, 5060, 8443, 65535)),
    *((17, port) for port in (0, 53, 67, 68, 123, 443, 546, 547, 5000, 5010, 5011, 5060)),
    *((1, kind * 256) for kind in (0, 3, 8, 13)),
    *((1, number) for number in (3 * 256 + 4, 8 * 256 + 255, 9 * 256)),
    *((58, kind * 256) for kind in (1, 2, 127, 128, 129, 130, 133, 134, 135, 136, 137, 143, 153)),
    *((58, number) for number in (128 * 256 + 1, 134 * 256 + 255, 150 * 256)),
    (33, 80),
    (132, 443),
    (136, 53),
    *((protocol, 0) for protocol in (0, 2, 41, 47, 50, 51, 255)),
)
NUMBERED = (1, 6, 17, 33, 58, 132, 136)
SECOND = timedelta(seconds=1)


class Attempts:
    """A source of random attempts on one site, from the moment `now` onwards."""

    def __init__(self, site: Site, rng: Random, now: datetime) -> None:
        self.site, self.rng, self.now = site, rng, now
        self.instants = _instants(site, now)
        self.hardware = [h for device in site.devices.values() for h in device.hardware]
        self.sentences = [*site.rules, *site.rules, *site.offers, *site.offers, *site.promises]
        self.entrances = [*site.areas, *site.areas, *site.lines, "gateway"]
        everywhere = list(dict.fromkeys(_translated(site, _notable(site))))
        self.notable = {v: [a for a in everywhere if family(a) == v] for v in (4, 6)}
        self.gateway = {v: [a for a in self.notable[v] if is_gateway(site, a)] for v in (4, 6)}
        self.internet = {v: [a for a in self.notable[v] if is_internet(site, a)] for v in (4, 6)}

    def draw(self) -> tuple[Attempt, Environment]:
        """One attempt that exists, in its environment."""
        rng = self.rng
        version = 4 if rng.random() < 0.55 else 6
        if rng.random() < 0.12:
            return self._of_the_house(version)
        sentence = rng.choice(self.sentences) if rng.random() < 0.7 else None
        who = rng.choice(sentence.who) if sentence else ""
        entrance = self._entrance(who)
        hardware, source = self._start(entrance, who, version)
        destination = self._destination(sentence, entrance, version)
        protocol, number = self._service(sentence)
        if protocol == (58 if version == 4 else 1):
            protocol = 59 - protocol  # each family has its own ICMP
        attempt = Attempt(entrance, source, hardware, destination, protocol, number)
        return attempt, Environment(
            self._up(entrance), self._person(entrance, who), self._instant(), self._led(destination)
        )

    def _led(self, destination: Address) -> frozenset[str]:
        """Which places lead there by their names, as they may to whatever is on the internet."""
        if not self.site.named or not is_internet(self.site, destination):
            return frozenset()
        return frozenset(name for name in sorted(self.site.named) if self.rng.random() < 0.5)

    def _of_the_house(self, version: int) -> tuple[Attempt, Environment]:
        """An attempt of the kind that discovery, DHCP and the other housekeeping speak of."""
        site, rng = self.site, self.rng
        entrance = rng.choice(self.entrances)
        area = site.areas.get(entrance)
        near: list[Address] = [ip_address(text) for text in _NEAR[version]]
        hosts = [self._inside(a, version) for a in site.areas.values()]
        own = [self._inside(area, version)] if area is not None else self.gateway[version]
        source = rng.choice([*near[:2], *own, *own, rng.choice(self.gateway[version])])
        destination = rng.choice([*near, *hosts[:2], *(rng.choices(self.gateway[version], k=3))])
        homed = [h for d in site.devices.values() if d.area == entrance for h in d.hardware]
        hardware = None if area is None else rng.choice([rng.randrange(1 << 48), *homed])
        protocol, number = rng.choice(_HOUSE[version])
        if site.discovery and rng.random() < 0.2:
            destination, protocol, number = (
                ip_address(_GROUP[version]),
                17,
                rng.choice((5353, 5354)),
            )
        if site.managed_from and rng.random() < 0.15:
            device = site.devices[rng.choice(site.managed_from)]
            entrance, hardware = device.area, rng.choice(device.hardware)
            known = [a for a in device.addresses if family(a) == version]
            inner = [self._inside(site.areas[entrance], version)]
            source = _paired(rng, device.hardware, known or inner, hardware)
            destination = rng.choice(self.gateway[version])
            protocol, number = 6, rng.choice((22, 22, 22, 23))
        attempt = Attempt(entrance, source, hardware, destination, protocol, number)
        return attempt, Environment(self._up(entrance), self._person(entrance, ""), self._instant())

    def _entrance(self, who: str) -> str:
        site, rng = self.site, self.rng
        if rng.random() < 0.06:
            return rng.choice(self.entrances)
        if who in site.areas or who in site.lines or who == "gateway":
            return who
        if who in site.devices:
            away = site.devices[who].roams and rng.random() < 0.5
            return rng.choice(list(site.areas)) if away else site.devices[who].area
        if who == "internet" or who in site.places:
            return rng.choice(list(site.lines))
        signing = [area.name for area in site.areas.values() if area.sign_in]
        if who in site.people or (who and who != "anyone"):
            return rng.choice(signing or list(site.areas))
        return rng.choice(self.entrances)

    def _start(self, entrance: str, who: str, version: int) -> tuple[int | None, Address]:
        """A hardware address and a source that mostly pass the housekeeping on sources."""
        site, rng = self.site, self.rng
        if entrance not in site.areas:
            return None, self._outer_source(entrance, who, version)
        area = site.areas[entrance]
        at_home = [d for d in site.devices.values() if d.area == entrance or d.roams]
        device = site.devices.get(who) or (rng.choice(at_home) if at_home else None)
        hardware = rng.randrange(1 << 48)
        if device is not None and device.hardware and rng.random() < 0.75:
            hardware = rng.choice(device.hardware)
        elif self.hardware and rng.random() < 0.5:
            hardware = rng.choice(self.hardware) + rng.choice((0, 0, 0, 1))
        kind = rng.random()
        if kind < 0.06:
            return hardware, self._notable(version)
        own = [a for a in device.addresses if family(a) == version] if device else []
        if own and kind < 0.75:
            return hardware, _paired(rng, device.hardware if device else [], own, hardware)
        return hardware, self._inside(area, version)

    def _outer_source(self, entrance: str, who: str, version: int) -> Address:
        site, rng = self.site, self.rng
        if rng.random() < 0.1:
            return self._notable(version)
        if entrance == "gateway":
            return rng.choice(self.gateway[version])
        networks = [n for n in site.places.get(who, []) if n.version == version]
        if networks and rng.random() < 0.8:
            return rng.choice(list(_edges(rng.choice(networks))))
        return rng.choice(self.internet[version])

    def _destination(self, sentence: Sentence | None, entrance: str, version: int) -> Address:
        site, rng = self.site, self.rng
        kind = rng.random()
        if kind < 0.12 or (sentence is None and kind < 0.4):
            return self._notable(version)
        if sentence is None:
            return rng.choice(self.gateway[version] + self.internet[version])
        if sentence.word == "offer" or (sentence.word != "let" and kind < 0.2 and site.offers):
            offer = sentence if sentence.word == "offer" else rng.choice(site.offers)
            return self._offered(offer, version)
        reach = rng.choice(sentence.reach)
        if reach in site.areas:
            return self._inside(site.areas[reach], version)
        if reach in site.devices:
            own = [a for a in site.devices[reach].addresses if family(a) == version]
            return rng.choice(own) if own else self._notable(version)
        if reach in site.places and reach not in site.named:
            networks = [n for n in site.places[reach] if n.version == version]
            return rng.choice(list(_edges(rng.choice(networks or [_DEFAULT[version]]))))
        if reach == "gateway":
            return rng.choice(self.gateway[version])
        return rng.choice(self.internet[version])

    def _offered(self, offer: Sentence, version: int) -> Address:
        own: list[Address] = []
        for name in offer.on:
            line = self.site.lines[name]
            own += [a for a in _own(line) if family(a) == version]
        inner = [a for a in self.site.devices[offer.to].addresses if family(a) == version]
        if version == 4 and own and self.rng.random() < 0.85:
            return self.rng.choice(own)
        return self.rng.choice(inner or own or self.gateway[version])

    def _inside(self, area: Area, version: int) -> Address:
        rng = self.rng
        network: Network = area.v4 if version == 4 else rng.choice(area.v6)
        kind = rng.random()
        if kind < 0.15:
            return rng.choice(list(_edges(network)))
        homed = [d for d in self.site.devices.values() if d.area == area.name]
        known = [a for d in homed for a in d.addresses if family(a) == version]
        if known and kind < 0.4:
            return rng.choice(known)
        return network[rng.randrange(network.num_addresses)]

    def _notable(self, version: int) -> Address:
        rng = self.rng
        if rng.random() < 0.1:
            bits = rng.getrandbits(32 if version == 4 else 128)
            return IPv4Address(bits) if version == 4 else IPv6Address(bits)
        return rng.choice(self.notable[version])

    def _service(self, sentence: Sentence | None) -> tuple[int, int]:
        rng = self.rng
        if sentence is None or rng.random() < 0.15:
            if rng.random() < 0.1:
                protocol = rng.randrange(256)
                return protocol, rng.randrange(65536) if protocol in NUMBERED else 0
            return rng.choice(SERVICES)
        protocol, first, last = rng.choice(rng.choice(sentence.services))
        if sentence.at is not None and rng.random() < 0.8:
            return protocol, sentence.at
        if last - first > 60000 and rng.random() < 0.8:
            return rng.choice(SERVICES)
        if protocol not in NUMBERED:
            return protocol, 0
        number = rng.choice((first, first, last, rng.randint(first, last), first - 1, last + 1))
        return protocol, min(max(number, 0), 65535)

    def _person(self, entrance: str, who: str) -> str:
        site, rng = self.site, self.rng
        if entrance not in site.areas or not site.areas[entrance].sign_in:
            return NOBODY
        if who in site.people and rng.random() < 0.8:
            return who
        return rng.choice([NOBODY, NOBODY, GUEST, *site.people])

    def _up(self, entrance: str) -> frozenset[str]:
        rng = self.rng
        share = rng.choice((0.0, 0.5, 1.0, 1.0, 1.0))
        return frozenset(
            name for name in self.site.lines if name == entrance or rng.random() < share
        )

    def _instant(self) -> datetime:
        if self.rng.random() < 0.3:
            return self.now + timedelta(seconds=self.rng.randrange(500 * 86400))
        return self.rng.choice(self.instants)


_NEAR = {  # sources first
    4: ("0.0.0.0", "255.255.255.255", "224.0.0.1", "11.22.33.44"),
    6: ("::", "fe80::1234", "ff02::1:2", "ff02::1", "ff02::1:ff00:1", "2606:2800::1"),
}
_GROUP = {4: "224.0.0.251", 6: "ff02::fb"}  # RFC 6762 section 3
_ASKED = ((6, 22), (6, 53), (6, 80), (6, 443), (6, 853), (17, 53), (17, 123))
_HOUSE = {
    4: (*_ASKED, (1, 8 * 256), *[(17, 67), (17, 68)] * 3),
    6: (*_ASKED, *[(58, 128 * 256), (17, 546), (17, 547)] * 2)
    + tuple((58, kind * 256) for kind in (130, 133, 134, 135, 136, 143, 153)),
}
_DEFAULT: dict[int, Network] = {4: IPv4Network("198.51.100.0/24"), 6: IPv6Network("2000::/3")}


def _own(line: Line) -> list[Address]:
    """A line's own addresses, known or unknown."""
    if line.automatic:
        return [("unknown", line.name, 4), ("unknown", line.name, 6)]
    return [interface.ip for interface in line.interfaces]


def _paired(rng: Random, hardware: list[int], own: list[Address], chosen: int) -> Address:
    """One of a device's addresses, mostly the one that belongs to the chosen hardware."""
    if chosen in hardware and len(hardware) == len(own) and rng.random() < 0.8:
        return own[hardware.index(chosen)]
    return rng.choice(own)


def _edges(network: Network) -> Iterator[Address]:
    """First and last addresses of a network and one in the middle."""
    size = network.num_addresses
    for offset in sorted({0, 1, 2, 3, size // 2, size - 2, size - 1}):
        if 0 <= offset < size:
            yield network[offset]


def _around(network: Network) -> Iterator[Address]:
    """The edges of a network and its neighbours just outside."""
    yield from _edges(network)
    for beyond in (int(network[0]) - 1, int(network[-1]) + 1):
        if 0 <= beyond < 1 << network.max_prefixlen:
            yield IPv4Address(beyond) if network.version == 4 else IPv6Address(beyond)


def _translated(site: Site, found: Iterable[Address]) -> Iterator[Address]:
    """With what stands for the IPv4 addresses in IPv6 (RFC 6052), or would if somebody translated."""
    for address in found:
        yield address
        if isinstance(address, IPv4Address):
            yield from translated(site, address)


def translated(site: Site, address: IPv4Address) -> Iterator[IPv6Address]:
    for network in {WELL_KNOWN: 0, **{line.translator: 0 for line in site.lines.values()}}:
        if isinstance(network, IPv6Network):
            yield network[int(address)]


def _notable(site: Site) -> Iterator[Address]:
    """Every address at which something in the charter or the registries begins or ends."""
    yield from (ip_address(text) for text in MISCELLANEOUS)
    networks: list[Network] = []
    for area in site.areas.values():
        networks += [area.v4, *area.v6]
    networks += [n for prefixes in site.places.values() for n in prefixes]
    for ranges in (site.hostile.ranges, *site.listed.values()):
        for version, first, last in ranges:
            ends = {first, last, first - 1, last + 1, (first + last) // 2}
            here = [end for end in ends if 0 <= end < 1 << (32 if version == 4 else 128)]
            yield from (IPv4Address(n) if version == 4 else IPv6Address(n) for n in here)
    if site.local is not None:
        networks.append(site.local)
    for line in site.lines.values():
        yield from _own(line)
        yield from line.next_hops
        networks += [interface.network for interface in line.interfaces]
        networks += [line.prefix] if line.prefix is not None else []
    for network in networks:
        yield from _around(network)
    for area in site.areas.values():
        yield first_usable(area.v4)
    for device in site.devices.values():
        for address in device.addresses:
            if not isinstance(address, tuple):
                yield from (address, address + 1, address - 1)


def _instants(site: Site, now: datetime) -> list[datetime]:
    """Moments around every edge of a window, of an `until` day and of daylight saving."""
    readings = {
        datetime.combine(sentence.until + timedelta(days=1), time(0))
        for sentence in (*site.rules, *site.offers)
        if sentence.until is not None
    }
    days = {date(2026, 11, 25) + timedelta(days=n) for n in range(16)}
    days |= {date(2027, 3, 27) + timedelta(days=n) for n in range(3)}
    for hours in site.hours.values():
        days |= {day + timedelta(days=n) for day in hours.dates for n in (-1, 0, 1)}
    for hours in site.hours.values():
        for day in days:
            for window in (*hours.weekly[day.weekday()], *hours.dates.get(day, [])):
                readings.add(datetime.combine(day, window.start))
                readings.add(datetime.combine(day, window.end or time(0)) + timedelta(days=1))
                readings.add(datetime.combine(day, window.end or time(0)))
    edges = [
        reading.replace(tzinfo=site.zone, fold=fold).astimezone(UTC)
        for reading in readings
        for fold in (0, 1)
    ]
    edges += _changes(site, now)
    near = (edge + n * SECOND for edge in edges for n in (-1, 0, 1, 1800, -1800))
    return [now, *sorted({instant for instant in near if instant >= now})]


def _changes(site: Site, now: datetime) -> Iterator[datetime]:
    """The hours in which the site's clocks change within some 500 days."""
    for hour in range(500 * 24):
        instant = now + timedelta(hours=hour)
        later = instant + timedelta(hours=1)
        if instant.astimezone(site.zone).utcoffset() != later.astimezone(site.zone).utcoffset():
            yield from (instant, later)
