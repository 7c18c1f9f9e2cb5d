"""The leaves of loaded rulesets as rule lists for exact questions.

Beside the fields of a leaf, every condition that a first packet alone does not settle is a field of
two values, so that an answer says under which of them it holds. Beyond a number of conditions, the
rest share one field whose value says which of them, if any, is met: of two answers that depend on
them each is then found, and neither is taken for sure. They are not held against each other there:
where of two one always holds, neither is a case, too.

Where a packet leaves follows from routing, but for circumstances. Only these are left in the field
of exits: a leaf that speaks of all ways that its packets may take holds every value there, another
one its own ways and those that its packets never take. By which devices a leaf's packets really
leave is asked apart (`Points.exits`). What no leaf holds does not exist; the default decides it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

from netcharter.readback.decide import circumstances
from netcharter.readback.shapes import (
    ADDRESS_SIZE,
    DESTINATION,
    ENTRANCE,
    EXIT,
    HARDWARE_NONE,
    OTHER,
    OWN,
    SERVICE,
    SERVICE_SIZE,
    SOURCE,
    SYMBOLS,
    V6,
    Condition,
    Decisions,
    Host,
    Leaf,
)
from netcharter.readback.shapes import FIELDS as LEAF_FIELDS
from netcharter.readback.words import ICMP, ICMP6, PORTED, SERVICES
from netcharter.space.certified import Certified
from netcharter.space.model import Entry, Field, RawBox, RuleList
from netcharter.space.ranges import Ranges, full, has, intersect, ranges, subset, subtract, union

MOST_CONDITIONS = 40  # that have a field of their own
NOWHERE = "nowhere"  # the default's outcome: no such packet, or nothing is known of it
LOOP = "lo"
PLAIN = len(LEAF_FIELDS)  # the place of the first condition
PORTS: Ranges = full(1 << 16)
WITH_PORT: Ranges = ranges(*(((p << 16), (p << 16) + 0xFFFF) for p in PORTED))
FAMILY4: Ranges = ranges((0, V6 - 1), *((code, code) for code in range(SYMBOLS, ADDRESS_SIZE, 2)))
FAMILY6: Ranges = subtract(full(ADDRESS_SIZE), FAMILY4)
NUMERIC: Ranges = full(SYMBOLS)

Weight = Literal["size", "one", "exists"]


@dataclass(frozen=True)
class Frame:
    """What the fields of one ruleset, or of several that are compared, stand for.

    conditions: those with a field of their own; loose: what the values of the last field stand for,
    from 1: conditions that must hold together.
    """

    devices: tuple[str, ...]
    conditions: tuple[Condition, ...]
    loose: tuple[tuple[tuple[Condition, bool], ...], ...]
    beyond: frozenset[Condition]  # conditions without a field of their own
    unknown: Ranges = ()  # addresses that nobody knows yet, of those that a host has
    wired: frozenset[str] = frozenset()  # devices by which nothing comes without a hardware address

    @cached_property
    def fields(self) -> tuple[Field, ...]:
        sizes = (
            len(self.devices),
            len(self.devices),
            HARDWARE_NONE + 1,
            ADDRESS_SIZE,
            ADDRESS_SIZE,
            SERVICE_SIZE,
            1 << 16,
        )
        plain = [Field(name, size) for name, size in zip(LEAF_FIELDS, sizes, strict=True)]
        own = [Field(f"condition {n}", 2) for n in range(len(self.conditions))]
        return (*plain, *own, Field("others", len(self.loose) + 1))

    @cached_property
    def universe(self) -> tuple[RawBox, ...]:
        """Boxes of what exists: one family at a time, with ports or without, from outside or from
        the host itself, which has no hardware address in front of it."""
        own, wired = self.numbers([OWN]), self.numbers(self.wired)
        rest = tuple(full(field.size) for field in self.fields[PLAIN:])
        found: list[RawBox] = []
        there = union(NUMERIC, self.unknown)
        for whole, wrong in ((FAMILY4, ICMP6), (FAMILY6, ICMP)):
            family = intersect(whole, there)
            real = subtract(SERVICES, ((wrong << 16, (wrong << 16) + 0xFFFF),))
            kinds = ((intersect(real, WITH_PORT), PORTS), (subtract(real, WITH_PORT), full(1)))
            for services, ports in kinds:
                for entrances, hardware in (
                    (subtract(full(len(self.devices)), union(own, wired)), full(HARDWARE_NONE + 1)),
                    (wired, full(HARDWARE_NONE)),
                    (own, ((HARDWARE_NONE, HARDWARE_NONE),)),
                ):
                    everywhere = full(len(self.devices))
                    box = (entrances, everywhere, hardware, family, family, services, ports)
                    found.append((*box, *rest))
        return tuple(box for box in found if all(box))

    @property
    def everything(self) -> RawBox:
        """All values of every field."""
        return tuple(full(field.size) for field in self.fields)

    @property
    def weights(self) -> dict[str, Weight]:
        """How packets are counted: entrance, source, destination and service tell them apart."""
        counted = {LEAF_FIELDS[place] for place in (ENTRANCE, SOURCE, DESTINATION, SERVICE)}
        return {f.name: "size" if f.name in counted else "exists" for f in self.fields}

    def numbers(self, names: Sequence[str] | frozenset[str]) -> Ranges:
        """The numbers of network devices; one that is not known is the pattern that it fits, or
        OTHER."""
        return ranges(*((n, n) for n in {self._number(name) for name in names}))

    def _number(self, name: str) -> int:
        return self.devices.index(name if name in self.devices else fitting(name, self.devices))

    def named(self, numbers: Ranges) -> list[str]:
        """The network devices of a set of numbers, in order."""
        return [name for n, name in enumerate(self.devices) if has(numbers, n)]

    def box(self, fields: Mapping[int, Ranges]) -> RawBox:
        """All values of every field, but for those given."""
        return tuple(fields.get(n, full(field.size)) for n, field in enumerate(self.fields))

    def held(self, box: RawBox) -> tuple[tuple[Condition, bool], ...]:
        """The conditions that a box hangs on. Those of the last field only where it needs one."""
        found = [
            (condition, values == ((1, 1),))
            for condition, values in zip(self.conditions, box[PLAIN:-1], strict=True)
            if values != full(2)
        ]
        rest = box[-1]
        if rest and not has(rest, 0) and rest[0] == rest[-1] and rest[0][0] == rest[0][1]:
            found += self.loose[rest[0][0] - 1]
        return tuple(found)

    def unsettled(self, box: RawBox) -> bool:
        """Does a box hold only under some of the conditions?"""
        places = zip(self.fields[PLAIN:], box[PLAIN:], strict=True)
        return any(values != full(field.size) for field, values in places)


def fitting(name: str, known: Sequence[str]) -> str:
    """The pattern (`eth*`) that a device's name fits best among those known, or OTHER."""
    patterns = (one for one in known if one[-1:] == "*" and name.startswith(one[:-1]))
    return max(patterns, key=len, default=OTHER)


def frame(
    *rulesets: Decisions,
    hosts: Sequence[Host] = (),
    most: int = MOST_CONDITIONS,
    wired: frozenset[str] = frozenset(),
) -> Frame:
    """The common fields of rulesets. The conditions that most leaves hang on have their own."""
    names = dict.fromkeys(name for found in rulesets for name in found.devices)
    devices = tuple(dict.fromkeys([OWN, OTHER, *names]))
    leaves = [leaf for found in rulesets for leaf in found.leaves]
    counts = Counter(condition for leaf in leaves for condition, _ in leaf.held)
    own = tuple(condition for condition, _ in counts.most_common(most))
    beyond = frozenset(counts) - frozenset(own)
    loose = dict.fromkeys(_beyond(leaf, beyond) for leaf in leaves)
    held = union(*(addresses for host in hosts for addresses in host.own.values()))
    unknown = subtract(held, NUMERIC)
    there = wired & set(devices)
    return Frame(devices, own, tuple(key for key in loose if key), beyond, unknown, there)


def _beyond(leaf: Leaf, beyond: frozenset[Condition]) -> tuple[tuple[Condition, bool], ...]:
    return tuple(pair for pair in leaf.held if pair[0] in beyond)


@dataclass(frozen=True)
class Points:
    """One ruleset as a rule list: rule `n` is leaf `n`."""

    frame: Frame
    decisions: Decisions
    host: Host

    @cached_property
    def rules(self) -> RuleList:
        entries = tuple(
            Entry(box, number, self.decisions.leaves[number].verdict)
            for number, box in self.boxes.items()
        )
        return RuleList(self.frame.fields, entries, NOWHERE, self.frame.universe)

    @cached_property
    def boxes(self) -> Mapping[int, RawBox]:
        """The boxes of all leaves that can hold anything."""
        found = {n: self._box(leaf) for n, leaf in enumerate(self.decisions.leaves)}
        return {number: box for number, box in found.items() if all(box)}

    @cached_property
    def certified(self) -> Certified:
        return Certified(self.rules)

    def leaf(self, number: int) -> Leaf:
        return self.decisions.leaves[number]

    def _box(self, leaf: Leaf) -> RawBox:
        frame = self.frame
        held = dict(leaf.held)
        if len(held) < len(set(leaf.held)):
            return tuple(() for _ in frame.fields)  # one condition both ways: never
        plain = list(leaf.box)
        plain[ENTRANCE] = self._devices(leaf.box[ENTRANCE])
        plain[EXIT] = self._circumstances(leaf)
        own = [((int(held[c]), int(held[c])),) if c in held else full(2) for c in frame.conditions]
        key = _beyond(leaf, frame.beyond)
        number = frame.loose.index(key) + 1 if key else 0
        return (*plain, *own, ((number, number),) if key else full(len(frame.loose) + 1))

    def _devices(self, numbers: Ranges) -> Ranges:
        """A leaf's set of network devices in the numbers of the frame."""
        mine = self.decisions.devices
        names = {name for n, name in enumerate(mine) if has(numbers, n)}
        strangers = (name for name in self.frame.devices if name not in mine)
        meant = [name for name in strangers if fitting(name, mine) in names]
        return self.frame.numbers([*names, *meant])

    def _circumstances(self, leaf: Leaf) -> Ranges:
        """The values of the field of exits under which a leaf applies."""
        everywhere = full(len(self.frame.devices))
        return circumstances(self._devices(leaf.box[EXIT]), self._devices(leaf.ways), everywhere)

    def settles(self, number: int) -> bool:
        """Does a leaf decide its packets by whatever device they leave?"""
        return self.boxes[number][EXIT] == full(len(self.frame.devices))

    def exits_of(self, box: RawBox, number: int) -> Ranges:
        """By which devices the packets of a box leave that a leaf decides as a whole."""
        found = self.exits(number)
        return found if self.settles(number) else intersect(box[EXIT], found)

    def exits(self, number: int) -> Ranges:
        """By which devices the packets of a leaf may leave, in the numbers of the frame.

        What the host sends to itself goes by `lo` and comes back, so that it is reached.
        """
        leaf = self.leaf(number)
        found = self._devices(intersect(leaf.box[EXIT], leaf.ways) or leaf.box[EXIT])
        own, loop = self.frame.numbers([OWN]), self.frame.numbers([LOOP])
        starts = self._devices(leaf.box[ENTRANCE])
        return (
            union(subtract(found, loop), own)
            if subset(starts, own) and subset(loop, found)
            else found
        )


def points(decisions: Decisions, host: Host, common: Frame | None = None) -> Points:
    """The leaves of a ruleset as a rule list, in a common frame where it is compared."""
    return Points(common or frame(decisions, hosts=(host,)), decisions, host)
