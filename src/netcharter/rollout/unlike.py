"""How two states of a host differ, in words."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping

from netcharter.diagnostics.escape import terminal
from netcharter.rollout import placing
from netcharter.rollout.listing import plain
from netcharter.rollout.network import UNWRITTEN
from netcharter.rollout.shapes import Choice, Held, HostState, Link, Route, Table


def unlike(first: HostState, second: HostState) -> tuple[str, ...]:
    """How a host (the second state) differs from what it should be like (the first), one sentence
    each; none: they are equal.

    Left aside: the moment, elements with a time limit, addresses that are lent, and settings,
    files and services that only one of the two knows (the device of a setting is told, or the kernel
    had not brought it yet; services are known to a service manager alone).
    """
    words = [
        *_sides("device", _links(first.links), _links(second.links)),
        *_sizes(first.links, second.links),
        *_sides("address", _held(first.addresses), _held(second.addresses)),
        *_order(first.addresses, second.addresses),
        *_sides("route", _ways(first.routes), _ways(second.routes)),
        *_sides("choice", _ways(first.choices), _ways(second.choices)),
        *_tables(first.tables, second.tables),
        *_values("setting", first.settings, second.settings),
        *_shaping(first.shaping, second.shaping),
        *placing.unlike(first, second),
    ]
    return tuple(terminal(text) for text in words)


def _sides(kind: str, first: Collection[str], second: Collection[str]) -> Iterator[str]:
    yield from (f"{kind} missing: {each}" for each in first if each not in second)
    yield from (f"{kind} besides: {each}" for each in second if each not in first)


def _links(links: Iterable[Link]) -> list[str]:
    return [
        f"{link.name}, {'on' if link.up else 'off'}"
        + (f", VLAN {link.tag} of {link.parent}" if link.parent is not None else "")
        for link in links
    ]


def _sizes(first: Iterable[Link], second: Iterable[Link]) -> Iterator[str]:
    other = {link.name: link.mtu for link in second}
    for link in first:
        found = other.get(link.name)
        if link.mtu is not None and found is not None and link.mtu != found:
            yield f"{link.name} takes {found} bytes at a time instead of {link.mtu}"


def _held(addresses: Iterable[Held]) -> list[str]:
    return [" ".join((str(h.interface), *h.words, "on", h.device)) for h in addresses]


def _order(first: Iterable[Held], second: Iterable[Held]) -> Iterator[str]:
    """Of several addresses of one network on one device, which one the kernel sends from."""
    for (device, network), one in _leading(first).items():
        other = _leading(second).get((device, network), one)
        if one != other:
            yield f"{device} sends to {network} from {other} instead of {one}"


def _leading(addresses: Iterable[Held]) -> dict[tuple[str, str], str]:
    found: dict[tuple[str, str], str] = {}
    for held in addresses:
        if held.interface.version == 4:
            found.setdefault((held.device, str(held.interface.network)), str(held.interface.ip))
    return found


def _ways(ways: Iterable[Route | Choice]) -> list[str]:
    return [f"IPv{way.family} {' '.join(way.words[way.words[0] == UNWRITTEN :])}" for way in ways]


def _tables(first: Iterable[Table], second: Iterable[Table]) -> Iterator[str]:
    one = {f"{table.family} {table.name}": plain(table.text) for table in first}
    other = {f"{table.family} {table.name}": plain(table.text) for table in second}
    yield from _sides("table", list(one), list(other))
    for name, text in one.items():
        if other.get(name, text) != text:
            yield f"table {name}: {_first_line(text.splitlines(), other[name].splitlines())}"


def _first_line(first: list[str], second: list[str]) -> str:
    for number, (one, other) in enumerate(zip(first, second, strict=False), 1):
        if one != other:
            return f"line {number} is `{_short(other)}` instead of `{_short(one)}`"
    return f"{len(second)} lines instead of {len(first)}"


def _short(line: str) -> str:
    found = line.strip()
    return found if len(found) <= 100 else f"{found[:97]}..."


def _values(kind: str, first: Mapping[str, str], second: Mapping[str, str]) -> Iterator[str]:
    for name in sorted(first):
        if name in second and first[name] != second[name]:
            yield f"{kind} {name} is {second[name]} instead of {first[name]}"


def _shaping(first: Mapping[str, str], second: Mapping[str, str]) -> Iterator[str]:
    for device in sorted({*first, *second}):
        if first.get(device) != second.get(device):
            yield f"queues of {device} are others"
