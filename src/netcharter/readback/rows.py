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
from netcharter.space.ranges import Ranges, full, intersect, size, subset, subtract, union

COUNTED = (ENTRANCE, SOURCE, DESTINATION, SERVICE)
JOINED = (PORT, HARDWARE, EXIT, SOURCE, SERVICE, DESTINATION, ENTRANCE)
ALWAYS = "always"
MOST_NAMED = 8  # starters or targets that one row names
MANY = 16  # addresses beyond which improper ones are not told one by one
FEW = 4  # hardware addresses that are told one by one


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
    told = _starters_together([_told(frame, words, row) for row in rows])
    return _targets_together(told)


def _targets_together(rows: Sequence[Told]) -> list[Told]:
    """Rows of the same starters, with the same, under the same conditions, as one."""
    found: dict[Hashable, list[Told]] = {}
    for row in rows:
        found.setdefault((row.key, row.starter, row.service, row.when), []).append(row)
    return [
        replace(
            group[0],
            to=_some([row.to for row in group]),
            count=sum(row.count for row in group),
        )
        for group in found.values()
    ]


def _some(names: Sequence[str]) -> str:
    """Names without repetition, and how many more there are."""
    known = list(dict.fromkeys(names))
    more = [f"{len(known) - MOST_NAMED} more"] if len(known) > MOST_NAMED else []
    return listed([*known[:MOST_NAMED], *more])


def _starters_together(rows: Sequence[Told]) -> list[Told]:
    """Rows that lead to the same, with the same, under the same conditions, as one."""
    found: dict[Hashable, list[Told]] = {}
    for row in rows:
        found.setdefault((row.key, row.to, row.service, row.when), []).append(row)
    joined = []
    for group in found.values():
        text = _some([row.starter for row in group])
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
    text += _sources(frame, words, box, names)
    hardware = box[HARDWARE]
    if hardware not in (full(HARDWARE_NONE + 1), full(HARDWARE_NONE)) and names != [OWN]:
        text += f" with {hardware_words(hardware)}"
    return text


def _sources(frame: Frame, words: Words, box: RawBox, names: Sequence[str]) -> str:
    """The sources of a row, as far as they are not all that belong where it starts."""
    there = union(*(p[SOURCE] for p in frame.universe if intersect(p[SOURCE], box[DESTINATION])))
    found = box[SOURCE]
    if subset(there, found):
        return ""
    proper = intersect(words.proper(names), there)
    inside, more = intersect(found, proper), subtract(found, proper)
    also = " (improper sources, too)" if more and proper else ""
    if proper and subset(proper, found):
        return also
    if inside:
        return f" from {words.addresses(inside)}{also}"
    if size(found) > MANY and any(name in words.hosts for name in names):
        return " from improper sources"
    return f" from {words.addresses(found)}"


def hardware_words(found: Ranges) -> str:
    """A set of hardware addresses."""
    if size(found) <= FEW:
        numbers = (n for low, high in found for n in range(low, high + 1))
        return f"the hardware address {listed(map(hardware_text, numbers), 'or')}"
    missing = subtract(full(HARDWARE_NONE), found)
    if size(missing) <= FEW:
        numbers = (n for low, high in missing for n in range(low, high + 1))
        return f"any hardware address but {listed(map(hardware_text, numbers), 'and')}"
    return "one of many hardware addresses"


def target_text(frame: Frame, words: Words, box: RawBox) -> str:
    """What is reached: where it leads, and what of it where not all is meant."""
    names = frame.named(box[EXIT])
    found = box[DESTINATION]
    there = union(*(p[DESTINATION] for p in frame.universe if intersect(p[DESTINATION], found)))
    if len(names) == len(frame.devices):
        return words.addresses(found)
    where = words.beyond(names)
    proper = intersect(words.proper(names), there)
    inside = intersect(found, proper)
    if subset(there, found) or (proper and subset(proper, found)):
        return where
    told = words.addresses(inside or found)
    if names == [OWN]:
        return f"{where} at {told}"
    return f"{told} in {where}" if inside else f"{told} beyond {words.devices(names)}"


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
