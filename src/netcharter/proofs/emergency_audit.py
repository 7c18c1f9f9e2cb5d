"""Findings about rules for emergencies: what comes before them, and what they hang on.

They come before sign-in, hours and all other rules. They do not come before a bar, or before an area
that refuses strangers: each such clash is told, since somebody may need help there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from netcharter.diagnostics import Diagnostic
from netcharter.plan.shapes import DevicePlan, Region, Row
from netcharter.plan.terms import device_addresses, hardware_set
from netcharter.proofs.rules_audit import Audit
from netcharter.proofs.story import row_name
from netcharter.space.ranges import intersect


def emergencies_end(audit: Audit) -> Iterator[Diagnostic]:
    """Emergency rules with a last day: only the steward and a right clock keep them open until then."""
    for row in audit.written:
        until = audit.source(row).until
        if row.kind == "emergency" and until is not None:
            yield Diagnostic(
                "emergency-ends",
                "warning",
                f"{row_name(row)} is for emergencies and ends on {until:%d %B %Y}; before that day,"
                " too, it closes where the clock is not known or the steward stands still",
                audit.place(row, "until"),
                help="leave `until` out, and take the rule away when it is not needed any more",
            )


def barred_from_help(audit: Audit) -> Iterator[Diagnostic]:
    """Barred devices that an emergency rule speaks of, at home."""
    barred = [one for one in audit.plan.devices if one.barred]
    for row in audit.written:
        for device in barred if row.kind == "emergency" else ():
            told = _refused(audit, "barred", _of(row, device))
            if told is not None:
                yield Diagnostic(
                    "emergency-barred",
                    "warning",
                    f"{device.name} is barred, and that comes before {row_name(row)}, which is for"
                    " emergencies: nobody can call for help with it",
                    audit.place(row, "emergency"),
                    witness=told,
                    help="leave `barred` out, and refuse by rules what it must not do",
                    related=((device.span, "barred here"),),
                )


def strangers_without_help(audit: Audit) -> Iterator[Diagnostic]:
    """Areas that refuse strangers, and so whoever needs help there by a device nobody named."""
    closed = [one.name for one in audit.plan.areas if one.strangers_refused]
    for row in audit.written:
        for area in closed if row.kind == "emergency" else ():
            told = _refused(audit, "strangers", _at(row, area))
            if told is not None:
                yield Diagnostic(
                    "emergency-for-known-only",
                    "note",
                    f"{area} refuses strangers, and that comes before {row_name(row)}, which is for"
                    " emergencies: a telephone that is not named can't call for help there",
                    audit.place(row, "emergency"),
                    witness=told,
                    help=f"name every telephone of {area}, spare ones too, or welcome strangers",
                )


def _at(row: Row, area: str) -> list[Region]:
    return [
        replace(one, entrances=frozenset({area})) for one in row.regions if area in one.entrances
    ]


def _of(row: Row, device: DevicePlan) -> Iterator[Region]:
    """What a rule says of one device at home, by its hardware address or else by its own."""
    for one in _at(row, device.area):
        if device.hardware:
            found = replace(one, hardware=intersect(one.hardware, hardware_set(device.hardware)))
        else:
            found = replace(one, source=intersect(one.source, device_addresses(device)))
        if found.hardware and found.source:
            yield found


def _refused(audit: Audit, label: str, regions: Iterable[Region]) -> str | None:
    """A connection of these that this housekeeping refuses; None if there is none."""
    refusing = next((row for row in audit.plan.rows if row.label == label), None)
    if refusing is None:
        return None
    boxes = audit.prover.universe.boxes_of(regions)
    witness = audit.prover.decided(boxes, frozenset({refusing.index}))
    return None if witness is None else audit.tell(witness, boxes).sentence


EVERY_EMERGENCY = (emergencies_end, barred_from_help, strangers_without_help)
