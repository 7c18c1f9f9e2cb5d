"""How the lines are: carrier, addresses, ways out, next hops.

What the kernel says is asked of `ip -j`. Nothing is sent to the internet; but the kernel is asked to
look for the next hops again, so that the next reading knows.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from ipaddress import ip_interface
from pathlib import Path
from typing import Any

from netcharter.rollout.run import programs
from netcharter.rollout.shapes import Run
from netcharter.rollout.trouble import EffectFailed
from netcharter.steward.shapes import LineDue, LineFact, Schedule

MAIN = "main"
SLOW = 20.0  # seconds for one answer of the kernel's
_HEARD = {"REACHABLE", "PERMANENT", "NOARP"}
_SILENT = {"FAILED", "INCOMPLETE"}
_DEAD = {"dead", "linkdown"}
_ONE_OF_THEM = "an address"


@dataclass(frozen=True, slots=True)
class Held:
    """What the kernel has. addresses: by device, with their lengths, those of the link alone left
    out; None: not known. routes: (IP version, table, device) of each default route, or None."""

    addresses: Mapping[str, frozenset[str]] | None
    routes: frozenset[tuple[int, str, str]] | None


def lines(schedule: Schedule, sys: Path) -> tuple[LineFact, ...]:
    """All lines."""
    if not schedule.lines:
        return ()
    held = Held(addresses(_said("ip", "-j", "address")), _routes())
    watched = {leg.line for leg in schedule.ways.legs}
    return tuple(
        _line(way, sys / "class" / "net" / way.device, held, way.name in watched)
        for way in schedule.lines
    )


def _line(way: LineDue, folder: Path, held: Held, watched: bool) -> LineFact:
    if not folder.exists():
        return LineFact(way.name, way.device, None, watched=watched)
    return LineFact(
        way.name,
        way.device,
        _carrier(folder),
        {hop: _answers(hop, way.device) for hop in way.next_hops},
        lacks_address(way, held),
        lacks_route(way, held),
        watched,
    )


def _carrier(folder: Path) -> bool:
    try:
        return (folder / "carrier").read_text("ascii").strip() == "1"
    except OSError:  # a device that is down refuses to say
        return False


def lacks_address(way: LineDue, held: Held) -> tuple[str, ...] | None:
    """The addresses that a line has not: of an automatic one, whether it has any. None: not known."""
    if held.addresses is None:
        return None
    there = held.addresses.get(way.device, frozenset())
    if way.automatic:
        return () if there else (_ONE_OF_THEM,)
    return tuple(one for one in way.addresses if one not in there)


def lacks_route(way: LineDue, held: Held) -> tuple[int, ...] | None:
    """The IP versions for which a line has no way out; an automatic one needs one of them. None: not
    known."""
    if held.routes is None:
        return None
    found = held.routes
    absent = tuple(v for v, table in way.routes if (v, table, way.device) not in found)
    return () if way.automatic and len(absent) < len(way.routes) else absent


# --- as `ip -j` writes them ----------------------------------------------------------------------


def _said(*command: str) -> bytes | None:
    try:
        return programs.run(Run(command, seconds=SLOW)).out
    except EffectFailed:
        return None


def _objects(listing: bytes | None) -> list[dict[str, Any]] | None:
    try:
        found = json.loads(listing or b"[]") if listing is not None else None
    except ValueError:
        return None
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else None


def addresses(listing: bytes | None) -> dict[str, frozenset[str]] | None:
    """Addresses by device, of `ip -j address`; without those that another host was found to have."""
    found = _objects(listing)
    if found is None:
        return None
    return {str(one.get("ifname")): frozenset(_held(one.get("addr_info"))) for one in found}


def _held(rows: object) -> Iterable[str]:
    for row in rows if isinstance(rows, list) else ():
        if not isinstance(row, dict) or row.get("dadfailed"):
            continue
        with suppress(ValueError):
            one = ip_interface(f"{row.get('local')}/{row.get('prefixlen')}")
            if not one.ip.is_link_local:
                yield str(one)


def _routes() -> frozenset[tuple[int, str, str]] | None:
    """The default routes of all tables."""
    found: set[tuple[int, str, str]] = set()
    for version in (4, 6):
        listing = _said("ip", "-j", f"-{version}", "route", "show", "default", "table", "all")
        known = routes(listing, version)
        if known is None:
            return None
        found |= known
    return frozenset(found)


def routes(listing: bytes | None, version: int) -> frozenset[tuple[int, str, str]] | None:
    """(IP version, table, device) of every default route that leads somewhere, of `ip -j route show
    default table all`."""
    found = _objects(listing)
    if found is None:
        return None
    return frozenset(
        (version, str(one.get("table", MAIN)), str(device))
        for one in found
        if one.get("dst") == "default"
        for device in _devices(one)
    )


def _devices(route: Mapping[str, Any]) -> Iterable[object]:
    hops = route.get("nexthops")
    for hop in [route, *(hops if isinstance(hops, list) else ())]:
        if isinstance(hop, dict) and "dev" in hop and not _DEAD & set(hop.get("flags") or ()):
            yield hop["dev"]


# --- next hops -----------------------------------------------------------------------------------


def _answers(hop: str, device: str) -> bool | None:
    with suppress(EffectFailed):
        listed = programs.run(Run(("ip", "-j", "neigh", "show", "to", hop, "dev", device)))
        programs.run(Run(("ip", "neigh", "replace", hop, "dev", device, "use"), fails=False))
        return heard(listed.out)
    return None


def heard(listing: bytes) -> bool | None:
    """Whether a neighbour has answered, by `ip -j neigh show`; None: that is not known."""
    states = {str(state) for one in _objects(listing) or () for state in one.get("state", ())}
    return True if states & _HEARD else False if states & _SILENT else None
