"""A running gateway, read: its ruleset, the machine around it, its lines and areas."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from ipaddress import ip_network

from netcharter.charter.services import builtin
from netcharter.diagnostics import Diagnostic
from netcharter.lab.reading import Machine, NotListed, machine
from netcharter.plan import coding
from netcharter.plan.registry import NEVER_FORWARDED, special
from netcharter.readback import audit, audit_reach
from netcharter.readback.host import host_of
from netcharter.readback.listing import Listing
from netcharter.readback.points import FAMILY4, FAMILY6, Points, points
from netcharter.readback.shapes import OWN, Decisions, Host
from netcharter.readback.walk import decisions
from netcharter.readback.words import Named as NamedSets
from netcharter.readback.words import Words
from netcharter.space.ranges import Ranges, intersect, ranges, size, subtract, union
from netcharter.tasks.inheriting.asking import Known
from netcharter.tasks.inheriting.facts import facts_of
from netcharter.tasks.inheriting.held import read_held, shown
from netcharter.tasks.inheriting.host import host_facts
from netcharter.tasks.inheriting.naming import named
from netcharter.tasks.inheriting.recognise import recognise
from netcharter.tasks.inheriting.ruleset import Ruleset, ruleset_of, ruleset_of_machine
from netcharter.tasks.inheriting.shapes import Facts, Held, HostFacts, Recognised
from netcharter.tasks.sources import unusable

_HANDED_OUT = coding.network(ip_network("0.0.0.0/0"), ip_network("2000::/3"))


@dataclass(frozen=True, slots=True)
class File:
    """A file as it was found: what it is called, and what is in it."""

    name: str
    data: bytes

    def text(self) -> str:
        return self.data.decode("utf-8", "replace")


@dataclass(frozen=True, slots=True)
class Given:
    """What was said on the command line. ruleset: None for this machine's own.

    lines, areas: NAME=DEVICE, as they were written.
    """

    ruleset: File | None
    addresses: File | None = None
    routes: tuple[File, ...] = ()
    leases: tuple[File, ...] = ()
    lines: tuple[str, ...] = ()
    areas: tuple[str, ...] = ()


@dataclass(frozen=True)
class OldGateway:
    """The gateway as it was read."""

    ruleset: Ruleset
    host: Host
    facts: Facts
    host_facts: HostFacts
    held: Held
    recognised: Recognised
    texts: Mapping[str, str]
    decisions: Decisions = field(repr=False)

    @cached_property
    def lines(self) -> frozenset[str]:
        """The network devices of the lines."""
        return frozenset(line.device for line in self.recognised.lines)

    @cached_property
    def points(self) -> Points:
        return points(self.decisions, self.host)

    @cached_property
    def words(self) -> Words:
        """The names that user and recognition give."""
        names = dict(self.recognised.by_device)
        return Words(names, services(), tuple(self._places()), self._proper(), self.lines)

    def _proper(self) -> dict[str, Ranges]:
        """The addresses that belong behind each area and line, and the gateway's own."""
        host = self.host
        mine = union(host.broadcast, host.anycast, *host.own.values())
        found = {OWN: subtract(union(*host.own.values()), NEVER_FORWARDED)}
        inside: Ranges = ()
        for area in self.recognised.areas:
            whole = coding.network(*area.prefixes)
            ends = coding.addresses(p[0] for p in area.prefixes if p.num_addresses > 2)
            found[area.device] = subtract(whole, union(mine, ends))
            inside = union(inside, whole)
        beyond = self.beyond if host.known else union(FAMILY4, FAMILY6)
        outside = subtract(intersect(beyond, _HANDED_OUT), union(special(), mine, inside))
        return found | {line.device: outside for line in self.recognised.lines}

    @cached_property
    def beyond(self) -> Ranges:
        """What is routed to the lines."""
        found: Ranges = ()
        before: Ranges = ()
        for networks, devices in self.host.routes:
            if set(devices) & self.lines:
                found = union(found, subtract(networks, before))
            before = union(before, networks)
        return found

    def _places(self) -> Iterator[tuple[Ranges, str]]:
        for device in self.recognised.devices:
            yield coding.addresses(device.addresses), device.name
        own = union(*self.host.own.values())
        yield own, "the gateway"
        for area in self.recognised.areas:
            for prefix in area.prefixes:
                yield coding.network(prefix), area.name

    @cached_property
    def known(self) -> Known:
        """What a question may name."""
        found = self.recognised
        return Known(
            {name: device for device, name in found.by_device.items()},
            self.lines,
            self.decisions.devices,
            {d.name: coding.addresses(d.addresses) for d in found.devices if d.addresses},
        )

    @property
    def problems(self) -> tuple[Diagnostic, ...]:
        """What was said while everything was read."""
        return (
            *self.ruleset.problems,
            *self.host_facts.problems,
            *self.held.problems,
            *self.decisions.notes,
        )

    def audit(self, today: date) -> tuple[Diagnostic, ...]:
        """What there is to say about the ruleset, the weightiest first."""
        deliveries = (
            audit_reach.Delivery(coding.address(one.to), one.span) for one in self.facts.delivering
        )
        looked_at = audit_reach.Gateway(
            self.ruleset.listing, self.points, self.words, self.lines, tuple(deliveries)
        )
        return audit.audit(looked_at, today)


def services() -> NamedSets:
    """The services that have a name everywhere, the narrowest first."""
    known = {ranges(*(coding.service(*p) for p in parts)): n for n, parts in builtin().items()}
    return tuple(sorted(known.items(), key=lambda pair: size(pair[0])))


def read_gateway(given: Given) -> OldGateway:
    """Read everything that was given. Raises Unusable where the ruleset or a name can't be used."""
    if given.ruleset is None:
        return gateway_of(_listed(), given)
    return _gateway(*_files(given, given.ruleset), given)


def gateway_of(
    machine: Machine, given: Given, forwards: frozenset[int] = frozenset({4, 6})
) -> OldGateway:
    """A machine that was read already, with the names and leases that were given. forwards: the IP
    versions of which it passes packets on. Raises Unusable.
    """
    routes = (
        File("ip -j -4 route show table all", machine.routes4.encode()),
        File("ip -j -6 route show table all", machine.routes6.encode()),
    )
    around = _Around((File("ip -j address", machine.addresses.encode()),), routes)
    return _gateway(ruleset_of_machine(machine), around, given, forwards)


def _gateway(
    ruleset: Ruleset,
    around: _Around,
    given: Given,
    forwards: frozenset[int] = frozenset({4, 6}),
) -> OldGateway:
    names = named(given.lines, given.areas)
    host = replace(_host(around), forwards=forwards)
    routes = [file.data for file in around.routes]
    called = [file.name for file in (*around.addresses, *around.routes)]
    facts = facts_of(ruleset.listing)
    seen = host_facts(around.addresses[0].data if around.addresses else "[]", routes, called)
    held = Held()
    for file in given.leases:
        held += read_held(file.data, file.name)
    files = (*around.addresses, *around.routes, *given.leases)
    return OldGateway(
        ruleset,
        host,
        facts,
        seen,
        held,
        recognise(seen, facts, held, names),
        {**{file.name: shown(file.data) for file in files}, **ruleset.texts},
        _decided(ruleset.listing, host),
    )


@dataclass(frozen=True, slots=True)
class _Around:
    """What `ip` says of the machine, as far as it is known."""

    addresses: tuple[File, ...]  # one or none
    routes: tuple[File, ...]


def _decided(listing: Listing, host: Host) -> Decisions:
    """What a ruleset does, with what earlier rules shadow; without it where that is too much."""
    found = decisions(listing, host, shadowed=True)
    return found if found.complete else decisions(listing, host)


def _files(given: Given, ruleset: File) -> tuple[Ruleset, _Around]:
    addresses = () if given.addresses is None else (given.addresses,)
    return ruleset_of(ruleset.data, ruleset.name), _Around(addresses, given.routes)


def _listed() -> Machine:
    """This machine's own. Raises Unusable where it may not be read."""
    try:
        return machine()
    except NotListed as fault:
        raise unusable(
            "ruleset-not-listed",
            f"this machine's ruleset can't be read: {fault.message}",
            "--live",
            "",
            "run it as root, or give a file with what `nft -j list ruleset` prints",
        ) from None


def _host(around: _Around) -> Host:
    """What is known of addresses and routes. Without both, where a packet goes is open."""
    if not around.addresses or not around.routes:
        return Host(known=False)
    return host_of(around.addresses[0].text(), *(file.text() for file in around.routes))
