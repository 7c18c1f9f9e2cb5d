"""Sets of packets as readable rows. Boxes are joined only where their union is a product again."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from math import prod

from netcharter.readback.points import PLAIN, PORTS, WITH_PORT, Frame
from netcharter.readback.shapes import (
    DESTINATION,
    ENTRANCE,
    EXIT,
    HARDWARE,
    HARDWARE_NONE,
    OWN,
    PORT,
    SERVICE,
    SOURCE,
    Condition,
)
from netcharter.readback.words import Words, hardware_text, listed
from netcharter.space.model import RawBox
from netcharter.space.ranges import Ranges, full, intersect, size, subset, union

COUNTED = (ENTRANCE, SOURCE, DESTINATION, SERVICE)
JOINED = (PORT, HARDWARE, EXIT, SOURCE, SERVICE, DESTINATION, ENTRANCE)
ALWAYS = "always"
MOST_STARTERS = 8  # that one row names


@dataclass(frozen=True, slots=True)
class Told:
    """One row in words, with the number of its packets and the box it stands for."""

    starter: str
    to: str
    service: str
    when: str
    count: int
    box: RawBox
    key: Hashable  # what the caller grouped by


@dataclass(frozen=True, slots=True)
class _Row:
    key: Hashable
    box: RawBox
    count: int


def summarise(frame: Frame, words: Words, boxes: Iterable[tuple[RawBox, Hashable]]) -> list[Told]:
    """Disjoint boxes, each with what to group it by, as few rows."""
    rows = [_Row(key, box, prod(size(box[place]) for place in COUNTED)) for box, key in boxes]
    places = (*range(PLAIN, len(frame.fields)), *JOINED)
    before = 0
    while before != len(rows):  # what one pass joins may let the next join more
        before = len(rows)
        for place in places:
            rows = _joined(rows, place)
    return _starters_together([_told(frame, words, row) for row in rows])


def _starters_together(rows: Sequence[Told]) -> list[Told]:
    """Rows that lead to the same, with the same, under the same conditions, as one."""
    found: dict[Hashable, list[Told]] = {}
    for row in rows:
        found.setdefault((row.key, row.to, row.service, row.when), []).append(row)
    joined = []
    for group in found.values():
        starters = list(dict.fromkeys(row.starter for row in group))
        more = [f"{len(starters) - MOST_STARTERS} more"] if len(starters) > MOST_STARTERS else []
        text = listed([*starters[:MOST_STARTERS], *more])
        joined.append(replace(group[0], starter=text, count=sum(row.count for row in group)))
    return joined


def _joined(rows: Sequence[_Row], place: int) -> list[_Row]:
    """Rows of one key that agree in everything but one field become one."""
    found: dict[Hashable, list[_Row]] = {}
    for row in rows:
        found.setdefault((row.key, *row.box[:place], None, *row.box[place + 1 :]), []).append(row)
    return [_one(group, place) for group in found.values()]


def _one(group: Sequence[_Row], place: int) -> _Row:
    first = group[0]
    if len(group) == 1:
        return first
    values = union(*(row.box[place] for row in group))
    box = (*first.box[:place], values, *first.box[place + 1 :])
    counts = [row.count for row in group]
    return replace(first, box=box, count=sum(counts) if place in COUNTED else max(counts))


def _told(frame: Frame, words: Words, row: _Row) -> Told:
    box = row.box
    return Told(
        starter=starter_text(frame, words, box),
        to=target_text(frame, words, box),
        service=_service(words, box),
        when=when_text(frame, box),
        count=row.count,
        box=box,
        key=row.key,
    )


def starter_text(frame: Frame, words: Words, box: RawBox) -> str:
    """Who starts: devices, and what of sources and hardware addresses where not all are meant."""
    names = frame.named(box[ENTRANCE])
    others = [name for name in frame.devices if name != OWN]
    text = "anyone" if set(others) <= set(names) else words.devices(names)
    usual = words.hosts.get(names[0]) if len(names) == 1 else None
    if box[SOURCE] != usual and not _every_source(frame, box):
        text += f" from {words.addresses(box[SOURCE])}"
    if box[HARDWARE] not in (full(HARDWARE_NONE + 1), full(HARDWARE_NONE)) and names != [OWN]:
        text += f" with the hardware address {hardware_words(box[HARDWARE])}"
    return text


def _every_source(frame: Frame, box: RawBox) -> bool:
    """Are all the sources there that a packet to these destinations can have?"""
    there = (part[SOURCE] for part in frame.universe if intersect(part[SOURCE], box[DESTINATION]))
    return all(subset(family, box[SOURCE]) for family in there)


def hardware_words(found: Ranges) -> str:
    """A set of hardware addresses."""
    if size(found) > 4:
        return "one of many"
    return listed((hardware_text(n) for low, high in found for n in range(low, high + 1)), "or")


def target_text(frame: Frame, words: Words, box: RawBox) -> str:
    """What is reached: the addresses as sent where they are told apart, else where they lead."""
    names = frame.named(box[EXIT])
    to = words.addresses(box[DESTINATION])
    wide = to.startswith("anywhere") and " but " not in to
    if len(names) == len(frame.devices):
        return to
    where = words.devices(names)
    if names == [OWN]:
        return where if wide else f"{where} at {to}"
    if wide:
        return f"whatever lies beyond {where}" + to.removeprefix("anywhere")
    return f"{to} beyond {where}"


def _service(words: Words, box: RawBox) -> str:
    text = words.some_services(box[SERVICE])
    ported = intersect(box[SERVICE], WITH_PORT)
    if ported and box[PORT] != PORTS:
        spelled = listed((f"{a}" if a == b else f"{a}-{b}" for a, b in box[PORT][:4]), "or")
        text += f" from source port {spelled}"
    return text


def when_text(frame: Frame, box: RawBox) -> str:
    """The conditions under which a box holds; ``always`` without any."""
    held = frame.held(box)
    texts = [condition_text(condition, true) for condition, true in held]
    if not texts and frame.unsettled(box):
        return "perhaps: it hangs on conditions that a packet alone does not settle"
    return listed(texts) or ALWAYS


def condition_text(condition: Condition, true: bool) -> str:
    """One condition in words."""
    no = "" if true else " not"
    if condition.kind == "set":
        return f"while its {condition.key} is{no} in the set {condition.name}"
    if condition.kind == "unread":
        return f"if `{condition.name}` does{no} fit" if no else f"if `{condition.name}` fits"
    return f"while the {condition.kind} of {condition.name} is{no} met"
