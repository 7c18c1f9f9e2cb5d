"""Small charters put together from sections, with the stretch that is to be underlined marked.

A mark `⟦…⟧` in a charter says where a finding should point; `marked` takes it out and tells the
place. All names are invented, all public addresses are documentation addresses (RFC 5737, 3849).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache

from netcharter.charter.read import read
from netcharter.diagnostics import Diagnostic, Span
from netcharter.plan import make_plan
from netcharter.plan.coding import HARDWARE_NONE
from netcharter.plan.fate import Attempt, Environment
from netcharter.plan.shapes import Plan
from netcharter.proofs import Proof, prove
from netcharter.proofs.story import hardware_value
from netcharter.proofs.universe import Universe, service_code
from netcharter.space.model import Point

NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)  # a Monday
NAME = "hut.yaml"
OPEN, CLOSE = "⟦", "⟧"

BASE = {
    "site": "{name: Hut, timezone: Europe/London, managed-from: [desk, spare]}",
    "lines": """
  dsl: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
""",
    "areas": """
  home: {device: eth1, hosts: 12}
  yard: {device: eth2, hosts: 12}
  club: {device: eth3, hosts: 12, sign-in: required}
""",
    "devices": """
  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}
  spare: {area: home, hardware: 02:00:00:aa:00:02, address: lasting}
  shop: {area: yard, hardware: 02:00:00:aa:00:03, address: lasting}
""",
    "people": """
  rowan: {groups: wardens}
""",
    "groups": "[wardens]",
    "places": """
  bank: {prefixes: [198.51.100.64/28]}
""",
    "lists": "",
    "resolvers": "",
    "names": "",
    "terms": "",
    "hours": """
  day: {weekly: {daily: "08:00-16:00"}}
""",
    "rules": """
  - {let: [home, yard], reach: internet, with: [http, https], because: daily work}
  - {let: wardens, reach: bank, with: https, during: day, because: the float}
""",
    "offers": "",
    "promises": "",
    "exits": "",
    "discovery": "",
}


def charter(**sections: str) -> str:
    """A charter in which the given sections stand in the place of the usual ones."""
    said = {**BASE, **{name.replace("_", "-"): text for name, text in sections.items()}}
    assert said.keys() == BASE.keys(), "an unknown section"
    parts = [f"{name}: {text.strip(' ')}\n" for name, text in said.items() if text.strip()]
    return "charter: 1\n" + "".join(part.replace("\n\n", "\n") for part in parts)


def marked(text: str) -> tuple[str, Span | None]:
    """A charter without its mark, and the span that was marked."""
    if OPEN not in text:
        return text, None
    before, rest = text.split(OPEN)
    inside, after = rest.split(CLOSE)
    line, column = _place(before)
    end_line, end_column = _place(before + inside)
    return before + inside + after, Span(NAME, line, column, end_line, end_column)


def _place(before: str) -> tuple[int, int]:
    return before.count("\n") + 1, len(before) - before.rfind("\n")


@cache
def planned(text: str) -> Plan:
    """The plan of a charter that has no error."""
    reading = read(text, NAME)
    assert reading.charter is not None, [(d.span.line, d.message) for d in reading.diagnostics]
    return make_plan(reading.charter)


@cache
def judged(text: str, now: datetime = NOW) -> Proof:
    """The proof of a charter."""
    return prove(planned(text), now)


def found(proof: Proof, ident: str) -> list[Diagnostic]:
    """The findings of one kind."""
    return [d for d in proof.findings if d.id == ident]


@dataclass(frozen=True, slots=True)
class Concrete:
    """A point of a universe as the plan's own `fate` is asked about it."""

    attempt: Attempt
    environment: Environment


def concrete(universe: Universe, point: Point) -> Concrete:
    """A point as an attempt in its environment, at the earliest instant of its time class."""
    entrance, who, time, _, source, destination, service, lines, led = point
    hardware = hardware_value(universe, point)
    attempt = Attempt(
        universe.entrances[entrance],
        source,
        HARDWARE_NONE if hardware is None else hardware,
        destination,
        service_code(service),
    )
    up = frozenset(name for bit, name in enumerate(universe.lines) if lines >> bit & 1)
    places = frozenset(universe.led_names(led))
    moment = universe.times[time].earliest
    return Concrete(attempt, Environment(up, universe.people[who], moment, places))
