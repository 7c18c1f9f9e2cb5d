"""What a plan asks of the kernel, as an ordered list over one slice of the attempts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from netcharter.plan import coding, labels
from netcharter.plan.coding import HARDWARE_NONE
from netcharter.plan.fate import quiet_entrances
from netcharter.plan.labels import INVALID
from netcharter.plan.shapes import Region, Row
from netcharter.proofs.kernel_claims import (
    inside,
    regions,
    this_network,
    untracked4,
    untranslatable,
)
from netcharter.proofs.kernel_fates import Fate, Perhaps, Unfit, by_port
from netcharter.proofs.kernel_space import (
    EXIT,
    GATEWAY,
    SERVICE,
    SOURCE,
    Slice,
    Space,
)
from netcharter.proofs.kernel_ways import ways_to
from netcharter.space.model import Entry, RawBox, RuleList
from netcharter.space.ranges import Ranges, has, intersect, subtract


class Expectation:
    """The claims of a slice, then the plan's decisions in order.

    The numbers of entries are those of decisions; claims have the numbers after them.
    """

    def __init__(self, space: Space) -> None:
        self.space = space
        self.plan = space.plan
        self.quiet = quiet_entrances(self.plan)
        self.inside = inside(self.plan)
        self.untracked = untracked4()

    def rules(self, where: Slice) -> RuleList:
        """The plan's side of a slice. Decisions by routing are no business of a packet filter."""
        claims = [region for region in regions(self.space, where) if region.expected is not None]
        entries = [
            Entry(box, len(self.plan.rows) + number, claim.expected)
            for number, claim in enumerate(claims)
            for box in claim.boxes
        ]
        for row in self.plan.rows if where.way.name else ():
            if not row.routed:
                entries += self._row(row, where)
        if where.family == 4 and where.way.name != GATEWAY:
            entries = [part for entry in entries for part in _perhaps(entry, where)]
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
        hardware = region.hardware
        if where.way.name != GATEWAY and has(where.way.hardware, HARDWARE_NONE):
            # A line's attempts have none in the plan, and any in the kernel.
            hardware = where.way.hardware if has(hardware, HARDWARE_NONE) else ()
        return where.box(
            who=universe.who_set(region.who),
            time=universe.time_set(0, region.when),
            hardware=hardware,
            source=intersect(region.source, where.addresses),
            destination=intersect(region.destination, where.addresses),
            service=region.service,
            led=universe.led_set(region.led),
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
        elif row.delivery is None:
            yield from self._passing(box, counters, where)
        else:
            address = coding.address(row.delivery.address)
            for service, port in by_port(row.delivery.port, box[SERVICE]):
                part = with_field(box, SERVICE, service)
                yield from self._delivered(part, counters, (address, port))

    def _passing(
        self, box: RawBox, counters: tuple[str, ...], where: Slice
    ) -> Iterator[tuple[RawBox, Fate]]:
        """First where the source does not stay as it is (kit, Translation), then all the rest."""
        if where.family == 4 and intersect(box[SOURCE], self.inside):
            lost = untranslatable(self.space, where)
            if lost is not None:
                yield tuple(map(intersect, box, lost)), Fate(False, "silent", (*counters, INVALID))
            tracked = with_field(box, SERVICE, subtract(box[SERVICE], self.untracked))
            leaving = with_field(with_field(tracked, SOURCE, self.inside), EXIT, self.space.out)
            yield leaving, Fate(True, None, counters, hidden=True)
        yield box, Fate(True, None, counters)

    def _delivered(
        self, box: RawBox, counters: tuple[str, ...], to: tuple[int, int | None]
    ) -> Iterator[tuple[RawBox, Fate]]:
        """An offer: where it leads follows from where it is delivered. Back into the area where it
        began, or out by a line, the source is hidden."""
        names = ways_to(self.plan, to[0])
        areas = [area.v4 for area in self.plan.areas if area.device in names]
        hidden: Ranges = coding.network(*areas)
        if intersect(self.space.exit_set(names), self.space.out):
            hidden = self.inside
        yield with_field(box, SOURCE, hidden), Fate(True, None, counters, to, hidden=True)
        yield box, Fate(True, None, counters, to)


def _perhaps(entry: Entry, where: Slice) -> Iterator[Entry]:
    """An entry after its parts where some kernels ask no decision."""
    if isinstance(entry.outcome, Fate):
        for box in this_network(where):
            part = tuple(map(intersect, entry.box, box or ()))
            if part and all(part):
                yield replace(entry, box=part, outcome=Perhaps(entry.outcome))
    yield entry


def with_field(box: RawBox, place: int, found: Ranges) -> RawBox:
    """The box with one field narrowed."""
    return (*box[:place], intersect(box[place], found), *box[place + 1 :])
