"""Kernel settings in an order in which nothing is passed on while no rules stand.

Writing `ip_forward` sets forwarding on every device, and whether redirects are taken; the IPv6
twin does the first (Linux, Documentation/networking/ip-sysctl). So what is general comes before what
it would overwrite, and that is written anew. Router advertisements are settled before it: switching
IPv6 forwarding on drops the routes learnt from them, but for devices where they are taken all the
same (accept_ra 2).

What is written for devices to come (IPv4, `default`) every device gets as well on which nobody ever
wrote it, be it the value that it has; forwarding is never copied, and an address that is added counts
as writing all (measured on Linux 6.18). So each device that is to differ from it gets its own
written first, whether it has that already or not. Whoever dies in between has changed nothing on the
devices of others, which nobody could bring back who comes next. A device that turns up once the host
has been read is one of those to come.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

FORWARD4, FORWARD6 = "net/ipv4/ip_forward", "net/ipv6/conf/all/forwarding"
REDIRECTS = "net/ipv4/conf/all/accept_redirects"

Settings = list[tuple[str, str]]

_OF_DEVICE = {
    FORWARD4: re.compile(r"net/ipv4/conf/(?!all/)[^/]+/forwarding\Z"),
    FORWARD6: re.compile(r"net/ipv6/conf/(?!all/)[^/]+/forwarding\Z"),
}


_TO_COME = re.compile(r"net/ipv4/conf/default/(?!forwarding\Z)([^/]+)\Z")
_OF_ONE = re.compile(r"net/ipv4/conf/(?!all/|default/)[^/]+/([^/]+)\Z")


def overwritten(general: str, name: str) -> bool:
    """Whether writing a setting for IPv4 devices to come may change this one of a device."""
    to_come, one = _TO_COME.match(general), _OF_ONE.match(name)
    return to_come is not None and one is not None and to_come[1] == one[1]


def is_forwarding(name: str) -> bool:
    return name == FORWARD4 or name.endswith("/forwarding")


def switched_off(
    known: Mapping[str, str], wanted: Mapping[str, str]
) -> tuple[Settings, dict[str, str]]:
    """Forwarding that is to be off, and what the settings are afterwards."""
    found = dict(known)
    names = [name for name in _in_turn(wanted) if is_forwarding(name)]
    return list(_written(found, {n: wanted[n] for n in names if wanted[n] == "0"}, True)), found


def switched_on(
    known: Mapping[str, str], wanted: Mapping[str, str]
) -> tuple[Settings, dict[str, str]]:
    """Everything else, and what the settings are afterwards."""
    found = dict(known)
    return list(_written(found, {name: wanted[name] for name in _in_turn(wanted)}, False)), found


def _in_turn(names: Mapping[str, str]) -> list[str]:
    """Router advertisements, forwarding in general, forwarding of devices, devices to come, rest."""

    def place(name: str) -> int:
        if name.endswith("/accept_ra"):
            return 0
        if name in (FORWARD4, FORWARD6):
            return 1
        if is_forwarding(name):
            return 2
        return 3 if "/default/" in name else 4

    return sorted(names, key=lambda name: (place(name), name))


def _written(
    found: dict[str, str], wanted: Mapping[str, str], only_there: bool
) -> Iterator[tuple[str, str]]:
    """What has to be written; `found` becomes what is then. One write may undo an earlier one's
    neighbour, never one that comes later in turn."""
    for name, value in wanted.items():
        if found.get(name) == value or (only_there and name not in found):
            continue
        for other, own in _own(found, wanted, name, value):
            yield other, own
            found[other] = own
        yield name, value
        found[name] = value
        if name in _OF_DEVICE:
            found |= {other: value for other in found if _OF_DEVICE[name].match(other)}
        for other in [other for other in found if overwritten(name, other)]:
            if found[other] != wanted.get(other, found[other]):
                del found[other]  # it is to become this value, and may have by now
        if name == FORWARD4:
            found[REDIRECTS] = "0" if value == "1" else "1"


def _own(found: Mapping[str, str], wanted: Mapping[str, str], general: str, value: str) -> Settings:
    """What devices are to have that a value for devices to come would change, unless it is written
    before."""
    every = [(n, wanted.get(n, found[n])) for n in sorted(found) if overwritten(general, n)]
    return [(name, own) for name, own in every if own != value]
