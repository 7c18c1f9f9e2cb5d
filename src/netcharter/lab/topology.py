"""What a lab is made of, as text: pure, from the plan, the stations and the world.

The gateway's devices end, each by a cable of its own, in the namespace of the switches, where one
switch per line and area joins them with the stations:

    gateway eth2 ===== g2 [switch b2] s5 ===== net0 station
                                      s6 ===== net0 station

Nobody asks for a neighbour (`arp off`) or for a double of its own address, and nobody reports what
groups it is in (`multicast off`), so that no decision counts anything but probes: whom a machine
may meet it knows beforehand. What it does not know gets the hardware address of the
asking device itself. On a line that is right for everybody, since the station of a line has the
hardware address of the gateway's device; in an area it is right for nobody.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from ipaddress import IPv6Address

from netcharter.plan.coding import hardware_text
from netcharter.plan.shapes import Address, AreaPlan, LinePlan, Plan
from netcharter.probes.shapes import Station, World
from netcharter.render.escape import bare_device
from netcharter.render.routes import default_table

GATEWAY_SPACE, SWITCHES = "gateway", "switches"  # names of namespaces
DEVICE = "net0"  # the only device of a station
BY_THE_GATEWAY = 1  # packet mark: a line's station sends this by the gateway, whatever it is for
FIRST_HARDWARE = 0x026E63000001  # locally administered (IEEE 802 clause 8), so nobody's

# Tables of a line's station: the gateway's own addresses and prefixes; the gateway for everything.
_OWN, _FORCED = 100, 101


@dataclass(frozen=True, slots=True)
class Batch:
    """Text for `ip -batch`, and for `ip -6 -batch` what `ip` cannot tell to be IPv6."""

    text: str
    text6: str = ""


@dataclass(frozen=True, slots=True)
class Seat:
    """Where a station is: its namespace, what is loaded there, its device's hardware address."""

    space: str
    batch: Batch
    hardware: int


@dataclass(frozen=True, slots=True)
class Topology:
    """What is loaded where.

    switches: for `ip -batch` among the switches, which makes every device of the lab; tables: for
    `bridge -batch` there; before, after: for `ip -batch` at the gateway, before and after the kit;
    ports: line -> the port of its switch that the gateway hangs on; devices: the gateway's;
    hardware: of each of them; differs: where the lab is not like the site, as sentences.
    """

    switches: str
    tables: str
    before: str
    after: str
    seats: Mapping[str, Seat]
    ports: Mapping[str, str]
    devices: tuple[str, ...]
    hardware: int
    differs: tuple[str, ...]


def topology(plan: Plan, stations: Sequence[Station], world: World) -> Topology:
    """Raises ValueError for a station behind no entrance of the plan, or two of one name."""
    if len({station.name for station in stations}) < len(stations):
        raise ValueError("two stations have the same name")
    hardware = _free_hardware(plan, stations)
    seats = dict(_seats(plan, stations, world, hardware))
    switches, tables = _switches(plan, stations, seats, hardware)
    return Topology(
        switches=_text(switches),
        tables=_text(tables),
        before=_text(_before(plan)),
        after=_text(_after(plan, stations)),
        seats=seats,
        ports={line.name: f"g{n}" for n, line in enumerate(plan.lines)},
        devices=_devices(plan),
        hardware=hardware,
        differs=tuple(_differs(plan, world)),
    )


def _seats(
    plan: Plan, stations: Sequence[Station], world: World, hardware: int
) -> Iterator[tuple[str, Seat]]:
    lines = {line.name: line for line in plan.lines}
    areas = {area.name: area for area in plan.areas}
    for number, station in enumerate(stations):
        space, where = f"s{number}", station.entrance
        if where in lines:
            batch = _on_line(station, lines[where], world, hardware)
            yield station.name, Seat(space, batch, hardware)
        elif where in areas:
            batch = _in_area(station, areas[where], stations, hardware)
            yield station.name, Seat(space, batch, station.hardware)
        else:
            raise ValueError(f"{station.name} stands behind no entrance of the plan: {where}")


def _text(lines: Iterable[str]) -> str:
    return "".join(f"{line}\n" for line in lines)


def _parts(plan: Plan) -> tuple[LinePlan | AreaPlan, ...]:
    return (*plan.lines, *plan.areas)


def _devices(plan: Plan) -> tuple[str, ...]:
    """The gateway's devices: those of lines and areas in their order, then mere carriers of tags."""
    parts = _parts(plan)
    names = [*(part.device for part in parts), *(part.parent for part in parts)]
    names += [line.ethernet for line in plan.lines]
    return tuple(bare_device(name) for name in dict.fromkeys(names))


def _free_hardware(plan: Plan, stations: Iterable[Station]) -> int:
    taken = {number for device in plan.devices for number in device.hardware}
    taken |= {station.hardware for station in stations}
    return next(n for n in range(FIRST_HARDWARE, FIRST_HARDWARE + len(taken) + 1) if n not in taken)


def link_local(hardware: int) -> IPv6Address:
    """The link-local address a device gives itself (RFC 4291 appendix A, RFC 2464 section 4)."""
    high, low = hardware >> 24 ^ 0x020000, hardware & 0xFFFFFF
    return IPv6Address((0xFE80 << 112) | high << 40 | 0xFFFE << 24 | low)


# --- cables and switches -------------------------------------------------------------------------


def _switches(
    plan: Plan,
    stations: Sequence[Station],
    seats: Mapping[str, Seat],
    hardware: int,
) -> tuple[list[str], list[str]]:
    """Every cable, and on which port of an area's switch an address is. Nothing is learnt.

    The switch of a line knows no addresses, because both its ends have the same, and passes on
    everything.
    """
    own = hardware_text(hardware)
    numbers: dict[str, int] = {}
    out, tables = ["link set dev lo up"], []
    for number, device in enumerate(_devices(plan)):
        port, switch = f"g{number}", f"b{number}"
        out.append(
            f"link add name {switch} type bridge stp_state 0 forward_delay 0 mcast_snooping 0"
        )
        out.append(f"link set dev {switch} up")
        out.append(
            f"link add name {port} type veth peer name {device} address {own} netns {GATEWAY_SPACE}"
        )
        out += _plugged(port, switch)
    for number, part in enumerate(_parts(plan)):
        numbers[part.name] = number
        if number >= len(plan.lines):
            tables.append(f"fdb replace {own} dev g{number} master static")
    for number, station in enumerate(stations):
        seat = seats[station.name]
        entrance = numbers[station.entrance]
        told = hardware_text(seat.hardware)
        out.append(
            f"link add name s{number} type veth peer name {DEVICE} address {told} netns {seat.space}"
        )
        out += _plugged(f"s{number}", f"b{entrance}")
        if entrance >= len(plan.lines):
            tables.append(f"fdb replace {told} dev s{number} master static")
    return out, tables


def _plugged(port: str, switch: str) -> Iterator[str]:
    yield f"link set dev {port} master {switch}"
    yield f"link set dev {port} type bridge_slave learning off"
    yield f"link set dev {port} up"


# --- the gateway ---------------------------------------------------------------------------------


def _before(plan: Plan) -> Iterator[str]:
    """The kit itself switches the devices on."""
    yield "link set dev lo up"
    for device in _devices(plan):
        yield f"link set dev {device} arp off multicast off"
    for line in plan.lines:
        if line.pppoe is not None:  # nobody dials in the lab
            yield f"link set dev {bare_device(line.device)} mtu {line.mtu} up"


def _after(plan: Plan, stations: Sequence[Station]) -> Iterator[str]:
    """Who is where in the areas."""
    areas = {area.name: area for area in plan.areas}
    for station in stations:
        if station.entrance in areas:
            yield from _met(station, areas[station.entrance].device)


def _met(station: Station, device: str) -> Iterator[str]:
    """A station as its neighbours know it."""
    told = hardware_text(station.hardware)
    for address in (*station.addresses, link_local(station.hardware)):
        yield f"neigh replace {address} lladdr {told} dev {device} nud permanent"


def automatic(plan: Plan, line: LinePlan, world: World) -> str:
    """For `ip -batch` at the gateway: what is done once an automatic line has its addresses.

    The default route goes where the kit looks for it (`render/routes.py`).
    """
    device = bare_device(line.device)
    out = []
    if line.name in world.lines4:
        table = default_table(plan, line, 4)
        own4, hop4 = world.lines4[line.name]
        out.append(f"address replace {own4} dev {device}")
        out.append(f"route replace 0.0.0.0/0 via {hop4} dev {device} table {table}")
    if line.name in world.lines6:
        table = default_table(plan, line, 6)
        own6, hop6 = world.lines6[line.name]
        out.append(f"address replace {own6} dev {device}")
        out.append(f"route replace ::/0 via {hop6} dev {device} table {table}")
    return _text(out)


# --- stations ------------------------------------------------------------------------------------


def _in_area(station: Station, area: AreaPlan, stations: Sequence[Station], hardware: int) -> Batch:
    """A host: its addresses, its neighbours, and the gateway as the way to everything else."""
    own = hardware_text(hardware)
    gateways = area.gateways
    out = [*_begun(), f"link set dev {DEVICE} up"]
    for address in station.addresses:
        width = area.v4.prefixlen if address in area.v4 else 32
        width = 64 if address.version == 6 else width
        out.append(f"address add {address}/{width} dev {DEVICE}")
    for gateway in (*gateways, link_local(hardware)):
        out.append(f"neigh replace {gateway} lladdr {own} dev {DEVICE} nud permanent")
    for other in stations:
        if other.entrance == station.entrance and other is not station:
            out += _met(other, DEVICE)
    out.append(f"route add 0.0.0.0/0 via {area.gateway4} dev {DEVICE} onlink")
    out.append(f"route add ::/0 via {link_local(hardware)} dev {DEVICE}")
    return Batch(_text(out))


def _on_line(station: Station, line: LinePlan, world: World, hardware: int) -> Batch:
    """A line's next hop, which is also everybody beyond it and beside it on the line.

    Every address that is neither the gateway's nor of a prefix delegated to it is the station's
    own. For IPv4 such addresses must be in the table `local` (the kernel looks nowhere else for
    the source of an answer), so the gateway's stand in one that is asked before.
    What is sent with the mark `BY_THE_GATEWAY` goes to the gateway, whatever it is for.
    """
    own, hops = _addresses(line, world)
    link = link_local(hardware)
    out = [*_begun(), f"link set dev {DEVICE} addrgenmode none", f"link set dev {DEVICE} up"]
    if line.mtu is not None:
        out.append(f"link set dev {DEVICE} mtu {line.mtu}")
    for held in dict.fromkeys((*station.addresses, *hops)):
        out.append(f"address add {held}/{held.max_prefixlen} dev {DEVICE}")
    for address in (*own, link):
        out.append(f"route add {address}/{address.max_prefixlen} dev {DEVICE} table {_OWN}")
    if line.prefix is not None:
        out.append(f"route add {line.prefix} via {link} dev {DEVICE} table {_OWN} onlink")
    forced: list[Address] = [link, *[address for address in own if address.version == 4][:1]]
    for hop in forced:
        whole = "0.0.0.0/0" if hop.version == 4 else "::/0"
        out.append(f"route add {whole} via {hop} dev {DEVICE} table {_FORCED} onlink")
    out += [f"route add local {whole} dev lo table local" for whole in ("0.0.0.0/0", "::/0")]
    rules = [
        f"rule add pref 100 fwmark {BY_THE_GATEWAY} lookup {_FORCED}",
        f"rule add pref 200 lookup {_OWN}",
        "rule add pref 300 lookup local",
        "rule del pref 0",
    ]
    return Batch(_text([*out, *rules]), _text(rules))


def _addresses(line: LinePlan, world: World) -> tuple[list[Address], list[Address]]:
    """The gateway's addresses on a line, and its next hops."""
    own: list[Address] = [interface.ip for interface in line.held]
    hops: list[Address] = [hop for hop in (line.next_hop4, line.next_hop6) if hop]
    for chosen in (world.lines4.get(line.name), world.lines6.get(line.name)):
        if chosen is not None:
            own.append(chosen[0].ip)
            hops.append(chosen[1])
    return own, hops


def _begun() -> tuple[str, str]:
    return "link set dev lo up", f"link set dev {DEVICE} arp off multicast off"


# --- what is not like the site -------------------------------------------------------------------


def _differs(plan: Plan, world: World) -> Iterator[str]:
    dialled = {line.device for line in plan.lines if line.pppoe is not None}
    tagged = dict.fromkeys(
        part.device for part in _parts(plan) if part.vlan is not None and part.device not in dialled
    )
    if tagged:
        yield f"frames carry no VLAN tags: {', '.join(tagged)} each have a cable of their own"
    for line in plan.lines:
        if line.pppoe is not None:
            yield (
                f"nobody dials: in place of the PPPoE session of the line {line.name} there is a "
                f"cable called {line.device}, which takes {line.mtu} bytes at a time"
            )
        chosen = [found[line.name] for found in (world.lines4, world.lines6) if line.name in found]
        if chosen:
            told = " and ".join(f"{own} (next hop {hop})" for own, hop in chosen)
            yield f"the line {line.name} has got the address {told} from the lab"
    yield (
        "neighbours are known beforehand: nobody asks by ARP or neighbour discovery, and what is "
        "sent to an address in an area where no station stands is lost without an answer"
    )
    yield "the gateway has joined no multicast groups but those of all hosts (224.0.0.1, ff02::1)"
    yield "the kernel's own limits on ICMP errors are lifted; the kit's limit on refusals stays"
    yield "a line that is down is a cable without carrier"
