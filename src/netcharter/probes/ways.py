"""All attempts from one entrance, parted by where they go.

The parts are sets for the certified engine: destinations, sources and line states that share one
way through the gateway. What a single attempt belongs to is told by `class_of`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from netcharter.plan import coding
from netcharter.plan.coding import ICMP
from netcharter.plan.exits import common, minus
from netcharter.plan.shapes import Address, ExitPlan, Region, Row
from netcharter.probes.foresight import TRACKED
from netcharter.probes.shapes import GATEWAY
from netcharter.probes.stage import EVERYBODY, MULTICAST, Stage
from netcharter.probes.trials import ANY, Trial, exit_chosen
from netcharter.proofs.story import row_name
from netcharter.space.ranges import Ranges, has, intersect, ranges, subtract, union

# Without a conversation nothing is translated; see `foresight.TRACKED`.
UNTRACKED = ranges(
    *(coding.service(ICMP, t << 8, (t << 8) + 255) for t in range(256) if t not in TRACKED[4])
)
TRACKABLE = subtract(coding.ANY_SERVICE, UNTRACKED)
NOWHERE, MANY, NO_WAY = "nowhere", "many", "no way out"
HIDDEN, DELIVERED = "hidden", "delivered"
BACK, ACROSS = "back into the same area", "across areas by the public name"


@dataclass(frozen=True, slots=True)
class Class:
    """What all trials of one class share. exit: an area, a line (or several, joined by "or"),
    gateway, many, nowhere, no way out. translation: "", or one of those above.
    """

    label: str
    entrance: str
    exit: str
    family: int
    translation: str

    def told(self, row: Row) -> str:
        """In words."""
        shown = f", {self.translation}" if self.translation else ""
        way = f"{self.entrance} to {self.exit}, IPv{self.family}{shown}"
        return f"decided by {row_name(row)}: {way}"


@dataclass(frozen=True, slots=True)
class Part:
    """Some of the attempts that go one way: destinations, sources, line states, services, hardware
    addresses (None: any).
    """

    destination: Ranges
    source: Ranges | None = None
    states: frozenset[int] | None = None
    service: Ranges | None = None
    hardware: Ranges | None = None


# --- one attempt ----------------------------------------------------------------------------------


def class_of(stage: Stage, trial: Trial, row: Row) -> Class:
    """The class of a trial that `row` decides."""
    attempt = trial.attempt
    family = trial.family
    if row.delivery is not None:
        area = _area_of(stage, row.delivery.address)
        how = DELIVERED
        if attempt.entrance in stage.areas:
            how = BACK if area == attempt.entrance else ACROSS
        return Class(row.label, attempt.entrance, area, family, how)
    out = leads_to(stage, trial)
    hides = row.let and family == 4 and out in _line_names(stage) and _hides(stage, trial)
    return Class(row.label, attempt.entrance, out, family, HIDDEN if hides else "")


def leads_to(stage: Stage, trial: Trial) -> str:
    """Where an attempt goes as sent."""
    attempt, up = trial.attempt, trial.environment.lines
    family = trial.family
    destination = attempt.destination
    spot = stage.spot(destination)
    if has(stage.plan.gateway, destination):
        return GATEWAY
    if spot.kind in ("group", "deaf"):
        return MANY
    area = next((a.name for a in stage.plan.areas if has(a.whole, destination)), None)
    if area is not None:
        return area
    if not has(stage.plan.internet, destination):
        return NOWHERE
    near = stage.near(family, destination)
    source = stage.real(attempt.source)
    if source is None:
        return near if near is not None and near in up else NO_WAY
    chosen = exit_chosen(stage.plan, trial)
    return " or ".join(sorted(stage.exit(family, source, up, chosen, near).names)) or NO_WAY


def _line_names(stage: Stage) -> frozenset[str]:
    return frozenset(stage.lines)


def _hides(stage: Stage, trial: Trial) -> bool:
    source = stage.real(trial.attempt.source)
    protocol, number = trial.attempt.service >> 16, trial.attempt.service & 0xFFFF
    tracked = protocol != ICMP or number >> 8 in TRACKED[4]
    return source is not None and stage.inside4(source) and tracked


def _area_of(stage: Stage, address: Address) -> str:
    code = coding.address(address)
    return next(area.name for area in stage.plan.areas if has(area.whole, code))


# --- all attempts ---------------------------------------------------------------------------------


def ways(stage: Stage, entrance: str, family: int) -> Iterator[tuple[Part, ...]]:
    """Groups of parts; the attempts of one group go one way, all groups together are everything."""
    plan, numbers = stage.plan, ANY[family]
    own = intersect(plan.gateway, numbers)
    edges = union(MULTICAST[family], stage.broadcasts, EVERYBODY)
    many = subtract(intersect(edges, numbers), own)
    taken = union(own, many)
    for area in plan.areas:
        yield (Part(subtract(intersect(area.whole, numbers), taken)),)
    yield (Part(own),)
    yield (Part(many),)
    rest = subtract(numbers, union(taken, *(area.whole for area in plan.areas)))
    yield (Part(subtract(rest, plan.internet)),)
    for group in _exits(stage, entrance, family, intersect(rest, plan.internet)):
        if family == 6 or entrance in stage.lines:
            yield group
            continue
        yield tuple(_narrowed(part, UNTRACKED) for part in group)
        tracked = tuple(_narrowed(part, TRACKABLE) for part in group)
        yield from _by_hiding(stage, tracked) if entrance == GATEWAY else (tracked,)


def _narrowed(part: Part, service: Ranges) -> Part:
    return replace(part, service=intersect(part.service or coding.ANY_SERVICE, service))


def _by_hiding(stage: Stage, group: tuple[Part, ...]) -> Iterator[tuple[Part, ...]]:
    """Only the gateway itself has sources that are hidden beside others that are not."""
    inside = coding.network(*(area.v4 for area in stage.plan.areas))
    for sources in (inside, subtract(coding.ANY4, inside)):
        yield tuple(
            replace(part, source=intersect(part.source or coding.ANY4, sources)) for part in group
        )


def _exits(stage: Stage, entrance: str, family: int, beyond: Ranges) -> Iterator[tuple[Part, ...]]:
    """The internet, by the lines that lead there."""
    found: dict[frozenset[str], list[Part]] = {}
    links = dict(stage.links(family))
    states = dict(line_states(stage))
    far = subtract(beyond, union(*links.values()) if links else ())
    for chosen, part in _by_exit(stage, entrance, family, beyond):
        for sources in _kinds_of_source(stage, family):
            source = intersect(sources, part.source)
            for link, net in ((None, far), *links.items()) if source else ():
                there = intersect(part.destination, net)
                grouped = _grouped(stage, family, sources, states, chosen, link) if there else {}
                for names, same in grouped.items():
                    found.setdefault(names, []).append(_part(part, source, there, same))
    yield from map(tuple, found.values())


def _part(one: Region, source: Ranges, destination: Ranges, states: frozenset[int]) -> Part:
    return Part(destination, source, states, one.service, one.hardware)


def _by_exit(
    stage: Stage, entrance: str, family: int, beyond: Ranges
) -> Iterator[tuple[ExitPlan | None, Region]]:
    """What is for the internet, parted by the charter's exit that is about it, disjoint."""
    whole = Region(
        frozenset({entrance}), ANY[family], beyond, coding.ANY_SERVICE, coding.ANY_HARDWARE
    )
    earlier: list[Region] = []
    for one in stage.plan.exits:
        mine = [shared for r in one.regions if (shared := common(r, whole)) is not None]
        for region in mine:
            yield from ((one, part) for part in minus(region, earlier))
            earlier.append(region)
    yield from ((None, part) for part in minus(whole, earlier))


def _kinds_of_source(stage: Stage, family: int) -> Iterator[Ranges]:
    """Sources that leave alike: those pinned to a line, line by line, and all others."""
    pinned = [kind for name in stage.lines for kind in stage.pinned_sources(family, name) if kind]
    yield subtract(ANY[family], union(*pinned) if pinned else ())
    yield from pinned


def _grouped(
    stage: Stage,
    family: int,
    sources: Ranges,
    states: dict[int, frozenset[str]],
    chosen: ExitPlan | None,
    near: str | None,
) -> dict[frozenset[str], frozenset[int]]:
    """Line states by the lines that such a source leaves by, to the own network of the line `near`."""
    sample = next(a for low, _ in sources if not isinstance(a := coding.decode(low), tuple))
    found: dict[frozenset[str], frozenset[int]] = {}
    for state, up in states.items():
        names = stage.exit(family, sample, up, chosen, near).names
        found[names] = found.get(names, frozenset()) | {state}
    return found


def line_states(stage: Stage) -> Iterator[tuple[int, frozenset[str]]]:
    """Every line state (bit i: line i is up) with the lines that are up."""
    names = [line.name for line in stage.plan.lines]
    for state in range(1 << len(names)):
        yield state, frozenset(name for bit, name in enumerate(names) if state >> bit & 1)
