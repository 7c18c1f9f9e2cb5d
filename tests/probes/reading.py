"""A probe read back as an attempt of the naive interpreter, from what is really sent.

Nothing of the room `probes` is used but the values it hands out: the packet, the setting by the
names of its sets, the stations.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property

from netcharter.plan import labels
from netcharter.plan.hours import time_classes
from netcharter.plan.shapes import LinePlan, Plan
from netcharter.probes.shapes import GATEWAY, Probe, Programme, Setting, World
from tests.oracle import naive
from tests.oracle.naive import GUEST, NOBODY, Attempt, Environment
from tests.oracle.site import Address, Network, Sentence, Site


@dataclass(frozen=True)
class Reader:
    """One programme with the plan and the charter that it is about."""

    plan: Plan
    site: Site
    world: World
    programme: Programme
    now: datetime

    @cached_property
    def entrances(self) -> Mapping[str, str]:
        """By station."""
        return {GATEWAY: GATEWAY} | {s.name: s.entrance for s in self.programme.stations}

    @cached_property
    def _symbols(self) -> dict[object, Address]:
        chosen = ((4, self.world.lines4), (6, self.world.lines6))
        return {
            own.ip: ("unknown", name, family)
            for family, lines in chosen
            for name, (own, _) in lines.items()
        }

    def address(self, real: object) -> Address:
        """An address as the model names it."""
        return self._symbols.get(real, real)  # type: ignore[arg-type]

    def attempt(self, probe: Probe) -> Attempt:
        entrance, packet = self.entrances[probe.station], probe.packet
        return Attempt(
            entrance,
            self.address(packet.source),
            packet.hardware if entrance in self.site.areas else None,
            self.address(packet.destination),
            packet.protocol,
            packet.number,
        )

    def environment(self, probe: Probe) -> Environment:
        """The environment that a setting stands for: any instant at which just its hours are open,
        and the person whose sets it fills.
        """
        setting, led = probe.setting, self.led(probe.packet.destination)
        return Environment(setting.up, self.person(setting), self._instants[setting.open], led)

    def led(self, destination: object) -> frozenset[str]:
        """The places of whose names one leads there, in the world of these probes."""
        return frozenset(name for name, found in self.world.led.items() if destination in found)

    def person(self, setting: Setting) -> str:
        if setting.identity is None:
            assert not setting.joins
            return NOBODY
        people = [person.name for person in self.plan.people]
        return next(
            who
            for who in (GUEST, *people)
            if labels.identity_class(who, people) == setting.identity
        )

    @cached_property
    def _instants(self) -> dict[frozenset[str], datetime]:
        """By the sets that are open: an instant, from the naive reading of every hour."""
        found: dict[frozenset[str], datetime] = {}
        for instant in self._moments():
            opened = (
                labels.when_set(when, let)
                for when, let in labels.times_asked_for(self.plan.rows)
                if self._true(when.during, when.until, instant) is let
            )
            found.setdefault(frozenset(opened), instant)
        return found

    def _moments(self) -> Iterator[datetime]:
        hours = {name: (each, self.site.zone) for name, each in self.plan.hours.items()}
        rows = labels.times_asked_for(self.plan.rows)
        untils = {(when.until, self.site.zone) for when, _ in rows if when.until is not None}
        for found in time_classes(hours, sorted(untils, key=str), self.now):
            yield found.earliest

    def _true(self, during: str | None, until: object, instant: datetime) -> bool:
        if during is not None and not naive.is_open(self.site, during, instant):
            return False
        local = instant.astimezone(self.site.zone).date()
        return until is None or local <= until  # type: ignore[operator]


def line_of(plan: Plan, name: str) -> LinePlan:
    """A line by its name."""
    return next(line for line in plan.lines if line.name == name)


def exit_of(reader: Reader, attempt: Attempt, up: frozenset[str]) -> str:
    """Where an attempt goes, read from `docs/explanation/kit.md` alone: an area, the gateway, many,
    a line, no way out, or nowhere. Balanced lines are not told apart.
    """
    site, end = reader.site, attempt.destination
    if naive.is_gateway(site, end):
        return GATEWAY
    if naive.is_multicast(end) or any(naive.is_edge(a, end) for a in site.areas.values()):
        edges = [a for a in site.areas.values() if naive.in_area(a, end)]
        low = edges and end == edges[0].v4.network_address
        return edges[0].name if low else "many"
    if any(end == i.network.broadcast_address and i.network.prefixlen < 31
           for line in site.lines.values() for i in line.interfaces if i.version == 4):  # fmt: skip
        return "many"
    for area in site.areas.values():
        if naive.in_area(area, end):
            return area.name
    if not naive.is_internet(site, end):
        return "nowhere"
    return _line_to(reader, attempt, up)


def _line_to(reader: Reader, attempt: Attempt, up: frozenset[str]) -> str:
    end, family = attempt.destination, naive.family(attempt.source)
    mine = [name for name in reader.site.lines if _pins(reader, name, attempt.source)]
    names = mine or sorted(reader.site.lines, key=lambda name: _rank(reader, name))
    around = Environment(up, naive.NOBODY, datetime(2026, 11, 2, 9, tzinfo=UTC))
    chosen = naive.exit_for(reader.site, attempt, around)
    if family == 6 and not mine:
        chosen = None
    if chosen is not None and not mine:
        names = [*chosen.on, *(name for name in names if name not in chosen.on)]
    if chosen is not None and chosen.or_else == "refused":
        names = [name for name in names if name in chosen.on]
    near = next((name for name in up if _beside(reader, name, end)), None)
    if near is not None:
        allowed = _allowed(reader, attempt, chosen)
        learning = {name for name in allowed if _learns(reader, name)}
        said = _written(reader, near, end)
        if near in allowed or (learning and not said):
            return near
        names = [name for name in names if name in allowed - learning]
    else:  # of a line that is down
        others = set(reader.site.lines) - _allowed(reader, attempt, chosen)
        if any(_written(reader, name, end) for name in others):
            names = [name for name in names if not _learns(reader, name)]
    hops = {4: reader.world.lines4, 6: reader.world.lines6}[family]
    for name in names:
        line = line_of(reader.plan, name)
        hop = line.next_hop4 if family == 4 else line.next_hop6
        if name in up and (hop is not None or name in hops):
            return name
    return "no way out"


def _allowed(reader: Reader, attempt: Attempt, chosen: Sentence | None) -> set[str]:
    """The lines that may carry it: of IPv6 sources that have a line that one alone, by an exit that
    refuses others its own."""
    lines = reader.site.lines
    found = set(lines)
    if naive.family(attempt.source) == 6:
        owners = {name for name, line in lines.items() if naive.inside(attempt.source, line.prefix)}
        if not owners:
            return found
        found = owners
    refuses = chosen is not None and chosen.or_else == "refused"
    return found & set(chosen.on) if refuses and chosen is not None else found


def _beside(reader: Reader, name: str, end: Address) -> bool:
    return any(naive.inside(end, network) for network in _networks(reader, name))


def _written(reader: Reader, name: str, end: Address) -> bool:
    """Is it in a network that the charter says a line is in?"""
    return any(naive.inside(end, i.network) for i in reader.site.lines[name].interfaces)


def _learns(reader: Reader, name: str) -> bool:
    return reader.site.lines[name].automatic and not reader.site.lines[name].dialled


def _networks(reader: Reader, name: str) -> list[Network]:
    worlds = (reader.world.lines4, reader.world.lines6)
    chosen = [found[name] for found in worlds if name in found]
    return [i.network for i in reader.site.lines[name].interfaces] + [i.network for i, _ in chosen]


def _pins(reader: Reader, name: str, source: Address) -> bool:
    line = reader.site.lines[name]
    own = any(source == interface.ip for interface in line.interfaces)
    return own or naive.inside(source, line.prefix)


def _rank(reader: Reader, name: str) -> tuple[int, int]:
    line = line_of(reader.plan, name)
    return {"main": 0, "balanced": 1}.get(line.role, 2), line.number
