"""What the kit tells the pages: the decisions about names, for whom, during which hours.

`render/gate.py` writes it. It holds nothing that the asker may not read.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, time
from functools import cached_property
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from zoneinfo import ZoneInfo

from netcharter.plan.names.entries import Entries
from netcharter.plan.names.shapes import Audience, ListPlan, NamesPlan, NamesRow, What
from netcharter.plan.shapes import Hours, NamedList, Term, Window
from netcharter.rollout.reading import Fields, fields
from netcharter.rollout.trouble import StateBroken

FORMAT = 1
PLACE = "the settings of the gateway's pages"
Address = IPv4Address | IPv6Address


@dataclass(frozen=True)
class InStores(ListPlan):
    """A list whose names are looked up where dnsdist looks them up. folder: of its stores."""

    folder: str = ""

    @property
    def entries(self) -> Entries:
        """None of them is here, and all of them are known there."""
        return Entries.of(())


@dataclass(frozen=True, slots=True)
class Area:
    """networks: of its hosts; listens: the gateway's addresses there."""

    name: str
    networks: tuple[IPv4Network | IPv6Network, ...]
    listens: tuple[Address, ...]


@dataclass(frozen=True)
class Settings:
    """told: the file that tells which times of names rules hold; folders: of the stores of each list;
    contacts: whom to ask, by the label of a names rule."""

    site: str
    zone: ZoneInfo
    told: str
    areas: tuple[Area, ...]
    names: NamesPlan
    hours: Mapping[str, Hours]
    contacts: Mapping[str, str]
    folders: Mapping[str, str] = field(default_factory=dict)

    @cached_property
    def listens(self) -> tuple[Address, ...]:
        return tuple(one for area in self.areas for one in area.listens)

    def area_of(self, source: Address) -> str | None:
        """The area that an address belongs to."""
        for area in self.areas:
            if any(source in network for network in area.networks):
                return area.name
        return None


def read(data: bytes) -> Settings:
    """Raises StateBroken. The first line says whose file it is."""
    found = fields(PLACE, data.partition(b"\n")[2])
    if found.whole("format") != FORMAT:
        raise StateBroken(PLACE, "they are of another version of this program")
    try:
        return _settings(found)
    except ValueError as fault:
        raise StateBroken(PLACE, str(fault)[:120]) from None


def _settings(found: Fields) -> Settings:
    terms = {name: _term(name, one) for name, one in found.inside("terms").items()}
    lists = found.inside("lists")
    return Settings(
        site=found.text("site"),
        zone=_zone(found.text("timezone")),
        told=found.text("told"),
        areas=tuple(_area(one) for one in found.objects("areas")),
        names=NamesPlan(
            rows=tuple(_row(index, one) for index, one in enumerate(found.objects("rows"))),
            lists={name: InStores(_said(name, one), None) for name, one in lists.items()},
        ),
        hours={name: _hours(name, one, terms) for name, one in found.inside("hours").items()},
        contacts={
            one.text("label"): contact
            for one in found.objects("rows")
            if (contact := one.maybe("contact", one.text)) is not None
        },
        folders={name: one.text("folder") for name, one in lists.items()},
    )


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (OSError, ValueError):
        raise StateBroken(PLACE, "its time zone is not known here") from None


def _area(found: Fields) -> Area:
    return Area(
        found.text("name"),
        tuple(ip_network(one) for one in found.texts("networks")),
        tuple(ip_address(one) for one in found.texts("listens")),
    )


def _row(index: int, found: Fields) -> NamesRow:
    until = found.maybe("until", found.text)
    return NamesRow(
        index=index,
        label=found.text("label"),
        kind=found.one_of("kind", ("housekeeping", "emergency", "rule", "default")),
        action=found.one_of("action", ("answer", "withhold", "rewrite", "local", "none")),
        audience=tuple(_audience(one) for one in found.objects("audience")),
        what=tuple(_what(one) for one in found.objects("what")),
        because=found.text("because"),
        during=found.maybe("during", found.text),
        until=None if until is None else date.fromisoformat(until),
    )


def _audience(found: Fields) -> Audience:
    source = found.maybe("source", found.texts)
    return Audience(
        found.text("term"),
        frozenset(found.texts("areas")),
        None if source is None else _ranges(source),
    )


def _ranges(texts: tuple[str, ...]) -> tuple[tuple[int, int], ...]:
    """Numbers are written as text: those of IPv6 are larger than JSON's (RFC 8259 section 6)."""
    pairs = (text.partition("-") for text in texts)
    return tuple((int(first), int(last)) for first, _, last in pairs)


def _what(found: Fields) -> What:
    name = found.maybe("name", found.text)
    return What(found.text("term"), name, found.yes("below"), found.texts("lists"))


def _said(name: str, found: Fields) -> NamedList:
    return NamedList(
        name=name,
        of="names",
        source=None,
        file=None,
        entries=(),
        topic=found.maybe("topic", found.text),
        every=0,
        form=None,
        change=0.0,
        because=found.maybe("because", found.text),
        contact=found.maybe("contact", found.text),
    )


def _term(name: str, found: Fields) -> Term:
    stretches = (text.partition(" ") for text in found.texts("stretches"))
    return Term(
        name,
        tuple((date.fromisoformat(one), date.fromisoformat(last)) for one, _, last in stretches),
    )


def _hours(name: str, found: Fields, terms: Mapping[str, Term]) -> Hours:
    days = found.inside("dates")
    weekly = tuple(_windows(one) for one in found.objects("weekly"))
    if len(weekly) != 7 or not {*found.texts("terms"), *found.texts("outside")} <= terms.keys():
        raise StateBroken(PLACE, f"its hours `{name[:60]}` can't be read")
    return Hours(
        name=name,
        weekly=weekly,
        dates={date.fromisoformat(day): _windows(one) for day, one in days.items()},
        terms=tuple(terms[one] for one in found.texts("terms")),
        outside=tuple(terms[one] for one in found.texts("outside")),
    )


def _windows(found: Fields) -> tuple[Window, ...]:
    windows = (text.partition("-") for text in found.texts("windows"))
    return tuple(
        Window(time.fromisoformat(start), None if end == "24:00" else time.fromisoformat(end))
        for start, _, end in windows
    )
