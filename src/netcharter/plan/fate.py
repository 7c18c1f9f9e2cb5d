"""What happens to one concrete attempt: the plan's decisions asked one after the other."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal
from zoneinfo import ZoneInfo

from netcharter.charter.model import Address
from netcharter.plan import coding
from netcharter.plan.hours import is_open, passed
from netcharter.plan.leading import number
from netcharter.plan.shapes import ExitPlan, Plan, Region, Row, When
from netcharter.space.ranges import has

Manner = Literal["reset", "prohibited", "silent"]


@dataclass(frozen=True, slots=True)
class Attempt:
    """The first packet of a conversation as sent, coded as `plan.coding` says."""

    entrance: str
    source: int
    hardware: int
    destination: int
    service: int


@dataclass(frozen=True, slots=True)
class Environment:
    """The state of the world around an attempt."""

    lines: frozenset[str]  # names of the lines that are up
    who: str  # NOBODY, GUEST, or a person
    instant: datetime  # aware
    led: frozenset[str] = frozenset()  # places by whose names one is led to the destination


@dataclass(frozen=True, slots=True)
class Outcome:
    let: bool
    manner: Manner | None  # None where let
    delivered: tuple[Address, int] | None  # address and port where translated
    row: Row


def fate(plan: Plan, attempt: Attempt, environment: Environment) -> Outcome:
    """The outcome of an attempt; the last decision of a plan matches whatever exists."""
    for row in plan.rows:
        if any(matches(plan, region, attempt, environment) for region in row.regions):
            return outcome(plan, row, attempt.entrance, attempt.service)
    raise ValueError("this attempt does not exist: see docs/explanation/model.md, section 2")


def outcome(plan: Plan, row: Row, entrance: str, service: int) -> Outcome:
    """What it means to be decided by `row`."""
    if not row.let:
        return Outcome(False, manner(plan, row, entrance, service), None, row)
    if row.delivery is None:
        return Outcome(True, None, None, row)
    port = row.delivery.port if row.delivery.port is not None else service & 0xFFFF
    return Outcome(True, None, (row.delivery.address, port), row)


def manner(plan: Plan, row: Row, entrance: str, service: int) -> Manner:
    """How a refusal shows; routing answers every protocol alike, and areas however quiet."""
    if row.routed:
        return "prohibited"
    if row.quiet or entrance in quiet_entrances(plan):
        return "silent"
    return "reset" if service >> 16 == coding.TCP else "prohibited"


def quiet_entrances(plan: Plan) -> frozenset[str]:
    """Where every refusal is silent: lines, and areas that ask for it."""
    return frozenset(line.name for line in plan.lines) | frozenset(
        area.name for area in plan.areas if area.quiet
    )


def fits(region: Region, attempt: Attempt) -> bool:
    """Does a region fit an attempt, whatever the environment?"""
    return (
        attempt.entrance in region.entrances
        and has(region.source, attempt.source)
        and has(region.destination, attempt.destination)
        and has(region.service, attempt.service)
        and has(region.hardware, attempt.hardware)
    )


def exit_of(plan: Plan, attempt: Attempt) -> ExitPlan | None:
    """The first exit of the charter that is about an attempt (model, section 6)."""
    if not has(plan.internet, attempt.destination):
        return None
    return next((one for one in plan.exits if any(fits(r, attempt) for r in one.regions)), None)


def matches(plan: Plan, region: Region, attempt: Attempt, environment: Environment) -> bool:
    """Does one region of a decision fit an attempt?"""
    return (
        fits(region, attempt)
        and (region.who is None or environment.who in region.who)
        and (region.lines is None or line_state(plan, environment.lines) in region.lines)
        and (region.led is None or led_state(plan, environment.led) in region.led)
        and in_force(plan, region.when, environment.instant)
    )


def line_state(plan: Plan, up: frozenset[str]) -> int:
    """The number of a line state: bit i is set if line i is up."""
    return sum(1 << i for i, line in enumerate(plan.lines) if line.name in up)


def led_state(plan: Plan, held: frozenset[str]) -> int:
    """The number of a set of places that are made of names (`plan.leading`)."""
    return number([place.name for place in plan.by_names], held)


def in_force(plan: Plan, when: When, instant: datetime) -> bool:
    """Is a condition in time true at an instant?"""
    zone = ZoneInfo(plan.timezone)
    if when.until is not None and passed(when.until, zone, instant):
        return False
    return when.during is None or is_open(plan.hours[when.during], zone, instant)
