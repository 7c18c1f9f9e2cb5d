"""The charter as frozen values: what the document says, checked for form, not yet for sense.

Every value that a finding may have to underline can be asked for its place with
`Charter.where(*path)`, the path being the keys and list positions that lead to it in the
document, for instance ``charter.where("rules", 3, "let", 0)``.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, time
from fractions import Fraction
from ipaddress import (
    IPv4Address,
    IPv4Interface,
    IPv4Network,
    IPv6Address,
    IPv6Interface,
    IPv6Network,
)
from typing import Literal

from netcharter.diagnostics import Span

Address = IPv4Address | IPv6Address
Interface = IPv4Interface | IPv6Interface
Network = IPv4Network | IPv6Network
Names = tuple[str, ...]
DOMAIN = "home.arpa"  # of a network that has no other name (RFC 8375)
LEASE = 12 * 3600  # seconds, where an area says nothing; common practice, no source


@dataclass(frozen=True, slots=True)
class Site:
    name: str
    timezone: str  # a key of the IANA time zone database, checked
    managed_from: Names = ()
    local_prefix: IPv6Network | None = None  # a /48 inside fd00::/8; derived when not given
    time_servers: tuple[str | Address, ...] = ()  # none: the gateway keeps the clock that it has
    domain: str = DOMAIN  # the local domain, in lower case, without a dot at its end


@dataclass(frozen=True, slots=True)
class Rate:
    down: int  # bit/s
    up: int  # bit/s


@dataclass(frozen=True, slots=True)
class Watch:
    """When a line counts as failed. targets: whom the gateway asks, none: the next hops; every:
    seconds between two rounds; loss: the share of questions that may stay unanswered; delay:
    seconds that answers may take, None: any.
    """

    targets: tuple[Address, ...] = ()
    every: float = 2.0
    loss: float = 0.5
    delay: float | None = None


@dataclass(frozen=True, slots=True)
class Line:
    name: str
    device: str
    vlan: int | None
    rate: Rate | None
    addresses: tuple[Interface, ...]  # at most one of IPv6; empty and automatic: unknown
    automatic: bool
    next_hops: tuple[Address, ...]
    role: Literal["main", "standby", "balanced"]
    weight: int
    prefix: IPv6Network | None  # global prefix delegated to the site over this line
    watch: Watch = Watch()
    mtu: int | None = None  # bytes of the largest packet; None: what the device has
    pppoe: str | None = None  # whom the provider knows; its password never stands in a charter
    delegated: bool = False  # its prefix is asked for on the gateway, and not known here
    translator: IPv6Network | None = None  # its addresses lead to IPv4 ones, the last 32 bits


@dataclass(frozen=True, slots=True)
class Turnover:
    """So many devices come to an area in a time that were not there before."""

    number: int
    unit: str  # hour, day or week

    @property
    def per_second(self) -> Fraction:
        return Fraction(self.number, {"hour": 3600, "day": 86_400, "week": 604_800}[self.unit])


@dataclass(frozen=True, slots=True)
class Area:
    name: str
    device: str
    vlan: int | None
    hosts: int | None  # None where only a prefix is given
    growth: float  # 0.5 for 50 %
    prefixes: tuple[Network, ...]  # given ones; kept
    sign_in: bool
    strangers_refused: bool
    apart: bool
    quiet: bool
    because: str | None
    contact: str | None
    lease: int | None = LEASE  # seconds for which an address is lent; None: somebody else lends
    turnover: Turnover | None = None


@dataclass(frozen=True, slots=True)
class Device:
    name: str
    area: str
    hardware: tuple[int, ...]  # 48-bit numbers
    lasting: bool  # address: lasting, to be chosen by the plan
    addresses: tuple[Address, ...]  # written out
    barred: bool
    roams: bool
    exempt: bool  # sign-in: exempt
    contact: str | None
    because: str | None


@dataclass(frozen=True, slots=True)
class Person:
    name: str
    groups: Names
    contact: str | None


@dataclass(frozen=True, slots=True)
class Service:
    """A union of (protocol, first, last); ports, or ICMP type * 256 + code, or 0..0."""

    name: str
    parts: tuple[tuple[int, int, int], ...]


@dataclass(frozen=True, slots=True)
class Place:
    """Its prefixes, or the name of the list of addresses that holds them, or the domain names that
    lead to it, each with all names below."""

    name: str
    prefixes: tuple[Network, ...] = ()
    list: str | None = None
    domains: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Hostile:
    """Addresses that are refused both ways. spared: names of places and devices, and prefixes, that
    are not, whatever a list says."""

    lists: Names = ()
    spared: tuple[str | Network, ...] = ()


@dataclass(frozen=True, slots=True)
class NamedList:
    """Names or addresses from one of three origins: fetched, a file, written out."""

    name: str
    of: Literal["names", "addresses"]
    source: str | None  # an https URL
    file: str | None  # named relative to the charter's folder
    entries: Names  # as written, in NFC
    topic: str | None
    every: int  # seconds between two times it is fetched
    form: str | None  # plain, hosts, response-policy; None: to be recognised
    change: float  # the share of entries that may come or go at once, 0.5 for 50 %
    because: str | None
    contact: str | None


@dataclass(frozen=True, slots=True)
class Resolver:
    """Whom the gateway asks for names. tls: the name its certificate must bear; None: in the clear."""

    address: Address
    tls: str | None


@dataclass(frozen=True, slots=True)
class NamesRule:
    """Names that are answered, withheld or answered with another's answers, for some."""

    name: str  # given, or "names rule N" counted from 1
    action: Literal["answer", "withhold", "rewrite"]
    what: Names  # "anything", lists, topics, and domain names, which hold a dot
    to: str | None  # whose answers are given, with rewrite
    who: Names  # areas and devices, or "anyone"
    during: str | None
    until: date | None
    emergency: bool
    because: str | None
    contact: str | None


@dataclass(frozen=True, slots=True)
class Window:
    start: time
    end: time | None  # None: 24:00; at or before start: on the next day


@dataclass(frozen=True, slots=True)
class Term:
    name: str
    stretches: tuple[tuple[date, date], ...]  # first and last day of each, apart and in order

    def has(self, day: date) -> bool:
        at = bisect_right(self.stretches, (day, date.max)) - 1
        return at >= 0 and day <= self.stretches[at][1]


@dataclass(frozen=True, slots=True)
class Hours:
    name: str
    weekly: tuple[tuple[Window, ...], ...]  # seven entries, Monday first
    dates: Mapping[date, tuple[Window, ...]]  # replaces the windows that start that day
    terms: tuple[Term, ...] = ()  # the days on which weekly windows start; none: every day
    outside: tuple[Term, ...] = ()  # and those of them on which they do not
    let_finish: bool = False  # what is open goes on when they end, or begin

    def windows(self, day: date) -> tuple[Window, ...]:
        """The windows that start on a day: of a dated exception, or else the week's."""
        if day in self.dates:
            return self.dates[day]
        return self.weekly[day.weekday()] if self.in_term(day) else ()

    def in_term(self, day: date) -> bool:
        """Do the week's windows start on this day?"""
        within = not self.terms or any(term.has(day) for term in self.terms)
        return within and not any(term.has(day) for term in self.outside)


@dataclass(frozen=True, slots=True)
class Rule:
    name: str  # given, or "rule N" counted from 1
    let: bool
    who: Names
    reach: Names
    services: Names
    during: str | None
    until: date | None
    because: str | None
    contact: str | None
    emergency: bool
    quiet: bool
    let_finish: bool | None = None  # None: as its hours say


@dataclass(frozen=True, slots=True)
class PerSource:
    """How much one source beyond the lines may do of an offer; None: as much as it likes.

    begun: conversations per `unit`, and as many in quick succession; at_once: conversations that
    are open at the same time.
    """

    begun: int | None = None
    unit: Literal["second", "minute", "hour"] = "minute"
    at_once: int | None = None


@dataclass(frozen=True, slots=True)
class Offer:
    name: str  # given, or "offer N"
    services: Names
    lines: Names
    to: str
    who: Names  # from; ("anyone",) if unsaid
    at: int | None  # public port, if it differs
    during: str | None
    until: date | None
    because: str | None
    contact: str | None
    address: IPv4Address | None = None  # at which it is met; None: the first of the line's
    per_source: PerSource | None = None
    let_finish: bool | None = None  # None: as its hours say
    known_as: Names = ()  # the names under which it is known


@dataclass(frozen=True, slots=True)
class Discovery:
    """Hosts of some areas find services of some kinds in others."""

    name: str  # given, or "discovery N"
    who: Names  # areas
    find: Names  # kinds of services, or types such as "_ipp._tcp"
    where: Names  # areas
    because: str | None
    contact: str | None


@dataclass(frozen=True, slots=True)
class Exit:
    """By which lines new conversations of some leave, in order of preference."""

    name: str  # given, or "exit N"
    who: Names  # areas and devices
    reach: Names  # ("internet",) if unsaid
    services: Names  # ("anything",) if unsaid
    lines: Names
    refused: bool  # where none of these lines is up; else the others are taken
    together: bool  # while one lasts, new ones take the same line
    because: str | None
    contact: str | None


@dataclass(frozen=True, slots=True)
class Promise:
    kind: Literal["never", "always", "only"]
    who: Names
    reach: Names
    services: Names  # ("anything",) if unsaid
    except_offers: bool
    during: str | None
    because: str | None


@dataclass(frozen=True, slots=True)
class Charter:
    site: Site
    lines: Mapping[str, Line]
    areas: Mapping[str, Area]
    devices: Mapping[str, Device]
    people: Mapping[str, Person]
    groups: Names
    services: Mapping[str, Service]  # the charter's own and every IANA or written-out one it uses
    places: Mapping[str, Place]
    hours: Mapping[str, Hours]
    rules: tuple[Rule, ...]
    offers: tuple[Offer, ...]
    promises: tuple[Promise, ...]
    exits: tuple[Exit, ...] = ()
    lists: Mapping[str, NamedList] = field(default_factory=dict)
    resolvers: tuple[Resolver, ...] = ()
    names: tuple[NamesRule, ...] = ()
    terms: Mapping[str, Term] = field(default_factory=dict)
    hostile: Hostile = Hostile()
    discovery: tuple[Discovery, ...] = ()
    spans: Mapping[tuple[str | int, ...], Span] = field(default_factory=dict, compare=False)

    @property
    def translators(self) -> tuple[IPv6Network, ...]:
        """The prefixes by which providers' translators lead to IPv4 addresses."""
        found = (line.translator for line in self.lines.values())
        return tuple(dict.fromkeys(one for one in found if one is not None))

    def where(self, *path: str | int) -> Span:
        """The place of a value; if that path has none, of the nearest thing around it."""
        while path and path not in self.spans:
            path = path[:-1]
        return self.spans[path]
