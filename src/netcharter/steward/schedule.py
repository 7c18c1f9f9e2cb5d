"""What of a plan the steward works by."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from netcharter.plan import labels
from netcharter.plan.shapes import LinePlan, Plan
from netcharter.render.escape import bare_device
from netcharter.render.routes import default_table
from netcharter.steward.shapes import Schedule, Timed, Way

LOOPBACK = "lo"


def schedule(plan: Plan, version: int = 0) -> Schedule:
    """The timed sets of a plan's kit with their conditions, and its lines.

    Raises ValueError for a device name that no kit can carry.
    """
    timed = tuple(
        Timed(labels.when_set(when, let), let, when.during, when.until)
        for when, let in labels.times_asked_for(plan.rows)
    )
    asked = {one.during for one in timed}
    return Schedule(
        site=plan.site,
        zone=ZoneInfo(plan.timezone),
        hours={name: hours for name, hours in plan.hours.items() if name in asked},
        timed=timed,
        devices=_devices(plan),
        lines=tuple(_way(plan, line) for line in plan.lines),
        version=version,
    )


def _devices(plan: Plan) -> tuple[str, ...]:
    """Every device of the site and the loopback (docs/explanation/kit.md, people and hours)."""
    found = [*(area.device for area in plan.areas), *(line.device for line in plan.lines)]
    return tuple(dict.fromkeys([*map(bare_device, found), LOOPBACK]))


def _way(plan: Plan, line: LinePlan) -> Way:
    hops = {4: line.next_hop4, 6: line.next_hop6}
    carried = [v for v in (4, 6) if line.automatic or hops[v] is not None]
    return Way(
        line.name,
        bare_device(line.device),
        tuple(str(hop) for hop in hops.values() if hop is not None),
        tuple(str(one) for one in (line.v4, line.v6) if one is not None),
        tuple((v, default_table(plan, line, v)) for v in carried),
        line.automatic,
    )
