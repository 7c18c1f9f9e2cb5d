"""Words for what an old ruleset only has numbers for: devices and places, found or made up.

A charter names whoever starts and whatever is reached. Addresses within an area become known
devices (those without a hardware address, where none is known); addresses beyond the lines become
places. Parts of an area that overlap are cut where they differ, so that every address belongs to
one device.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from ipaddress import collapse_addresses, ip_network

from netcharter.charter.model import Address, Network
from netcharter.plan import coding
from netcharter.space.ranges import (
    Ranges,
    disjoint,
    intersect,
    size,
    subset,
    subtract,
    union,
)
from netcharter.tasks.inheriting.naming import Names, listed
from netcharter.tasks.inheriting.shapes import (
    FoundArea,
    FoundDevice,
    InheritedOffer,
    InheritedRule,
    Recognised,
    Term,
)

MOST_ADDRESSES = 512  # of a part of an area that is said address by address
MOST_PARTS = 500  # of one area
OWN_WORDS = frozenset(("anyone", "anywhere", "internet", "gateway"))


class Unsayable(Exception):
    """No name can stand for this; the text says why. area: the nearest word that says more."""

    def __init__(self, words: str, area: str = "") -> None:
        super().__init__(words)
        self.words, self.area = words, area


@dataclass
class Vocabulary:
    """The names of one charter. devices: those that are known, then those made up.

    roaming: devices that are meant wherever they are; places: their prefixes by name;
    invented: what every name that was made up stands for.
    """

    found: Recognised
    names: Names
    devices: dict[str, FoundDevice] = field(default_factory=dict)
    roaming: set[str] = field(default_factory=set)
    places: dict[str, tuple[Network, ...]] = field(default_factory=dict)
    invented: dict[str, str] = field(default_factory=dict)
    _parts: dict[str, list[tuple[Ranges, str]]] = field(default_factory=dict)
    _places: dict[tuple[Network, ...], str] = field(default_factory=dict)
    _hardware: dict[int, str] = field(default_factory=dict)

    def say(self, term: Term) -> tuple[str, ...]:
        """The names that together mean a term.

        Raises Unsayable, or ValueError for a name that neither site nor charter has.
        """
        if term.hardware:
            return tuple(self._known_by_hardware(term))
        if term.networks:
            return self._within(term) if term.area else (self._place(term),)
        if term.name not in OWN_WORDS | self.found.names:
            raise ValueError(f"{term.name!r} is no name of this site")
        return (term.name,)

    def device_at(self, address: Address) -> str:
        """The device whose first IPv4 address this is. Raises Unsayable."""
        for device in self.devices.values():
            first = next((a for a in device.addresses if a.version == 4), None)
            if first == address:
                return device.name
            if address in device.addresses:
                raise Unsayable(f"{address} is not the first address of {device.name}")
        raise Unsayable(f"{address} is in no area")

    # Devices

    def _within(self, term: Term) -> tuple[str, ...]:
        area = self._area(term.area)
        hosts = hosts_of(area)
        wanted = intersect(coding.network(*term.networks), hosts)
        if not wanted:
            raise Unsayable(f"{_spelt(term.networks)} holds no host of {area.name}")
        if _is_whole(wanted, hosts):
            return (area.name,)
        return tuple(self._parts_of(area, wanted))

    def _area(self, name: str) -> FoundArea:
        return next(area for area in self.found.areas if area.name == name)

    def _parts_of(self, area: FoundArea, wanted: Ranges) -> Iterator[str]:
        """Devices and made-up parts that together are these addresses of an area."""
        left = wanted
        for device in self.found.devices:
            own = coding.addresses(device.addresses)
            if device.area != area.name or not own or disjoint(own, wanted):
                continue
            if not subset(own, wanted):
                raise Unsayable(f"only some addresses of {device.name} are meant", area.name)
            left = subtract(left, own)
            yield device.name
        if size(left) > MOST_ADDRESSES:
            raise Unsayable(f"{size(left)} addresses of {area.name} have no name", area.name)
        for part, name in self._parts.get(area.name, ()):
            if subset(part, left):
                left = subtract(left, part)
                yield name
        if left:
            raise Unsayable(f"{area.name} would have to be cut into too many parts", area.name)

    def divide(self, terms: Sequence[Term]) -> None:
        """Make up devices for the parts of areas that terms speak of, cut where they differ."""
        for area in self.found.areas:
            known = coding.addresses(
                a for d in self.found.devices if d.area == area.name for a in d.addresses
            )
            hosts = hosts_of(area)
            wanted = [
                intersect(coding.network(*term.networks), hosts)
                for term in terms
                if term.area == area.name and term.networks
            ]
            parts = [subtract(one, known) for one in wanted if not _is_whole(one, hosts)]
            short = [part for part in dict.fromkeys(parts) if 0 < size(part) <= MOST_ADDRESSES]
            cut = _cut(short[:MOST_PARTS])
            self._parts[area.name] = [(part, self._part(area, part)) for part in cut]

    def _part(self, area: FoundArea, part: Ranges) -> str:
        addresses = tuple(
            code for low, high in part for code in map(coding.decode, range(low, high + 1))
        )
        plain = tuple(a for a in addresses if not isinstance(a, tuple))
        first = str(plain[0]).replace(".", "-").replace(":", "-").strip("-")
        more = f"-and-{len(plain) - 1}-more" if len(plain) > 1 else ""
        name = self.names.take("", f"{area.name[:20]}-{first}{more}")
        words = f"{plain[0]} to {plain[-1]}" if len(plain) > 2 else listed(map(str, plain))
        self.invented[name] = f"{words} in {area.name}"
        self.devices[name] = FoundDevice(name, area.name, (), plain, "", area.span)
        return name

    def _known_by_hardware(self, term: Term) -> Iterator[str]:
        for number in term.hardware:
            name = self._hardware.get(number)
            if name is None:
                raise Unsayable(f"{coding.hardware_text(number)} is in no area")
            device = self.devices[name]
            if not set(device.hardware) <= set(term.hardware):
                raise Unsayable(f"only some network ports of {name} are meant")
            if term.area and device.area != term.area:
                raise Unsayable(f"{name} is known in {device.area}, and {term.area} is meant")
            if not term.area:
                self.roaming.add(name)
            yield name

    def know(self, terms: Sequence[Term]) -> None:
        """Make up a device for every hardware address that none has."""
        for device in self.found.devices:
            self.devices[device.name] = device
            self._hardware |= dict.fromkeys(device.hardware, device.name)
        for term in terms:
            for number in term.hardware:
                if number not in self._hardware and self.found.areas:
                    self._hardware[number] = self._new_device(number, term.area)

    def _new_device(self, number: int, area: str) -> str:
        """A device for a hardware address, at home where it was seen, else in the first area."""
        called, home = self.found.seen.get(number, ("", ""))
        home = area or home or self.found.areas[0].name
        text = coding.hardware_text(number)
        name = self.names.take(called, f"device-{text.replace(':', '')}")
        self.invented[name] = text
        self.devices[name] = FoundDevice(name, home, (number,), (), "", self._area(home).span)
        return name

    # Places

    def _place(self, term: Term) -> str:
        networks = tuple(_collapsed(term.networks))
        if networks not in self._places:
            first = str(networks[0]).replace(".", "-").replace(":", "-").replace("/", "-")
            more = f"-and-{len(networks) - 1}-more" if len(networks) > 1 else ""
            name = self.names.take(term.name, f"net-{first.strip('-')}{more}")
            self._places[networks] = name
            self.places[name] = networks
            self.invented[name] = _spelt(networks)
        return self._places[networks]


def vocabulary(
    found: Recognised, rules: Sequence[InheritedRule], offers: Sequence[InheritedOffer]
) -> Vocabulary:
    """The words for everything that rules and offers speak of."""
    words = Vocabulary(found, Names(found.names))
    terms = [term for rule in rules for term in (*rule.who, *rule.reach)]
    terms += [term for offer in offers for term in offer.who]
    words.know(terms)
    words.divide([*terms, *_served(found, offers)])
    return words


def _served(found: Recognised, offers: Sequence[InheritedOffer]) -> Iterator[Term]:
    """The addresses that offers are delivered to, as parts of their areas."""
    for offer in offers:
        for area in found.areas:
            network = _alone(offer.to)
            if any(offer.to in prefix for prefix in area.prefixes):
                yield Term(area=area.name, networks=(network,))


def _alone(address: Address) -> Network:
    return ip_network(address)


def hosts_of(area: FoundArea) -> Ranges:
    """The addresses that hosts of an area can have, as the plan will see it: not the gateway's
    (the first usable one), nor the ends of an IPv4 prefix.
    """
    out: Ranges = ()
    for prefix in area.prefixes:
        ends = [prefix[0], prefix[1], *([prefix[-1]] if prefix.version == 4 else [])]
        out = union(out, subtract(coding.network(prefix), coding.addresses(ends)))
    return out


def _is_whole(wanted: Ranges, hosts: Ranges) -> bool:
    """Is this all that an area has of each family that is meant at all?"""
    return bool(wanted) and all(
        intersect(wanted, family) in ((), intersect(hosts, family))
        for family in (coding.ANY4, coding.ANY6)
    )


def _cut(parts: Sequence[Ranges]) -> list[Ranges]:
    """The coarsest disjoint sets of which every part is a union."""
    out: list[Ranges] = []
    for part in parts:
        left, pieces = part, []
        for piece in out:
            inside = intersect(piece, part)
            pieces += [one for one in (inside, subtract(piece, inside)) if one]
            left = subtract(left, inside)
        out = [*pieces, *([left] if left else [])]
    return out


def _collapsed(networks: Iterable[Network]) -> Iterator[Network]:
    for version in (4, 6):
        mine = [n for n in networks if n.version == version]
        yield from collapse_addresses(mine)  # type: ignore[type-var]


def _spelt(networks: Sequence[Network]) -> str:
    few = [str(n) for n in networks[:4]]
    return listed(few) if len(networks) <= 4 else f"{', '.join(few)} and {len(networks) - 4} more"
