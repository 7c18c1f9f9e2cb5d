"""What of a plan the steward works by."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from netcharter.plan import labels
from netcharter.plan.coding import hardware_text
from netcharter.plan.names.times import times
from netcharter.plan.shapes import Address, AreaPlan, LinePlan, Plan
from netcharter.render.escape import bare_device
from netcharter.render.exits import staying
from netcharter.render.routes import default_table, leading, own_route, together
from netcharter.steward.segments import Segment
from netcharter.steward.shapes import Led, LineDue, Schedule, Timed
from netcharter.steward.ways import Leg, Limits, Place, Ways

LOOPBACK = "lo"


def schedule(plan: Plan, version: int = 0) -> Schedule:
    """The timed sets of a plan's kit with their conditions, and its lines.

    Raises ValueError for a device name that no kit can carry.
    """
    timed = tuple(
        Timed(labels.when_set(when, let), let, when.during, when.until)
        for when, let in labels.times_asked_for(plan.rows)
    )
    names = tuple(Timed(one.key, True, one.during, one.until) for one in times(plan.names.rows))
    asked = {one.during for one in (*timed, *names)}
    return Schedule(
        site=plan.site,
        zone=ZoneInfo(plan.timezone),
        hours={name: hours for name, hours in plan.hours.items() if name in asked},
        timed=timed,
        devices=_devices(plan),
        lines=tuple(_due(plan, line) for line in plan.lines),
        version=version,
        ways=ways(plan),
        segments=tuple(_segment(plan, area) for area in plan.areas),
        led=tuple(
            Led(one.name, labels.led_set(one.name, family), labels.asked_set(one.name, family))
            for one in plan.by_names
            for family in (4, 6)
        ),
        names=names,
    )


def _segment(plan: Plan, area: AreaPlan) -> Segment:
    """Where a device's hardware is not known, whoever holds its address may."""
    held: dict[str, frozenset[str]] = {}
    for device in plan.devices:
        if device.area == area.name and device.hardware:
            mine = frozenset(map(hardware_text, device.hardware))
            held |= {str(address): mine for address in device.addresses4}
    lends = plan.charter.areas[area.name].lease is not None
    return Segment(area.name, bare_device(area.device), str(area.gateway4), lends, held)


def ways(plan: Plan) -> Ways:
    """The ways out, with what is to be told the kernel of each."""
    legs = (
        _leg(plan, line, family)
        for line in plan.lines
        for family in (4, 6)
        if line.automatic or _hop(line, family) is not None
    )
    stays = {name: labels.stay_set(name) for name in staying(plan)}
    return Ways(
        tuple(legs),
        {family: together(plan, family) for family in (4, 6)},
        labels.TOGETHER if stays else 0,
        stays,
        {line.name: _within(plan, line) for line in plan.lines if line.prefix is not None},
        {
            family: labels.gone_set(family)
            for family in (4, 6)
            if len(plan.lines) > 1 and plan.areas
        },
        tuple((one.name, frozenset(one.lines)) for one in plan.exits if one.refused),
    )


def _within(plan: Plan, line: LinePlan) -> tuple[Place, ...]:
    """The gateway's own addresses within a line's prefix."""
    return tuple(
        (bare_device(area.device), f"{subnet.gateway}/{subnet.network.prefixlen}")
        for area in plan.areas
        for subnet in area.subnets6
        if subnet.line == line.name
    )


def _leg(plan: Plan, line: LinePlan, family: int) -> Leg:
    own, hop = line.v4 if family == 4 else line.v6, _hop(line, family)
    named = tuple(str(one) for one in line.watch.targets if one.version == family)
    # The plan lets the gateway ask nobody on the link alone (model, `gateway-own`).
    near = () if hop is None or hop.is_link_local else (str(hop),)
    return Leg(
        line.name,
        family,
        line.number,
        bare_device(line.device),
        default_table(plan, line, family),
        own="" if own is None else str(own.ip),
        network=str(line.prefix) if family == 6 and line.prefix is not None else "",
        targets=named or near,
        named=bool(named),
        limits=Limits(line.watch.every, line.watch.loss, line.watch.delay),
        choices=leading(plan, line, family),
        route=own_route(line, family),
    )


def _hop(line: LinePlan, family: int) -> Address | None:
    return line.next_hop4 if family == 4 else line.next_hop6


def _devices(plan: Plan) -> tuple[str, ...]:
    """Every device of the site and the loopback (docs/explanation/kit.md, people and hours)."""
    found = [*(area.device for area in plan.areas), *(line.device for line in plan.lines)]
    return tuple(dict.fromkeys([*map(bare_device, found), LOOPBACK]))


def _due(plan: Plan, line: LinePlan) -> LineDue:
    hops = {4: line.next_hop4, 6: line.next_hop6}
    carried = [v for v in (4, 6) if line.automatic or hops[v] is not None]
    return LineDue(
        line.name,
        bare_device(line.device),
        tuple(str(hop) for hop in hops.values() if hop is not None),
        tuple(str(one) for one in line.held),
        tuple((v, default_table(plan, line, v)) for v in carried),
        line.automatic,
    )
