"""All that a rehearsal tries: classes, boundaries, conversations and odd packets, in order.

`docs/explanation/rehearsal.md` tells what is tried and why.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from netcharter.plan.coding import HARDWARE_NONE
from netcharter.plan.shapes import Address, Plan
from netcharter.probes import pacing
from netcharter.probes.around import PURPOSE
from netcharter.probes.boundaries import Boundary, boundaries
from netcharter.probes.classes import classes
from netcharter.probes.extras import extras
from netcharter.probes.foresight import Foresight, foresee, starts_nothing
from netcharter.probes.leading import settled
from netcharter.probes.pacing import Pacer
from netcharter.probes.search import Search
from netcharter.probes.seats import Seat
from netcharter.probes.settings import setting
from netcharter.probes.shapes import (
    GATEWAY,
    Packet,
    Probe,
    Programme,
    Setting,
    Shape,
    Station,
    Unprobed,
    World,
)
from netcharter.probes.stage import LINK_LOCAL, Stage
from netcharter.probes.telling import Teller
from netcharter.probes.trials import Trial
from netcharter.proofs.certify import Prover
from netcharter.proofs.story import row_name
from netcharter.space.ranges import has, union

MOST = 6_000  # probes, unless said
FIRST_PORT, PORTS = 10_000, 50_000  # source ports, so that every packet of a batch has its own
PURPOSES = 3  # of one probe that are told
FEW = 3  # edges of one decision that are listed one by one

Key = tuple[str, Address, Address, int, int, int | None, Shape, Setting]


@dataclass(slots=True)
class _Draft:
    """A probe before it has its number."""

    trial: Trial
    station: str
    foresight: Foresight
    setting: Setting
    purposes: list[str]


@dataclass(slots=True)
class _Collected:
    """Probes by what they send and in which setting; each is tried once. paced: under which key what
    was asked for stands, where it comes from another source."""

    stage: Stage
    limit: int
    drafts: dict[Key, _Draft] = field(default_factory=dict)
    unprobed: dict[Unprobed, None] = field(default_factory=dict)
    cut: int = 0
    paced: dict[Key, Key] = field(default_factory=dict)
    pacer: Pacer = field(init=False)
    _settings: dict[tuple[object, int], Setting] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.pacer = Pacer(self.stage)

    @property
    def room(self) -> int:
        """How many more probes there may be."""
        return max(0, self.limit - len(self.drafts))

    def add(self, trial: Trial, purpose: str) -> None:
        """Another trial, unless it cannot be made or there are too many."""
        trial = answering(trial)
        foresight = foresee(self.stage, trial)
        if foresight.expected is None:
            self.unprobed[Unprobed(purpose, foresight.why)] = None
            return
        key = self._key(trial)
        if self._known(self.paced.get(key, key), purpose):
            return
        if self.room < 1:
            self.cut += 1
            return
        paced = self.pacer.paced(trial, foresight)
        if paced is None:
            self.unprobed[Unprobed(purpose, pacing.WHY)] = None
            return
        sent = self._key(paced)
        self.paced[key] = sent
        if not self._known(sent, purpose):
            self.drafts[sent] = _Draft(paced, self._station(paced), foresight, key[-1], [purpose])

    def _known(self, key: Key, purpose: str) -> bool:
        """Whether such a probe is there; then it is for this, too."""
        known = self.drafts.get(key)
        if known is not None and purpose not in known.purposes:
            known.purposes.append(purpose)
        return known is not None

    def _key(self, trial: Trial) -> Key:
        source, destination = self.ends(trial)
        state = self._setting(trial, source.version)
        station = self._station(trial)
        hardware = None if trial.attempt.hardware == HARDWARE_NONE else trial.attempt.hardware
        service = trial.attempt.service
        return (
            station,
            source,
            destination,
            service >> 16,
            service & 0xFFFF,
            hardware,
            trial.shape,
            state,
        )

    def ends(self, trial: Trial) -> tuple[Address, Address]:
        source = self.stage.real(trial.attempt.source)
        destination = self.stage.real(trial.attempt.destination)
        assert source is not None and destination is not None  # else there is no expectation
        return source, destination

    def _setting(self, trial: Trial, family: int) -> Setting:
        key = (trial.environment, family)
        if key not in self._settings:
            self._settings[key] = setting(self.stage.plan, trial.environment, family)
        return self._settings[key]

    def _station(self, trial: Trial) -> str:
        entrance = trial.attempt.entrance
        if entrance == GATEWAY:
            return GATEWAY
        seats = self.stage.seats
        if entrance in self.stage.lines:
            return seats.line(entrance).name
        return seats.seat(entrance, trial.attempt.hardware).name


def programme(plan: Plan, world: World, now: datetime, *, limit: int = MOST) -> Programme:
    """What to try of a plan from `now` on, at most `limit` probes; the same for the same plan."""
    plan = settled(plan, world)
    stage = Stage(plan, world)
    search = Search(stage, Prover(plan, now))
    found, missing = classes(search)
    collected = _Collected(stage, limit)
    collected.unprobed.update(dict.fromkeys(missing))
    for one in found:
        collected.add(one.trial, one.kind.told(one.row))
    for extra in extras(search, found):
        collected.add(extra.trial, extra.purpose)
    edges, hidden = boundaries(search, found, now, collected.room)
    collected.unprobed.update(dict.fromkeys(hidden))
    for edge in edges:
        if collected.room < 2:  # both sides or none
            collected.cut += 2
            continue
        for trial, purpose in sides(edge):
            collected.add(trial, purpose)
    return _arranged(collected)


def chosen(
    plan: Plan, world: World, trials: Iterable[tuple[Trial, str]], *, limit: int = MOST
) -> Programme:
    """A programme of these trials, each with why it is made, and of no others."""
    collected = _Collected(Stage(settled(plan, world), world), limit)
    for trial, purpose in trials:
        collected.add(answering(trial), purpose)
    return _arranged(collected)


def answering(trial: Trial) -> Trial:
    """A trial that sends an ICMP error or reply, marked as such."""
    if trial.shape == "plain" and starts_nothing(trial.family, trial.attempt.service):
        return replace(trial, shape="no-question")
    return trial


def sides(edge: Boundary) -> Iterator[tuple[Trial, str]]:
    """Both sides of a boundary, with the purpose of each."""
    name = row_name(edge.row)
    inside, outside = edge.words
    yield edge.inside, f"just inside {name}: {edge.field} {inside}"
    yield edge.outside, f"just outside {name}: {edge.field} {outside}"


# --- order, numbers, stations ---------------------------------------------------------------------


def _arranged(collected: _Collected) -> Programme:
    teller = Teller(collected.stage)
    drafts = sorted(collected.drafts.values(), key=_order)
    probes = tuple(_probe(collected, teller, number, d) for number, d in enumerate(drafts, 1))
    unprobed = list(_gathered(collected.unprobed))
    if collected.cut:
        words = f"{collected.cut} more probes"
        unprobed.append(Unprobed(words, f"a rehearsal has at most {collected.limit} probes"))
    rows = tuple(
        (purpose, number)
        for number, draft in enumerate(drafts, 1)
        for purpose in draft.purposes
        if purpose.startswith(f"{PURPOSE}: ")
    )
    return Programme(_stations(collected.stage, probes), probes, tuple(unprobed), rows)


def _order(draft: _Draft) -> tuple[object, ...]:
    """Few changes of setting, and within one setting few changes of what is counted."""
    state, expected = draft.setting, draft.foresight.expected
    assert expected is not None
    return (
        -len(state.up),
        sorted(state.up),
        sorted(state.open),
        -1 if state.identity is None else state.identity,
        sorted(state.joins),
        expected.counters,
        draft.trial.shape,
    )


def _probe(collected: _Collected, teller: Teller, number: int, draft: _Draft) -> Probe:
    source, destination = collected.ends(draft.trial)
    attempt = draft.trial.attempt
    expected, row = draft.foresight.expected, draft.foresight.row
    assert expected is not None
    return Probe(
        number=number,
        station=draft.station,
        packet=Packet(
            source=source,
            destination=destination,
            protocol=attempt.service >> 16,
            number=attempt.service & 0xFFFF,
            port=FIRST_PORT + number % PORTS,
            hardware=_sent_from(collected.stage, attempt.entrance, attempt.hardware),
        ),
        shape=draft.trial.shape,
        setting=draft.setting,
        expected=expected,
        row=row.label if draft.foresight.seen or row.routed else "",
        purpose=_purposes(draft.purposes),
        told=teller.told(draft.trial, draft.station, source, destination),
    )


def _sent_from(stage: Stage, entrance: str, hardware: int) -> int | None:
    if entrance in stage.lines:
        return stage.seats.line(entrance).hardware
    return None if hardware == HARDWARE_NONE else hardware


def _purposes(purposes: Sequence[str]) -> str:
    more = len(purposes) - PURPOSES
    rest = [f"and {more} more reasons"] if more > 0 else []
    return "; ".join([*purposes[:PURPOSES], *rest])


def _gathered(unprobed: Iterable[Unprobed]) -> Iterator[Unprobed]:
    """Classes of one decision that cannot be tried for one reason are one entry, all of them named;
    of many such edges, the first is.
    """
    groups: dict[tuple[str, str], list[str]] = {}
    for one in unprobed:
        head = one.what.partition(" between ")[0].partition(": ")[0]
        groups.setdefault((head, one.why), []).append(one.what)
    for (head, why), each in groups.items():
        if each[0].startswith("decided by "):
            tails = [what.removeprefix(f"{head}: ") for what in each]
            yield Unprobed(f"{head}: {'; '.join(tails)}", why)
        elif len(each) > FEW:
            yield Unprobed(f"{len(each)} like this: {each[0]}", why)
        else:
            yield from (Unprobed(what, why) for what in each)


def _stations(stage: Stage, probes: Sequence[Probe]) -> tuple[Station, ...]:
    """Every machine that sends or receives, with the addresses it needs."""
    seats = {seat.name: seat for seat in stage.seats.all()}
    needed: dict[str, dict[Address, None]] = {
        stage.seats.line(name).name: dict.fromkeys(stage.hops(name)) for name in stage.lines
    }
    for probe in probes:
        if probe.station != GATEWAY:
            needed.setdefault(probe.station, {})
        for seat, address in _used(stage, seats, probe):
            needed.setdefault(seat.name, {})[address] = None
    return tuple(
        Station(name, seats[name].entrance, seats[name].hardware, _sorted(stage, seats[name], held))
        for name, held in needed.items()
    )


def _used(stage: Stage, seats: dict[str, Seat], probe: Probe) -> Iterator[tuple[Seat, Address]]:
    """The addresses that a probe needs somebody to hold, and who it is."""
    sender = seats.get(probe.station)
    source = probe.packet.source
    if sender is not None:
        if sender.entrance in stage.areas:
            area = stage.areas[sender.entrance]
            if has(union(area.hosts, LINK_LOCAL), stage.code(source)):
                yield stage.seats.holder(area.name, source), source
        elif _on(stage, sender.entrance, source):
            yield sender, source
    for name in probe.expected.arrives:
        seat, end = seats.get(name), probe.expected.destination
        if seat is None or end is None:
            continue
        if seat.entrance in stage.areas or _on(stage, seat.entrance, end):
            yield seat, end


def _on(stage: Stage, line: str, address: Address) -> bool:
    """Is it an address on a line itself, and not the gateway's?"""
    code = stage.code(address)
    if has(stage.plan.gateway, code):
        return has(LINK_LOCAL, code)
    return any(name == line and has(net, code) for name, net in stage.links(address.version))


def _sorted(stage: Stage, seat: Seat, held: Iterable[Address]) -> tuple[Address, ...]:
    """In a lasting order, without the link-local address that a machine gives itself."""
    own = seat.own[-1:] if seat.entrance in stage.areas else ()
    return tuple(sorted((a for a in held if a not in own), key=lambda a: (a.version, int(a))))
