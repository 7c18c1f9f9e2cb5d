"""Plan and kernel as two ordered lists over one slice of the attempts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from netcharter.plan import coding, labels
from netcharter.plan.coding import NO_HARDWARE
from netcharter.plan.fate import quiet_entrances
from netcharter.plan.shapes import AreaPlan, Region, Row
from netcharter.proofs.kernel_claims import (
    INVALID,
    inside,
    regions,
    untracked4,
    untranslatable,
)
from netcharter.proofs.kernel_fates import Fate, Nowhere, Unfit, Unsure, by_manner, by_port
from netcharter.proofs.kernel_sets import Meanings
from netcharter.proofs.kernel_space import (
    EXIT,
    GATEWAY,
    SERVICE,
    SOURCE,
    Slice,
    Space,
)
from netcharter.proofs.loaded import Loaded
from netcharter.space.model import Entry, RawBox, RuleList
from netcharter.space.ranges import Ranges, full, has, intersect, subtract

OVER = "over "  # how the words of a limit or quota begin that is true once it is exceeded


class Expectation:
    """What the plan asks of the kernel: the claims of a slice, then its decisions in order.

    The numbers of entries are those of decisions; claims have the numbers after them.
    """

    def __init__(self, space: Space) -> None:
        self.space = space
        self.plan = space.plan
        self.quiet = quiet_entrances(self.plan)
        self.inside = inside(self.plan)
        self.untracked = untracked4()

    def rules(self, where: Slice) -> RuleList:
        claims = [region for region in regions(self.space, where) if region.expected is not None]
        entries = [
            Entry(box, len(self.plan.rows) + number, claim.expected)
            for number, claim in enumerate(claims)
            for box in claim.boxes
        ]
        for row in self.plan.rows:
            if not row.routed:
                entries += self._row(row, where)
        return RuleList(where.fields, tuple(entries), Unfit("no decision"), where.universe)

    def _row(self, row: Row, where: Slice) -> Iterator[Entry]:
        for region in row.regions:
            if where.way.name in region.entrances:
                box = self._box(region, where)
                if box is not None:
                    for part, label in self._fates(row, region, box, where):
                        if all(part):
                            yield Entry(part, row.index, label)

    def _box(self, region: Region, where: Slice) -> RawBox | None:
        universe = self.space.universe
        atline = where.way.name != GATEWAY and has(where.way.hardware, NO_HARDWARE[0][0])
        hardware = region.hardware
        if atline:  # a line's attempts have none in the plan, and any in the kernel
            hardware = where.way.hardware if has(region.hardware, NO_HARDWARE[0][0]) else ()
        return where.box(
            who=universe.who_set(region.who),
            time=universe.time_set(0, region.when),
            hardware=hardware,
            source=intersect(region.source, where.addresses),
            destination=intersect(region.destination, where.addresses),
            service=region.service,
        )

    def _fates(
        self, row: Row, region: Region, box: RawBox, where: Slice
    ) -> Iterator[tuple[RawBox, Fate | Unfit]]:
        counters = (labels.row_name(row.label),)
        if region.lines is not None:
            yield box, Unfit("a packet filter does not know which lines are up")
        elif not row.let:
            silent = row.quiet or where.way.name in self.quiet
            yield box, Fate(False, "silent" if silent else "answered", counters)
        else:
            for part, fate in self._delivered(row, box, counters):
                yield from self._hidden(part, fate, where)

    def _delivered(
        self, row: Row, box: RawBox, counters: tuple[str, ...]
    ) -> Iterator[tuple[RawBox, Fate]]:
        if row.delivery is None:
            yield box, Fate(True, None, counters)
            return
        address = coding.address(row.delivery.address)
        for service, port in by_port(row.delivery.port, box[SERVICE]):
            yield (
                _with(box, SERVICE, service),
                Fate(True, None, counters, (address, port)),
            )

    def _hidden(self, box: RawBox, fate: Fate, where: Slice) -> Iterator[tuple[RawBox, Fate]]:
        """First where the source does not stay as it is (kit, Translation), then all the rest."""
        if where.family == 4 and intersect(box[SOURCE], self.inside):
            lost = untranslatable(self.space, where)
            if lost is not None:
                yield (
                    tuple(map(intersect, box, lost)),
                    Fate(False, "silent", (*fate.counters, INVALID)),
                )
            hidden = Fate(True, None, fate.counters, fate.delivered, hidden=True)
            part = _with(box, SERVICE, subtract(box[SERVICE], self.untracked))
            yield _with(_with(part, SOURCE, self.inside), EXIT, self.space.out), hidden
            for area in self.plan.areas if fate.delivered is not None else ():
                yield self._same_area(area, part), hidden
        yield box, fate

    def _same_area(self, area: AreaPlan, box: RawBox) -> RawBox:
        """Back into its own area, by the public name of a device there."""
        narrowed = _with(box, SOURCE, coding.network(area.v4))
        return _with(narrowed, EXIT, self.space.exit_set([area.device]))


@dataclass(slots=True)
class Used:
    """What a list rests on: the sets that were asked with their meanings, and the limits."""

    sets: dict[str, str] = field(default_factory=dict)
    limits: dict[str, None] = field(default_factory=dict)


class Kernel:
    """The decisions of a kernel as lists; the number of an entry is its place in `loaded`."""

    def __init__(self, space: Space, loaded: Sequence[Loaded]) -> None:
        self.space = space
        self.loaded = loaded
        self.meanings = Meanings(space.universe)
        self.used = Used()

    def rules(self, where: Slice) -> RuleList:
        entries = [
            Entry(part, number, label)
            for number, leaf in enumerate(self.loaded)
            if where.way.device in leaf.entrances
            for part, label in self._leaf(leaf, where)
            if all(part)
        ]
        return RuleList(where.fields, tuple(entries), Nowhere(), where.universe)

    def _leaf(self, leaf: Loaded, where: Slice) -> Iterator[tuple[RawBox, Fate | Unsure]]:
        box = where.box(
            hardware=leaf.hardware,
            source=intersect(leaf.source, where.addresses),
            destination=intersect(leaf.destination, where.addresses),
            service=leaf.service,
            exit=self.space.exit_set(leaf.exits),
            port=leaf.port if self.space.ports else full(1),
        )
        if box is None or not self._within(leaf):
            return
        box, unknown = self._narrowed(leaf, box, where)
        unknown += [words if true else f"not: {words}" for _, words, true in _open(leaf)]
        if unknown:
            yield box, Unsure("; ".join(unknown))
        else:
            yield from _told(leaf, box)

    def _narrowed(self, leaf: Loaded, box: RawBox, where: Slice) -> tuple[RawBox, list[str]]:
        """The box narrowed by the living sets, and what of them has no meaning."""
        unknown: list[str] = []
        for name, key, member in leaf.held:
            meaning = self.meanings.of(name, key, where)
            if isinstance(meaning, str):
                unknown.append(meaning)
                continue
            self.used.sets[name] = meaning.told
            rest = subtract(box[meaning.field], meaning.found)
            box = _with(box, meaning.field, meaning.found if member else rest)
        return box, unknown

    def _within(self, leaf: Loaded) -> bool:
        """Whether a leaf can decide while no limit is exceeded."""
        limits = {words: true for kind, words, true in leaf.given if kind == "limit"}
        self.used.limits.update(dict.fromkeys(limits))
        return all(true != words.startswith(OVER) for words, true in limits.items())


def _open(leaf: Loaded) -> list[tuple[str, str, bool]]:
    """The conditions of a leaf that nothing settles."""
    return [given for given in leaf.given if given[0] != "limit"]


def _told(leaf: Loaded, box: RawBox) -> Iterator[tuple[RawBox, Fate]]:
    """A leaf's box with its fate, parted where the fate shows differently."""
    if not leaf.let:
        for service, manner in by_manner(leaf.manner or "silent", box[SERVICE]):
            yield _with(box, SERVICE, service), Fate(False, manner, leaf.counters)
        return
    address, port = leaf.delivered or (None, None)
    for service, moved in by_port(port, box[SERVICE]):
        delivered = None if address is None and moved is None else (address, moved)
        fate = Fate(True, None, leaf.counters, delivered, leaf.hidden, leaf.shown)
        yield _with(box, SERVICE, service), fate


def _with(box: RawBox, place: int, found: Ranges) -> RawBox:
    """The box with one field narrowed."""
    return (*box[:place], intersect(box[place], found), *box[place + 1 :])
