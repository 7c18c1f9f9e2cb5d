"""Health: disk, memory, heat, clock, certificates and lines, weighed against limits.

Every limit has two values: where an alarm begins, and where it ends, so that a value that sways
about one of them does not begin and end it again and again. What may be wrong for a moment (a
line, the clock) has to stay wrong for some readings in a row.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from netcharter.rollout.reading import Fields
from netcharter.steward.shapes import (
    Certificate,
    Clock,
    Decision,
    Disk,
    Duty,
    Facts,
    Heat,
    LineFact,
    Report,
    Severity,
)

EVERY = timedelta(minutes=1)
# Where an alarm begins, and where it ends: common practice, no source.
DISK_FREE = (0.10, 0.15)  # of all bytes
FILES_FREE = (0.05, 0.10)  # of all places for files
MEMORY_FREE = (0.08, 0.12)  # of all memory
HEAT = (85.0, 78.0)  # degrees Celsius, for a sensor that does not say what is critical
HEAT_BELOW = (8.0, 15.0)  # degrees below what is critical
CERTIFICATE = (21.0, 28.0)  # days that are left
URGENT_CERTIFICATE = 3.0
# How many readings in a row have to be wrong.
CLOCK_READINGS = 10
LINE_READINGS = 2
HOP_READINGS = 3
MIB = 2**20


@dataclass(frozen=True, slots=True)
class State:
    """bad: matters with an alarm; wrong: how many readings in a row were wrong, where it counts."""

    bad: frozenset[str] = frozenset()
    wrong: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Reading:
    """One matter: wrong (True), right (False), or between its two limits (None)."""

    key: str
    wrong: bool | None
    text: str
    fine: str
    severity: Severity = "warning"
    readings: int = 1


def decide(state: State, facts: Facts, now: datetime) -> Decision[State]:
    """Weigh every reading, and say which matters are wrong."""
    bad: set[str] = set()
    wrong: dict[str, int] = {}
    reports: list[Report] = []
    for one in _readings(facts, now):
        was = one.key in state.bad
        count = _count(state.wrong.get(one.key, 0), one)
        is_bad = was if one.wrong is None else one.wrong and (was or count >= one.readings)
        if is_bad:
            bad.add(one.key)
        elif count:
            wrong[one.key] = count
        reports.append(Report(one.key, is_bad, one.text if is_bad else one.fine, one.severity))
    return Decision(State(frozenset(bad), wrong), (), now + EVERY, tuple(reports))


def _count(before: int, one: _Reading) -> int:
    if one.wrong is None:
        return before
    return min(before + 1, one.readings) if one.wrong else 0


def _readings(facts: Facts, now: datetime) -> Iterator[_Reading]:
    machine = facts.machine
    for disk in machine.disks:
        yield from _disk(disk)
    if machine.memory[1]:
        yield _memory(*machine.memory)
    yield from map(_heat, machine.heat)
    yield _clock(facts.clock)
    for certificate in machine.certificates:
        yield _certificate(certificate, now)
    for line in machine.lines:
        yield from _line(line)


def _below(value: float, limits: tuple[float, float]) -> bool | None:
    """Below the first limit: wrong; from the second on: right; between them: as it was."""
    begins, ends = limits
    return True if value < begins else False if value >= ends else None


def _disk(disk: Disk) -> Iterator[_Reading]:
    if disk.total:
        share = disk.free / disk.total
        said = f"{share:.0%} of the disk at {disk.path} is free ({disk.free // MIB} MiB)"
        severity: Severity = "urgent" if share < DISK_FREE[0] / 4 else "warning"
        yield _Reading(
            f"health/disk {disk.path}", _below(share, DISK_FREE), f"only {said}", said, severity
        )
    if disk.total_files:
        share = disk.free_files / disk.total_files
        said = f"{share:.0%} of the places for files at {disk.path} are free"
        yield _Reading(f"health/files {disk.path}", _below(share, FILES_FREE), f"only {said}", said)


def _memory(available: int, total: int) -> _Reading:
    said = f"{available / total:.0%} of the memory can still be had ({available // MIB} MiB)"
    return _Reading(
        "health/memory", _below(available / total, MEMORY_FREE), f"only {said}", said, readings=3
    )


def _heat(sensor: Heat) -> _Reading:
    begins, ends = HEAT
    if sensor.critical is not None:
        begins, ends = (sensor.critical - below for below in HEAT_BELOW)
    said = f"{sensor.name} is at {sensor.degrees:.0f} degrees Celsius"
    wrong = _below(-sensor.degrees, (-begins, -ends))
    return _Reading(f"health/heat {sensor.name}", wrong, f"{said}: too hot", said, "urgent", 2)


def _clock(clock: Clock) -> _Reading:
    return _Reading(
        "health/clock",
        not clock.synchronised,
        "the clock is not synchronised: see whether the time service runs and reaches its servers",
        "the clock is synchronised",
        readings=CLOCK_READINGS,
    )


def _certificate(found: Certificate, now: datetime) -> _Reading:
    key = f"health/certificate {found.path}"
    if found.expires is None:
        text = f"the certificate {found.path} can't be read: {found.fault}"
        return _Reading(key, True, text, text)
    left = (found.expires - now) / timedelta(days=1)
    day = found.expires.date().isoformat()
    said = f"the certificate {found.path} {'ended' if left <= 0 else 'ends'} on {day}"
    severity: Severity = "urgent" if left < URGENT_CERTIFICATE else "warning"
    return _Reading(key, _below(left, CERTIFICATE), said, said, severity)


def _line(line: LineFact) -> Iterator[_Reading]:
    """What the duty `lines` tells is not told again."""
    key = f"health/line {line.name}"
    if not line.watched:
        yield _carrier(key, line)
    if line.carrier is None:
        return
    for part, lacks, text in _ways(line):
        yield _Reading(
            f"{key} {part}",
            None if lacks is None or not line.carrier else lacks,
            text,
            f"line {line.name} has {'its addresses' if part == 'address' else 'a way out'}",
            "urgent",
            LINE_READINGS,
        )
    for hop, answers in line.answers.items():
        yield _Reading(
            f"health/line {line.name} {hop}",
            None if answers is None or not line.carrier else not answers,
            f"the next hop {hop} of line {line.name} does not answer",
            f"the next hop {hop} of line {line.name} answers",
            "urgent",
            HOP_READINGS,
        )


def _carrier(key: str, line: LineFact) -> _Reading:
    if line.carrier is None:
        text = f"line {line.name} has no device {line.device}"
        return _Reading(key, True, text, text, "urgent", LINE_READINGS)
    return _Reading(
        key,
        not line.carrier,
        f"line {line.name} has no carrier on {line.device}: a cable, or the box behind it",
        f"line {line.name} has a carrier",
        "urgent",
        LINE_READINGS,
    )


def _ways(line: LineFact) -> Iterator[tuple[str, bool | None, str]]:
    """What a line that has a carrier may lack, whether it does, and that in words."""
    name = f"line {line.name} on {line.device}"
    absent = None if line.no_address is None else bool(line.no_address)
    yield "address", absent, f"{name} has not got {' and '.join(line.no_address or ())}"
    if line.watched:
        return
    absent = None if line.no_route is None else bool(line.no_route)
    versions = " and ".join(f"IPv{version}" for version in line.no_route or ())
    yield "route", absent, f"{name} has no way out: no default route for {versions}"


def duty() -> Duty[State]:
    """The duty, with nothing decided yet."""
    return Duty(
        name="health",
        about="watches disk, memory, heat, clock, certificates and lines",
        needs=frozenset({"machine"}),
        begin=State(),
        decide=decide,
        written=_written,
        read=_read,
    )


def _written(state: State) -> Mapping[str, object]:
    return {"bad": sorted(state.bad)}


def _read(found: Fields) -> State:
    """Readings in a row are counted anew: they were of another process."""
    return State(frozenset(found.texts("bad")))
