"""Names in a lab: real clients ask the kit's own unbound, and it asks name servers on the lab's internet.

In each area one machine asks, in both families and by UDP and TCP: for the gateway's name, a device's
forward and back, and a name outside, another one each time, so that somebody has to be asked for it.
Behind every line answers a server of ours in the place of the internet's first name servers. One name
leads to addresses that no answer from outside may hold, and nobody is to be told them. Where the kit
has dnsdist before unbound, everybody asks that, and for what names rules say, too (`withheld`).
"""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from ipaddress import IPv6Network

from netcharter.lab import isolation, leading, tools, withheld
from netcharter.lab.advertised import LOOK, dnsmasq, host_of
from netcharter.lab.answering import FAR, FIRST, OUTSIDE, REBOUND, ROOT, Answering, received
from netcharter.lab.messages import AAAA, NO_ERROR, NO_NAME, PTR, A, Answer, answer, question
from netcharter.lab.serving import running
from netcharter.lab.site import KIT, Site
from netcharter.lab.trouble import CommandFailed
from netcharter.lab.withheld import Wanted
from netcharter.lab.world import world
from netcharter.plan.local_names import LocalName, LocalNames, addresses_in, local_names
from netcharter.plan.shapes import Address, AreaPlan, Plan
from netcharter.probes.shapes import GATEWAY, Place, Station, World
from netcharter.render.leading import CONF as LED
from netcharter.render.resolver import CONF, PLAIN, ROOT_KEY, ROOT_SERVERS, upstream
from netcharter.render.withholding import CONF as FRONT
from netcharter.render.withholding import LEADING
from netcharter.render.withholding import PLAIN as ASKED_PLAINLY

PROGRAM, PACKAGE = "unbound", "unbound"
MISSING = f"no {PROGRAM} was found on this machine; install {PACKAGE}"
PATIENCE = 10.0  # seconds for the program to begin, and for one answer
AGAIN = 1.0  # seconds after which a datagram is sent once more
FEW = 4  # devices that each area asks for
UNSIGNED = "signatures of names are not checked: nobody in the lab can sign for the internet's root"


@dataclass(frozen=True, slots=True)
class Named:
    """What became of names. skipped: why nothing was tried, else ""; areas: in how many somebody
    asked; questions: how many were asked; ruled: how many of these for what names rules say; outside:
    how many for names outside that no rule is about, which a server on the lab's internet was then
    asked for; untried: what was not, as sentences; differences: sentences."""

    skipped: str = ""
    areas: int = 0
    questions: int = 0
    ruled: int = 0
    outside: int = 0
    untried: tuple[str, ...] = ()
    differences: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        return not self.differences


@dataclass(frozen=True, slots=True)
class Way:
    """How somebody asks: from which of its addresses, which of the gateway's, and by what."""

    who: str
    place: Place
    source: Address
    server: Address
    stream: bool

    def __str__(self) -> str:
        return f"{self.who} by {'TCP' if self.stream else 'UDP'} in IPv{self.server.version}"


def named(
    plan: Plan,
    files: Mapping[str, bytes],
    site: Site,
    stations: Sequence[Station],
    now: datetime,
    where: World | None = None,
) -> Named:
    """Let the gateway of a site look names up at a moment, in a world that says where those of places
    lead. Raises CommandFailed where a program does not begin."""
    if CONF not in files:
        return Named("there is no area")
    if tools.path_of(PROGRAM) is None:
        return Named(MISSING)
    where = where or world(plan)
    led = leading.told(plan, where)
    ruled = withheld.Asking(plan, now, led) if FRONT in files else None
    if ruled is not None and (why := withheld.missing(LED in files)):
        return Named(why)
    site.lines(frozenset(line.name for line in plan.lines))
    asking = {area.name: _askers(plan, area, stations) for area in plan.areas}
    lines = {line.name for line in plan.lines}
    beyond = [site.places[s.name] for s in stations if s.entrance in lines]
    out = not _closed(plan)
    servers = tuple(str(one.address) for one in upstream(plan)) or FIRST
    told = ruled.outside if ruled is not None else {}
    with ExitStack() as running:
        answering = running.enter_context(Answering(beyond if out else (), servers, told))
        gateway = site.places[GATEWAY].namespace
        alive = [running.enter_context(unbound(gateway, files[CONF], ruled is not None))]
        if LED in files:
            leading.empty(plan, site)
            alive.append(running.enter_context(dnsmasq(gateway, files[LED], LED)))
            _listening(gateway, alive[-1], LEADING)
        if ruled is not None:
            settings = files[FRONT]
            alive.append(running.enter_context(withheld.dnsdist(gateway, settings, ruled)))
            _listening(gateway, alive[-1], PLAIN)
        looked = _Looked(answering, alive)
        for area in plan.areas:
            for place, station in enumerate(asking[area.name]):
                for way in ways(area, station, site.places[station.name]):
                    looked.up(way, [] if place else wanted(plan, area, way, out, ruled))
                    if ruled is not None:
                        looked.up(way, ruled.of(area, way.source, out))
        if LED in files and ruled is not None and out:
            looked.wrong += leading.differing(plan, site, ruled.answered)
    return Named(
        areas=sum(bool(found) for found in asking.values()),
        questions=looked.count,
        ruled=looked.ruled,
        outside=sum(name.endswith(f".{OUTSIDE}") for name in answering.heard),
        untried=tuple(_untried(plan, asking)),
        differences=tuple(looked.wrong),
    )


class _Looked:
    """What was asked so far, and what was wrong. alive: raise CommandFailed where a program ended."""

    def __init__(self, answering: Answering, alive: Sequence[Callable[[], None]]) -> None:
        self._answering, self._alive = answering, alive
        self.count, self.ruled = 0, 0
        self.wrong: list[str] = []

    def up(self, way: Way, each: Iterable[Wanted]) -> None:
        for want in each:
            for still_there in self._alive:
                still_there()
            self.count += 1
            self.ruled += want.ruled
            self.wrong += _differing(way, want, self._answering)


def _closed(plan: Plan) -> str:
    """Why nobody outside can be asked in a lab; "": somebody can."""
    if not any(line.carries4 or line.carries6 for line in plan.lines):
        return "no line leads there"
    if any(one.tls is not None for one in upstream(plan)):
        return "nobody in the lab has the certificate of a resolver that is asked by TLS"
    return ""


def _untried(plan: Plan, asking: Mapping[str, Sequence[Station]]) -> Iterator[str]:
    for area in plan.areas:
        if not asking[area.name]:
            yield f"{area.name}: nobody is there who could ask"
    if why := _closed(plan):
        yield f"names outside: {why}"


# --- who asks for what ---------------------------------------------------------------------------


def _askers(plan: Plan, area: AreaPlan, stations: Sequence[Station]) -> tuple[Station, ...]:
    """Somebody who asks for everything, and devices of which names rules speak, who ask for what these
    say."""
    first = host_of(plan, area, stations)
    terms = {one.term for row in plan.names.rows for one in row.audience if one.source is not None}
    known = {h for d in plan.devices if d.name in terms and not d.barred for h in d.hardware}
    more = [s for s in stations if s.entrance == area.name and s.hardware in known and s != first]
    return () if first is None else (first, *more[:FEW])


def ways(area: AreaPlan, station: Station, place: Place) -> Iterator[Way]:
    """One in each family of which the machine has an address in the area, by UDP and by TCP."""
    for server in addresses_in(area):
        whole = area.v4 if server.version == 4 else _network(area, server)
        source = next((a for a in station.addresses if a in whole), None)
        if source is not None:
            for stream in (False, True):
                yield Way(station.name, place, source, server, stream)


def _network(area: AreaPlan, server: Address) -> IPv6Network:
    return next(s.network for s in area.subnets6 if s.gateway == server)


def wanted(
    plan: Plan, area: AreaPlan, way: Way, out: bool, ruled: withheld.Asking | None = None
) -> Iterator[Wanted]:
    """What is asked in one way, whatever rules say. out: whether somebody outside can be asked; ruled:
    what names rules say."""
    names = local_names(plan)
    here = next(n for a, n in zip(plan.areas, names.gateway, strict=True) if a is area)
    for one in (here, *_some(names, area)):
        for kind, version in ((A, 4), (AAAA, 6)):
            told = tuple(sorted(str(a) for a in one.addresses if a.version == version))
            yield Wanted(one.name, kind, told)
        for address in one.addresses:
            yield Wanted(address.reverse_pointer, PTR, (one.name,))
    if out:
        label = f"a{area.number}-{'t' if way.stream else 'u'}{way.server.version}"
        for kind in (A, AAAA):
            for above, told in ((OUTSIDE, (FAR[kind],)), (REBOUND, ())):
                want = Wanted(f"{label}-{kind}.{above}", kind, told, beyond=True)
                yield want if ruled is None else ruled.ruled(area, way.source, want)


def _some(names: LocalNames, area: AreaPlan) -> Sequence[LocalName]:
    """Some of the devices, other ones in other areas."""
    each = names.devices
    begin = FEW * (area.number - 1) % len(each) if each else 0
    return (*each[begin:], *each[:begin])[:FEW]


# --- at the machines -----------------------------------------------------------------------------


@contextmanager
def unbound(namespace: str, settings: bytes, behind: bool) -> Iterator[Callable[[], None]]:
    """The kit's unbound at the gateway, with the lab's name servers, for whom nobody can sign. Yields
    what raises CommandFailed once it has ended by itself. behind: it stands behind dnsdist."""
    path, hints = f"{KIT}/{CONF}", f"{KIT}/root.hints"
    with open(hints, "w", encoding="ascii") as file:
        file.write(f". 3600000 NS {ROOT}.\n{ROOT}. 3600000 A {FIRST[0]}\n")
        file.write(f"{ROOT}. 3600000 AAAA {FIRST[1]}\n")
    text = settings.decode("ascii").replace(ROOT_SERVERS, hints)
    text = text.replace(f'trust-anchor-file: "{ROOT_KEY}"', "")
    with open(path, "w", encoding="ascii") as file:
        file.write(text)
    command = [tools.path_of(PROGRAM) or PROGRAM, "-d", "-p", "-c", path]
    with running(namespace, command, PROGRAM, f"{KIT}/unbound.said") as still_there:
        _listening(namespace, still_there, ASKED_PLAINLY if behind else PLAIN)
        yield still_there


def _listening(namespace: str, still_there: Callable[[], None], port: int) -> None:
    """Wait until somebody takes connections, at the gateway itself. Raises CommandFailed."""
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        still_there()
        with isolation.inside(namespace):
            one = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        with one:
            if one.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(LOOK)
    raise CommandFailed(PROGRAM, f"takes no question after {PATIENCE:g} s")


def ask(way: Way, name: str, kind: int) -> Answer | None:
    """Ask as a host does; None: no answer."""
    end = time.monotonic() + PATIENCE
    number = 1
    while time.monotonic() < end:
        number += 1
        message = question(number, name, kind)
        try:
            found = _by_stream(way, message) if way.stream else _by_datagram(way, message)
            return answer(found, number)
        except (OSError, ValueError):
            time.sleep(LOOK)
    return None


def _socket(way: Way) -> socket.socket:
    family = socket.AF_INET if way.server.version == 4 else socket.AF_INET6
    with isolation.inside(way.place.namespace):
        return socket.socket(family, socket.SOCK_STREAM if way.stream else socket.SOCK_DGRAM)


def _by_datagram(way: Way, message: bytes) -> bytes:
    with _socket(way) as one:
        one.bind((str(way.source), 0))
        one.settimeout(AGAIN)
        one.connect((str(way.server), PLAIN))
        one.send(message)
        return one.recv(65_535)


def _by_stream(way: Way, message: bytes) -> bytes:
    with _socket(way) as one:
        one.bind((str(way.source), 0))
        one.settimeout(PATIENCE / 2)
        one.connect((str(way.server), PLAIN))
        one.sendall(len(message).to_bytes(2, "big") + message)
        return received(one, int.from_bytes(received(one, 2), "big"))


# --- what is wrong -------------------------------------------------------------------------------


def _differing(way: Way, want: Wanted, answering: Answering) -> Iterator[str]:
    before = want.name in answering.heard
    found = ask(way, want.name, want.kind)
    if found is None:
        yield f"{way} got no answer for {want.name}"
        return
    told = found.told(want.kind)
    if told != want.told:
        yield (
            f"{way} was told {' and '.join(told) or 'nothing'} for {want.name}, and not "
            f"{' and '.join(want.told) or 'nothing'}"
        )
    elif found.code != want.code and (not want.beyond or want.ruled):
        yield f"{way} was answered {_code(found.code)} for {want.name}, and not {_code(want.code)}"
    elif want.beyond and want.name not in answering.heard:
        yield f"{way} asked for {want.name}, and nobody outside was"
    elif want.beyond is False and not before and want.name in answering.heard:
        yield f"{way} asked for {want.name}, and somebody outside was asked for it"


def _code(code: int) -> str:
    return {NO_ERROR: "that it is there", NO_NAME: "that it is nowhere"}.get(code, f"code {code}")
