"""Network devices by number: those of the host, those the listing names, and all others.

A name that ends in `*` in the listing is a device here too: it stands for every other device whose
name begins so, and so does OTHER for all that begin like none of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from netcharter.readback.listing import Listing
from netcharter.readback.shapes import OTHER, OWN, Host
from netcharter.space.ranges import Ranges, ranges

LOOPBACK = "lo"
_KEYS = frozenset({"iif", "oif", "iifname", "oifname", "sdifname", "sdif"})
DEVICE_NAMES = frozenset(
    {"iifname", "oifname", "sdifname"}
)  # what they are compared with is no index
_FIB = frozenset({"oif", "oifname"})


class Devices:
    """Names in the order of their numbers: the host itself, any other, `lo`, then the rest."""

    def __init__(self, names: Iterable[str]) -> None:
        self.names: tuple[str, ...] = tuple(dict.fromkeys((OWN, OTHER, LOOPBACK, *names)))
        self._numbers: Mapping[str, int] = {name: at for at, name in enumerate(self.names)}
        self._patterns = [n for n in self.names[2:] if n.endswith("*")]
        self.all: Ranges = ((0, len(self.names) - 1),)
        self.own: Ranges = ((0, 0),)
        self.loopback = self.number(LOOPBACK)
        self.outside = ranges(
            *((at, at) for at in range(1, len(self.names)) if at != self.loopback)
        )

    def number(self, name: str) -> int:
        """The number of a real device's name (OWN: the host itself)."""
        found = self._numbers.get(name)
        if found is not None:
            return found
        fitting = [p for p in self._patterns if name.startswith(p[:-1])]
        return self._numbers[max(fitting, key=len)] if fitting else self._numbers[OTHER]

    def matching(self, name: str) -> Ranges:
        """What a name or pattern in a rule matches."""
        if not name.endswith("*"):
            at = self.number(name)
            return ((at, at),) if at != 1 else ()
        begin = name[:-1]
        fitting = (at for at, n in enumerate(self.names) if at > 1 and n.startswith(begin))
        return ranges(*((at, at) for at in fitting), *([(1, 1)] if not begin else []))


def devices_of(listing: Listing, host: Host) -> Devices:
    """All devices that host or listing name."""
    names: dict[str, None] = dict.fromkeys(host.devices)
    names.update(dict.fromkeys(host.own))
    names.update((name, None) for _, held in host.routes for name in held)
    seen: set[tuple[str, str, str, int | None]] = set()  # named sets that were looked at
    for chain in listing.chains.values():
        for rule in chain.rules:
            for key, data in _compared(rule.expr):
                for place, indices in _places(key):
                    if isinstance(data, str) and data.startswith("@"):
                        name = (rule.family, rule.table, data, place)
                        if name in seen:
                            continue
                        seen.add(name)
                    held = _names(_rows(listing, rule, data), place)
                    names.update((n, None) for n in held if not (indices and n.isdigit()))
    return Devices(name for name in names if name)


def _compared(said: Any) -> Iterator[tuple[Any, Any]]:
    """What is looked at, with what it is compared with, anywhere in a rule."""
    todo = [said]
    while todo:
        one = todo.pop()
        if isinstance(one, dict):
            if "left" in one and "right" in one:
                yield one["left"], one["right"]
            elif "key" in one and "data" in one:
                yield one["key"], one["data"]
            todo += one.values()
        elif isinstance(one, list | tuple):
            todo += one


def _places(key: Any) -> list[tuple[int | None, bool]]:
    """Where in the key a device stands (places in a concatenation, or None for the whole), and
    whether it may be written as its index."""
    if isinstance(key, dict) and isinstance(key.get("concat"), list):
        parts = enumerate(key["concat"])
        return [(at, not _is_named(part)) for at, part in parts if _is_device(part)]
    return [(None, not _is_named(key))] if _is_device(key) else []


def _is_device(key: Any) -> bool:
    if not isinstance(key, dict):
        return False
    meta, fib = key.get("meta"), key.get("fib")
    if isinstance(meta, dict):
        return str(meta.get("key")) in _KEYS
    return isinstance(fib, dict) and str(fib.get("result")) in _FIB


def _is_named(key: dict[str, Any]) -> bool:
    meta = key.get("meta")
    return isinstance(meta, dict) and str(meta.get("key")) in DEVICE_NAMES


def _rows(listing: Listing, rule: Any, data: Any) -> Iterator[Any]:
    if isinstance(data, str) and data.startswith("@"):
        named = listing.sets.get((rule.family, rule.table, data[1:]))
        yield from named.elements if named else ()
    elif isinstance(data, dict) and isinstance(data.get("set"), list):
        yield from data["set"]
    else:
        yield data


def _names(rows: Iterable[Any], place: int | None) -> Iterator[str]:
    for row in rows:
        one = row[0] if isinstance(row, list) and row else row
        if isinstance(one, dict) and isinstance(one.get("elem"), dict):
            one = one["elem"].get("val")
        if place is not None and isinstance(one, dict) and isinstance(one.get("concat"), list):
            parts = one["concat"]
            one = parts[place] if place < len(parts) else None
        if isinstance(one, str) and one != "*" and one[:1] not in "@":
            yield one
