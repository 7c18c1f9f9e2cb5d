"""Reservations from several files as the devices of a charter, and how many hosts were seen."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

from netcharter.charter.model import Address, Network
from netcharter.plan.coding import hardware_text
from netcharter.tasks.inheriting.naming import Names, listed
from netcharter.tasks.inheriting.shapes import (
    FoundArea,
    FoundDevice,
    Held,
    Lease,
    Reservation,
    Unsaid,
)
from netcharter.tasks.inheriting.where import Where


@dataclass
class Equipment:
    """Areas, what the files hold, and what of it could not be said so far."""

    areas: Sequence[FoundArea]
    held: Held
    names: Names
    unsaid: list[Unsaid] = field(default_factory=list)

    @cached_property
    def leases(self) -> Mapping[int, Lease]:
        """The last lease in use of each hardware address."""
        return {
            lease.hardware: lease
            for lease in self.held.leases
            if lease.hardware is not None and lease.active
        }

    @cached_property
    def _by_name(self) -> Mapping[str, FoundArea]:
        return {area.name: area for area in self.areas}

    @cached_property
    def _where(self) -> Where:
        return Where((prefix, area.name) for area in self.areas for prefix in area.prefixes)

    def area_of(self, address: Address) -> FoundArea | None:
        name = self._where.of(address)
        return None if name is None else self._by_name[name]

    def hosts(self, devices: Sequence[FoundDevice]) -> Mapping[str, int]:
        """How many hosts each area has: those with a lease, and known devices without one."""
        seen: dict[str, set[object]] = {area.name: set() for area in self.areas}
        for lease in self.held.leases:
            area = self.area_of(lease.address)
            if area is not None and lease.active and lease.address.version == 4:
                seen[area.name].add(lease.hardware or lease.address)
        for device in devices:
            seen[device.area] |= set(device.hardware or device.addresses)
        return {name: len(found) for name, found in seen.items()}

    def seen(self) -> Mapping[int, tuple[str, str]]:
        """Every hardware address that has a lease or a reservation: its name, and its area."""
        called = {h: one.name for one in self.held.reservations for h in one.hardware if one.name}
        homes: dict[int, tuple[str, str]] = {h: (name, "") for h, name in called.items()}
        for number, lease in self.leases.items():
            area = self.area_of(lease.address)
            homes[number] = (called.get(number, lease.name), area.name if area else "")
        return homes


def known_devices(equipment: Equipment) -> tuple[FoundDevice, ...]:
    """One device for each reservation that has a place, those of one hardware address together."""
    found: list[FoundDevice] = []
    taken: dict[Address, str] = {}
    for one in _together(equipment.held.reservations):
        if one.ignored:
            equipment.unsaid.append(
                Unsaid(f"the DHCP server does not answer {_spelt(one)}",
                       "a device that is to get nowhere is barred: true", one.span)
            )  # fmt: skip
            continue
        area = _home(equipment, one)
        if area is None:
            equipment.unsaid.append(
                Unsaid(f"{_spelt(one)} belongs to no area",
                       "write it below devices where it belongs, or leave it out", one.span)
            )  # fmt: skip
            continue
        addresses = tuple(_addresses(equipment, one, area, taken))
        if not one.hardware and not addresses:
            continue
        if len(one.hardware) == len(addresses) > 1:
            equipment.unsaid.append(
                Unsaid(f"{_spelt(one)} has several hardware addresses and as many addresses, and a"
                       " charter takes them in pairs, in the order in which they stand",
                       "look which belongs to which", one.span)
            )  # fmt: skip
        name = equipment.names.take(one.name.partition(".")[0], _made_up(one))
        taken |= dict.fromkeys(addresses, name)
        found.append(FoundDevice(name, area.name, one.hardware, addresses, one.note, one.span))
    return tuple(found)


def _together(reservations: Sequence[Reservation]) -> Iterator[Reservation]:
    """Reservations that share a hardware address become one; so does one that has only an address
    with the first that has the same.
    """
    leader = list(range(len(reservations)))

    def first(number: int) -> int:
        while leader[number] != number:
            leader[number] = leader[leader[number]]
            number = leader[number]
        return number

    owner: dict[object, int] = {}
    for number, one in enumerate(reservations):
        for key in one.hardware:
            low, high = sorted((first(owner.setdefault(key, number)), first(number)))
            leader[high] = low
    for number, one in enumerate(reservations):
        for address in one.addresses:
            mate = first(owner.setdefault(address, number))
            if not one.hardware or not reservations[owner[address]].hardware:
                low, high = sorted((mate, first(number)))
                leader[high] = low
    groups: dict[int, list[Reservation]] = {}
    for number, one in enumerate(reservations):
        groups.setdefault(first(number), []).append(one)
    return (_merged(group) for group in groups.values())


def _merged(group: Sequence[Reservation]) -> Reservation:
    return replace(
        group[0],
        name=next((one.name for one in group if one.name), ""),
        hardware=tuple(dict.fromkeys(h for one in group for h in one.hardware)),
        addresses=tuple(dict.fromkeys(a for one in group for a in one.addresses)),
        area=next((one.area for one in group if one.area), ""),
        note="; ".join(dict.fromkeys(one.note for one in group if one.note)),
        ignored=any(one.ignored for one in group),
    )


def _home(equipment: Equipment, one: Reservation) -> FoundArea | None:
    """The area that holds its address, else that of its lease, else the one it is said to be in."""
    for address in one.addresses:
        area = equipment.area_of(address)
        if area is not None:
            return area
    for number in one.hardware:
        lease = equipment.leases.get(number)
        area = equipment.area_of(lease.address) if lease else None
        if area is not None:
            return area
    said = one.area.casefold()
    return next(
        (a for a in equipment.areas if said and said in (a.name.casefold(), str(a.vlan), a.device)),
        None,
    )


def _addresses(
    equipment: Equipment, one: Reservation, area: FoundArea, taken: Mapping[Address, str]
) -> Iterator[Address]:
    """Those of its addresses that it can keep in its area."""
    for address in one.addresses:
        why = _unfit(address, area, taken)
        if why:
            equipment.unsaid.append(
                Unsaid(f"{_spelt(one)} can't keep {address}: {why}",
                       "give it another address, or roams: true if it moves between areas",
                       one.span)
            )  # fmt: skip
        else:
            yield address


def _unfit(address: Address, area: FoundArea, taken: Mapping[Address, str]) -> str:
    """Why no host of the area can have an address; empty where one can."""
    home = next((prefix for prefix in area.prefixes if address in prefix), None)
    if home is None:
        return f"it is not in {area.name}"
    if address == home[1]:
        return "it will be the gateway's own"
    if address in _ends(home):
        return f"it is no host's address in {home}"
    if address in taken:
        return f"{taken[address]} has it"
    return ""


def _ends(prefix: Network) -> tuple[Address, ...]:
    return (prefix[0], prefix[-1]) if prefix.version == 4 else (prefix[0],)


def _spelt(one: Reservation) -> str:
    """A reservation in a few words: by name, else by what is known of it."""
    known = [*map(hardware_text, one.hardware), *map(str, one.addresses)]
    return f"{one.name} ({listed(known)})" if one.name else listed(known)


def _made_up(one: Reservation) -> str:
    if one.addresses:
        return "host-" + str(one.addresses[0]).replace(".", "-").replace(":", "-").strip("-")
    return f"device-{one.hardware[0]:012x}"
