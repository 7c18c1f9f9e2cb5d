"""What can be reached from an area or a line, as rows: the exact answer, kept apart by weight."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from netcharter.plan.coding import SYMBOLS, V6
from netcharter.plan.shapes import Row
from netcharter.proofs import Proof
from netcharter.proofs.ask import AskRow, Inquiry, ask
from netcharter.proofs.story import row_name
from netcharter.report.wording import Sources, Spot

GATEWAY = "the gateway itself"


@dataclass(frozen=True, slots=True)
class Reached:
    """One row: to a destination, with services, for whom, when, by which decision."""

    to: str
    service: str
    who: str
    when: str
    decided_by: str
    because: str
    spot: Spot | None
    arrives: str = ""  # where a translated connection is really delivered
    family: str = ""


@dataclass(frozen=True, slots=True)
class Destination:
    """Everything that is let to one destination."""

    to: str
    rows: tuple[Reached, ...]


@dataclass(frozen=True, slots=True)
class From:
    """All that can be reached from one entrance, and nothing else if `complete`."""

    name: str
    number: int
    chosen: tuple[Destination, ...]
    housekeeping: tuple[Destination, ...]
    complete: bool

    @property
    def is_gateway(self) -> bool:
        return self.name == GATEWAY


@dataclass(frozen=True, slots=True)
class Family:
    """What the internet sees of one line in one family; no rows: nothing."""

    name: str
    carried: bool
    rows: tuple[Reached, ...]


@dataclass(frozen=True, slots=True)
class Seen:
    """What the internet sees of one line: offers by family, what rules let, housekeeping."""

    name: str
    number: int
    families: tuple[Family, ...]
    rules: tuple[Destination, ...]
    housekeeping: tuple[Destination, ...]
    complete: bool


def from_areas(proof: Proof, sources: Sources) -> tuple[From, ...]:
    """Per area, and for the gateway itself, everything that can be reached from it."""
    names = [*(area.name for area in proof.prover.plan.areas), "gateway"]
    return tuple(_from(proof, name, n, sources) for n, name in enumerate(names, 1))


def from_lines(proof: Proof, sources: Sources) -> tuple[Seen, ...]:
    """Per line, everything that the internet can reach through it."""
    return tuple(_seen(proof, number, sources) for number in range(len(proof.prover.plan.lines)))


def _from(proof: Proof, name: str, number: int, sources: Sources) -> From:
    chosen, own, complete = _answer(proof, name, sources)
    return From(
        name=GATEWAY if name == "gateway" else name,
        number=number,
        chosen=_by_destination(told for _, told in chosen),
        housekeeping=_by_destination(told for _, told in own),
        complete=complete,
    )


def _seen(proof: Proof, number: int, sources: Sources) -> Seen:
    line = proof.prover.plan.lines[number]
    chosen, own, complete = _answer(proof, line.name, sources)
    offers = [told for row, told in chosen if row is not None and row.kind == "offer"]
    rules = [told for row, told in chosen if row is None or row.kind != "offer"]
    carried = {"IPv4": line.carries4, "IPv6": line.carries6}
    return Seen(
        name=line.name,
        number=number + 1,
        families=tuple(
            Family(name, carries, tuple(o for o in offers if name in o.family))
            for name, carries in carried.items()
        ),
        rules=_by_destination(rules),
        housekeeping=_by_destination(told for _, told in own),
        complete=complete,
    )


Pair = tuple[Row | None, Reached]


def _answer(
    proof: Proof, name: str, sources: Sources
) -> tuple[Sequence[Pair], Sequence[Pair], bool]:
    """What the charter lets from an entrance, what housekeeping lets, and whether that is all."""
    answer = ask(proof.prover, Inquiry(who=(name,)))
    known = {row_name(row): row for row in proof.prover.plan.rows}
    pairs = [_told(row, name, known, sources) for row in answer.rows]
    own = [p for p in pairs if p[0] is not None and p[0].kind == "housekeeping"]
    return [p for p in pairs if p not in own], own, answer.complete


def _told(asked: AskRow, name: str, known: Mapping[str, Row], sources: Sources) -> Pair:
    row = known.get(asked.decided_by)
    told = Reached(
        to=asked.to,
        service=asked.service,
        who=_whoever(asked.starter, name),
        when=asked.when,
        decided_by=asked.decided_by,
        because=row.because if row else "",
        spot=sources.spot(asked.span),
        arrives=_arrival(row) if row else "",
        family=_families(row) if row else "",
    )
    return row, told


def _whoever(starter: str, name: str) -> str:
    """Who starts; short where it is simply everybody at the entrance a table is about."""
    return "anyone there" if starter == name else starter


def _arrival(row: Row) -> str:
    if row.delivery is None:
        return ""
    port = "" if row.delivery.port is None else f", port {row.delivery.port}"
    return f"{row.delivery.device} ({row.delivery.address}{port})"


def _families(row: Row) -> str:
    found = {_family(region.source[0][0]) for region in row.regions if region.source}
    return " and ".join(sorted(found))


def _family(code: int) -> str:
    if code >= SYMBOLS:
        return "IPv6" if (code - SYMBOLS) % 2 else "IPv4"
    return "IPv6" if code >= V6 else "IPv4"


def _by_destination(rows: Iterable[Reached]) -> tuple[Destination, ...]:
    """Rows grouped by destination, in the order in which the destinations first occur."""
    found = list(dict.fromkeys(rows))
    order = {to: n for n, to in enumerate(dict.fromkeys(row.to for row in found))}
    ordered = sorted(found, key=lambda row: order[row.to])
    return tuple(Destination(to, tuple(same)) for to, same in _grouped(ordered))


def _grouped(rows: Sequence[Reached]) -> Iterator[tuple[str, Iterator[Reached]]]:
    return groupby(rows, key=lambda row: row.to)
