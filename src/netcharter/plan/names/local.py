"""Names that the gateway answers itself: devices, itself, and what it offers to the outside."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from ipaddress import IPv6Network, ip_address

from netcharter.charter.model import Address, Offer
from netcharter.plan.local_names import LocalNames, told_addresses
from netcharter.plan.names.domains import Fault, normal
from netcharter.plan.names.shapes import LocalName
from netcharter.plan.names.special import LOCALHOST
from netcharter.plan.terms import Ground

LOOPBACK = (ip_address("127.0.0.1"), ip_address("::1"))


def local_names(ground: Ground, known: LocalNames, prefix: IPv6Network) -> Iterator[LocalName]:
    """Every name with its addresses; several may share a name. prefix: the site's local one."""
    for area, one in zip(ground.areas, known.gateway, strict=True):
        yield LocalName(one.name, one.addresses, area=area.name)
    yield LocalName(LOCALHOST, LOOPBACK, below=True)
    for one in known.devices:
        yield LocalName(one.name, one.addresses)
    yield from offered(ground, prefix)


def offered(ground: Ground, prefix: IPv6Network) -> Iterator[LocalName]:
    """The names under which offers are known outside, with the addresses that inside they lead to.

    Those of the device, which need no translation; of the line instead where the name alone can't
    say where to go, since another port leads there or several devices share the name. Where a line's
    address is not known, nothing: the name is asked for outside, and what is offered is met all the
    same.
    """
    by_name: dict[str, list[Offer]] = {}
    for offer in ground.charter.offers:
        for said in offer.known_as:
            name = normal(said)
            if not isinstance(name, Fault):
                by_name.setdefault(name, []).append(offer)
    for name, offers in by_name.items():
        straight = len({one.to for one in offers}) == 1 and all(one.at is None for one in offers)
        device = ground.device[offers[0].to]
        found = told_addresses(device, prefix) if straight else _met_at(ground, offers)
        if found:
            yield LocalName(name, tuple(found), offers[0].name)


def _met_at(ground: Ground, offers: Iterable[Offer]) -> tuple[Address, ...]:
    """The public IPv4 addresses at which offers are met."""
    found: list[Address] = []
    for offer in offers:
        for name in offer.lines:
            line = ground.line[name]
            if offer.address is not None:
                found.append(offer.address)
            elif line.v4 is not None:
                found.append(line.v4.ip)
    return tuple(dict.fromkeys(found))


def reverse(names: Iterable[LocalName]) -> dict[str, str]:
    """The names of the site's own addresses, by the name under which each is asked for."""
    found: dict[str, str] = {}
    for one in names:
        if one.offer is None and one.name != LOCALHOST:
            for address in one.addresses:
                found.setdefault(address.reverse_pointer, one.name)
    return found
