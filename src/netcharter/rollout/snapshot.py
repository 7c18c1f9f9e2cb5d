"""A host's state as a file: written before the first change, read when it is to be as before."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from ipaddress import ip_interface
from typing import Any

from netcharter.rollout.reading import Fields, fields, rounded, written
from netcharter.rollout.shapes import (
    Choice,
    Element,
    Family,
    Held,
    HostState,
    Link,
    Lying,
    Route,
    Running,
    Table,
)


def snapshot(state: HostState) -> bytes:
    """The file for a state; `restored` reads it back as an equal value."""
    return written(
        {
            "at": rounded(state.at),
            "links": _plain(state.links),
            "addresses": _addresses(state.addresses),
            "routes": _plain(state.routes),
            "choices": _plain(state.choices),
            "tables": _plain(state.tables),
            "settings": dict(state.settings),
            "shaping": dict(state.shaping),
            "lent": _addresses(state.lent),
            "files": {path: asdict(one) if one else None for path, one in state.files.items()},
            "services": {unit: asdict(one) for unit, one in state.services.items()},
        }
    )


def restored(place: str, data: bytes) -> HostState:
    """The state a file tells of. Raises StateBroken if it tells of none."""
    found = fields(place, data)
    return HostState(
        at=found.number("at"),
        links=tuple(map(_link, found.objects("links"))),
        addresses=tuple(map(_held, found.objects("addresses"))),
        routes=tuple(Route(_family(row), row.texts("words")) for row in found.objects("routes")),
        choices=tuple(Choice(_family(row), row.texts("words")) for row in found.objects("choices")),
        tables=tuple(map(_table, found.objects("tables"))),
        settings=found.table("settings"),
        shaping=found.table("shaping"),
        lent=tuple(map(_held, found.objects("lent"))),
        files=_files(found),
        services=_services(found),
    )


def _addresses(rows: Iterable[Held]) -> list[dict[str, Any]]:
    return [
        {"device": held.device, "interface": str(held.interface), "words": held.words}
        for held in rows
    ]


def _plain(rows: Iterable[Any]) -> list[dict[str, Any]]:
    return [asdict(row) for row in rows]


def _family(row: Fields) -> Family:
    found = row.whole("family")
    if found == 4:
        return 4
    if found == 6:
        return 6
    raise row.broken("family", "4 or 6")


def _link(row: Fields) -> Link:
    parent, tag = row.maybe("parent", row.text), row.maybe("tag", row.whole)
    mtu = row.maybe("mtu", row.whole)  # earlier versions did not write it
    return Link(row.text("name"), row.yes("up"), parent, tag, mtu)


def _held(row: Fields) -> Held:
    try:
        interface = ip_interface(row.text("interface"))
    except ValueError:
        raise row.broken("interface", "an address with its prefix length") from None
    return Held(row.text("device"), interface, row.texts("words"))


def _files(found: Fields) -> dict[str, Lying | None]:
    """Earlier versions wrote none."""
    rows = found.maybe("files", found.inside_or_null) or {}
    return {path: _lying(row) if row is not None else None for path, row in rows.items()}


def _lying(row: Fields) -> Lying:
    text = row.text("text")
    if not text.isascii() and max(text) > "\xff":
        raise row.broken("text", "a text of one character for each byte")
    return Lying(text, row.whole("mode"), row.yes("ours"))


def _services(found: Fields) -> dict[str, Running]:
    rows = found.maybe("services", found.inside) or {}
    return {n: Running(r.yes("on"), r.yes("well"), r.yes("enabled")) for n, r in rows.items()}


def _table(row: Fields) -> Table:
    living = tuple(map(_element, row.objects("living")))
    return Table(row.text("family"), row.text("name"), row.text("text"), living)


def _element(row: Fields) -> Element:
    return Element(row.text("set"), row.text("text"), row.number("seconds"), row.text("value"))
