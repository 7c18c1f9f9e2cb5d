"""The site as it is drawn and tabled: lines, areas, devices, and the ways worth an arrow."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address
from typing import Literal

from netcharter.charter.model import Exit
from netcharter.plan import coding
from netcharter.plan.coding import hardware_text
from netcharter.plan.shapes import AreaPlan, DevicePlan, LinePlan, Plan, Rate
from netcharter.proofs import Proof
from netcharter.proofs.naming import listed
from netcharter.proofs.promises import PromiseResult
from netcharter.proofs.universe import DESTINATION
from netcharter.report.wording import one_line

Numeric = IPv4Address | IPv6Address


@dataclass(frozen=True, slots=True)
class LineSign:
    name: str
    device: str
    role: str
    addresses: tuple[str, ...]
    rate: tuple[str, ...]  # down and up
    prefix: str


@dataclass(frozen=True, slots=True)
class DeviceSign:
    name: str
    tail: str  # the end of its IPv4 address, from the dot on; empty if it has none
    barred: bool
    addresses: tuple[str, ...]
    hardware: tuple[str, ...]
    marks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AreaSign:
    name: str
    device: str
    v4: str
    v6: tuple[str, ...]
    marks: tuple[str, ...]
    because: str
    devices: tuple[DeviceSign, ...]


@dataclass(frozen=True, slots=True)
class Arrow:
    """One arrow of the drawing, from an entrance to where it ends.

    area and device: where it ends inside; line: the line by which it leaves; none of them: at
    the gateway. starter: the named device that starts it. A stopped way is refused at the gateway.
    """

    kind: Literal["offer", "broken", "stopped"]
    start: str
    area: str | None = None
    device: str | None = None
    line: str | None = None
    starter: str | None = None
    number: int | None = None
    told: str = ""


@dataclass(frozen=True, slots=True)
class ExitSign:
    """By which lines some of what leaves goes, in the words of the charter."""

    name: str
    told: str
    lines: tuple[str, ...]
    behind: str
    because: str


@dataclass(frozen=True, slots=True)
class SiteSigns:
    name: str
    managed: str
    decisions: str
    places: Mapping[str, tuple[str, ...]]
    lines: tuple[LineSign, ...]
    areas: tuple[AreaSign, ...]
    ways: tuple[Arrow, ...]
    exits: tuple[ExitSign, ...] = ()


def signs(proof: Proof) -> SiteSigns:
    """Everything the drawing and its tables say."""
    plan = proof.prover.plan
    managers = plan.charter.site.managed_from
    return SiteSigns(
        name=one_line(plan.site),
        managed=f"managed from {listed(managers)}" if managers else "managed from nowhere",
        decisions=f"{len(plan.rows)} decisions, taken in order",
        places={p.name: tuple(map(str, p.prefixes)) for p in plan.charter.places.values()},
        lines=tuple(_line(line) for line in plan.lines),
        areas=tuple(_area(plan, area) for area in plan.areas),
        ways=(*_offers(plan), *_broken(proof)),
        exits=tuple(map(_exit, plan.charter.exits)),
    )


def _exit(one: Exit) -> ExitSign:
    told = f"{listed(one.who)} to {listed(one.reach)} with {listed(one.services)}"
    behind = "no other line" if one.refused else "the other lines"
    because = one_line(one.because or "")
    return ExitSign(one.name, told, one.lines, behind, because)


def _line(line: LinePlan) -> LineSign:
    numbers = tuple(str(a) for a in line.held)
    learnt = "automatic address" if line.pppoe is None else f"PPPoE over {line.ethernet}"
    automatic = (learnt,) if line.automatic else ()
    role = f"balanced, weight {line.weight}" if line.role == "balanced" else line.role
    return LineSign(
        name=line.name,
        device=line.device,
        role=role,
        addresses=(*numbers, *automatic),
        rate=_rate(line.rate),
        prefix="delegated, not known yet" if line.stands_in else str(line.prefix or ""),
    )


def _rate(rate: Rate | None) -> tuple[str, ...]:
    return (f"{_bits(rate.down)} down", f"{_bits(rate.up)} up") if rate else ()


def _bits(number: int) -> str:
    for unit, size in (("Gbit/s", 10**9), ("Mbit/s", 10**6), ("kbit/s", 10**3)):
        if number >= size:
            return f"{number / size:g} {unit}"
    return f"{number} bit/s"


def _area(plan: Plan, area: AreaPlan) -> AreaSign:
    written = plan.charter.areas[area.name]
    marks = (
        ("sign-in", area.sign_in),
        ("strangers refused", area.strangers_refused),
        ("apart", area.apart),
        ("refuses quietly", area.quiet),
    )
    return AreaSign(
        name=area.name,
        device=area.device,
        v4=str(area.v4),
        v6=tuple(str(subnet.network) for subnet in area.subnets6),
        marks=tuple(word for word, true in marks if true),
        because=one_line(written.because),
        devices=tuple(_device(d) for d in plan.devices if d.area == area.name),
    )


def _device(device: DevicePlan) -> DeviceSign:
    first = device.addresses4[:1]
    marks = (("barred", device.barred), ("roams", device.roams), ("no sign-in", device.exempt))
    return DeviceSign(
        name=device.name,
        tail="".join("." + str(address).rsplit(".", 1)[-1] for address in first),
        barred=device.barred,
        addresses=tuple(map(str, (*device.addresses4, *device.addresses6))),
        hardware=tuple(hardware_text(number) for number in device.hardware),
        marks=tuple(word for word, true in marks if true),
    )


def _offers(plan: Plan) -> Iterator[Arrow]:
    """One arrow for all that a line offers of a device."""
    homes = {d.name: d.area for d in plan.devices}
    found: dict[tuple[str, str], dict[str, None]] = {}
    decided = dict.fromkeys(row.charter_index for row in plan.rows if row.kind == "offer")
    for index in decided:
        if index is None:
            continue
        offer = plan.charter.offers[index]
        port = f" (at port {offer.at})" if offer.at is not None else ""
        for line in offer.lines:
            said = found.setdefault((line, offer.to), {})
            said.update(dict.fromkeys(service + port for service in offer.services))
    for (line, device), services in found.items():
        told = f"{line} offers {listed(services)} of {device} to the internet"
        yield Arrow("offer", line, homes.get(device), device, told=told)


def _broken(proof: Proof) -> Iterator[Arrow]:
    for number, result in enumerate(proof.promises, 1):
        way = None if result.holds else _shown(proof, number, result)
        if way is not None:
            yield way


def _shown(proof: Proof, number: int, result: PromiseResult) -> Arrow | None:
    """The way of the witness of a broken promise; None where no single attempt shows it."""
    witness = proof.witness(result)
    if witness is None or result.point is None:
        return None
    plan, row = proof.prover.plan, witness.row
    starter = next((d.name for d in plan.devices if _is(d, witness.hardware)), None)
    area, device = _inside(plan, coding.decode(result.point[DESTINATION]))
    if row.delivery is not None:
        area, device = _home(plan, row.delivery.device), row.delivery.device
    line = None if area else _way_out(plan, result.point[DESTINATION], witness.lines_up)
    return Arrow(
        kind="broken" if row.let else "stopped",
        start=witness.entrance,
        area=area,
        device=device,
        line=line,
        starter=starter,
        number=number,
        told=f"promise {number} is broken: {witness.sentence}",
    )


def _is(device: DevicePlan, hardware: str | None) -> bool:
    return hardware in [hardware_text(number) for number in device.hardware]


def _home(plan: Plan, device: str) -> str | None:
    return next((d.area for d in plan.devices if d.name == device), None)


def _inside(plan: Plan, address: Numeric | tuple[int, int]) -> tuple[str | None, str | None]:
    """The area and the device that an address belongs to, if it lies inside."""
    if isinstance(address, tuple):
        return None, None
    for area in plan.areas:
        if address not in area.gateways and any(address in one for one in area.networks):
            owned = (d for d in plan.devices if address in (*d.addresses4, *d.addresses6))
            return area.name, next((d.name for d in owned if d.area == area.name), None)
    return None, None


def _way_out(plan: Plan, destination: int, up: Sequence[str]) -> str | None:
    """The line by which an address outside is reached; None for the gateway's own."""
    outside = any(low <= destination <= high for low, high in plan.internet)
    places = [r for found in plan.places.values() for r in found]
    if outside or any(low <= destination <= high for low, high in places):
        return next(iter(up), None)
    return None
