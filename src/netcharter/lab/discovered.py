"""Discovery in a lab: the kit's own relay at the gateway, and a machine of each area that asks and tells.

Every machine asks for each type that the charter speaks of and for one that it does not, and answers
as one that offers them all, with names that nobody else uses; everybody listens. What is heard where
is compared with the charter's sentences: a question too many is as wrong as an answer too few. What
is not to come through is sent along: services of another type, hosts that offer none, a service that
is called like a type that may be found.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field

from netcharter.lab import isolation, tools
from netcharter.lab.advertised import host_of
from netcharter.lab.multicast import (
    AAAA,
    ASKS,
    GROUP,
    PTR,
    SRV,
    TELLS,
    TXT,
    A,
    Listener,
    Told,
    asking,
    labels,
    send,
    telling,
)
from netcharter.lab.serving import running
from netcharter.lab.site import KIT, Site
from netcharter.plan.shapes import Address, AreaPlan, Plan
from netcharter.probes.shapes import GATEWAY, Place, Station
from netcharter.render.discovery import CONF, PROGRAM_FILE, involved
from netcharter.render.escape import bare_device

PATIENCE = 10.0  # seconds until all is heard that is to be
AFTER = 0.5  # seconds in which what is too much may still come
LOOK = 0.05  # seconds between two looks
PACE = 200  # records a second: the relay sends an area no more than 100 messages
ELSE = "_netcharter-else._tcp.local"  # a type of which no charter speaks


@dataclass(frozen=True, slots=True)
class Discovered:
    """What became of discovery. skipped: why nothing was tried, else ""; areas: in how many a machine
    asked, told and listened; found: how many questions and answers came through, as they are to;
    kept: how many did not, as they are not to; untried: sentences; differences: sentences."""

    skipped: str = ""
    areas: int = 0
    found: int = 0
    kept: int = 0
    untried: tuple[str, ...] = ()
    differences: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        return not self.differences


Heard = tuple[str, int, Told]  # the area, the family, and what


@dataclass(frozen=True, slots=True)
class Machine:
    """A machine of an area that takes part. sources: its address in each family."""

    area: AreaPlan
    place: Place
    sources: Mapping[int, Address]


def discovered(
    plan: Plan, files: Mapping[str, bytes], site: Site, stations: Sequence[Station]
) -> Discovered:
    """Let hosts of a site find each other. Raises CommandFailed where the relay does not begin."""
    if CONF not in files:
        return Discovered("nothing is found across areas")
    machines = {one.area.name: one for one in _machines(plan, site, stations)}
    _speaking(plan, site, machines.values())
    gateway = site.places[GATEWAY].namespace
    with ExitStack() as running:
        ear = Listener({name: one.place for name, one in machines.items()})
        running.callback(ear.close)
        still_there = running.enter_context(relay(gateway, files))
        wrong = _begun(plan, machines, ear, still_there)
        trial = Trial(plan, machines, ear)
        for one in machines.values() if not wrong else ():
            for family in one.sources:
                still_there()
                trial.go(one, family)
        wrong += trial.differences()
    return Discovered(
        areas=len(machines),
        found=len(trial.wanted),
        kept=trial.sent * 2 * (len(machines) - 1) - len(trial.wanted),
        untried=tuple(
            f"{area.name}: nobody is there who could ask"
            for area in plan.areas
            if area.name not in machines
        ),
        differences=tuple(wrong),
    )


def _machines(plan: Plan, site: Site, stations: Sequence[Station]) -> Iterator[Machine]:
    for area in plan.areas:
        station = host_of(plan, area, stations)
        if station is not None:
            inside: dict[int, Address] = {
                one.version: one
                for one in reversed(station.addresses)
                if one.version == 4 or any(one in s.network for s in area.subnets6)
            }
            if inside:
                yield Machine(area, site.places[station.name], inside)


def _speaking(plan: Plan, site: Site, machines: Iterable[Machine]) -> None:
    """Where the lab has kept devices from the groups, they take part from now on."""
    for namespace, device in (
        *((site.places[GATEWAY].namespace, bare_device(one.device)) for one in involved(plan)),
        *((one.place.namespace, one.place.device) for one in machines),
    ):
        with isolation.inside(namespace):
            tools.run(("ip", "link", "set", "dev", device, "multicast", "on"))


@contextmanager
def relay(namespace: str, files: Mapping[str, bytes]) -> Iterator[Callable[[], None]]:
    """The kit's relay at the gateway. Yields what raises CommandFailed once it has ended by itself."""
    for name in (PROGRAM_FILE, CONF):
        with open(os.path.join(KIT, name), "wb") as file:
            file.write(files[name])
    command = [sys.executable, "-I", "-B", f"{KIT}/{PROGRAM_FILE}", f"{KIT}/{CONF}"]
    with running(namespace, command, PROGRAM_FILE, f"{KIT}/said") as still_there:
        yield still_there


# --- what is to be heard -------------------------------------------------------------------------


def _types(plan: Plan) -> list[str]:
    every = dict.fromkeys(f"{t.name}.local" for one in plan.discovery for t in one.types)
    return [*every, ELSE]


def _hearing(plan: Plan, area: str, kind: str, asks: bool) -> frozenset[str]:
    """The areas that are to hear a question from an area, or an answer from it, for a type."""
    return frozenset(
        other.name
        for one in plan.discovery
        if kind in {f"{each.name}.local" for each in one.types}
        and area in {each.name for each in (one.who if asks else one.where)}
        for other in (one.where if asks else one.who)
        if other.name != area
    )


def _begun(
    plan: Plan, machines: Mapping[str, Machine], ear: Listener, still_there: Callable[[], None]
) -> list[str]:
    """Wait until the relay asks, as it does when it begins; what is wrong then."""
    waiting = {
        (where.name, family, f"{each.name}.local")
        for one in plan.discovery
        for where in one.where
        for each in one.types
        for family in GROUP
        if where.name in machines
    }
    end = time.monotonic() + PATIENCE
    while waiting and time.monotonic() < end:
        still_there()
        for area, family, told in ear.hear(LOOK):
            waiting.discard((area, family, ".".join(told.name)))
    return [
        f"in {area} the gateway did not ask for {kind} in IPv{family}"
        for area, family, kind in sorted(waiting)
    ]


# --- who asks and tells --------------------------------------------------------------------------


@dataclass(slots=True)
class Trial:
    """What machines have sent, and what of it was to be heard, and was. marks: what names of this
    trial have in them."""

    plan: Plan
    machines: Mapping[str, Machine]
    ear: Listener
    wanted: set[Heard] = field(default_factory=set)
    heard: set[Heard] = field(default_factory=set)
    marks: set[str] = field(default_factory=set)
    sent: int = 0

    def go(self, one: Machine, family: int) -> None:
        """A machine asks for everything and offers everything, in a family."""
        mark = f"n{one.area.number}v{family}"
        self.marks.add(mark)
        types = _types(self.plan)
        asked = {kind: (f"_{mark}", "_sub", *labels(kind)) for kind in types}
        told = {kind: tuple(_offered(one, family, mark, kind)) for kind in types}
        extra = tuple(_disguised(one, family, mark, types[0]))
        send(one.place, one.sources[family], asking(asked.values()))
        for records in (*told.values(), extra):
            send(one.place, one.sources[family], telling(records))
        self.sent += len(asked) + sum(map(len, told.values())) + len(extra)
        wanted: set[Heard] = set()
        for kind in types:
            questions = [Told(ASKS, asked[kind], PTR)]
            for asks, each in ((True, questions), (False, told[kind])):
                areas = _hearing(self.plan, one.area.name, kind, asks) & self.machines.keys()
                wanted |= {(a, f, what) for a in areas for f in GROUP for what in each}
        self._listen(wanted)
        time.sleep(len(wanted) / PACE)

    def _listen(self, wanted: set[Heard]) -> None:
        self.wanted |= wanted
        end = time.monotonic() + PATIENCE
        while not wanted <= self.heard and time.monotonic() < end:
            self._hear(LOOK)

    def _hear(self, seconds: float) -> None:
        for heard in self.ear.hear(seconds):
            told = heard[2]
            if self.marks & {
                m for label in (*told.name, *labels(told.data)) for m in _marks(label)
            }:
                self.heard.add(heard)

    def differences(self) -> list[str]:
        """What is wrong, once what is too much has had its time."""
        self._hear(AFTER)
        return [
            *_sentences(self.wanted - self.heard, "was to hear", "and did not"),
            *_sentences(self.heard - self.wanted, "heard", "and was not to"),
        ]


def _sentences(found: set[Heard], verb: str, then: str) -> Iterator[str]:
    for area, family, told in sorted(found, key=str):
        yield f"{area} {verb} in IPv{family} that somebody {told}, {then}"


def _marks(label: str) -> list[str]:
    return label.replace("-", ".").strip("_").split(".")


def _offered(one: Machine, family: int, mark: str, kind: str) -> Iterator[Told]:
    """A service of a type at this machine, with all that belongs to it."""
    service, host = (mark, *labels(kind)), f"{mark}-{kind.partition('.')[0].strip('_')}.local"
    yield Told(TELLS, labels(kind), PTR, ".".join(service))
    yield Told(TELLS, service, SRV, host)
    yield Told(TELLS, service, TXT)
    yield _address(one, family, host)


def _disguised(one: Machine, family: int, mark: str, kind: str) -> Iterator[Told]:
    """What must not come through, wherever it is sent: a service that is called like a type, an
    address of a host without services."""
    yield Told(TELLS, (f"{mark}.{kind}", *labels(ELSE)), SRV, f"{mark}-none.local")
    yield Told(TELLS, (f"{mark}.{kind}", *labels(ELSE)), TXT)
    yield _address(one, family, f"{mark}-none.local")


def _address(one: Machine, family: int, host: str) -> Told:
    return Told(TELLS, labels(host), A if family == 4 else AAAA, str(one.sources[family]))
