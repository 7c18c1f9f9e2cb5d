"""`show`: the plan, that is all that follows from a charter; and three views of its decisions.

Every view is an exact projection of the same decisions: by who starts, by what is reached, by
service. A decision stands in each section it speaks about, restricted to that section.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from fractions import Fraction
from itertools import groupby
from typing import Any, Literal

from netcharter.charter.hours import spelt
from netcharter.charter.model import Hours, Term, Window
from netcharter.charter.services import builtin
from netcharter.charter.values import DAYS
from netcharter.diagnostics import Span
from netcharter.diagnostics.jsonshape import span_as_json
from netcharter.plan import coding
from netcharter.plan.coding import ANY4, hardware_text
from netcharter.plan.leading import leads
from netcharter.plan.leases import REBINDING, RENEWAL, Lending, lending
from netcharter.plan.shapes import (
    AreaPlan,
    DevicePlan,
    DiscoveryPlan,
    ExitPlan,
    LinePlan,
    Plan,
    Region,
    Row,
)
from netcharter.plan.terms import Goal
from netcharter.space.ranges import Ranges, intersect, ranges, size, subtract, union
from netcharter.tasks.show_names import lists_shown, names_shown
from netcharter.tasks.show_words import EVERYTHING, Clause, Words
from netcharter.tasks.sources import Source, usable_plan

By = Literal["who", "to", "service"]
VIEWS: tuple[By, ...] = ("who", "to", "service")
COMMON = ("ssh", "dns", "ping")  # of housekeeping; they have sections of their own in every view
Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Decision:
    """One decision in words. `number` counts from 1 in the order in which they are asked."""

    number: int
    label: str
    kind: str
    let: bool
    quiet: bool
    clauses: tuple[Clause, ...]
    delivered: str | None  # where a translated attempt really goes
    because: str
    basis: str | None
    span: Span | None
    limit: str | None  # what one source beyond a line may do of it at most
    let_finish: bool  # what is open when its time is over goes on

    def as_json(self) -> Json:
        """As the page on JSON says under `show`."""
        return {
            "number": self.number,
            "label": self.label,
            "kind": self.kind,
            "outcome": "let" if self.let else "refused",
            "quiet": self.quiet,
            "clauses": [clause.as_json() for clause in self.clauses],
            "delivered": self.delivered,
            "limit": self.limit,
            "let_finish": self.let_finish,
            "because": self.because,
            "basis": self.basis,
            "span": _span(self.span),
        }


@dataclass(frozen=True, slots=True)
class Section:
    """What one view says about one thing: the decisions about it, in their order."""

    name: str
    decisions: tuple[Decision, ...]
    delivered: tuple[Decision, ...] = ()  # offers that are delivered there, sent to the gateway

    def as_json(self) -> Json:
        """`name`, `decisions`, `delivered`."""
        return {
            "name": self.name,
            "decisions": [decision.as_json() for decision in self.decisions],
            "delivered": [decision.as_json() for decision in self.delivered],
        }


@dataclass(frozen=True, slots=True)
class View:
    by: By
    sections: tuple[Section, ...]


@dataclass(frozen=True, slots=True)
class ShowResult:
    """The plan in plain values, as the JSON has it, and its decisions in words."""

    site: str
    timezone: str
    local_prefix: str
    lines: tuple[Json, ...]
    areas: tuple[Json, ...]
    devices: tuple[Json, ...]
    hours: tuple[Json, ...]
    decisions: tuple[Decision, ...]
    view: View | None = None
    exits: tuple[Json, ...] = ()
    discovery: tuple[Json, ...] = ()
    names: Json = field(default_factory=dict)
    lists: tuple[Json, ...] = ()

    def as_json(self) -> Json:
        """As the page on JSON says under `show`."""
        found: Json = {
            "ok": True,
            "site": self.site,
            "timezone": self.timezone,
            "local_prefix": self.local_prefix,
            "lines": list(self.lines),
            "areas": list(self.areas),
            "devices": list(self.devices),
            "hours": list(self.hours),
            "exits": list(self.exits),
            "discovery": list(self.discovery),
            "decisions": [decision.as_json() for decision in self.decisions],
            "names": self.names,
            "lists": list(self.lists),
        }
        if self.view is not None:
            sections = [section.as_json() for section in self.view.sections]
            found["view"] = {"by": self.view.by, "sections": sections}
        return found


def show_charter(source: Source, by: By | None = None) -> ShowResult:
    """Read, plan and show. Raises Unusable where the text is no charter."""
    return show(usable_plan(source).plan, by)


def show(plan: Plan, by: By | None = None) -> ShowResult:
    """The plan; `by`: also its decisions seen by who starts, by what is reached, or by service."""
    words = Words(plan)
    return ShowResult(
        site=plan.site,
        timezone=plan.timezone,
        local_prefix=str(plan.local_prefix),
        lines=tuple(map(_line, plan.lines)),
        areas=tuple(
            _area(plan, area, one)
            for area, one in zip(
                plan.areas, lending(plan.charter, plan.areas, plan.devices), strict=True
            )
        ),
        devices=tuple(map(_device, plan.devices)),
        hours=tuple(_hours(plan, hours) for hours in plan.hours.values()),
        decisions=tuple(_decision(words, row, row.regions) for row in plan.rows),
        view=None if by is None else View(by, tuple(_sections(plan, words, by))),
        exits=tuple(_exit(words, one) for one in plan.exits),
        discovery=tuple(map(_discovery, plan.discovery)),
        names=names_shown(plan),
        lists=lists_shown(plan),
    )


def _span(span: Span | None) -> Json | None:
    return None if span is None else span_as_json(span)


# What there is


def _line(line: LinePlan) -> Json:
    return {
        "name": line.name,
        "number": line.number,
        "device": line.device,
        "role": line.role,
        "weight": line.weight,
        "automatic": line.automatic,
        "mtu": line.mtu,
        "pppoe": None if line.pppoe is None else {"as": line.pppoe, "over": line.ethernet},
        "addresses": [str(one) for one in line.held],
        "next_hops": [str(one) for one in (line.next_hop4, line.next_hop6) if one is not None],
        "prefix": None if line.prefix is None else str(line.prefix),
        "delegated": line.delegated,
        "stands_in": line.stands_in,
        "translator": None if line.translator is None else str(line.translator),
        "rate": None if line.rate is None else {"down": line.rate.down, "up": line.rate.up},
        "span": _span(line.span),
    }


def _area(plan: Plan, area: AreaPlan, lent: Lending) -> Json:
    said = plan.charter.areas[area.name]
    growth = Fraction(str(said.growth))
    marks = {
        "sign-in required": area.sign_in,
        "strangers refused": area.strangers_refused,
        "apart": area.apart,
        "refused quietly": area.quiet,
    }
    return {
        "name": area.name,
        "number": area.number,
        "device": area.device,
        "ipv4": {"prefix": str(area.v4), "gateway": str(area.gateway4)},
        "ipv6": [
            {"prefix": str(s.network), "gateway": str(s.gateway), "line": s.line}
            for s in area.subnets6
        ],
        "room": {
            "hosts": said.hosts,
            "growth": said.growth,
            "wanted": None if said.hosts is None else math.ceil(said.hosts * (1 + growth)),
            "usable": size(intersect(area.hosts, ANY4)),
        },
        "lends": _lends(lent),
        "marks": [mark for mark, holds in marks.items() if holds],
        "span": _span(area.span),
    }


def _lends(one: Lending) -> Json | None:
    if one.lease is None:
        return None
    return {
        "lease": one.lease,
        "renewed_after": math.floor(one.lease * RENEWAL),
        "rebound_after": math.floor(one.lease * REBINDING),
        "pool": one.room,
        "lasting": one.lasting,
        "hosts": one.hosts,
        "left": one.left,
        "held": one.held,
        "full_after": one.full_after,
        "fitting_lease": None if one.fits else one.fitting_lease,
        "fitting_prefix": None if one.fits else one.fitting_prefix,
    }


def _device(device: DevicePlan) -> Json:
    marks = {
        "lasting": device.lasting,
        "barred": device.barred,
        "roams": device.roams,
        "exempt from sign-in": device.exempt,
    }
    return {
        "name": device.name,
        "area": device.area,
        "hardware": [hardware_text(number) for number in device.hardware],
        "addresses": [str(one) for one in (*device.addresses4, *device.addresses6)],
        "marks": [mark for mark, holds in marks.items() if holds],
        "span": _span(device.span),
    }


def _exit(words: Words, one: ExitPlan) -> Json:
    return {
        "name": one.name,
        "number": one.number,
        "clauses": [clause.as_json() for clause in words.clauses(one.regions)],
        "by": list(one.lines),
        "or_else": "refused" if one.refused else "others",
        "together": one.together,
        "because": one.because,
        "span": _span(one.span),
    }


def _discovery(one: DiscoveryPlan) -> Json:
    return {
        "name": one.name,
        "let": [area.name for area in one.who],
        "find": list(one.find),
        "types": [each.name for each in one.types],
        "in": [area.name for area in one.where],
        "because": one.because,
        "span": _span(one.span),
    }


# Hours


def _hours(plan: Plan, hours: Hours) -> Json:
    weekly = [
        {"days": [DAYS[day] for day in days], "windows": _windows(windows)}
        for days, windows in _runs(enumerate(hours.weekly))
    ]
    numbered = sorted((day.toordinal(), windows) for day, windows in hours.dates.items())
    dates = [
        {
            "from": date.fromordinal(days[0]).isoformat(),
            "to": date.fromordinal(days[-1]).isoformat(),
            "windows": _windows(windows),
        }
        for days, windows in _runs(numbered)
    ]
    return {
        "name": hours.name,
        "weekly": weekly,
        "terms": [term_shown(one) for one in hours.terms],
        "outside": [term_shown(one) for one in hours.outside],
        "dates": dates,
        "words": [*_weekly_words(hours), *term_words(hours), *_dated_words(hours)],
        "span": _span(plan.charter.where("hours", hours.name)),
    }


def term_shown(term: Term) -> Json:
    """A term with its stretches of dates."""
    stretches = [{"from": f"{first}", "to": f"{last}"} for first, last in term.stretches]
    return {"name": term.name, "stretches": stretches}


def _windows(windows: Sequence[Window]) -> list[Json]:
    """Windows in the order of the day; `next_day`: whether the end lies on the next one."""
    return [
        {
            "start": f"{window.start:%H:%M}",
            "end": spelt(window).partition("-")[2],
            "next_day": _next_day(window),
        }
        for window in windows
    ]


def _next_day(window: Window) -> bool:
    return window.end is not None and window.end <= window.start


def _runs(
    days: Iterable[tuple[int, tuple[Window, ...]]],
) -> Iterator[tuple[list[int], tuple[Window, ...]]]:
    """Days in a row that have the same windows."""
    numbered = enumerate(days)
    for (_, windows), run in groupby(numbered, key=lambda one: (one[1][0] - one[0], one[1][1])):
        yield [day for _, (day, _) in run], windows


def _window_words(windows: Sequence[Window]) -> str:
    told = (
        f"{window.start:%H:%M} to {spelt(window).partition('-')[2]}"
        + (" on the next day" if _next_day(window) else "")
        for window in windows
    )
    return ", ".join(told) or "closed"


def _weekly_words(hours: Hours) -> Iterator[str]:
    for days, windows in _runs(enumerate(hours.weekly)):
        if len(days) == 7:
            yield f"every day {_window_words(windows)}"
        else:
            last = f" to {DAYS[days[-1]]}" if len(days) > 1 else ""
            yield f"{DAYS[days[0]]}{last} {_window_words(windows)}"


def term_words(hours: Hours) -> Iterator[str]:
    """When the week's windows begin, if not always: a line for each term."""
    for said, terms in (("that in", hours.terms), ("not in", hours.outside)):
        for term in terms:
            stretches = (
                f"{first:%d %B %Y} to {last:%d %B %Y}" if first != last else f"{first:%d %B %Y}"
                for first, last in term.stretches
            )
            yield f"{said} {term.name}: {', '.join(stretches)}"


def _dated_words(hours: Hours) -> Iterator[str]:
    numbered = sorted((day.toordinal(), windows) for day, windows in hours.dates.items())
    for days, windows in _runs(numbered):
        first, last = date.fromordinal(days[0]), date.fromordinal(days[-1])
        until = f" to {last:%d %B %Y}" if last - first >= timedelta(days=1) else ""
        yield f"{first:%d %B %Y}{until}: {_window_words(windows)}"


# Decisions and their views


def _decision(words: Words, row: Row, regions: Iterable[Region]) -> Decision:
    delivery = row.delivery
    port = "" if delivery is None or delivery.port is None else f" port {delivery.port}"
    return Decision(
        number=row.index + 1,
        label=row.label,
        kind=row.kind,
        let=row.let,
        quiet=row.quiet,
        clauses=words.clauses(regions),
        delivered=None if delivery is None else f"{delivery.device} ({delivery.address}){port}",
        because=row.because,
        basis=row.basis,
        span=row.span,
        limit=None if row.limit is None else str(row.limit),
        let_finish=row.finishing is not None,
    )


def _sections(plan: Plan, words: Words, by: By) -> Iterator[Section]:
    """The sections of a view; together they hold all that the decisions speak of."""
    for title, part in _parts(plan, by):
        cut = ((row, [r for one in row.regions if (r := _cut(one, by, part))]) for row in plan.rows)
        about = tuple(_decision(words, row, regions) for row, regions in cut if regions)
        yield Section(title, about, tuple(_delivered(plan, words, title)) if by == "to" else ())


def _parts(plan: Plan, by: By) -> Iterator[tuple[str, str | Ranges | Goal]]:
    """What a view is divided into: titles, each with an entrance, or a set of one field."""
    if by == "who":
        yield from ((area.name, area.name) for area in plan.areas)
        yield from ((line.name, line.name) for line in plan.lines)
        yield "the gateway itself", "gateway"
        return
    named = list(_destinations(plan) if by == "to" else _services(plan))
    yield from named
    if by == "to":
        places = [place.name for place in plan.by_names]
        yield from ((name, Goal(plan.internet, leads(places, [name]))) for name in places)
    whole = EVERYTHING if by == "to" else coding.REAL_SERVICES
    rest = subtract(whole, union(*(found for _, found in named)))
    yield ("elsewhere" if by == "to" else "any other service"), rest


def _destinations(plan: Plan) -> Iterator[tuple[str, Ranges]]:
    yield from ((area.name, area.hosts) for area in plan.areas)
    yield "the gateway", plan.gateway
    yield from plan.places.items()
    rest = subtract(plan.internet, union(*plan.places.values()))
    yield ("internet, places apart" if plan.places else "internet"), rest


def _services(plan: Plan) -> Iterator[tuple[str, Ranges]]:
    """The services that the charter speaks of, its own first, then the common ones."""
    known = {name: service.parts for name, service in plan.charter.services.items()}
    known |= {name: builtin()[name] for name in COMMON if name not in known}
    for name, parts in known.items():
        yield name, ranges(*(coding.service(*part) for part in parts))


def _cut(region: Region, by: By, part: str | Ranges | Goal) -> Region | None:
    """The region as far as it is about one part of a view; None if it is not."""
    if isinstance(part, Goal):
        led = part.led is None or region.led is None or part.led & region.led
        return _cut(region, by, part.where) if led else None
    if isinstance(part, str):
        return replace(region, entrances=frozenset({part})) if part in region.entrances else None
    if by == "to":
        found = intersect(region.destination, part)
        return replace(region, destination=found) if found else None
    found = intersect(region.service, part)
    return replace(region, service=found) if found else None


def _delivered(plan: Plan, words: Words, title: str) -> Iterator[Decision]:
    """The offers whose connections end in an area, though they are sent to the gateway."""
    home = {device.name: device.area for device in plan.devices}
    for row in plan.rows:
        if row.delivery is not None and home[row.delivery.device] == title:
            yield _decision(words, row, row.regions)
