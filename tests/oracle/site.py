"""A charter's YAML as plain lists, for the naive interpreter; nothing of the package is used.

Only valid charters come in, so nothing is diagnosed here.

Where the charter leaves a number to the plan (an area without a prefix, a lasting address, the
/64 inside a line's prefix), the caller says it in `addresses`:

    {"local": IPv6Network, "areas": {name: {"v4": IPv4Network, "v6": [(IPv6Network, line|None)]}},
     "devices": {name: [IPv4Address, ...]}}

What the charter itself says always wins over that.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time, timedelta
from ipaddress import (
    IPv4Address,
    IPv4Interface,
    IPv4Network,
    IPv6Address,
    IPv6Interface,
    IPv6Network,
    ip_address,
    ip_interface,
    ip_network,
)
from typing import Any
from zoneinfo import ZoneInfo

import yaml

Unknown = tuple[str, str, int]  # ("unknown", line, family): the unknown address of a line
Address = IPv4Address | IPv6Address | Unknown
Network = IPv4Network | IPv6Network
Interface = IPv4Interface | IPv6Interface
Parts = list[tuple[int, int, int]]  # protocol, first number, last number

NOBODY, GUEST = "", "*guest"  # nobody is signed in; signed in, but no person of the charter
ICMP, TCP, UDP, ICMPV6 = 1, 6, 17, 58

WELL_KNOWN: dict[str, Parts] = {  # IANA service names, port numbers; ICMP types by RFC 792, 4443
    "ssh": [(TCP, 22, 22)],
    "http": [(TCP, 80, 80)],
    "https": [(TCP, 443, 443)],
    "dns": [(TCP, 53, 53), (UDP, 53, 53)],
    "ntp": [(UDP, 123, 123)],
    "ping": [(ICMP, 8 * 256, 8 * 256 + 255), (ICMPV6, 128 * 256, 128 * 256 + 255)],
    "sip": [(TCP, 5060, 5060), (UDP, 5060, 5060)],
    "smtp": [(TCP, 25, 25)],
    "imaps": [(TCP, 993, 993)],
}
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


@dataclass
class Line:
    name: str
    automatic: bool
    interfaces: list[Interface]
    next_hops: list[Address]
    targets: list[Address]  # it is watched by them
    prefix: Network | None
    asks: bool  # for its prefix, by DHCP
    dialled: bool = False
    translator: Network | None = None


@dataclass
class Area:
    name: str
    v4: IPv4Network
    v6: list[IPv6Network]
    sign_in: bool
    strangers_refused: bool
    quiet: bool


@dataclass
class Device:
    name: str
    area: str
    hardware: list[int]
    addresses: list[Address]
    barred: bool
    roams: bool
    exempt: bool


@dataclass
class Window:
    start: time
    end: time | None  # None: the end of the day


@dataclass
class Hours:
    weekly: list[list[Window]]
    dates: dict[date, list[Window]]
    within: set[date] | None  # the days of its terms; None: it names none
    outside: set[date]
    let_finish: bool


@dataclass
class Sentence:
    """A rule, an offer, a promise or an exit, as it stands."""

    label: str
    word: str  # let, refuse, offer, never, always, only, exit
    who: list[str]
    reach: list[str]
    services: list[Parts]  # one per name in `with` or `offer`; anything: every protocol
    during: str | None
    until: date | None
    emergency: bool = False
    quiet: bool = False
    on: tuple[str, ...] = ()
    to: str = ""
    at: int | None = None
    except_offers: bool = False
    or_else: str = "others"
    met_at: IPv4Address | None = None
    let_finish: str | None = None


Range = tuple[int, int, int]  # IP version, first and last address as numbers


@dataclass
class Hostile:
    """What lists say is refused, and what is excepted: names, and prefixes."""

    ranges: list[Range]
    names: list[str]
    prefixes: list[Network]


@dataclass
class Site:
    """A charter once parsed, with the addresses that the plan chose filled in."""

    zone: ZoneInfo
    managed_from: list[str]
    local: IPv6Network | None
    lines: dict[str, Line]
    areas: dict[str, Area]
    devices: dict[str, Device]
    people: dict[str, list[str]]
    places: dict[str, list[Network]]
    hours: dict[str, Hours]
    rules: list[Sentence]
    offers: list[Sentence]
    promises: list[Sentence]
    exits: list[Sentence]
    discovery: list[tuple[list[str], list[str]]]  # areas that find, areas in which is found
    tells_time: bool  # whether there are time servers; those of them that are addresses:
    time_servers: list[Address]
    time_names: bool  # whether others are written as names
    resolvers: list[Address]
    listed: dict[str, list[Range]]  # places that are made of a list
    hostile: Hostile
    named: set[str]  # places that are made of domain names
    withheld_from: list[str]  # whom names rules withhold names from: areas, devices, anyone


# --- reading ------------------------------------------------------------------------------


def _is_number(text: str) -> bool:
    """An address, and no name of a host."""
    return ":" in text or text.replace(".", "").isdigit()


def _resolver(said: Any) -> str:
    address: str = said["address"] if isinstance(said, dict) else said
    return address


def prepare(text: str, addresses: dict[str, Any]) -> Site:
    """Parse a charter; `addresses` fills in what the charter leaves open."""
    raw = yaml.load(text, Loader=yaml.BaseLoader)
    site = raw["site"]
    areas = {name: _area(name, said, addresses) for name, said in raw["areas"].items()}
    local = site.get("local-prefix") or addresses.get("local")
    return Site(
        zone=ZoneInfo(site["timezone"]),
        managed_from=_many(site.get("managed-from")),
        discovery=[(_many(one["let"]), _many(one["in"])) for one in raw.get("discovery") or []],
        tells_time="time-servers" in site,
        time_servers=[ip_address(t) for t in _many(site.get("time-servers")) if _is_number(t)],
        time_names=not all(map(_is_number, _many(site.get("time-servers")))),
        resolvers=[ip_address(_resolver(one)) for one in raw.get("resolvers") or []],
        local=None if local is None else IPv6Network(local),
        lines={name: _line(name, said, addresses) for name, said in raw["lines"].items()},
        areas=areas,
        devices={
            name: _device(name, said, areas, addresses)
            for name, said in (raw.get("devices") or {}).items()
        },
        people={
            name: _many((said or {}).get("groups"))
            for name, said in (raw.get("people") or {}).items()
        },
        places={
            name: [ip_network(text) for text in _many(said.get("prefixes"))]
            for name, said in (raw.get("places") or {}).items()
        },
        hours={name: _hours(raw, said) for name, said in (raw.get("hours") or {}).items()},
        rules=[_rule(raw, said, i) for i, said in enumerate(raw.get("rules") or [], 1)],
        offers=[_offer(raw, said, i) for i, said in enumerate(raw.get("offers") or [], 1)],
        promises=[_promise(raw, said, i) for i, said in enumerate(raw.get("promises") or [], 1)],
        exits=[_exit(raw, said, i) for i, said in enumerate(raw.get("exits") or [], 1)],
        listed={
            name: _list(raw, said["list"])
            for name, said in (raw.get("places") or {}).items()
            if "list" in said
        },
        hostile=_hostile(raw, raw.get("hostile") or {}),
        named={name for name, said in (raw.get("places") or {}).items() if "domains" in said},
        withheld_from=[
            term
            for said in raw.get("names") or []
            if "withhold" in said
            for term in _many(said["for"])
        ],
    )


def _list(raw: dict[str, Any], name: str) -> list[Range]:
    """What a list that stands in the charter says; lines that say nothing are left out."""
    found: list[Range] = []
    for text in _many(raw["lists"][name].get("entries")):
        said = text.split("#")[0].split(";")[0].strip()
        try:
            if "-" in said:
                first, last = (ip_address(part.strip()) for part in said.split("-"))
            else:
                network = ip_network(said)
                first, last = network[0], network[-1]
        except ValueError:
            continue
        widest = 2**24 if first.version == 4 else 2**112
        if first.version == last.version and 0 <= int(last) - int(first) < widest:
            found.append((first.version, int(first), int(last)))
    return found


def _hostile(raw: dict[str, Any], said: dict[str, Any]) -> Hostile:
    excepted = _many(said.get("except"))
    return Hostile(
        ranges=[one for name in _many(said.get("lists")) for one in _list(raw, name)],
        names=[text for text in excepted if "/" not in text],
        prefixes=[ip_network(text) for text in excepted if "/" in text],
    )


def _many(said: Any) -> list[str]:
    if said is None or said == "":
        return []
    return list(said) if isinstance(said, list) else [said]


def _prefix(name: str, said: str | None, addresses: dict[str, Any]) -> Network | None:
    """A prefix that is delegated nobody can write: whoever asks has to say it."""
    if said == "delegated":
        known: dict[str, Network | None] = addresses.get("prefixes", {})
        return known.get(name)
    return ip_network(said) if said else None


def _line(name: str, said: dict[str, Any], addresses: dict[str, Any]) -> Line:
    """`mtu` is about how packets travel, not about which."""
    automatic = said.get("address", "automatic") == "automatic"
    return Line(
        name=name,
        automatic=automatic,
        interfaces=[] if automatic else [ip_interface(text) for text in _many(said["address"])],
        next_hops=[ip_address(text) for text in _many(said.get("next-hop"))],
        targets=[ip_address(text) for text in _many(said.get("watch", {}).get("targets"))],
        prefix=_prefix(name, said.get("prefix"), addresses),
        asks=said.get("prefix") == "delegated",
        dialled="pppoe" in said,
        translator=ip_network(said["translator"]) if "translator" in said else None,
    )


def _area(name: str, said: dict[str, Any], addresses: dict[str, Any]) -> Area:
    given = [ip_network(text) for text in _many(said.get("prefix"))]
    planned = addresses.get("areas", {}).get(name, {})
    v4: IPv4Network | None = None
    v6: list[IPv6Network] = []
    for network in given:
        if isinstance(network, IPv4Network):
            v4 = network
        else:
            v6.append(network)
    if v4 is None:
        v4 = planned["v4"]
    given_local = bool(v6)
    for network, line in planned.get("v6", []):
        if line is not None or not given_local:
            v6.append(network)
    return Area(
        name=name,
        v4=v4,
        v6=v6,
        sign_in=said.get("sign-in") == "required",
        strangers_refused=said.get("strangers") == "refused",
        quiet=said.get("manner") == "quietly",
    )


def _device(
    name: str, said: dict[str, Any], areas: dict[str, Area], addresses: dict[str, Any]
) -> Device:
    area = areas[said["area"]]
    known: list[Address] = []
    if said.get("address") == "lasting":
        known += addresses["devices"][name]
        number = int(known[0]) - int(area.v4.network_address)  # type: ignore[arg-type]
        for network in area.v6:
            known.append(network[number])
    else:
        known += [ip_address(text) for text in _many(said.get("address"))]
    return Device(
        name=name,
        area=area.name,
        hardware=[int(text.replace(":", ""), 16) for text in _many(said.get("hardware"))],
        addresses=known,
        barred=said.get("barred") == "true",
        roams=said.get("roams") == "true",
        exempt=said.get("sign-in") == "exempt",
    )


def _hours(raw: dict[str, Any], said: dict[str, Any]) -> Hours:
    weekly: list[list[Window]] = [[] for _ in DAYS]
    for key, windows in (said.get("weekly") or {}).items():
        for number in _days(key):
            weekly[number] += _windows(windows)
    dates: dict[date, list[Window]] = {}
    for key, windows in (said.get("dates") or {}).items():
        for day in _each_day(key):
            dates[day] = _windows(windows)
    within = _term_days(raw, said["terms"]) if said.get("terms") else None
    outside = _term_days(raw, said.get("outside"))
    return Hours(weekly, dates, within, outside, said.get("let-finish") == "true")


def _term_days(raw: dict[str, Any], names: Any) -> set[date]:
    """Every single day of some terms."""
    found: set[date] = set()
    for name in _many(names):
        for stretch in _many(raw["terms"][name]):
            found.update(_each_day(stretch))
    return found


def _each_day(said: str) -> list[date]:
    first, _, last = said.partition(" to ")
    day, end = date.fromisoformat(first), date.fromisoformat(last or first)
    found = []
    while day <= end:
        found.append(day)
        day += timedelta(days=1)
    return found


def _days(key: str) -> list[int]:
    if key == "daily":
        return list(range(7))
    first, _, last = key.partition("-")
    return list(range(DAYS.index(first), DAYS.index(last or first) + 1))


def _windows(said: Any) -> list[Window]:
    found = []
    for text in _many(said):
        if text != "closed":
            start, end = text.split("-")
            closing = None if end == "24:00" else time.fromisoformat(end)
            found.append(Window(time.fromisoformat(start), closing))
    return found


def _date(said: str | None) -> date | None:
    return date.fromisoformat(said) if said else None


def _rule(raw: dict[str, Any], said: dict[str, Any], number: int) -> Sentence:
    word = "let" if "let" in said else "refuse"
    return Sentence(
        label=said.get("name") or f"rule {number}",
        word=word,
        who=_many(said[word]),
        reach=_many(said["reach"]),
        services=[_parts(raw, name) for name in _many(said["with"])],
        during=said.get("during"),
        until=_date(said.get("until")),
        emergency=said.get("emergency") == "true",
        quiet=said.get("manner") == "quietly",
        let_finish=said.get("let-finish"),
    )


def _offer(raw: dict[str, Any], said: dict[str, Any], number: int) -> Sentence:
    return Sentence(
        label=said.get("name") or f"offer {number}",
        word="offer",
        who=_many(said.get("from")) or ["anyone"],
        reach=[],
        services=[_parts(raw, name) for name in _many(said["offer"])],
        during=said.get("during"),
        until=_date(said.get("until")),
        on=tuple(_many(said["on"])),
        to=said["to"],
        at=int(said["at"]) if said.get("at") else None,
        met_at=IPv4Address(said["address"]) if said.get("address") else None,
        let_finish=said.get("let-finish"),
    )


def _promise(raw: dict[str, Any], said: dict[str, Any], number: int) -> Sentence:
    word = next(w for w in ("never", "always", "only") if w in said)
    return Sentence(
        label=f"promise {number}",
        word=word,
        who=_many(said[word]),
        reach=_many(said["reach"]),
        services=[_parts(raw, name) for name in _many(said.get("with")) or ["anything"]],
        during=said.get("during"),
        until=None,
        except_offers=said.get("except") == "offers",
    )


def _exit(raw: dict[str, Any], said: dict[str, Any], number: int) -> Sentence:
    return Sentence(
        label=said.get("name") or f"exit {number}",
        word="exit",
        who=_many(said["from"]),
        reach=_many(said.get("reach")) or ["internet"],
        services=[_parts(raw, name) for name in _many(said.get("with")) or ["anything"]],
        during=None,
        until=None,
        on=tuple(_many(said["by"])),
        or_else=said.get("or-else") or "others",
    )


def _parts(raw: dict[str, Any], name: str) -> Parts:
    if name == "anything":
        return [(protocol, 0, 65535) for protocol in range(256)]
    own = raw.get("services") or {}
    if name in own:
        return [part for inner in _many(own[name]) for part in _parts(raw, inner)]
    if name in WELL_KNOWN:
        return WELL_KNOWN[name]
    kind, _, rest = name.partition("/")
    if kind in ("tcp", "udp"):
        first, _, last = rest.partition("-")
        return [(TCP if kind == "tcp" else UDP, int(first), int(last or first))]
    if kind in ("icmp", "icmpv6"):
        protocol = ICMP if kind == "icmp" else ICMPV6
        number, _, code = rest.partition("/")
        if code:
            return [(protocol, int(number) * 256 + int(code), int(number) * 256 + int(code))]
        return [(protocol, int(number) * 256, int(number) * 256 + 255)]
    if kind == "protocol":
        return [(int(rest), 0, 65535)]
    raise ValueError(name)
