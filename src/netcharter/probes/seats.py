"""Who sits where: the machines a lab needs behind every entrance, and which addresses they hold.

In an area there is one machine per hardware address. A device of the plan has the addresses that
the plan gives it; every other machine gets some of the area's own. An address that is nobody's in
particular is the visitor's, so each address of an area is held by exactly one machine, and what is
sent there arrives somewhere. Behind a line sits its next hop, who stands for everybody out there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address

from netcharter.plan import coding
from netcharter.plan.addressing import link_local
from netcharter.plan.coding import ANY4
from netcharter.plan.shapes import Address, AreaPlan, DevicePlan, LinePlan, Plan
from netcharter.space.ranges import has, intersect

INVENTED = 0x02_00_00_F0_00_00  # locally administered (IEEE 802 clause 8): nobody's in particular
BEYOND = 0x10000  # host numbers of machines for whom no IPv4 address is left


@dataclass(frozen=True, slots=True)
class Seat:
    """One machine. `own`: the addresses it sends from by itself, the best known first."""

    name: str
    entrance: str
    hardware: int
    own: tuple[Address, ...]

    def of_family(self, family: int) -> tuple[Address, ...]:
        """Its addresses of one family."""
        return tuple(a for a in self.own if a.version == family)


class Seats:
    """The machines of one plan. What is asked for first gets the better address; the same
    questions in the same order get the same answers.
    """

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._areas = {area.name: area for area in plan.areas}
        self._known = {h for device in plan.devices for h in device.hardware}
        self._devices = {h: d for d in plan.devices for h in d.hardware}
        self._invented = iter(range(INVENTED, coding.HARDWARE_NONE))
        self._names: set[str] = set()
        self._seats: dict[tuple[str, int], Seat] = {}
        self._holders: dict[tuple[str, Address], int] = {}
        self._free = {area.name: _free4(area, plan.devices) for area in plan.areas}
        self._given = dict.fromkeys(self._areas, 0)
        self._visitors: dict[str, int] = {}
        self._nameless: dict[str, list[int]] = {name: [] for name in self._areas}
        self._lines = {line.name: self._line(line) for line in plan.lines}
        for area in plan.areas:
            self._furnish(area)

    def line(self, name: str) -> Seat:
        """The machine behind a line."""
        return self._lines[name]

    def visitor(self, area: str) -> Seat:
        """A machine in an area that no charter knows."""
        return self._seats[area, self._visitors[area]]

    def at_home(self, area: str) -> tuple[Seat, ...]:
        """The machines of the devices whose home an area is, and then its visitor."""
        devices = [h for d in self.plan.devices if d.area == area for h in d.hardware]
        found = [*devices, *self._nameless[area], self._visitors[area]]
        return tuple(self._seats[area, hardware] for hardware in dict.fromkeys(found))

    def seat(self, area: str, hardware: int) -> Seat:
        """The machine with that hardware address in an area, made if there is none yet."""
        found = self._seats.get((area, hardware))
        if found is None:
            device = self._devices.get(hardware)
            found = self._sit(self._areas[area], hardware, device.name if device else "visitor", ())
        return found

    def holder(self, area: str, address: Address) -> Seat:
        """The machine of an area that holds an address."""
        hardware = self._holders.setdefault((area, address), self._visitors[area])
        return self._seats[area, hardware]

    def all(self) -> tuple[Seat, ...]:
        """Every machine so far, lines first."""
        return (*self._lines.values(), *self._seats.values())

    # --- furnishing -------------------------------------------------------------------------------

    def _line(self, line: LinePlan) -> Seat:
        hardware = self._invent()
        return Seat(self._called(line.name), line.name, hardware, (link_local(hardware),))

    def _furnish(self, area: AreaPlan) -> None:
        """The visitor, whom every area has, and the devices whose home it is."""
        home = [device for device in self.plan.devices if device.area == area.name]
        for device in home:
            for address in (*device.addresses4, *device.addresses6):
                self._holders[area.name, address] = -1  # nobody else's; whose follows below
        visitor = self._invent()
        self._visitors[area.name] = visitor
        self._sit(area, visitor, "visitor-1", ())
        for device in home:
            numbers = device.hardware or (self._invent(),)
            for place, hardware in enumerate(numbers):
                name = device.name if len(numbers) == 1 else f"{device.name}-{place + 1}"
                self._sit(area, hardware, name, tuple(_shared_out(device, place, len(numbers))))
            if not device.hardware:
                self._nameless[area.name] += numbers

    def _sit(self, area: AreaPlan, hardware: int, name: str, said: tuple[Address, ...]) -> Seat:
        own = [*said, *self._besides(area, said)]
        near = link_local(hardware)
        seat = Seat(self._called(f"{area.name}/{name}"), area.name, hardware, (*own, near))
        self._seats[area.name, hardware] = seat
        for address in (*own, near):
            if self._holders.get((area.name, address), -1) == -1:
                self._holders[area.name, address] = hardware
        return seat

    def _besides(self, area: AreaPlan, said: tuple[Address, ...]) -> Iterator[Address]:
        """Addresses for a machine in the families in which it has none: an IPv4 one while there is
        any, and its like in every /64 (the same host number, as the plan does it).
        """
        self._given[area.name] += 1
        four = next((a for a in said if a.version == 4), None)
        if four is None:
            free = (a for a in self._free[area.name] if (area.name, a) not in self._holders)
            four = next(free, None)
            if four is not None:
                yield four
        if any(a.version == 6 for a in said):
            return
        number = BEYOND + self._given[area.name]
        if four is not None and four in area.v4:
            number = int(four) - int(area.v4[0])
        for subnet in area.subnets6:
            six = IPv6Address(int(subnet.network[0]) + number)
            taken = (area.name, six) in self._holders
            if not taken and has(area.hosts, coding.address(six)):
                yield six

    def _invent(self) -> int:
        return next(number for number in self._invented if number not in self._known)

    def _called(self, name: str) -> str:
        """The name, with a number behind it where it is taken."""
        found, count = name, 2
        while found in self._names:
            found, count = f"{name}-{count}", count + 1
        self._names.add(found)
        return found


def _free4(area: AreaPlan, devices: Iterable[DevicePlan]) -> Iterator[IPv4Address]:
    """The IPv4 addresses of an area's hosts that no device has, from the bottom."""
    taken = {int(address) for device in devices for address in device.addresses4}
    for low, high in intersect(area.hosts, ANY4):
        for number in range(low, high + 1):
            if number not in taken:
                yield IPv4Address(number)


def _shared_out(device: DevicePlan, place: int, count: int) -> Iterator[Address]:
    """Which of a device's addresses belong to its n-th hardware address (model, `bound`)."""
    if len(device.addresses4) == count:
        yield device.addresses4[place]
    else:
        yield from device.addresses4
    if place == 0:
        yield from device.addresses6
