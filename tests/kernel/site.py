"""From a plan to what the interpreter needs: a host with addresses, and packets for attempts."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network
from typing import Any

from netcharter.plan import coding, labels
from netcharter.plan.fate import Attempt, Environment, in_force
from netcharter.plan.icmp import ICMPV4, ICMPV6
from netcharter.plan.shapes import AreaPlan, LinePlan, Plan
from tests.kernel.packets import Address, Host, Kernel, Packet

# The real addresses of lines whose address nobody knew when the charter was written: one that
# lies inside the internet and one inside a special block, for either family.
UNKNOWN = {
    4: ("100.64.77.1", "9.9.9.77", "100.64.77.3", "9.9.9.79", "100.64.77.5", "9.9.9.81"),
    6: tuple(f"{block}::77:{n}" for n, block in enumerate(("2620:fe", "3fff:5") * 3)),
}


def real(line: int, family: int) -> Address:
    """What the unknown address of a line turns out to be."""
    return ip_address(UNKNOWN[family][line - 1])


def plain(code: int) -> Address:
    found = coding.decode(code)
    return real(*found) if isinstance(found, tuple) else found


def host(plan: Plan) -> Host:
    """The gateway with all its addresses, and the routes the kit gives it."""
    local: dict[str, set[Address]] = {}
    broadcast: set[Address] = set()
    anycast: set[Address] = set()
    routes: list[tuple[Any, str]] = []
    for area in plan.areas:
        own = local.setdefault(area.device, set())
        own |= {area.gateway4, *(s.gateway for s in area.subnets6)}
        anycast |= {s.network.network_address for s in area.subnets6}
        broadcast |= _broadcast(area.v4)
        routes += [(n, area.device) for n in (area.v4, *(s.network for s in area.subnets6))]
    for line in plan.lines:
        own = local.setdefault(line.device, set())
        for interface in line.held:
            own.add(interface.ip)
            routes.append((interface.network, line.device))
        if line.v4 is not None:
            broadcast |= _broadcast(line.v4.network)
        if line.automatic:
            own |= {real(line.number, family) for family in (4, 6)}
    main = next(iter(plan.lines)).device if plan.lines else ""
    routes += [(ip_network("0.0.0.0/0"), main), (ip_network("::/0"), main)]
    known = {device: frozenset(addresses) for device, addresses in local.items()}
    return Host(known, frozenset(broadcast), tuple(routes), frozenset(anycast))


def _broadcast(network: IPv4Network | IPv6Network) -> set[Address]:
    return {network.broadcast_address} if network.prefixlen < 31 else set()


@dataclass(frozen=True)
class Bench:
    """A plan beside what the kernel holds of its kit."""

    plan: Plan
    kernel: Kernel

    def decide(self, attempt: Attempt, environment: Environment) -> Any:
        """Send an attempt through, with the sets filled as gate and steward would fill them."""
        packet = self.packet(attempt)
        self._times(environment.instant)
        self._people(packet, environment.who)
        self._led(packet, environment.led)
        return self.kernel.decide(packet)

    def packet(self, attempt: Attempt) -> Packet:
        hardware = None if attempt.hardware == coding.HARDWARE_NONE else attempt.hardware
        return Packet(
            entrance=self.device(attempt.entrance),
            source=plain(attempt.source),
            destination=plain(attempt.destination),
            protocol=attempt.service >> 16,
            number=attempt.service & 0xFFFF,
            hardware=hardware,
        )

    def device(self, entrance: str) -> str:
        return next((p.device for p in self._parts() if p.name == entrance), "")

    def leaves(self, destination: Address) -> bool:
        """Whether the way to a destination is a line."""
        device = self.kernel.host.device_to(destination)
        return device in {line.device for line in self.plan.lines}

    def _parts(self) -> tuple[AreaPlan | LinePlan, ...]:
        return (*self.plan.areas, *self.plan.lines)

    def _times(self, instant: datetime) -> None:
        devices = [(part.device,) for part in self._parts()]
        for when, let in labels.times_asked_for(self.plan.rows):
            open_ = in_force(self.plan, when, instant) is let
            members = [*devices, ("lo",)] if open_ else []
            self.kernel.fill(labels.when_set(when, let), *members)

    def _people(self, packet: Packet, who: str) -> None:
        session = (packet.entrance, int(packet.source), packet.hardware)
        for family in (4, 6):
            here = family == packet.family and who != coding.NOBODY
            if labels.signed_set(family) in self.kernel.sets:
                self.kernel.fill(labels.signed_set(family), *([session] if here else []))
                number = labels.identity_class(who, [p.name for p in self.plan.people])
                mark = labels.pack(labels.Mark(identity=number))
                members = [session] if here else []
                self.kernel.fill(labels.class_map(family), *members, data=mark)
            for people in labels.people_asked_for(self.plan.rows):
                name = labels.who_set(people, family)
                if name in self.kernel.sets:
                    self.kernel.fill(name, *([session] if here and who in people else []))

    def _led(self, packet: Packet, places: Collection[str]) -> None:
        """An address is in the sets of the places whose names lead there."""
        for place in self.plan.by_names:
            for family in (4, 6):
                here = family == packet.family and place.name in places
                members = [(int(packet.destination),)] if here else []
                self.kernel.fill(labels.led_set(place.name, family), *members)

    def silence(self) -> None:
        """Everything that steward and gate fill is empty."""
        for when, let in labels.times_asked_for(self.plan.rows):
            self.kernel.fill(labels.when_set(when, let))
        for name in self.kernel.sets:
            if name.startswith(("nc_who", "nc_signed", "nc_class", "nc_led")):
                self.kernel.fill(name)

    def lines_known(self) -> None:
        """What the steward does once automatic lines have their addresses."""
        for line in self.plan.lines:
            if line.automatic:
                address = int(real(line.number, 4))
                self.kernel.fill(labels.line_set(line.name), (address,))


def belongs_to_a_conversation(attempt: Attempt) -> bool:
    """ICMP errors and replies: never a conversation's first packet, whatever a decision says."""
    protocol, number = attempt.service >> 16, attempt.service & 0xFFFF
    tables: dict[tuple[int, int], Any] = {(4, coding.ICMP): ICMPV4, (6, coding.ICMP6): ICMPV6}
    table = tables.get((plain(attempt.source).version, protocol), ())
    return any(m.type == number >> 8 and m.through == "state" for m in table)
