"""The classes of connections that exist, and one trial for each.

A class is: the decision, the entrance, where it goes, the family, the translation. Whether a class
exists is asked of the certified engine, over every attempt there is: a re-checked witness, or a
proof that there is none. A witness is then exchanged for a trial of the same class that a lab can
tell more of: sent from a machine that really holds its source, to one that answers.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from netcharter.plan import coding
from netcharter.plan.coding import HARDWARE_NONE, TCP, UDP
from netcharter.plan.shapes import Address, Row
from netcharter.probes.foresight import Foresight
from netcharter.probes.search import ECHO, Search, regions_of
from netcharter.probes.shapes import GATEWAY, Unprobed
from netcharter.probes.stage import FAMILIES, Stage, area_addresses
from netcharter.probes.trials import Trial, moved
from netcharter.probes.ways import NOWHERE, Class, Part, class_of, ways
from netcharter.space.ranges import has

TELLING = tuple(
    coding.service(protocol, port)[0]
    for protocol, port in ((TCP, 443), (TCP, 80), (TCP, 22), (UDP, 53))
)
SEATS_TRIED = 6
PLACES_TRIED = 4  # intervals of one place


@dataclass(frozen=True, slots=True)
class Found:
    """A class that exists, and a trial of it."""

    kind: Class
    row: Row
    trial: Trial
    foresight: Foresight


def classes(search: Search) -> tuple[tuple[Found, ...], tuple[Unprobed, ...]]:
    """Every class that exists, each once, in a lasting order; and those that cannot be tried."""
    found: dict[Class, Found] = {}
    cut: dict[Class, Unprobed] = {}
    for entrance in search.prover.universe.entrances:
        for family in FAMILIES:
            for parts in ways(search.stage, entrance, family):
                for row in search.stage.plan.rows:
                    one = _one(search, row, entrance, family, parts)
                    if isinstance(one, Found):
                        known = found.get(one.kind)
                        if known is None or (one.foresight.seen and not known.foresight.seen):
                            found[one.kind] = one
                    elif one is not None:
                        cut.setdefault(*one)
    return tuple(found.values()), tuple(why for kind, why in cut.items() if kind not in found)


def _one(
    search: Search, row: Row, entrance: str, family: int, parts: Sequence[Part]
) -> Found | tuple[Class, Unprobed] | None:
    """A trial that one decision decides among these attempts, if any exists."""
    regions = search.narrowed(regions_of(row, entrance, family), entrance, parts)
    last = search.witness(row, regions) if regions else None
    if last is None:
        return None
    for wish in search.wishes(entrance, family):
        found = tried(search, row, search.witness(row, regions, wish))
        if found is not None:
            return found
    said = search.said(entrance, family)
    last = search.witness(row, regions, said) or last
    found = tried(search, row, last)
    if found is not None:
        return found
    kind = class_of(search.stage, last, row)
    return kind, Unprobed(kind.told(row), search.foresee(last, row).why)


def tried(search: Search, row: Row, trial: Trial | None) -> Found | None:
    """The trial made telling; None where it cannot be tried."""
    foresight = search.foresee(trial, row) if trial is not None else None
    if trial is None or foresight is None or foresight.why:
        return None
    return polished(search, Found(class_of(search.stage, trial, row), row, trial, foresight))


# --- more telling ---------------------------------------------------------------------------------


def polished(search: Search, found: Found) -> Found:
    """The same class, tried in a way that tells more where there is one."""
    for wished in (_starters, _destinations, _services):
        for trial in wished(search.stage, found):
            if trial == found.trial:
                break
            if search.decider.row(trial) is not found.row:
                continue
            foresight = search.foresee(trial, found.row)
            worse = foresight.seen < found.foresight.seen
            if foresight.why or worse or class_of(search.stage, trial, found.row) != found.kind:
                continue
            found = replace(found, trial=trial, foresight=foresight)
            break
    return found


def _starters(stage: Stage, found: Found) -> Iterator[Trial]:
    """From machines that hold their source; where it is forged, one that somebody else has."""
    attempt, family = found.trial.attempt, found.kind.family
    pairs = list(starters(stage, attempt.entrance, family, attempt.hardware))
    if attempt.entrance in stage.areas:
        hardware = stage.seats.visitor(attempt.entrance).hardware
    else:
        hardware = HARDWARE_NONE
    pairs += ((hardware, address) for address in _of_others(stage, family, attempt.entrance))
    for number, address in pairs:
        yield moved(found.trial, source=stage.code(address), hardware=number)
    yield moved(found.trial, hardware=hardware)


def starters(
    stage: Stage, entrance: str, family: int, hardware: int
) -> Iterator[tuple[int, Address]]:
    """Hardware addresses with sources that belong to them, the plainest first."""
    if entrance in stage.areas:
        seats = [stage.seats.visitor(entrance), stage.seats.seat(entrance, hardware)]
        seats += stage.seats.at_home(entrance)[:SEATS_TRIED]
        for seat in seats:
            yield from ((seat.hardware, address) for address in seat.of_family(family))
    elif entrance in stage.lines:
        known = (*outer(stage, family, entrance), *stage.seats.line(entrance).of_family(family))
        yield from ((HARDWARE_NONE, address) for address in known)
    else:
        own = [a for area in stage.plan.areas for a in area_addresses(area) if a.version == family]
        own += (a for name in stage.lines for a in stage.addresses_on(name, family))
        yield from ((HARDWARE_NONE, address) for address in own)


def _of_others(stage: Stage, family: int, entrance: str) -> Iterator[Address]:
    """Addresses of hosts elsewhere, and one far away."""
    for area in stage.plan.areas:
        if area.name != entrance:
            yield from stage.seats.at_home(area.name)[0].of_family(family)[:1]
    far = stage.far(family)
    if far is not None:
        yield far


def outer(stage: Stage, family: int, line: str) -> Iterator[Address]:
    """Addresses beyond a line: far away, in each place, its next hop."""
    far = stage.far(family)
    if far is not None:
        yield far
    for places in stage.plan.places.values():
        for low, high in places[:PLACES_TRIED]:
            address = coding.decode(min(low + 1, high))
            if not isinstance(address, tuple) and address.version == family:
                yield address
    yield from (hop for hop in stage.hops(line) if hop.version == family)


def _destinations(stage: Stage, found: Found) -> Iterator[Trial]:
    """Machines that are there: devices, a visitor, the gateway as its neighbours know it."""
    attempt, kind = found.trial.attempt, found.kind
    if found.row.delivery is not None:
        return
    for address in _ends(stage, kind, attempt.entrance):
        if address.version == kind.family:
            yield moved(found.trial, destination=stage.code(address))


def _ends(stage: Stage, kind: Class, entrance: str) -> Iterable[Address]:
    if kind.exit in stage.areas:
        home = stage.seats.at_home(kind.exit)
        return (a for seat in (*home[:SEATS_TRIED], home[-1]) for a in seat.own[:3])
    if kind.exit == GATEWAY:
        areas = [stage.areas[entrance]] if entrance in stage.areas else list(stage.plan.areas)
        return (address for area in areas for address in area_addresses(area))
    if kind.exit == NOWHERE:
        found = stage.nowhere(kind.family)
        return () if found is None else (found,)
    first = kind.exit.split(" or ")[0]
    return outer(stage, kind.family, first) if first in stage.lines else ()


def _services(stage: Stage, found: Found) -> Iterator[Trial]:
    for service in (*TELLING, ECHO[found.kind.family]):
        yield moved(found.trial, service=service)


def held(stage: Stage, trial: Trial) -> bool:
    """Does the machine that sends a trial hold its source, so that it can also talk from it?"""
    attempt = trial.attempt
    address = stage.real(attempt.source)
    if address is None or address.is_link_local:
        return False
    if attempt.entrance not in stage.areas:
        return True
    own = has(stage.areas[attempt.entrance].hosts, attempt.source)
    holder = stage.seats.holder(attempt.entrance, address) if own else None
    return holder is not None and holder.hardware == attempt.hardware
