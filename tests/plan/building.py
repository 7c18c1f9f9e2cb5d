"""Small charters for tests of the plan, without their YAML."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, time
from ipaddress import IPv6Network, ip_address, ip_interface, ip_network

from netcharter.charter.model import Area, Charter, Device, Hours, Line, Place, Site, Term, Window
from netcharter.diagnostics import Span


def line(
    name: str,
    addresses: Iterable[str] = (),
    automatic: bool = False,
    next_hops: Iterable[str] = (),
    prefix: str | None = None,
    vlan: int | None = None,
) -> Line:
    return Line(
        name=name,
        device=f"eth-{name}",
        vlan=vlan,
        rate=None,
        addresses=tuple(map(ip_interface, addresses)),
        automatic=automatic,
        next_hops=tuple(map(ip_address, next_hops)),
        role="main",
        weight=1,
        prefix=IPv6Network(prefix) if prefix else None,
    )


def area(
    name: str,
    hosts: int | None = None,
    growth: float = 0.0,
    prefixes: Iterable[str] = (),
    vlan: int | None = None,
) -> Area:
    return Area(
        name=name,
        device=f"eth-{name}",
        vlan=vlan,
        hosts=hosts,
        growth=growth,
        prefixes=tuple(map(ip_network, prefixes)),
        sign_in=False,
        strangers_refused=False,
        apart=False,
        quiet=False,
        because=None,
        contact=None,
    )


def device(
    name: str,
    home: str,
    hardware: Iterable[int] = (),
    addresses: Iterable[str] = (),
    lasting: bool = True,
) -> Device:
    written = tuple(map(ip_address, addresses))
    return Device(
        name=name,
        area=home,
        hardware=tuple(hardware),
        lasting=lasting and not written,
        addresses=written,
        barred=False,
        roams=False,
        exempt=False,
        contact=None,
        because=None,
    )


def charter(
    areas: Sequence[Area] = (),
    lines: Sequence[Line] = (),
    devices: Sequence[Device] = (),
    places: Mapping[str, Sequence[str]] | None = None,
    site: str = "Tarn Hollow Outdoor Centre",
    local_prefix: str | None = None,
) -> Charter:
    """A charter in which each named thing stands on a line of its own, in this order."""
    named = {
        name: Place(name, tuple(map(ip_network, prefixes)))
        for name, prefixes in (places or {}).items()
    }
    spans: dict[tuple[str | int, ...], Span] = {(): Span("charter.yaml", 1, 1, 1, 2)}
    paths: list[tuple[str | int, ...]] = [("site", "local-prefix")]
    paths += [("lines", x.name, key) for x in lines for key in ("address", "prefix")]
    paths += [("areas", x.name, key) for x in areas for key in ("hosts", "prefix")]
    paths += [("devices", x.name, key) for x in devices for key in ("address", "hardware")]
    paths += [
        ("places", x, "prefixes", i) for x, p in named.items() for i in range(len(p.prefixes))
    ]
    for number, path in enumerate(paths, 2):
        spans[path] = Span("charter.yaml", number, 5, number, 9)
        for above in (path[:1], path[:2]):
            spans.setdefault(above, Span("charter.yaml", number, 1, number, 9))
    return Charter(
        site=Site(site, "Europe/London", (), IPv6Network(local_prefix) if local_prefix else None),
        lines={x.name: x for x in lines},
        areas={x.name: x for x in areas},
        devices={x.name: x for x in devices},
        people={},
        groups=(),
        services={},
        places=named,
        hours={},
        rules=(),
        offers=(),
        promises=(),
        spans=spans,
    )


def window(text: str) -> Window:
    """ "08:30-17:00"; an end of 24:00 is the end of the day."""
    start, end = text.split("-")
    return Window(time.fromisoformat(start), None if end == "24:00" else time.fromisoformat(end))


def hours(
    weekly: Mapping[int, str] | str,
    dates: Mapping[date, str] | None = None,
    name: str = "h",
    terms: Sequence[Term] = (),
    outside: Sequence[Term] = (),
) -> Hours:
    """Windows per weekday (0 is Monday), or the same every day, separated by spaces."""
    days = dict.fromkeys(range(7), weekly) if isinstance(weekly, str) else weekly
    return Hours(
        name=name,
        weekly=tuple(tuple(map(window, days.get(n, "").split())) for n in range(7)),
        dates={d: tuple(map(window, text.split())) for d, text in (dates or {}).items()},
        terms=tuple(terms),
        outside=tuple(outside),
    )


def term(*days: date | tuple[date, date], name: str = "t") -> Term:
    """Days, and stretches from a first to a last day."""
    return Term(name, tuple(sorted(d if isinstance(d, tuple) else (d, d) for d in days)))
