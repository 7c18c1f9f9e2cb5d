"""What of others a change takes away from a host."""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.diagnostics.escape import terminal
from netcharter.rollout.contents import contents
from netcharter.rollout.network import UNWRITTEN
from netcharter.rollout.observe import OURS
from netcharter.rollout.shapes import Choice, HostState, Route
from netcharter.rollout.wanted import Files


def going(now: HostState, wanted: HostState, *kits: Files) -> tuple[str, ...]:
    """What a host has, is not to have any more, and is of none of these kits: each named in words.
    Raises KitBroken."""
    return tuple(terminal(text) for text in _going(now, wanted, kits))


def _going(now: HostState, wanted: HostState, kits: tuple[Files, ...]) -> Iterator[str]:
    ours = [contents(kit) for kit in kits]
    links = {name for kit in ours for name in kit.links} | {link.name for link in wanted.links}
    for link in now.links:
        if link.name not in links:
            yield f"device {link.name}"
    places = {(h.device, h.interface) for h in wanted.addresses}
    places |= {(h.device, h.interface) for kit in ours for h in kit.addresses}
    for held in now.addresses:
        if (held.device, held.interface) not in places:
            yield f"address {held.interface} on {held.device}"
    routes = {*wanted.routes, *(route for kit in ours for route in kit.routes)}
    choices = {*wanted.choices, *(choice for kit in ours for choice in kit.choices)}
    yield from (f"route `{_said(route)}`" for route in now.routes if route not in routes)
    yield from (f"choice `{_said(choice)}`" for choice in now.choices if choice not in choices)
    tables = {(table.family, table.name) for table in wanted.tables} | {OURS}
    for table in now.tables:
        if (table.family, table.name) not in tables:
            yield f"table {table.family} {table.name}"


def _said(way: Route | Choice) -> str:
    return f"IPv{way.family} {' '.join(way.words[way.words[0] == UNWRITTEN :])}"
