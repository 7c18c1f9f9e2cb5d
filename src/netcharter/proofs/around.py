"""Ways around: for each area and family, by which means a host gets round the gateway's resolver or
round what the rules mean (`channels`), and what lets it.

A means is *closed* where the engine has proven that no host of the area is ever let to use it: in no
environment, that is signed in or not, at any hour from now on, whatever lines are up. It is *open*
where some attempt is let, and *undecidable* where that attempt can't be told from something else that
is meant to be let. There is no fourth word: none of them says that anything is safe.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

from netcharter.diagnostics import Span
from netcharter.diagnostics.jsonshape import span_as_json
from netcharter.plan.coding import ANY4, ANY6, ANY_SERVICE
from netcharter.plan.shapes import LinePlan, Plan, Region, Row
from netcharter.plan.terms import Ground, Who, regions
from netcharter.proofs.ask import PIECES
from netcharter.proofs.certify import ProofFault, Prover, answered
from netcharter.proofs.channels import CHANNELS, Channel
from netcharter.proofs.promises import PromiseResult, ground_of
from netcharter.proofs.rows import summarise
from netcharter.proofs.start import network_of
from netcharter.proofs.story import Connection, Teller, polish, row_name
from netcharter.proofs.twins import prove_families
from netcharter.proofs.universe import SERVICE, TIME, service_codes
from netcharter.space.model import Point, RawBox
from netcharter.space.ranges import Ranges, has, intersect, size, subtract, union

Stands = Literal["open", "closed", "undecidable"]
FAMILY: Mapping[int, Ranges] = {4: ANY4, 6: ANY6}
Piece = tuple[RawBox, Row]


@dataclass(frozen=True, slots=True)
class Opening:
    """What lets a means: a decision, for whom, to where, with what and when, in words."""

    decided_by: str
    span: Span | None
    who: str
    to: str
    service: str
    when: str

    def as_json(self) -> Mapping[str, object]:
        """The documented shape."""
        return {
            "decided_by": self.decided_by,
            "span": span_as_json(self.span) if self.span else None,
            "from": self.who,
            "to": self.to,
            "service": self.service,
            "when": self.when,
        }


@dataclass(frozen=True, slots=True)
class Way:
    """How one means stands in an area and family. first: the earliest instant at which it is let,
    always: whether it is at all times; share: how many ports are let, and of how many, where that is
    counted; lines: by which lines, of `another-line`; witness: one such connection."""

    channel: Channel
    area: str
    family: int
    stands: Stands
    openings: tuple[Opening, ...] = ()
    always: bool = False
    first: datetime | None = None
    witness: Connection | None = None
    point: Point | None = None  # the same in the universe of the proof
    share: tuple[int, int] | None = None
    lines: tuple[str, ...] = ()

    def as_json(self) -> Mapping[str, object]:
        """The documented shape."""
        return {
            "channel": self.channel.key,
            "area": self.area,
            "family": f"IPv{self.family}",
            "stands": self.stands,
            "openings": [one.as_json() for one in self.openings],
            "always": self.always,
            "first": self.first.isoformat() if self.first else None,
            "witness": self.witness.as_json() if self.witness else None,
            "share": None if self.share is None else {"open": self.share[0], "of": self.share[1]},
            "lines": list(self.lines),
        }


@dataclass(frozen=True, slots=True)
class Around:
    """All of them, area by area, IPv4 first. families: the promise that IPv6 opens nothing that is
    refused in IPv4; complete: no opening was left out."""

    ways: tuple[Way, ...]
    families: PromiseResult
    complete: bool

    def of(self, area: str, family: int) -> tuple[Way, ...]:
        """Those of one area and family, in the order of the channels."""
        return tuple(one for one in self.ways if (one.area, one.family) == (area, family))


def around(prover: Prover) -> Around:
    """Every means in every area and family. Raises NoAnswer."""
    found: list[Way] = []
    complete = True
    for area in prover.plan.areas:
        for family in FAMILY:
            ways, whole = _Seat(prover, area.name, family).ways()
            found += ways
            complete = complete and whole
    return Around(tuple(found), prove_families(prover), complete)


def of_area(prover: Prover, area: str, channels: Sequence[Channel]) -> tuple[Way, ...]:
    """How some means stand in one area, IPv4 first, with a witness and without all that lets them: that
    takes much longer. Raises NoAnswer."""
    seats = (_Seat(prover, area, family, told=False) for family in FAMILY)
    return tuple(way for seat in seats for way in seat.ways(channels)[0])


class _Seat:
    """One area in one family. told: whether it is to be told what lets a means, and when."""

    def __init__(self, prover: Prover, area: str, family: int, told: bool = True) -> None:
        self.prover, self.area, self.family, self.whole = prover, area, family, told
        self.ground = ground_of(prover.plan)
        self.letting = frozenset(row.index for row in prover.plan.rows if row.let)
        self.told: dict[tuple[RawBox, ...], tuple[Opening, ...]] = {}

    def ways(self, channels: Sequence[Channel] = CHANNELS) -> tuple[list[Way], bool]:
        """How each means stands, and whether all openings are told."""
        far, complete = self._let(intersect(self.ground.internet, FAMILY[self.family]))
        near, whole = self._let(resolver_addresses(self.ground, self.family))
        pieces = {"internet": far, "resolver": near, "neighbours": far, "another-line": far}
        ways = [self._way(one, pieces[one.to]) for one in channels]
        return ways, complete and whole

    def _let(self, to: Ranges) -> tuple[list[Piece], bool]:
        """What is let to there, in disjoint pieces with who decides."""
        rows = self.prover.plan.rows
        boxes = self.prover.universe.boxes_of(_from(self.area, to, ANY_SERVICE))
        if not boxes or not self.whole:
            return [], True
        with answered():
            found = self.prover.survey(boxes, PIECES)
        let = [(p.box, rows[p.rule]) for p in found.pieces if p.rule in self.letting]
        return [(box, row) for box, row in let if row is not None], found.complete

    def _way(self, channel: Channel, pieces: Sequence[Piece]) -> Way:
        if channel.to == "another-line":
            return self._by_lines(channel, pieces)
        asked = asked_of(self.prover.plan, self.ground, channel, self.area, self.family)
        way = self._stands(channel, asked, pieces)
        if channel.to == "neighbours" and way.stands == "closed":
            return self._unknown(channel, pieces) or way
        return way

    def _stands(self, channel: Channel, asked: Sequence[Region], pieces: Sequence[Piece]) -> Way:
        """Asked of the engine by itself; the pieces tell who lets it, and when."""
        closed = Way(channel, self.area, self.family, "closed")
        boxes = self.prover.universe.boxes_of(asked)
        found = self.prover.decided(boxes, self.letting)
        inside = list(_cut(pieces, boxes))
        if found is None:
            if inside:
                raise ProofFault("what is proven never to be let is let by a piece of the answer")
            return closed
        assert found.rule is not None
        point = polish(self.prover.universe, self.prover.checker, found.point, boxes)
        row = self.prover.plan.rows[found.rule]
        times = union(*(box[TIME] for box, _ in inside)) or ((point[TIME], point[TIME]),)
        codes = service_codes(union(*(box[SERVICE] for box, _ in inside)))
        return replace(
            closed,
            stands="undecidable" if channel.hidden else "open",
            openings=self._openings(inside),
            always=size(times) == len(self.prover.universe.times),
            first=min(t.earliest for t in self.prover.universe.times if has(times, t.number)),
            witness=Teller(self.prover.universe).connection(point, row),
            point=point,
            share=(size(codes), channel.counted) if channel.counted else None,
        )

    def _openings(self, inside: Sequence[Piece]) -> tuple[Opening, ...]:
        key = tuple(box for box, _ in inside)
        if key not in self.told:
            self.told[key] = tuple(self._tell(inside))
        return self.told[key]

    def _tell(self, inside: Sequence[Piece]) -> Iterator[Opening]:
        by = sorted(((box, row.index) for box, row in inside), key=lambda pair: pair[1])
        for one in summarise(self.prover.universe, by):
            assert isinstance(one.key, int)
            row = self.prover.plan.rows[one.key]
            yield Opening(row_name(row), row.span, one.starter, one.to, one.service, one.when)

    def _unknown(self, channel: Channel, pieces: Sequence[Piece]) -> Way | None:
        """A line that learns its network: whoever is reached on the internet may be a neighbour."""
        lines = [one for one in self.prover.plan.lines if learns(one, self.family)]
        if not lines or (self.whole and not pieces):
            return None
        up = frozenset(
            state
            for state in range(1 << len(self.prover.plan.lines))
            if any(state >> (line.number - 1) & 1 for line in lines)
        )
        far = intersect(self.ground.internet, FAMILY[self.family])
        asked = [replace(one, lines=up) for one in _from(self.area, far, channel.services)]
        found = self._stands(replace(channel, hidden=True), asked, pieces)
        return None if found.stands == "closed" else replace(found, channel=channel)

    def _by_lines(self, channel: Channel, pieces: Sequence[Piece]) -> Way:
        """By which lines anything leaves. While one line alone is up, what is let leaves by it; and
        what leaves by a line while others are up, too, is let while it is alone."""
        plan = self.prover.plan
        far = intersect(self.ground.internet, FAMILY[self.family])
        found: list[tuple[LinePlan, Way]] = []
        for line in plan.lines:
            alone = frozenset({1 << (line.number - 1)})
            asked = [replace(one, lines=alone) for one in _from(self.area, far, channel.services)]
            way = self._stands(channel, asked, pieces)
            if way.stands != "closed":
                found.append((line, way))
        names = tuple(line.name for line, _ in found)
        if len(found) < 2:
            return Way(channel, self.area, self.family, "closed", lines=names)
        return replace(found[-1][1], lines=names)


def _cut(pieces: Sequence[Piece], boxes: Sequence[RawBox]) -> Iterator[Piece]:
    """The pieces as far as they lie in boxes of the same hosts, disjoint as the pieces are."""
    for piece, row in pieces:
        for box in boxes:
            shared = tuple(intersect(a, b) for a, b in zip(piece, box, strict=True))
            if all(shared):
                yield shared, row


def asked_of(
    plan: Plan, ground: Ground, channel: Channel, area: str, family: int
) -> tuple[Region, ...]:
    """All attempts of an area's hosts in a family that are this means, or look like it."""
    where = intersect(ground.internet, FAMILY[family])
    if channel.to == "resolver":
        where = resolver_addresses(ground, family)
    elif channel.to == "neighbours":
        where = neighbours(plan, ground, family)
    return _from(area, where, channel.services)


def _from(area: str, to: Ranges, services: Ranges) -> tuple[Region, ...]:
    return tuple(regions([Who(frozenset({area}))], to, services))


def resolver_addresses(ground: Ground, family: int) -> Ranges:
    """Where the gateway's own resolver is asked."""
    lines = union(*(line.own for line in ground.lines))
    return intersect(subtract(ground.gateway, lines), FAMILY[family])


def neighbours(plan: Plan, ground: Ground, family: int) -> Ranges:
    """The hosts in the lines' own networks, as far as the charter knows those."""
    networks = union(*(network_of(line) for line in plan.lines))
    return intersect(intersect(networks, ground.internet), FAMILY[family])


def learns(line: LinePlan, family: int) -> bool:
    """Whether a line carries a family in a network of its own that the charter does not know."""
    carries = line.carries4 if family == 4 else line.carries6
    return carries and not any(one.version == family for one in line.held)
